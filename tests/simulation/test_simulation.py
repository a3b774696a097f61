"""Seeds: in each everything that the rules say holds at every step while things go wrong, and the site comes back afterwards.

More of them: `python -m tests.simulation --seeds 10000 --jobs 2`.
"""

import pytest

from simulator.crew import Act
from simulator.kinds import Fault
from tests.simulation import rules
from tests.simulation.defects import DEFECTS, planted
from tests.simulation.plan import QUIET_S, Plan, plan
from tests.simulation.run import Failure, run, run_seed, shrunk
from tests.simulation.world import World

SEEDS, AT_ONCE = 150, 10


def _kill(at_s: float, point: int, until_s: float) -> Fault:
    return Fault("supervisor_killed", "supervisor", at_s, until_s, point)


# Short ways to each defect, as seeds have found them.
TRIGGERS = {
    "publish_before_commit": Plan(1, (), ()),
    "acknowledged_before_it_is_on_disk": Plan(1, (), ()),
    "dose_in_an_entered_room": Plan(
        1, (), (Act(500.0, "enter", "north", {"people": ["mara", "sol"], "standby": "ono", "minutes": 9}),)
    ),
    "a_silent_sensor_is_believed": Plan(1, (Fault("sensor_silent", "north/north-door", 600.0, 900.0),), ()),
    "samples_outlive_a_start": Plan(1, (_kill(700.0, 3, 760.0), _kill(900.0, 3, 930.0), _kill(1200.0, 3, 1230.0)), ()),
    "alarms_forgotten_at_a_start": Plan(
        1,
        (
            *(Fault("sensor_silent", "north/north-door", at_s, at_s + 90.0) for at_s in (300.0, 500.0, 1100.0)),
            _kill(900.0, 1, 930.0),
        ),
        (),
    ),
    "commands_are_not_journalled": Plan(4, (), ()),
}


@pytest.mark.parametrize("first", range(0, SEEDS, AT_ONCE))
def test_the_rules_hold_and_the_site_comes_back(first: int) -> None:
    failures = [one for seed in range(first, first + AT_ONCE) if isinstance(one := run_seed(seed), Failure)]
    assert not failures, "\n".join(map(str, failures))


def test_a_seed_is_one_run_to_the_byte() -> None:
    heard: list[list[tuple]] = [[], []]
    for one in heard:
        run(plan(1), lambda *what, one=one: one.append(what) if not what[1].startswith("log of") else None)
    assert heard[0] == heard[1] and len(heard[0]) > 1000


def test_seeds_draw_every_kind_of_trouble() -> None:
    plans = [plan(seed) for seed in range(2000)]
    names = {fault.name for one in plans for fault in one.faults}
    assert {"leak", "hose_off", "messages_garbled", "broker_forgets", "supervisor_killed", "second_supervisor", "disk_full",
            "disk_slow", "clock_stepped", "machine_rebooted", "history_away", "network_split"} <= names  # fmt: skip
    assert all(fault.end_s <= QUIET_S for one in plans for fault in one.faults)
    points = {fault.size for one in plans for fault in one.faults if fault.name == "supervisor_killed"}
    assert points >= set(range(1, 26)), "killed at every point of a turn"


@pytest.mark.parametrize("defect", DEFECTS)
def test_a_planted_defect_is_found(defect: str) -> None:
    assert not isinstance(run(TRIGGERS[defect]), Failure)
    with planted(defect):
        assert isinstance(run(TRIGGERS[defect]), Failure)


def test_a_failure_names_the_one_command_that_repeats_it_and_is_shrunk_to_what_it_takes() -> None:
    what = TRIGGERS["a_silent_sensor_is_believed"]
    more = Plan(what.seed, (*what.faults, Fault("messages_doubled", "crew", 100.0, 200.0, 0.5)), what.acts)
    with planted("a_silent_sensor_is_believed"):
        failure = run(more)
        assert isinstance(failure, Failure) and f"python -m tests.simulation --seed {what.seed}" in str(failure)
        assert shrunk(more, lambda words: None) == what


def test_a_valve_that_gives_into_a_room_where_people_are_is_seen(tmp_path) -> None:
    """The plant's own truth, whatever the supervisor believes."""
    world = World(Plan(1, (), ()), tmp_path / "run")
    while not any(one.dose is not None and one.flow_nl_min > 0.0 for one in world.plant.valves.values()):
        world.pass_to(world.now_s + 8.0)
        world.hosts[0].turn()
    valve = next(one for one in world.plant.valves.values() if one.dose is not None)
    world.rules._inside_s = {world.site.enclosures[valve.enclosure].room: {"mara": world.now_s - 100.0}}
    with pytest.raises(rules.Broken, match="rule 2"):
        world.rules.step(world.now_s)
    world.close()
