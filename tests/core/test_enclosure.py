"""The transition table, retyped by hand, every state with every trigger; and what each state may be given."""

from typing import get_args

import corekit
import pytest

from supervisor.core.enclosure import GASES_OF, RESUME, TRANSITIONS, Trigger, after, diagram
from supervisor.core.state import Sample
from supervisor.values import State

STATES = ("filling", "pulling_down", "holding", "venting", "faulted")
TRIGGERS = (
    "seal", "at_setpoint", "vent", "breathable", "open", "fault", "resume_filling", "resume_pulling_down", "resume_venting",
)  # fmt: skip
# From the design's five states. What is not listed is a situation nobody thought of and means faulted.
TABLE = {
    "filling": {"seal": "pulling_down"},
    "pulling_down": {"at_setpoint": "holding", "vent": "venting"},
    "holding": {"vent": "venting"},
    "venting": {"breathable": "venting", "open": "filling"},
    "faulted": {
        "vent": "venting", "resume_filling": "filling", "resume_pulling_down": "pulling_down", "resume_venting": "venting",
    },
}  # fmt: skip
ALLOWED = {
    "filling": set(), "pulling_down": {"nitrogen", "co2", "air"}, "holding": {"nitrogen", "co2", "air"}, "venting": {"air"},
    "faulted": set(),
}  # fmt: skip


def test_the_words_are_those_of_the_contract() -> None:
    assert set(get_args(State)) == set(STATES) and set(get_args(Trigger)) == set(TRIGGERS)


@pytest.mark.parametrize("trigger", TRIGGERS)
@pytest.mark.parametrize("state", STATES)
def test_every_state_with_every_trigger(state: State, trigger: Trigger) -> None:
    expected = "faulted" if trigger == "fault" else TABLE[state].get(trigger, "faulted")
    assert after(state, trigger) == expected
    assert ((state, trigger) in TRANSITIONS) == (trigger == "fault" or trigger in TABLE[state])


@pytest.mark.parametrize("state", STATES)
def test_what_each_state_may_be_given(state: State) -> None:
    assert set(GASES_OF[state]) == ALLOWED[state]


def test_resume_never_leads_past_a_pull_down_into_holding() -> None:
    assert {state: after("faulted", RESUME[state]) for state in STATES} == {
        "filling": "filling", "pulling_down": "pulling_down", "holding": "pulling_down", "venting": "venting",
        "faulted": "filling",
    }  # fmt: skip


def test_the_diagram_mentions_every_transition_and_no_other() -> None:
    drawn = set()
    for line in diagram().splitlines()[2:]:
        ends, _, triggers = line.strip().partition(": ")
        state, _, target = ends.partition(" --> ")
        drawn |= {(state, trigger.replace(" ", "_"), target) for trigger in triggers.split(", ")}
    assert drawn == {(state, trigger, target) for (state, trigger), target in TRANSITIONS.items()}
    assert diagram().startswith("stateDiagram-v2\n    [*] --> filling\n")


# ------------------------------------------------------------------------------------------------ in the core


@pytest.mark.parametrize("state", STATES)
def test_a_state_is_given_its_gases_and_no_others(state: State) -> None:
    """Everything else being well, and all three gases wanted: only the state stands between them and the valves."""
    bench = corekit.ready()
    kept = bench.core.state.enclosures["e1"]
    kept.state, kept.since_mono_s = state, bench.mono_s
    kept.sample = Sample("az", "a1", 1, 15.0, 10.0, bench.mono_s, bench.wall_s)
    kept.decided_mono_s = bench.mono_s
    for gas in ("nitrogen", "co2", "air"):
        kept.wanted_nl = {gas: 100.0}
        bench.go(1.0)
        bench.tick()
    asked = {one.gas for one in bench.requests("e1")}
    assert asked == ALLOWED[state]


@pytest.mark.parametrize("action", ["stop", "vent"])
def test_leaving_a_pull_down_shuts_every_valve_at_once_and_asks_for_no_more(action: str) -> None:
    bench = corekit.sealed()
    bench.run(300, until=lambda: bool(bench.requests("e1", "nitrogen")))
    assert bench.requests("e1", "nitrogen"), "the pull-down never began"
    bench.go(0.5)
    before_s = bench.mono_s
    assert bench.command(action, "e1").accepted
    stopped = {one.gas for one in bench.effects(corekit.StopDose, before_s) if one.enclosure == "e1"}
    assert {"nitrogen", "co2"} <= stopped
    bench.run(1800)
    assert {one.gas for one in bench.requests("e1", since_s=before_s)} <= ALLOWED[bench.state("e1").state]


@pytest.mark.parametrize("running", [True, False])
def test_air_that_runs_is_stopped_as_well_when_the_state_changes(running: bool) -> None:
    """What was asked for by the state before is not the new state's wish, even where its gas would be allowed."""
    bench = corekit.ready()
    bench.hardware = "silent"
    kept = bench.core.state.enclosures["e1"]
    kept.state, kept.since_mono_s, kept.decided_mono_s = "holding", bench.mono_s, bench.mono_s
    kept.sample = Sample("az", "a1", 1, 2.8, 18.0, bench.mono_s, bench.wall_s)
    kept.wanted_nl = {"air": 60.0} if running else {}
    kept.o2_loop.integral_pct_h, kept.co2_loop.integral_pct_h = 1.0, -1.0
    bench.go(1.0)
    bench.tick()
    assert bool(bench.requests("e1", "air")) == running
    assert bench.command("vent", "e1").accepted
    stopped = {one.gas for one in bench.effects(corekit.StopDose, bench.mono_s) if one.enclosure == "e1"}
    assert stopped == ({"nitrogen", "co2", "air"} if running else {"nitrogen", "co2"})
    assert kept.o2_loop.integral_pct_h == kept.co2_loop.integral_pct_h == 0.0, "what one state learned is not the next one's"


def test_what_is_shown_of_an_enclosure() -> None:
    bench = corekit.sealed(o2_pct=12.3456, co2_pct=1.0)
    shown = bench.state("e1")
    assert (shown.state, shown.verdict, shown.o2_pct, shown.sample_age_s) == ("pulling_down", "none", None, None)
    assert (shown.recipe, shown.o2_setpoint_pct, shown.co2_setpoint_pct) == ("currant", 3.0, 18.0)
    assert shown.since.timestamp() == bench.wall_s
    bench.run(300)
    shown = bench.state("e1")
    assert (shown.verdict, shown.o2_pct, shown.co2_pct, shown.problems) == ("good", 12.346, 1.0, [])
    told_s = max(at_s for at_s, one in bench.log if getattr(one, "body", None) is shown)
    ago_s = told_s - corekit.MONO_S + corekit.WALL_S - shown.sampled_at.timestamp()
    assert shown.sample_age_s == pytest.approx(ago_s, abs=0.1) and shown.sample_age_s >= 20.0
    bench.cell = {"line-1": None, "idle": None}
    bench.run(2800)
    shown = bench.state("e1")
    assert shown.verdict == "uncertain" and "sample_overdue" in shown.problems
    assert 2700.0 < shown.sample_age_s < 2900.0
    last_s = max(at_s for at_s, one in bench.log if getattr(one, "names", None) == ("e1",) and hasattr(one.body, "verdict"))
    assert bench.mono_s - last_s <= 60.0, "it is shown at least once a minute, so that its age is seen to grow"


def test_a_fault_is_said_as_a_warning_and_other_moves_are_not() -> None:
    bench = corekit.ready()
    bench.command("seal", "e1")
    bench.command("stop", "e1")
    assert [(one.level, one.figures["state"]) for one in bench.said("transition")] == [
        ("info", "pulling_down"), ("warning", "faulted"),
    ]  # fmt: skip
    told = bench.alarm("enclosure_faulted-e1")
    assert told.condition and "from pulling_down: stop by kit" in told.text


def test_a_pair_that_nobody_thought_of_faults_and_says_so() -> None:
    from supervisor.core import transitions

    bench = corekit.ready()
    transitions.trigger(bench.desk(), "e1", "at_setpoint", "invented for the test")
    kept = bench.core.state.enclosures["e1"]
    assert kept.state == "faulted" and "no way from filling by at_setpoint" in kept.fault_reason
    assert kept.faulted_from == "filling"
