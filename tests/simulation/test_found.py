"""What seeds have found, each as the few faults that it took."""

import pytest

from simulator.crew import Act
from simulator.kinds import Fault
from tests.simulation.plan import Plan
from tests.simulation.run import Failure, run


def two(room: str, at_s: float, stays_s: float) -> tuple[Act, Act]:
    people = {"people": ["mara", "sol"]}
    enter = Act(at_s, "enter", room, {**people, "standby": "ono", "minutes": 9})
    return enter, Act(at_s + stays_s, "leave", room, people)


FOUND = {
    "people who went in while the other supervisor was down are known to the one that comes back": Plan(
        493, (Fault("machine_rebooted", "supervisor", 178.6, 594.6), Fault("second_supervisor", "supervisor", 244.2, 763.1, 0)),
        two("north", 544.4, 400.0)),
    "a pull-down that overshot the floor on wrong figures is lifted with air and does not stand there for ever": Plan(
        482, (Fault("analyser_selector_leak", "analyser-1", 1062.5, 1800.0, 0.3931),), two("north", 530.8, 361.0)),
    "a status that a lossy broker lost is said again": Plan(
        1034, (Fault("broker_lossy", "broker", 327.6, 553.8, 0.5759),), ()),
    "an alarm that only the second supervisor had ends when somebody acknowledges it": Plan(
        128, (Fault("supervisor_killed", "supervisor", 1186.5, 1323.0, 17),
         Fault("second_supervisor", "supervisor", 1280.8, 1800.0, 1)), ()),
    "a unit's clock that was set ahead for a while shuts no room for a day": Plan(
        7, (Fault("clock_offset", "gateway-south", 1700.0, 1790.0, 90_000.0),), ()),
    "what came of a calibration is kept once, so that a snapshot does not make two of it": Plan(
        20116, (Fault("analyser_moisture", "analyser-1", 782.6, 1025.1, 2.0447),
         Fault("supervisor_killed", "supervisor", 1346.1, 1383.3, 4)), ()),
}  # fmt: skip


@pytest.mark.parametrize("what", FOUND.values(), ids=FOUND)
def test_what_was_found_stays_mended(what: Plan) -> None:
    outcome = run(what)
    assert not isinstance(outcome, Failure), outcome
