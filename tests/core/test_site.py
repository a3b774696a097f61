"""The site as a whole: start, link, clock, end, and a site file that has changed since the snapshot."""

import tomllib

import corekit
import pytest
from corekit import PermitRoom, StopDose
from coresite import SITE_TEXT, crowded, site

from supervisor.core.site import Core
from supervisor.messages import AlarmStatus, EnclosureState, RoomEntry, RoomSounder, SupervisorStatus
from supervisor.settings import SiteFile
from supervisor.values import LinkChanged, Started, Stopping

VALVES = {("e1", "nitrogen"), ("e1", "co2"), ("e1", "air"), ("e2", "nitrogen"), ("e2", "co2"), ("e2", "air"),
          ("w1", "nitrogen"), ("w1", "co2")}  # fmt: skip


def linked(bench: corekit.Bench, up: bool) -> int:
    """Takes the link up or down; returns where the log stood before."""
    begun = len(bench.log)
    bench.step(LinkChanged(bench.now, up))
    return begun


def test_the_first_thing_said_after_a_start_is_to_shut_every_valve() -> None:
    bench = corekit.Bench()
    bench.step(Started(bench.now, 1, "bench"))
    assert bench.effects(StopDose) == [], "nobody hears it before the link is up"
    linked(bench, True)
    stops = bench.effects(StopDose)
    assert {(one.enclosure, one.gas) for one in stops} == VALVES
    assert all(one.request_id is None and one.epoch == bench.core.state.epoch for one in stops)


def test_a_link_that_comes_back_in_a_run_stops_nothing_that_is_right() -> None:
    bench = corekit.sealed()
    bench.run(300, until=lambda: bool(bench.core.state.open_doses))
    linked(bench, False)
    bench.go(2.0)
    begun = linked(bench, True)
    assert [one for _, one in bench.log[begun:] if isinstance(one, StopDose)] == []


def test_on_every_link_the_whole_picture_goes_out_again() -> None:
    bench = corekit.sealed()
    bench.air["east", "door"] = (17.0, 0.04)
    bench.run(200)
    linked(bench, False)
    bench.go(5.0)
    begun = linked(bench, True)
    again = [(type(one.body), one.names) for _, one in bench.log[begun:] if hasattr(one, "body")]
    assert (SupervisorStatus, ()) in again
    for room in ("east", "west"):
        assert (RoomEntry, (room,)) in again and (RoomSounder, (room,)) in again
    for name in ("e1", "e2", "w1"):
        assert (EnclosureState, (name,)) in again
    assert {names for kind, names in again if kind is AlarmStatus} >= {("room_air_dangerous-east",), ("room_air_unsafe-east",)}
    assert bench.sounder("east") and not bench.sounder("west")
    status = bench.bodies(SupervisorStatus)[-1]
    assert status.online and status.epoch == bench.core.state.epoch and status.started_at.timestamp() == corekit.WALL_S


def test_a_link_that_is_lost_is_an_alarm_and_its_return_ends_it() -> None:
    bench = corekit.ready()
    linked(bench, False)
    assert bench.alarm("link_lost-site").condition
    linked(bench, False)
    assert bench.alarm("link_lost-site").occurrence == 1
    linked(bench, True)
    assert bench.alarm("link_lost-site").state == "returned_unacknowledged"


def test_a_link_that_never_came_up_is_an_alarm_too() -> None:
    """Levels, not edges: after the grace of a start its absence is told, though nobody ever saw it go."""
    bench = corekit.Bench()
    bench.step(Started(bench.now, 1, "bench"))
    bench.run(119)
    assert bench.alarm("link_lost-site") is None
    bench.run(5)
    assert bench.alarm("link_lost-site").condition


def test_the_end_stops_what_runs_withdraws_what_is_permitted_and_says_so() -> None:
    bench = corekit.sealed()
    bench.run(300, until=lambda: bool(bench.core.state.open_doses))
    begun = len(bench.log)
    bench.step(Stopping(bench.now))
    ended = [one for _, one in bench.log[begun:]]
    assert [(one.enclosure, one.gas) for one in ended if isinstance(one, StopDose)] == [("e1", "nitrogen")]
    assert {one.room for one in ended if isinstance(one, PermitRoom) and not one.dosing_permitted} == {"east", "west"}
    assert bench.bodies(SupervisorStatus)[-1].online is False
    asked = len(bench.requests())
    bench.run(600)
    assert len(bench.requests()) == asked, "nothing is asked for at the end of a run"


# ------------------------------------------------------------------------------------------------ the clock


@pytest.mark.parametrize("jump_s", [-3600.0, -10.5, 10.5, 86_400.0])
def test_a_jump_of_the_wall_clock_is_told_and_all_is_seen_anew(jump_s: float) -> None:
    bench = corekit.sealed()
    bench.run(300, until=lambda: bool(bench.requests()))
    bench.go(0.5)
    bench.wall_s += jump_s
    jumped_s = bench.mono_s
    bench.tick()
    told = bench.alarm("clock_jumped-site")
    assert told.occurrence == 1 and told.state == "returned_unacknowledged" and f"{jump_s:+.1f} s" in told.text
    asked = len(bench.requests())
    bench.run(80)  # the line's 20 s and the cell's 60 s: no sample from after the jump can have come yet
    assert len(bench.requests()) == asked, "dosed on a sample from before the jump"
    bench.run(300, until=lambda: len(bench.requests()) > asked)
    assert len(bench.requests()) > asked and bench.alarm("clock_jumped-site").occurrence == 1
    assert bench.core.state.enclosures["e1"].sample.taken_mono_s > jumped_s


@pytest.mark.parametrize("jump_s", [-9.0, 9.0])
def test_a_small_correction_of_the_clock_is_no_jump(jump_s: float) -> None:
    bench = corekit.ready()
    bench.wall_s += jump_s
    bench.run(30)
    assert bench.alarm("clock_jumped-site") is None


def test_a_trouble_of_the_shell_is_an_alarm_and_ends_as_told() -> None:
    from supervisor.values import ShellTrouble

    bench = corekit.ready()
    bench.step(ShellTrouble(bench.now, "history_unreachable", True, "no route to it for 30 s"))
    assert "no route to it" in bench.alarm("history_unreachable-site").text
    bench.step(ShellTrouble(bench.now, "history_unreachable", False, ""))
    assert bench.alarm("history_unreachable-site").state == "returned_unacknowledged"
    bench.run(10)
    assert bench.core.state.rooms["east"].dosing_permitted, "a dead history slows nothing"


# ------------------------------------------------------------------------------------------------ another site file


def test_a_site_that_has_gained_points_begins_with_them_never_seen() -> None:
    bench = corekit.sealed()
    bench.run(300)
    larger = crowded(2)
    bench.site, bench.core = larger, Core.load(larger, bench.core.dump())
    bench.start(epoch=2).run(300)
    assert bench.core.state.enclosures["e1"].state == "pulling_down"
    assert bench.core.state.enclosures["x1"].state == "filling" and bench.state("x1").verdict == "none"
    assert bench.requests("e1")


def without(*blocks: str, **words: str) -> SiteFile:
    """The bench's site with whole tables taken out and words replaced."""
    text = SITE_TEXT
    for block in blocks:
        begin = text.index(block)
        end = text.find("\n[[", begin + 3)
        text = text[:begin] + (text[end + 1 :] if end > 0 else "")
    for old, new in words.items():
        text = text.replace(old, new)
    return SiteFile.model_validate(tomllib.loads(text))


@pytest.mark.parametrize(
    "smaller",
    [
        without('[[enclosure]]\nid = "w1"'),
        without('[[enclosure]]\nid = "e1"'),
        without('[[enclosure]]\nid = "w1"', '[[room]]\nid = "west"'),
        without(**{'{ id = "floor", unit = "gw-east" }': '{ id = "ceiling", unit = "gw-east" }'}),
        without(**{'unit = "gw-plant"': 'unit = "gw-new"'}),
        without(**{"generator": "generator-2", '"az"': '"az-2"'}),
    ],
    ids=["an enclosure", "the one that is dosed", "a room", "a sensor", "a unit", "a source and the analyser"],
)
def test_a_site_that_has_lost_points_goes_on_with_the_others(smaller: SiteFile) -> None:
    """People take an enclosure out, change a sensor for another, and start again: nothing of the old one holds up the new."""
    bench = corekit.sealed()
    bench.run(300, until=lambda: bool(bench.core.state.open_doses))
    bench.site, bench.core = smaller, Core.load(smaller, bench.core.dump())
    bench.owed.clear()
    bench.air = {(room.id, one.id): corekit.FRESH for room in smaller.room for one in room.sensor}
    named = (*smaller.analyser, *smaller.source, *smaller.enclosure, *(one for room in smaller.room for one in room.sensor))
    bench.units = dict.fromkeys((one.unit for one in named), 0.0)
    bench.sources = {one.id: bench.sources.get(one.id, {"available": True}) for one in smaller.source}
    bench.start(epoch=2)
    if "az" in smaller.analysers:
        bench.run(400)
        assert all(kept.status in ("clear", "restricted") for kept in bench.core.state.rooms.values())
    else:
        for _ in range(40):
            bench.go(5.0)
            bench.tick()
    assert set(bench.core.state.units) == set(bench.units)
    bench.command("stop", "e1"), bench.command("stop", "w1")
    bench.step(Stopping(bench.now))
    blob = bench.core.dump()
    assert Core.load(smaller, blob).dump() == blob
    assert set(bench.core.state.enclosures) == set(smaller.enclosures)


def test_what_is_gone_from_the_site_is_no_alarm_for_ever() -> None:
    """A unit that was taken out cannot come back to end its alarm; the alarm ends with it, and a person may acknowledge it."""
    bench = corekit.ready()
    del bench.units["gw-west"]
    bench.run(100)
    assert bench.alarm("unit_silent-gw-west").condition
    smaller = without('[[enclosure]]\nid = "w1"', '[[room]]\nid = "west"')
    bench.site, bench.core = smaller, Core.load(smaller, bench.core.dump())
    bench.air = {key: told for key, told in bench.air.items() if key[0] == "east"}
    bench.start(epoch=2).run(150)
    assert bench.alarm("unit_silent-gw-west").state == "returned_unacknowledged"
    assert bench.command("acknowledge", "unit_silent-gw-west", occurrence=1).accepted


def test_the_same_site_is_not_changed_by_loading() -> None:
    bench = corekit.sealed()
    bench.run(300)
    blob = bench.core.dump()
    assert Core.load(site(), blob).dump() == blob
