"""A door that stands open while nobody is signed in: somebody may be inside, whatever the register says."""

import corekit
import pytest
from corekit import at, status

from supervisor.core.site import Core
from supervisor.messages import RoomDoor

KEY = "door_unsigned-east"


def door(bench: corekit.Bench, is_open: bool, room: str = "east", ago_s: float = 0.0) -> None:
    bench.hear(RoomDoor, room, open=is_open, observed_at=at(bench.wall_s - ago_s))
    bench.go(0.5)
    bench.tick()


def dosing(bench: corekit.Bench, room: str = "east") -> bool:
    return bench.core.state.rooms[room].dosing_permitted


def test_an_open_door_shuts_the_room_s_gas_at_once_and_a_shut_one_gives_it_back() -> None:
    bench = corekit.ready()
    door(bench, False)
    assert status(bench) == "clear" and dosing(bench)
    door(bench, True)
    assert status(bench) == "restricted" and not dosing(bench) and not bench.core.state.rooms["east"].air_permitted
    assert bench.entry().reasons == ["its door stands open and nobody is signed in: somebody may be inside"]
    assert status(bench, "west") == "clear"
    door(bench, False)
    bench.run(2)
    assert status(bench) == "clear" and dosing(bench) and bench.alarm(KEY) is None


def test_open_for_two_minutes_it_is_an_alarm_that_a_named_person_has_to_end() -> None:
    """Whoever went in may still be there when the door falls shut behind them."""
    bench = corekit.ready()
    door(bench, True)
    bench.run(118)
    assert bench.alarm(KEY) is None
    bench.run(5)
    told = bench.alarm(KEY)
    assert told.condition and told.latched and told.priority == "high"
    door(bench, False)
    bench.run(120)
    assert status(bench) == "restricted" and not dosing(bench)
    assert "alarm door_unsigned waits for a named person" in bench.entry().reasons
    corekit.end_alarm(bench, KEY)
    bench.run(2)
    assert status(bench) == "clear" and dosing(bench)


def test_with_people_signed_in_an_open_door_is_no_news() -> None:
    bench = corekit.ready()
    assert bench.command("enter", "east", people=["mara"], standby="ono", minutes=60).accepted
    door(bench, True)
    bench.run(300)
    assert bench.alarm(KEY) is None
    assert [one for one in bench.entry().reasons if "door" in one] == [] and "entered by mara" in bench.entry().reasons[0]
    bench.command("leave", "east", people=["mara"])
    bench.run(2)
    assert status(bench) == "restricted", "still open, and nobody is signed in now"


def test_somebody_may_sign_in_at_the_open_door() -> None:
    bench = corekit.ready()
    door(bench, True)
    assert bench.command("enter", "east", people=["mara"], standby="ono", minutes=10).accepted


@pytest.mark.parametrize("later_is_open", [True, False])
def test_a_late_word_opens_a_door_and_shuts_none(later_is_open: bool) -> None:
    bench = corekit.ready()
    door(bench, not later_is_open)
    door(bench, later_is_open, ago_s=30.0)
    assert status(bench) == "restricted", "open counts however late it comes; shut only when it is the newest word"
    door(bench, False)
    bench.run(2)
    assert status(bench) == "clear"


def test_two_words_of_one_instant_are_two_words() -> None:
    bench = corekit.ready()
    now = at(bench.wall_s)
    for is_open, expected in ((True, "restricted"), (False, "clear")):
        bench.hear(RoomDoor, "east", open=is_open, observed_at=now)
        bench.tick()
        assert status(bench) == expected


def test_a_word_from_a_time_to_come_makes_no_latecomers_of_those_that_follow() -> None:
    bench = corekit.ready()
    door(bench, True, ago_s=-86_400.0)
    door(bench, False)
    bench.run(2)
    assert status(bench) == "clear"


def test_an_open_door_outlives_a_restart() -> None:
    bench = corekit.ready()
    door(bench, True)
    bench.core = Core.load(bench.site, bench.core.dump())
    bench.start(epoch=2).run(200)
    assert status(bench) == "restricted" and not dosing(bench)
