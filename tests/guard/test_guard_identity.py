"""Rule 6 and the request's own figures: every request expires, no id twice, no epoch down, nothing unlisted.

Typed by hand from the example site: leases to 120 s, permits to 45 s, a clock may be 10 s off.
"""

import dataclasses
import itertools

import pytest
from guard_world import SITE, World, around, ready, verdict

from supervisor.guard import Cleared, Refusal
from supervisor.values import PermitRoom, Publish, RequestDose, Row, Say, StopDose, Ticked

READY = ready()
NAN, INF = float("nan"), float("inf")


def test_sweep_of_the_lease():
    for ahead_s in (-3600.0, *around(0.0, 0.25, 4), 60.0, *around(120.0, 0.25), 86_400.0, NAN, INF, -INF):
        world = READY.fork()
        answer = verdict(world.ask(ahead=ahead_s))
        assert (answer == "cleared") == (0 < ahead_s <= 120.0), ahead_s
        assert answer in ("cleared", "expiry", "figures")


def test_sweep_of_the_permits_lease():
    for ahead_s in (-3600.0, *around(0.0, 0.25, 4), 20.0, *around(45.0, 0.25), 60.0, NAN, INF, -INF):
        for dosing, air in ((True, True), (True, False), (False, True)):
            answer = verdict(READY.fork().permit(dosing=dosing, air=air, ahead=ahead_s))
            assert answer == ("cleared" if 0 < ahead_s <= 45.0 else "expiry"), ahead_s


@pytest.mark.parametrize("field", ["volume_nl", "max_flow_nl_min", "valid_until_wall_s", "clock_offset_s"])
@pytest.mark.parametrize("figure", [NAN, INF, -INF])
def test_figures_that_are_none(field, figure):
    world = READY.fork()
    request = dataclasses.replace(world.request(), **{field: figure})
    assert verdict(world.guard.judge(request, world.now)) == "figures"


@pytest.mark.parametrize("field", ["volume_nl", "max_flow_nl_min"])
def test_figures_must_be_above_nothing(field):
    for figure in (-1e9, -1.0, -1e-9, -0.0, 0.0, 5e-324, 1e-9, 0.25):
        world = READY.fork()
        request = dataclasses.replace(world.request(), **{field: figure})
        assert verdict(world.guard.judge(request, world.now)) == ("cleared" if figure > 0 else "figures"), figure


@pytest.mark.parametrize("clock", ["mono_s", "wall_s"])
@pytest.mark.parametrize("figure", [NAN, INF, -INF])
def test_a_time_that_is_none(clock, figure):
    world = READY.fork()
    request = world.request()
    assert isinstance(world.guard.judge(request, world.now._replace(**{clock: figure})), Refusal)
    permit = PermitRoom("north", True, True, 7, world.now.wall_s + 45)
    assert isinstance(world.guard.judge(permit, world.now._replace(**{clock: figure})), Refusal)


# ---- targets


def test_every_unlisted_target_is_refused():
    names = ("n1", "s1", "", "N1", "n1 ", "n7", "north", "line-01", "+", "#")
    gases = ("nitrogen", "co2", "air", "", "CO2", "helium", "generator")
    sources = ("generator", "bank", "blower", "", "spare", "nitrogen")
    piped = {"nitrogen": "generator", "co2": "bank", "air": "blower"}
    for enclosure, gas, source in itertools.product(names, gases, sources):
        world = READY.fork()
        request = dataclasses.replace(world.request(), enclosure=enclosure, gas=gas, source=source, volume_nl=10.0,
                                      max_flow_nl_min=10.0)  # fmt: skip
        listed = enclosure in ("n1", "s1") and piped.get(gas) == source
        answer = verdict(world.guard.judge(request, world.now))
        assert (answer == "target") == (not listed), (enclosure, gas, source)
        assert (answer == "cleared") == (listed and enclosure == "n1")


@pytest.mark.parametrize("enclosure", [one.id for one in SITE.enclosure if one.id != "n1"])
def test_permission_for_one_enclosure_is_none_for_another(enclosure):
    assert verdict(READY.fork().ask(enclosure=enclosure)) == "state"
    world = READY.fork()
    world.announce("holding", enclosure)
    assert verdict(world.fork().ask(enclosure=enclosure)) == "sealed"
    world.command("seal", enclosure)
    # The south room was not even heard.
    assert verdict(world.ask(enclosure=enclosure)) == ("sample" if enclosure.startswith("n") else "room_unknown")


@pytest.mark.parametrize("room", ["", "north ", "attic", "n1", "+", "North"])
@pytest.mark.parametrize("dosing, air", [(True, True), (True, False), (False, True)])
def test_permits_for_rooms_that_are_none(room, dosing, air):
    assert verdict(READY.fork().permit(room=room, dosing=dosing, air=air)) == "target"


def test_what_is_no_request_is_refused():
    world = READY.fork()
    for effect in (Publish((), None), Row("x", (), (), 0.0), Say("info", "x"), Ticked(world.now), None, "open", 1):
        assert verdict(world.guard.judge(effect, world.now)) == "unlisted"


def test_a_source_of_another_gas_is_refused_even_when_it_is_piped():
    """A site file that passed no check: air comes from the nitrogen generator."""
    sources = tuple(one.model_copy(update={"gas": "nitrogen"}) if one.id == "blower" else one for one in SITE.source)
    site = SITE.model_copy(update={"source": sources})
    site.__dict__.pop("gas_sources", None)
    world = ready(site=site)
    assert verdict(world.ask(gas="air")) == "target"
    assert verdict(world.ask()) == "cleared"


# ---- ids


def test_ids_only_ever_go_up():
    world = READY.fork()
    for number, expected in ((5, "cleared"), (5, "request_id"), (4, "request_id"), (0, "request_id"), (6, "cleared"),
                             (6, "request_id"), (10, "cleared"), (9, "request_id"), (11, "cleared")):  # fmt: skip
        world.live(125, step_s=25)
        assert verdict(world.ask(request_id=f"7-{number}", volume=1.0)) == expected, number


def test_ids_go_up_over_all_valves():
    world = READY.fork()
    assert verdict(world.ask(request_id="7-5")) == "cleared"
    assert verdict(world.ask(gas="air", request_id="7-5")) == "request_id"
    assert verdict(world.ask(gas="air", request_id="7-6")) == "cleared"


def test_the_first_id_may_be_nought():
    assert verdict(READY.fork().ask(request_id="7-0")) == "cleared"


@pytest.mark.parametrize("request_id", [
    "", "7", "7-", "-7", "7-1-2", "7-1 ", " 7-1", "7-1\n", "7--1", "7-+1", "7-1.0", "7-1e3", "7_1", "8-1", "6-1", "77-1",
    "7-x", "7-1000000000000000", "7-" + "9" * 5000, "٧-١", "0x7-1",
])  # fmt: skip
def test_ids_of_another_form_are_refused(request_id):
    assert verdict(READY.fork().ask(request_id=request_id)) == "request_id"


@pytest.mark.parametrize("request_id", ["7-1", "7-01", "007-1", "7-999999999999999"])
def test_ids_of_this_form_pass(request_id):
    assert verdict(READY.fork().ask(request_id=request_id)) == "cleared"


@pytest.mark.parametrize("request_id", ["", "garbage", "1", "--", "1-x"])
def test_no_garbage_is_taken_for_an_id_of_the_first_epoch(request_id):
    world = world_of_epochs(run=1, seen=0)
    assert verdict(world.fork().ask(epoch=1, request_id=request_id)) == "request_id"
    assert verdict(world.ask(epoch=1, request_id="1-0")) == "cleared"


def test_a_refused_request_does_not_use_up_its_id():
    world = READY.fork()
    assert verdict(world.ask(request_id="7-5", volume=1000.0)) == "volume"
    assert verdict(world.ask(request_id="7-5")) == "cleared"


def test_a_repeated_id_is_refused_after_a_crash():
    world = READY.fork()
    assert verdict(world.ask(request_id="7-5")) == "cleared"
    world = world.fork()
    world.live(125)
    assert verdict(world.fork().ask(request_id="7-5")) == "request_id"
    assert verdict(world.ask(request_id="7-6")) == "cleared"


# ---- epochs


def test_an_epoch_below_the_runs_is_refused():
    for epoch in (-1, 0, 6, 7, 8, 100):
        expected = "cleared" if epoch >= 7 else "epoch"
        assert verdict(READY.fork().ask(epoch=epoch)) == expected
        assert verdict(READY.fork().permit(epoch=epoch)) == expected


@pytest.mark.parametrize("raise_by", ["request", "permit", "withdrawal", "stop"])
def test_an_epoch_never_goes_down(raise_by):
    world = READY.fork()
    match raise_by:
        case "request":
            assert verdict(world.ask(epoch=9, gas="air")) == "cleared"
        case "permit":
            assert verdict(world.permit(epoch=9)) == "cleared"
        case "withdrawal":
            assert verdict(world.permit(epoch=9, dosing=False, air=False)) == "cleared"
        case "stop":
            world.guard.judge(StopDose("n1", "air", None, 9, "x"), world.now)
    for epoch, expected in ((7, "epoch"), (8, "epoch"), (9, "cleared")):
        assert verdict(world.fork().ask(epoch=epoch)) == expected
        assert verdict(world.fork().permit(epoch=epoch)) == expected


def test_a_stop_of_a_lower_epoch_lowers_nothing():
    world = READY.fork()
    world.permit(epoch=9)
    world.guard.judge(StopDose("n1", "air", None, 3, "x"), world.now)
    assert verdict(world.permit(epoch=8)) == "epoch"
    world.beat(epoch_seen=9)
    assert verdict(world.permit(epoch=9)) == "cleared"


def test_a_refused_request_raises_no_epoch():
    world = READY.fork()
    assert verdict(world.ask(epoch=9, volume=1000.0)) == "volume"
    assert verdict(world.ask(epoch=7)) == "cleared"


def test_the_epoch_must_be_above_what_hardware_has_seen_of_others():
    for seen in (0, 6, 7, 8, 9, 50):
        world = READY.fork()
        world.t += 1
        world.beat("gateway-south", epoch_seen=seen)
        for epoch in (7, 8, 9, 10, 51):
            expected = "cleared" if epoch >= 7 and epoch > seen else "epoch"
            assert verdict(world.fork().ask(epoch=epoch)) == expected, (seen, epoch)
            assert verdict(world.fork().permit(epoch=epoch)) == expected, (seen, epoch)


@pytest.mark.parametrize("first", ["request", "permit", "withdrawal", "stop"])
def test_what_hardware_has_seen_from_here_is_ours(first):
    world = READY.fork()
    match first:
        case "request":
            world.ask(gas="air")
        case "permit":
            world.permit()
        case "withdrawal":
            world.permit(dosing=False, air=False)
        case "stop":
            world.guard.judge(StopDose("n1", "air", None, 7, "x"), world.now)
    world.t += 1
    world.beat(epoch_seen=7)
    assert verdict(world.fork().ask()) == "cleared"
    world.t += 1
    world.beat("gateway-south", epoch_seen=8)
    assert verdict(world.fork().ask()) == "epoch"
    world.t += 1
    world.beat("gateway-south", epoch_seen=7)
    assert verdict(world.fork().ask()) == "epoch", "what was seen once is not unseen"
    assert verdict(world.fork().ask(epoch=9)) == "cleared"


def test_an_epoch_seen_is_told_by_repeats_and_wills_too():
    for how in ({"age_s": 0}, {"online": False}):
        world = READY.fork()
        world.beat("gateway-south", epoch_seen=9, **how)
        assert verdict(world.ask()) == "epoch"


def test_what_a_stranger_has_seen_does_not_matter():
    world = READY.fork()
    world.beat("gateway-of-another-site", epoch_seen=50)
    assert verdict(world.ask()) == "cleared"


@pytest.mark.parametrize("run, seen, asked, expected", [
    (1, 0, 1, "cleared"), (1, 1, 1, "epoch"), (0, 0, 0, "epoch"), (0, 0, 1, "cleared"), (2, 1, 2, "cleared"),
])  # fmt: skip
def test_the_first_epochs_of_all(run, seen, asked, expected):
    world = world_of_epochs(run, seen)
    assert verdict(world.fork().ask(epoch=asked)) == expected
    assert verdict(world.fork().permit(epoch=asked)) == expected


def world_of_epochs(run: int, seen: int) -> World:
    """As ready, but the run has this epoch and hardware has seen that one."""
    world = World()
    world.start(run)
    world.link()
    world.beat(epoch_seen=seen)
    world.command("seal")
    for _ in range(24):
        world.t += 5
        world.hear(epoch_seen=seen)
    world.announce("holding")
    return world


def test_a_new_run_must_climb_over_the_last():
    world = READY.fork()
    world.permit()
    world.beat(epoch_seen=7)
    world = world.fork()
    for epoch in (6, 7):
        again = world.fork()
        again.start(epoch)
        again.link()
        again.live(120)
        assert verdict(again.permit(epoch=6)) == "epoch"
        again.beat(epoch_seen=7, age_s=-1)
        assert verdict(again.permit(epoch=7)) == "epoch", "hardware has seen it, and not in this run"
        assert verdict(again.permit(epoch=8)) == "cleared"
    again = world.fork()
    again.start(9)
    again.link()
    again.live(120)
    assert verdict(again.permit(epoch=8)) == "epoch"
    assert verdict(again.permit(epoch=9)) == "cleared"


# ---- the door


def test_only_the_guard_makes_a_yes():
    effect = READY.request()
    for key in (None, object(), 0, True):
        with pytest.raises(PermissionError, match="^only the guard clears what goes to a valve$"):
            Cleared(effect, key)
    with pytest.raises(TypeError):
        Cleared(effect)


def test_a_yes_cannot_be_changed():
    world = READY.fork()
    cleared = world.ask()
    assert isinstance(cleared, Cleared) and isinstance(cleared.effect, RequestDose)
    with pytest.raises(dataclasses.FrozenInstanceError):
        cleared.effect = world.request(volume=1e6)
    assert not hasattr(cleared, "__dict__"), "nothing can be hung on it"
    with pytest.raises(ValueError, match="must be specified"):
        dataclasses.replace(cleared, effect=world.request(volume=1e6))


def test_the_effect_is_passed_on_as_it_came():
    world = READY.fork()
    request = world.request()
    assert world.guard.judge(request, world.now).effect is request


def test_a_refusal_says_what_was_found_and_what_would_have_passed():
    world = READY.fork()
    refusal = world.ask(volume=151.0)
    assert refusal == Refusal("volume", "151.0 nl", "150 nl per request")
    with pytest.raises(dataclasses.FrozenInstanceError):
        refusal.rule = "none"
    assert not hasattr(refusal, "__dict__")
    world.t += 1
    world.read(o2=1.5)
    assert world.ask() == Refusal("o2_floor", "1.50 % O2", "at least 2.5 %")
