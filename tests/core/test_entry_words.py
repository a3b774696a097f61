"""What is said of a room, to whom and how often: statuses, reasons, sounders, permits, to the last word."""

import corekit
import pytest
from corekit import FRESH, status, told

from supervisor.core import entry
from supervisor.messages import RoomEntry, RoomSounder, at
from supervisor.values import PermitRefused, Publish, StopDose, Stopping

EAST = "room_air_unsafe-east"


def entries(bench: corekit.Bench, room: str = "east") -> list[float]:
    """When the room's status was published."""
    return [at_s for at_s, one in bench.log
            if isinstance(one, Publish) and isinstance(one.body, RoomEntry) and one.names == (room,)]  # fmt: skip


def enter(bench: corekit.Bench, *people: str):
    return bench.command("enter", "east", people=list(people), standby="ono", minutes=60)


def test_a_status_is_said_each_thirty_seconds() -> None:
    bench = corekit.ready()
    bench.log.clear()
    bench.run(130)
    times = entries(bench)
    assert [later - earlier for earlier, later in zip(times, times[1:], strict=False)] == [30.0] * (len(times) - 1)
    assert len(times) == 4


def test_what_was_never_shown_is_shown_by_the_next_tick() -> None:
    """As after an older version, which did not note it."""
    bench = corekit.ready()
    bench.core.state.rooms["east"].shown_mono_s = None
    bench.log.clear()
    bench.run(1)
    assert len(entries(bench)) == 1


def test_an_age_that_grows_is_no_news() -> None:
    bench = corekit.ready()
    del bench.air["east", "floor"]
    bench.run(60, until=lambda: status(bench) == "forbidden")
    bench.log.clear()
    bench.run(25)
    assert entries(bench) == []
    bench.run(10)
    assert "sensor floor silent for" in bench.entry().reasons[0]


def test_a_change_is_said_with_its_reasons_and_dated() -> None:
    bench = corekit.Bench().start()
    assert {one.since for one in bench.bodies(RoomEntry)} == {at(bench.core.state.started_wall_s)}
    bench = corekit.ready()
    bench.go(1.0)
    bench.say_air("east", "floor", 20.9, 0.6)
    bench.say_air("east", "door", 20.9, 0.7)
    bench.tick()
    said = bench.said("room_status")[-1]
    reasons = ["CO2 0.70 % at door, at most 0.5 %", "CO2 0.60 % at floor, at most 0.5 %"]
    assert (said.level, said.figures) == (
        "warning", {"room": "east", "status": "forbidden", "was": "clear", "reasons": "; ".join(reasons)},
    )  # fmt: skip
    changed_at = at(bench.wall_s)
    bench.run(40)
    assert bench.entry().since == changed_at and bench.core.state.rooms["east"].reasons != reasons


def test_every_doubt_stands_in_the_alarm() -> None:
    bench = corekit.ready()
    told(bench, door="fault", floor="calibrating")
    assert bench.alarm("room_air_unknown-east").text == (
        "Room air is not known: sensor door says fault; sensor floor says calibrating"
    )


@pytest.mark.parametrize("bad", [(20.9, 1.51), (17.99, 0.04)])
def test_dangerous_air_does_not_flutter_and_takes_no_air_either(bad: tuple[float, float]) -> None:
    bench = corekit.ready()
    told(bench, door=bad, floor=bad)
    alarm = "room_air_dangerous-east"
    assert bench.alarm(alarm).condition and not bench.core.state.rooms["east"].air_permitted
    better = (20.9, 1.49) if bad[1] > 1.0 else (18.05, 0.04)
    told(bench, door=better, floor=better)
    assert bench.alarm(alarm).condition
    enough = (20.9, 1.34) if bad[1] > 1.0 else (18.11, 0.04)
    told(bench, door=enough, floor=enough)
    assert not bench.alarm(alarm).condition and bench.core.state.rooms["east"].air_permitted


def test_a_status_that_only_changes_for_the_better_shuts_no_valve_again() -> None:
    bench = corekit.ready()
    told(bench, door=(20.9, 0.6), floor=(20.9, 0.6))
    bench.log.clear()
    told(bench, 90, door=FRESH, floor=FRESH)
    assert status(bench) == "restricted" and bench.effects(StopDose) == []


# ------------------------------------------------------------------------------------------------ the sounder


def sounder(bench: corekit.Bench) -> tuple[bool, str]:
    told_last = bench.bodies(RoomSounder, "east")[-1]
    return told_last.on, told_last.reason


def test_the_sounder_says_why() -> None:
    bench = corekit.ready()
    assert sounder(bench) == (False, "")
    assert enter(bench, "mara").accepted
    bench.run(2)
    assert sounder(bench) == (False, "")
    told(bench, door=(20.9, 0.6), floor=(20.9, 0.6))
    assert sounder(bench) == (True, "leave the room: its air is not known to be good")
    told(bench, door=(20.9, 1.6), floor=(20.9, 1.6))
    assert sounder(bench) == (True, "room air is dangerous")
    changes = len(bench.bodies(RoomSounder, "east"))
    bench.run(60)
    assert len(bench.bodies(RoomSounder, "east")) == changes, "said once"


def test_the_sounder_calls_those_who_have_not_come_out() -> None:
    bench = corekit.ready()
    bench.command("enter", "east", people=["mara"], standby="ono", minutes=1)
    bench.run(60 + 300 + 2)
    assert sounder(bench) == (True, "people have not come out")


# ------------------------------------------------------------------------------------------------ the forecast


def test_the_forecast_is_rounded_and_is_none_where_nobody_may_go() -> None:
    bench = corekit.ready()
    told(bench, 40, door=(20.65432, 0.05678), floor=(20.65432, 0.05678))
    assert (bench.entry().forecast_o2_pct, bench.entry().forecast_co2_pct) == (20.65, 0.057)
    told(bench, 40, door=(20.9, 0.6), floor=(20.9, 0.6))
    assert status(bench) == "forbidden"
    assert (bench.entry().forecast_o2_pct, bench.entry().forecast_co2_pct, bench.entry().venting) == (None, None, [])


# ------------------------------------------------------------------------------------------------ permits


def test_the_first_permit_of_a_run_permits_nothing() -> None:
    bench = corekit.Bench().start()
    bench.run(1)
    assert [(one.dosing_permitted, one.air_permitted) for _, one in bench.permits()] == [(False, False)]


def test_a_refused_permit_is_withdrawn_once_and_told_whole() -> None:
    bench = corekit.ready()
    bench.log.clear()
    bench.step(PermitRefused(bench.now, "east", "room_air", "so much", "so little"))
    bench.run(9)
    assert [(one.dosing_permitted, one.air_permitted) for _, one in bench.permits()] == [(False, False)]
    (said,) = bench.said("permit_refused_by_guard")
    assert (said.level, said.figures) == (
        "warning", {"room": "east", "rule": "room_air", "measured": "so much", "limit": "so little"},
    )  # fmt: skip
    room = bench.core.state.rooms["east"]
    assert not room.dosing_permitted and not room.air_permitted
    bench.run(1)
    assert room.dosing_permitted and room.air_permitted


def test_air_that_is_ended_is_ended_once() -> None:
    bench = corekit.blowing()
    assert enter(bench, "mara").accepted
    bench.run(10)
    assert len([one for one in bench.effects(StopDose) if one.gas == "air"]) == 1


def test_another_supervisor_ends_every_permit_even_when_none_stands_just_now() -> None:
    """An epoch that was used is not climbed over later, whatever was withdrawn meanwhile."""
    bench = corekit.ready()
    told(bench, door="fault", floor="fault")
    bench.air["west", "west-air"] = "fault"
    bench.run(10)
    bench.epoch_seen = bench.core.state.epoch + 5
    bench.run(12)
    assert bench.core.state.overtaken and bench.alarm("epoch_overtaken-site").condition
    bench.air = dict.fromkeys(corekit.SENSORS, FRESH)
    bench.log.clear()
    bench.run(100)
    assert not any(one.dosing_permitted or one.air_permitted for _, one in bench.permits() + bench.permits("west"))


def test_the_end_is_said_with_its_instant() -> None:
    bench = corekit.ready()
    bench.go(0.5)
    bench.step(Stopping(bench.now))
    last = bench.entry()
    assert (last.since, last.judged_at) == (at(bench.wall_s), at(bench.wall_s))
    assert last.reasons == ["the supervisor has ended: nobody watches this room's air"]
    room = bench.core.state.rooms["east"]
    assert not room.dosing_permitted and not room.air_permitted
    assert entry.latched(bench.desk(), "east") == []
