"""Rule 7: the controller's own clock, and what the guard keeps over a restart. Typed by hand: 10 s."""

import pytest
from guard_world import SENSORS, UNITS, World, around, ready, verdict
from pydantic import ValidationError

from supervisor.guard import Guard
from supervisor.messages import Bag, Closure, OperatorCommand, PulpTemperature, RoomClimate, UnitStatus
from supervisor.values import (
    Arrived,
    LinkChanged,
    Now,
    Started,
    Ticked,
)

NAN, INF = float("nan"), float("inf")
READY = ready()


@pytest.mark.parametrize("jump_s", [-86_400.0, *around(-10.0, 0.25, 3), -1.0, 1.0, *around(10.0, 0.25, 3), 86_400.0])
def test_a_jump_of_the_wall_clock(jump_s):
    """Beyond 10 s everything must be seen again; up to that it is as if units' clocks were off."""
    world = READY.fork()
    world.wall_shift_s += jump_s
    world.t += 1
    if abs(jump_s) <= 10.0:
        assert verdict(world.ask(gas="air")) == "cleared"
        return
    for asked in ("ask", "permit"):
        assert verdict(getattr(world.fork(), asked)()) == "room_unknown"
    world.live(59)
    assert verdict(world.fork().permit()) == "room_air"
    assert verdict(world.fork().ask(gas="air")) == "sample"
    world.live(60)
    assert verdict(world.fork().permit()) == "cleared"
    assert verdict(world.ask()) == "cleared"


def test_small_jumps_add_up():
    world = READY.fork()
    for _ in range(3):
        world.wall_shift_s += 4.0
        world.t += 0.25
        world.tick()
    assert verdict(world.ask()) == "room_unknown"


def test_a_jump_and_back_is_seen_between_two_events():
    world = READY.fork()
    world.wall_shift_s = 3600.0
    world.tick()
    world.wall_shift_s = 0.0
    world.tick()
    assert verdict(world.ask()) == "room_unknown"


def test_units_whose_clocks_did_not_jump_with_ours_get_nothing():
    world = READY.fork()
    world.wall_shift_s = 3600.0
    for _ in range(24):
        world.t += 5
        world.beat(offset_s=-3600)
        for room in SENSORS:
            world.air(room=room, offset_s=-3600)
        world.supply(age_s=3600)
        world.read(offset_s=-3600)
    assert verdict(world.ask(offset_s=-3600)) == "room_unknown"


def test_a_jump_forgets_no_latch_no_dose_and_no_epoch():
    world = READY.fork()
    request = world.request(volume=150.0)
    world.guard.judge(request, world.now)
    world.wall_shift_s = 3600.0
    world.tick()
    assert verdict(world.ask(request_id=request.request_id)) == "request_id"
    world.live(119)
    assert verdict(world.ask()) == "busy"
    world.live(1)
    assert verdict(world.fork().ask()) == "cleared"
    world.command("vent")
    assert verdict(world.ask()) == "sealed"


def test_what_arrived_later_than_now_is_not_young():
    for heard in ("beat", "air"):
        world = READY.fork()
        world.t += 1
        getattr(world, heard)()
        world.t -= 0.5
        assert verdict(world.permit()) == "room_unknown", heard


def test_messages_that_are_not_for_the_guard_pass_it_by():
    world = READY.fork()
    before, moment = world.guard.dump(), world.moment(0)
    world.send(RoomClimate(observed_at=moment, temperature_c=1.0, rh_pct=90.0), "north")
    world.send(Closure(observed_at=moment, open=True), "n1")
    world.send(PulpTemperature(observed_at=moment, temperature_c=1.0), "n1")
    world.send(Bag(observed_at=moment), "n1")
    assert world.guard.dump() == before


def test_what_was_seen_before_time_went_back_is_not_young():
    """Both clocks set back together: nothing arrived in the future."""
    world = READY.fork()
    world.t -= 1
    assert verdict(world.permit()) == "room_unknown"


@pytest.mark.parametrize("mono_s, wall_s", [(NAN, 0.0), (0.0, NAN), (NAN, NAN), (INF, 0.0), (0.0, -INF)])
def test_no_event_at_no_time_leaves_a_trace(mono_s, wall_s):
    world = READY.fork()
    when = Now(READY.now.mono_s + mono_s, READY.now.wall_s + wall_s)
    command = OperatorCommand(command_id="x", issued_at=world.moment(0), operator="ada", action="test", target="n1")
    beat = UnitStatus(observed_at=world.moment(0), online=True, boot="b", epoch_seen=50)
    for event in (Arrived(when, beat.TOPIC, ("gateway-north",), beat), Arrived(when, command.TOPIC, (), command),
                  LinkChanged(when, False), Started(when, 50, "x"), Ticked(when)):  # fmt: skip
        world.guard.observe(event)
    world.guard.judge(world.request(), when)
    assert world.guard.dump() == world.fork().guard.dump()
    assert verdict(world.fork().permit()) == "room_unknown", "the clock is not trusted after that"
    world.live(120)
    assert verdict(world.fork().permit()) == "cleared"
    assert verdict(world.ask()) == "cleared"


def test_a_time_that_is_none_leaves_the_guard_able_to_recover():
    world = READY.fork()
    world.guard.judge(world.request(), Now(float("nan"), float("nan")))
    assert verdict(world.fork().permit()) == "room_unknown"
    world.live(120)
    world.announce("holding")
    assert verdict(world.permit()) == "cleared"


# ---- memory


def test_a_dump_says_everything():
    for blob in (READY.guard.dump(), World().guard.dump()):
        assert Guard.load(READY.site, blob).dump() == blob


@pytest.mark.parametrize("blob", [b"", b"{", b"null", b"[]", b'{"seen": 1}', b'{"epoch": "high"}'])
def test_a_dump_that_is_none_is_named(blob):
    with pytest.raises(ValidationError):
        Guard.load(READY.site, blob)


def test_same_events_same_answers():
    one, other = ready(), ready()
    assert one.guard.dump() == other.guard.dump()
    assert one.ask() == other.ask()
    assert one.guard.dump() == other.guard.dump()


def test_units_of_the_site_are_these():
    assert sorted({unit.unit for unit in READY.site.enclosure} | {one.unit for one in READY.site.source}) == sorted(UNITS)
