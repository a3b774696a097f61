"""Alarms as the core raises them: from levels and not edges, over restarts, and none cleared by the loss of its input."""

import dataclasses

import corekit
import pytest

from supervisor.core.site import Core
from supervisor.messages import AlarmStatus
from supervisor.values import PlantFinding


def test_an_alarm_and_its_acknowledgement_survive_dump_and_load() -> None:
    bench = corekit.ready()
    bench.air["east", "door"] = (19.0, 0.04)
    bench.run(6)
    told = bench.alarm("room_air_unsafe-east")
    assert bench.command("acknowledge", "room_air_unsafe-east", operator="mara", occurrence=told.occurrence).accepted
    before = {key: dataclasses.asdict(one) for key, one in bench.core.state.alarms.items()}
    assert before["room_air_unsafe-east"]["acknowledged_by"] == "mara"
    bench.core = Core.load(bench.site, bench.core.dump())
    assert {key: dataclasses.asdict(one) for key, one in bench.core.state.alarms.items()} == before
    bench.air["east", "door"] = corekit.FRESH
    bench.run(6)
    assert bench.alarm("room_air_unsafe-east").state == "latched_acknowledged"
    answer = bench.command("acknowledge", "room_air_unsafe-east", occurrence=told.occurrence + 1)
    assert not answer.accepted


def test_a_restart_keeps_every_alarm_and_shows_it_again() -> None:
    bench = corekit.ready()
    bench.air["east", "door"] = (19.0, 0.04)
    bench.run(6)
    bench.core = Core.load(bench.site, bench.core.dump())
    bench.log.clear()
    bench.start(epoch=2)
    assert bench.alarm("room_air_unsafe-east").state == "unacknowledged"


def test_a_condition_that_holds_from_the_start_is_an_alarm_all_the_same() -> None:
    """Levels are judged, not edges: nothing was ever well here."""
    bench = corekit.Bench()
    del bench.units["gw-west"], bench.air["west", "west-air"]
    bench.air["east", "door"] = (17.5, 0.04)
    bench.start().run(300)
    assert bench.alarm("unit_silent-gw-west").state == "unacknowledged"
    assert bench.alarm("room_air_unknown-west").state == "unacknowledged"
    assert bench.alarm("room_air_dangerous-east").state == "unacknowledged"


def test_absence_is_no_alarm_within_the_grace_after_a_start() -> None:
    bench = corekit.Bench().start()
    bench.units.clear(), bench.air.clear(), bench.sources.clear()
    bench.run(115)
    assert bench.bodies(AlarmStatus) == []
    bench.run(10)
    assert {one.alarm for one in bench.bodies(AlarmStatus)} >= {"unit_silent-gw-plant", "room_air_unknown-east"}


@pytest.mark.parametrize(("told", "lost"), [((19.0, 0.04), "room_air_unsafe"), ((17.0, 0.04), "room_air_dangerous")])
def test_loss_of_input_clears_no_other_alarm(told: tuple[float, float], lost: str) -> None:
    """Rule 8: a sensor that read badly and then fell silent or into fault is two alarms, not one."""
    for silence in ("silent", "fault"):
        bench = corekit.ready()
        bench.air["east", "door"] = told
        bench.run(6)
        assert bench.alarm(f"{lost}-east").condition
        if silence == "silent":
            del bench.air["east", "door"]
        else:
            bench.air["east", "door"] = "fault"
        bench.run(60)
        assert bench.alarm("room_air_unknown-east").condition
        assert bench.alarm(f"{lost}-east").condition, f"{lost} was cleared by a sensor that is {silence}"
        bench.air["east", "door"] = corekit.FRESH
        bench.run(10)
        assert not bench.alarm(f"{lost}-east").condition


def test_a_silent_unit_does_not_put_its_clock_right() -> None:
    bench = corekit.ready()
    bench.units["gw-west"] = 14.0
    bench.run(30)
    assert bench.alarm("unit_clock_off-gw-west").condition
    del bench.units["gw-west"]
    bench.run(90)
    assert bench.alarm("unit_silent-gw-west").condition and bench.alarm("unit_clock_off-gw-west").condition


def test_a_silent_source_does_not_fill_its_bank() -> None:
    bench = corekit.ready()
    bench.sources["bank"] = {"available": True, "stock_kg": 19.0}
    bench.run(60)
    assert bench.alarm("co2_stock_low-bank").condition
    told = bench.alarm("co2_stock_low-bank")
    assert "19.0 kg" in told.text and "20 kg" in told.text
    del bench.sources["bank"]
    bench.run(300)
    assert bench.alarm("source_unavailable-bank").condition and bench.alarm("co2_stock_low-bank").condition


@pytest.mark.parametrize("finding", ["no_response", "unrequested_flow"])
def test_what_the_watch_found_stands_until_a_person_has_seen_it_and_no_longer(finding: str) -> None:
    """The watch tells of an event, not of a level: after a person's word the enclosure can be resumed."""
    bench = corekit.sealed()
    bench.run(200)
    bench.step(found(bench, finding))
    assert bench.state("e1").state == "faulted"
    refused = bench.command("resume", "e1")
    assert not refused.accepted and f"{finding}-e1" in refused.reason
    told = bench.alarm(f"{finding}-e1")
    assert told.state in ("unacknowledged", "latched_unacknowledged")
    assert bench.command("acknowledge", f"{finding}-e1", occurrence=told.occurrence).accepted
    assert bench.alarm(f"{finding}-e1").state == "latched_acknowledged"
    assert bench.command("resume", "e1").accepted
    assert bench.state("e1").state == "pulling_down"
    ended = bench.alarm(f"{finding}-e1")
    assert (ended.state, ended.note) == ("normal", "resumed"), "whoever resumes has reset it"
    bench.step(found(bench, finding))
    assert bench.alarm(f"{finding}-e1").occurrence == told.occurrence + 1


def found(bench: corekit.Bench, finding: str) -> PlantFinding:
    return PlantFinding(bench.now, "e1", finding, "nitrogen", "measured so much", "at most so much")
