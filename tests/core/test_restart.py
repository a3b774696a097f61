"""What a restart may not change: an alarm that stands, a person's word on it, what counts as given, the epoch that is told."""

import corekit
import pytest

from supervisor.core import ledger
from supervisor.messages import SupervisorStatus
from supervisor.values import RequestDose


def silence(bench: corekit.Bench, what: str) -> None:
    """Something falls silent for good."""
    if what == "unit_silent-gw-west":
        del bench.units["gw-west"]
    elif what == "room_air_unknown-east":
        del bench.air["east", "door"]
    elif what == "source_unavailable-bank":
        del bench.sources["bank"]
    else:
        bench.cell.update(dict.fromkeys(("line-1", "line-2", "line-3", "idle")))


@pytest.mark.parametrize(
    "key", ["unit_silent-gw-west", "room_air_unknown-east", "source_unavailable-bank", "analyser_silent-az"]
)
@pytest.mark.parametrize("seen", [True, False])
def test_an_input_that_is_still_missing_after_a_restart_is_the_same_occurrence(key: str, seen: bool) -> None:
    """Rule 8: neither the alarm nor the acknowledgement goes because the grace after a start raises nothing new."""
    bench = corekit.ready()
    silence(bench, key)
    bench.run(400, until=lambda: bench.alarm(key) is not None and bench.alarm(key).condition)
    if seen:
        assert bench.command("acknowledge", key, occurrence=1).accepted
    before = bench.alarm(key)
    begun = len(bench.log)
    bench.go(2.0)
    bench.start(epoch=2)
    bench.run(300)
    after = bench.alarm(key)
    assert (after.occurrence, after.condition, after.state) == (1, True, before.state)
    assert (after.acknowledged_by, after.raised_at) == (before.acknowledged_by, before.raised_at)
    told = {one.body.state for _, one in bench.log[begun:] if getattr(one, "names", None) == (key,)}
    assert told == {before.state}, "it was never told to be otherwise on the way"


def test_an_input_that_came_back_during_the_restart_ends_its_alarm_when_it_is_heard() -> None:
    bench = corekit.ready()
    silence(bench, "unit_silent-gw-west")
    bench.run(100)
    bench.units["gw-west"] = 0.0
    bench.start(epoch=2)
    assert bench.alarm("unit_silent-gw-west").condition
    bench.run(30)
    assert bench.alarm("unit_silent-gw-west").state == "returned_unacknowledged"


def test_a_sample_that_is_overdue_is_so_after_a_restart_too() -> None:
    bench = corekit.sealed()
    bench.run(300)
    del bench.units["gw-plant"]
    bench.run(3000)
    assert bench.alarm("sample_overdue-e1").condition
    bench.start(epoch=2)
    bench.run(60)
    told = bench.alarm("sample_overdue-e1")
    assert (told.condition, told.state, told.cause) == (True, "suppressed_by_design", "unit_silent-gw-plant")


def dosing() -> tuple[corekit.Bench, RequestDose]:
    """A nitrogen lease is out, and the hardware says nothing."""
    bench = corekit.sealed()
    bench.hardware = "silent"
    bench.run(600, until=lambda: bool(bench.requests(gas="nitrogen")))
    return bench, bench.requests(gas="nitrogen")[0]


def given_nl(bench: corekit.Bench) -> float:
    return sum(nl for _, nl in ledger.given_nl(bench.desk(), "e1", corekit.MONO_S))


def test_progress_that_comes_after_a_lease_is_over_leaves_the_rest_unknown_and_so_given() -> None:
    """Reports wait for us while we are away. The last one may be lost for good, and unknown counts as given."""
    bench, dose = dosing()
    bench.go(200.0)
    bench.start(epoch=2)
    bench.tick()
    assert given_nl(bench) == dose.volume_nl
    bench.report(dose, "progress", 25.0)
    assert given_nl(bench) == dose.volume_nl
    bench.report(dose, "aborted", 47.5, "no_permit")
    assert given_nl(bench) == 47.5


def test_a_dose_that_ends_unknown_and_is_reported_later_failed_once() -> None:
    bench, dose = dosing()
    bench.go(200.0)
    bench.start(epoch=2)
    bench.tick()
    bench.report(dose, "aborted", 47.5, "no_permit")
    assert bench.core.state.enclosures["e1"].failures == 1


def test_an_epoch_that_climbs_over_what_the_hardware_saw_is_told() -> None:
    bench = corekit.Bench()
    bench.epoch_seen = 7
    bench.start().run(40)
    assert bench.core.state.epoch == 8
    assert bench.bodies(SupervisorStatus)[-1].epoch == 8
