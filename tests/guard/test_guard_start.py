"""Rule 7: unknown is unsafe. Starts, links, units and clocks.

Typed by hand from the example site: a unit silent for more than 45 s is lost; clocks may be 10 s off.
"""

import pytest
from guard_world import World, around, ready, verdict

from supervisor.values import (
    PlantFinding,
    ShellTrouble,
    Stopping,
)

NAN, INF = float("nan"), float("inf")
READY = ready()


def valves_on_a_unit_of_their_own() -> World:
    """Sensors and valves stand on different units; the valves' unit has not been heard yet."""
    site = READY.site.model_copy(update={"enclosure": tuple(
        one.model_copy(update={"unit": "gateway-valves"}) if one.id == "n1" else one for one in READY.site.enclosure
    )})  # fmt: skip
    site.__dict__.pop("enclosures", None)
    return ready(site=site)


OWN_UNIT = valves_on_a_unit_of_their_own()
ENTRANCE = {"nitrogen": "generator", "co2": "bank", "air": "blower"}


def test_a_world_that_is_good_passes():
    for gas in ENTRANCE:
        assert verdict(READY.fork().ask(gas=gas)) == "cleared"
    for dosing, air in ((True, True), (True, False), (False, True)):
        assert verdict(READY.fork().permit(dosing=dosing, air=air)) == "cleared"


def test_a_guard_that_was_never_started_passes_nothing():
    world = World()
    world.link()
    world.beat()
    world.command("seal")
    world.live(120)
    world.announce("pulling_down")
    assert verdict(world.ask()) == "link"
    assert verdict(world.permit()) == "link"


@pytest.mark.parametrize("missing, rules", [
    ("gateway-north", ("room_unknown", "room_unknown")), ("gateway-plant", ("sample", "cleared")),
    ("north-door", ("room_unknown", "room_unknown")), ("north-floor", ("room_unknown", "room_unknown")),
    ("sources", ("source", "cleared")), ("readings", ("sample", "cleared")), ("link", ("link", "link")),
    ("gateway-south", ("cleared", "cleared")), ("announcement", ("state", "cleared")), ("nothing", ("cleared", "cleared")),
])  # fmt: skip
def test_each_thing_must_be_seen_again_after_a_start(missing, rules):
    world = READY.fork()
    world.start(8)
    if missing != "link":
        world.link()
    world.live(120, without=(missing,))
    if missing != "announcement":
        world.announce("holding")
    assert (verdict(world.fork().ask(epoch=8)), verdict(world.permit(epoch=8))) == rules


def test_nothing_passes_at_once_after_a_start():
    world = READY.fork()
    world.start(8)
    assert verdict(world.fork().ask(epoch=8)) == "link"
    world.link()
    world.announce("holding")
    assert verdict(world.fork().ask(epoch=8)) == "room_unknown"
    assert verdict(world.fork().permit(epoch=8)) == "room_unknown"


def test_the_sample_must_have_left_the_enclosure_after_the_start():
    """22 s on the way: what stood in the cell less than 22 s after the start had left the enclosure before it.

    Settling takes longer than that by arrival anyway, so the readings here are dated back as far as the clocks allow.
    """
    for behind_s, expected in ((62.0, "cleared"), (62.25, "sample")):
        world = READY.fork()
        world.live(5)
        world.start(8)
        begun = world.t
        world.link()
        world.announce("holding")
        world.hear(without=("readings",))
        world.read(age_s=behind_s + 0.0)
        for _ in range(16):
            world.t += 5
            world.hear(without=("readings",))
            world.read(age_s=behind_s)
        world.t = begun + 84
        world.hear(without=("readings",))
        world.read(age_s=behind_s)
        assert verdict(world.ask(epoch=8)) == expected, behind_s


def test_a_sample_from_before_the_start_is_none():
    world = READY.fork()
    before = world.ref
    world.start(8)
    world.link()
    world.live(120, without=("readings",))
    world.announce("holding")
    assert verdict(world.ask(epoch=8, basis=before)) == "sample"


# ---- link


def test_the_link_must_be_up():
    world = READY.fork()
    world.link(False)
    assert verdict(world.fork().ask()) == "link"
    assert verdict(world.fork().permit()) == "link"
    assert verdict(world.fork().permit(dosing=False)) == "link"
    world.link(True)
    assert verdict(world.ask()) == "cleared"


def test_other_events_open_nothing_and_shut_nothing():
    for event in (
        Stopping(READY.now), ShellTrouble(READY.now, "history_unreachable", True, "x"),
        PlantFinding(READY.now, "n1", "no_response", "nitrogen", "x", "y"),
    ):  # fmt: skip
        world = READY.fork()
        world.guard.observe(event)
        world.tick()
        assert verdict(world.fork().ask()) == "cleared"
        world.link(False)
        world.guard.observe(event)
        assert verdict(world.ask()) == "link"


# ---- units


@pytest.mark.parametrize("unit, rule", [("gateway-north", "room_unknown"), ("gateway-plant", "unit"),
                                        ("gateway-south", "cleared")])  # fmt: skip
def test_a_unit_that_is_offline(unit, rule):
    world = READY.fork()
    world.beat(unit, online=False)
    assert verdict(world.fork().ask()) == rule
    world.t += 0.25
    world.beat(unit)
    assert verdict(world.ask()) == "cleared"


def test_sweep_of_a_silent_unit():
    for unit, rule in (("gateway-north", "room_unknown"), ("gateway-plant", "unit")):
        for silent_s in (0.0, 30.0, *around(45.0, 0.25, 4), 50.0, 110.0):
            world = READY.fork()
            world.live(silent_s, without=(unit, "readings"))
            assert verdict(world.ask()) == ("cleared" if silent_s <= 45.0 else rule), (unit, silent_s)


def test_sweep_of_a_units_clock():
    """Measured at each heartbeat; beyond 10 s nothing goes through this unit."""
    for offset_s in (-3600.0, *around(-10.0, 0.25, 4), -1.0, 1.0, *around(10.0, 0.25, 4), 3600.0):
        world = READY.fork()
        world.t += 2
        world.beat("gateway-plant", offset_s=offset_s)
        good = abs(offset_s) <= 10.0
        assert verdict(world.ask()) == ("cleared" if good else "unit"), offset_s
        world = READY.fork()
        world.t += 2
        world.beat("gateway-north", offset_s=offset_s)
        assert verdict(world.ask(offset_s=offset_s)) == ("cleared" if good else "room_unknown"), offset_s


def clock_off_by(*heartbeats: float, boots=None) -> float:
    """What the guard takes a unit's clock to be off by, found by asking with ever other offsets."""
    world = World(OWN_UNIT.site, OWN_UNIT.guard.dump())
    world.t, world.ref, world.numbers = OWN_UNIT.t, OWN_UNIT.ref, OWN_UNIT.numbers
    for number, offset_s in enumerate(heartbeats):
        world.t += 0.25
        world.beat("gateway-valves", offset_s=offset_s, boot=boots[number] if boots else "b1")
    passed = [one / 4 for one in range(-100, 101) if verdict(world.fork().ask(offset_s=one / 4)) == "cleared"]
    return (passed[0] + passed[-1]) / 2 if passed else float("nan")


@pytest.mark.parametrize("heartbeats, off_s", [
    ((3.0,), 3.0), ((3.0, -2.0), 3.0), ((-2.0, 3.0), 3.0), ((3.0, -2.0, -2.0, -2.0, -2.0), 3.0),
    ((3.0, -2.0, -2.0, -2.0, -2.0, -2.0), -2.0), ((5.0, -5.0), 5.0), ((5.0, -5.25), -5.25), ((5.0, -5.25, -4.0), -4.0),
])  # fmt: skip
def test_the_least_delayed_of_five_heartbeats_tells_a_units_clock(heartbeats, off_s):
    """What a delay makes look slow; but 10 s is more than a delay, that clock was set back."""
    assert clock_off_by(*heartbeats) == off_s


def test_another_boot_tells_its_own_clock():
    assert clock_off_by(3.0, -2.0, boots=("b1", "b2")) == -2.0


def test_the_enclosures_own_unit_counts_apart_from_its_rooms():
    world = valves_on_a_unit_of_their_own()
    assert verdict(world.fork().ask()) == "unit"
    world.beat("gateway-valves", offset_s=4)
    assert verdict(world.fork().ask()) == "cleared"
    assert verdict(world.fork().permit()) == "cleared"
    for offset_s, expected in ((-6.25, "clock_offset"), (-6.0, "cleared"), (4.0, "cleared"), (14.0, "cleared"),
                               (14.25, "clock_offset"), (1000.0, "clock_offset")):  # fmt: skip
        assert verdict(world.fork().ask(offset_s=offset_s)) == expected, offset_s
    world.beat("gateway-valves", online=False)
    assert verdict(world.ask()) == "unit"


def test_each_of_three_units_counts_by_itself():
    """Valves, analyser and source on a unit each."""
    update = {
        "enclosure": tuple(one.model_copy(update={"unit": "valves"}) for one in READY.site.enclosure),
        "analyser": tuple(one.model_copy(update={"unit": "analysis"}) for one in READY.site.analyser),
        "source": tuple(one.model_copy(update={"unit": "supply"}) for one in READY.site.source),
    }
    site = READY.site.model_copy(update=update)
    for name in ("enclosures", "analysers", "gas_sources"):
        site.__dict__.pop(name, None)
    world = World(site)
    world.start()
    world.link()
    world.command("seal")
    for _ in range(24):
        world.t += 5
        world.beat("valves", "analysis", "supply")
        world.hear()
    world.announce("holding")
    assert verdict(world.fork().ask()) == "cleared"
    for unit in ("valves", "analysis", "supply"):
        lost = world.fork()
        lost.beat(unit, online=False)
        assert verdict(lost.ask()) == "unit"


def test_a_request_must_reckon_with_the_units_clock():
    for offset_s in (-1000.0, *around(-10.0, 0.25, 3), 0.0, *around(10.0, 0.25, 3), 1000.0):
        expected = "cleared" if abs(offset_s) <= 10.0 else "clock_offset"
        assert verdict(READY.fork().ask(offset_s=offset_s)) == expected, offset_s


def test_the_retained_heartbeat_once_more_is_no_sign_of_life():
    world = READY.fork()
    heard = world.t
    for _ in range(10):
        world.live(5, without=("gateway-plant", "readings"))
        world.beat("gateway-plant", age_s=world.t - heard)
    assert verdict(world.ask()) == "unit"


def test_a_repeat_does_not_undo_a_will():
    world = READY.fork()
    world.beat("gateway-plant", online=False)
    world.beat("gateway-plant")
    assert verdict(world.ask()) == "unit"


def test_a_will_counts_even_when_it_is_dated_like_the_heartbeat_before():
    world = READY.fork()
    world.beat("gateway-plant")
    world.beat("gateway-plant", online=False)
    assert verdict(world.ask()) == "unit"


def test_another_boot_at_the_same_instant_is_a_sign_of_life():
    world = READY.fork()
    world.beat("gateway-plant", online=False)
    world.beat("gateway-plant", boot="b2")
    assert verdict(world.ask()) == "cleared"


def test_strangers_are_not_followed():
    world = READY.fork()
    before = len(world.guard.dump())
    for number in range(20):
        world.beat(f"stranger{number}")
        world.supply(f"stranger{number}")
        world.air(f"stranger{number}")
        world.read(analyser=f"stranger{number}")
    assert len(world.guard.dump()) == before
    for action in ("enter", "leave", "seal", "vent", "open", "stop", "resume"):
        world.command(action, "stranger", people=["bo"])
    assert b"stranger" not in world.guard.dump()
