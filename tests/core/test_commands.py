"""What operators want: each refusal with its reason, each command carried out once."""

import corekit
import pytest
from corekit import CommandOutcome, at

from supervisor.core.site import Core

AGE_S_MAX = 120.0
ACTIONS = ("seal", "vent", "open", "resume", "stop")


def in_state(state: str) -> corekit.Bench:
    """A bench whose e1 is in this state, brought there by messages alone."""
    bench = corekit.ready()
    if state == "filling":
        return bench
    bench.cell["line-1"] = (3.0, 18.0) if state in ("holding", "venting") else (12.0, 1.0)
    assert bench.command("seal", "e1").accepted
    if state in ("holding", "venting"):
        bench.run(400, until=lambda: bench.core.state.enclosures["e1"].state == "holding")
    if state == "venting":
        assert bench.command("vent", "e1").accepted
    if state == "faulted":
        assert bench.command("stop", "e1").accepted
    assert bench.core.state.enclosures["e1"].state == state
    return bench


# What each action leads to from each state; a word is a piece of the reason for which it is refused. By the design's table.
TABLE = {
    "filling": {"seal": "pulling_down", "stop": "faulted"},
    "pulling_down": {"vent": "venting", "stop": "faulted"},
    "holding": {"vent": "venting", "stop": "faulted"},
    "venting": {"stop": "faulted"},
    "faulted": {"vent": "venting", "resume": "pulling_down", "stop": "faulted"},
}


@pytest.mark.parametrize("action", ACTIONS)
@pytest.mark.parametrize("state", TABLE)
def test_every_action_in_every_state(state: str, action: str) -> None:
    bench = in_state(state)
    answer = bench.command(action, "e1")
    expected = TABLE[state].get(action)
    assert answer.accepted == (expected is not None)
    assert bench.core.state.enclosures["e1"].state == (expected or state)
    assert bool(answer.reason) == (not answer.accepted)
    if expected is None:
        # Says what it is and what cannot be done, or, for a vent that is not over, what was measured.
        assert "never measured" in answer.reason or "not breathable" in answer.reason or f"e1 is {state}" in answer.reason


@pytest.mark.parametrize(
    ("state", "after"), [("filling", "filling"), ("pulling_down", "pulling_down"), ("holding", "pulling_down"),
                         ("venting", "venting")],
)  # fmt: skip
def test_resume_goes_back_to_where_the_gas_is_known_again(state: str, after: str) -> None:
    bench = in_state(state)
    assert bench.command("stop", "e1").accepted
    assert bench.command("resume", "e1").accepted
    assert bench.core.state.enclosures["e1"].state == after


@pytest.mark.parametrize("action", [*ACTIONS, "enter", "leave", "acknowledge", "calibrate"])
def test_what_is_not_there_is_named(action: str) -> None:
    answer = corekit.ready().command(action, "nowhere", occurrence=1)
    assert not answer.accepted and "there is no" in answer.reason and "nowhere" in answer.reason


def test_what_this_version_does_not_do_is_said() -> None:
    answer = corekit.ready().command("test", "e1")
    assert not answer.accepted and "test" in answer.reason


@pytest.mark.parametrize("age_s", [-600.0, -121.0, 121.0, 86_400.0])
def test_a_command_of_another_moment_is_refused(age_s: float) -> None:
    bench = corekit.ready()
    answer = bench.command("seal", "e1", issued_at=at(bench.wall_s - age_s))
    assert not answer.accepted and f"{age_s:.0f} s ago" in answer.reason and "at most 120 s" in answer.reason
    assert bench.core.state.enclosures["e1"].state == "filling"


@pytest.mark.parametrize("age_s", [-119.0, 0.0, 119.0])
def test_a_clock_a_little_off_is_allowed(age_s: float) -> None:
    bench = corekit.ready()
    assert bench.command("seal", "e1", issued_at=at(bench.wall_s - age_s)).accepted


def test_the_same_command_twice_is_carried_out_once_and_answered_alike() -> None:
    bench = corekit.ready()
    first = bench.command("seal", "e1", command_id="x")
    bench.command("stop", "e1")
    again = bench.command("seal", "e1", command_id="x")
    assert (again.accepted, again.reason) == (first.accepted, first.reason) == (True, "")
    assert bench.core.state.enclosures["e1"].state == "faulted", "the second one moved something"
    refused = bench.command("open", "e1", command_id="y")
    bench.command("resume", "e1")
    repeated = bench.command("open", "e1", command_id="y")
    assert not refused.accepted and repeated == refused
    assert len(bench.said("command")) == 4


def test_a_repeated_entry_brings_nobody_back_in() -> None:
    bench = corekit.ready()
    assert bench.command("enter", "east", command_id="x", people=["mara"], standby="ono", minutes=5).accepted
    assert bench.command("leave", "east", people=["mara"]).accepted
    assert bench.command("enter", "east", command_id="x", people=["mara"], standby="ono", minutes=5).accepted
    assert bench.core.state.rooms["east"].people == {}


def test_what_was_carried_out_is_remembered_over_a_restart() -> None:
    bench = corekit.ready()
    bench.command("seal", "e1", command_id="x")
    bench.core = Core.load(bench.site, bench.core.dump())
    bench.command("stop", "e1")
    assert bench.command("seal", "e1", command_id="x").accepted
    assert bench.core.state.enclosures["e1"].state == "faulted"


def test_the_memory_of_commands_is_bounded() -> None:
    bench = corekit.ready()
    for number in range(1100):
        bench.command("open", "e1", command_id=f"n{number}")
    assert len(bench.core.state.commands) == 1000
    assert "n1099" in bench.core.state.commands and "n0" not in bench.core.state.commands


def test_every_command_gets_exactly_one_answer_with_its_own_id() -> None:
    bench = corekit.ready()
    for action in (*ACTIONS, "enter", "leave", "acknowledge", "shelve", "calibrate", "test"):
        before = len(bench.bodies(CommandOutcome))
        answer = bench.command(action, "e1", command_id=f"id-{action}")
        assert answer.command_id == f"id-{action}" and len(bench.bodies(CommandOutcome)) == before + 1


# ------------------------------------------------------------------------------------------------ opening


def test_nobody_opens_what_was_never_measured() -> None:
    bench = in_state("venting")
    bench.core.state.enclosures["e1"].sample = None
    assert "never measured" in bench.command("open", "e1").reason


@pytest.mark.parametrize("gas", [(19.4, 0.04), (20.9, 0.6), (19.5, 1.49), (23.6, 0.04)])
def test_open_waits_for_both_gases(gas: tuple[float, float]) -> None:
    bench = in_state("venting")
    bench.cell["line-1"] = gas
    bench.run(1800)
    answer = bench.command("open", "e1")
    assert not answer.accepted
    for words in (f"{gas[0]:.1f} % O2 (at least 19.5)", f"{gas[1]:.2f} % CO2 (at most 0.5)", "s ago", "2 good samples"):
        assert words in answer.reason


def test_one_good_sample_is_not_enough_and_two_are() -> None:
    bench = in_state("venting")
    bench.cell["line-1"] = (20.7, 0.2)
    kept = bench.core.state.enclosures["e1"]
    bench.run(600, until=lambda: kept.breathable_samples == 1)
    assert not bench.command("open", "e1").accepted
    bench.run(600, until=lambda: kept.breathable_samples == 2)
    assert corekit.opened(bench, "e1").accepted
    assert bench.state("e1").state == "filling"


def test_a_bad_sample_in_between_counts_from_the_beginning() -> None:
    bench = in_state("venting")
    kept = bench.core.state.enclosures["e1"]
    bench.cell["line-1"] = (20.7, 0.2)
    bench.run(600, until=lambda: kept.breathable_samples == 1)
    bench.cell["line-1"] = (20.7, 0.7)
    bench.run(900, until=lambda: kept.breathable_samples == 0)
    assert kept.breathable_samples == 0
    bench.cell["line-1"] = (20.7, 0.2)
    bench.run(900, until=lambda: kept.breathable_samples == 1)
    assert not bench.command("open", "e1").accepted


@pytest.mark.parametrize("loss", ["analyser", "restart"])
def test_nothing_is_opened_on_an_old_sample(loss: str) -> None:
    """What is dissolved in the fruit comes out again; ten minutes (ours, no source)."""
    bench = in_state("venting")
    bench.cell["line-1"] = (20.7, 0.2)
    kept = bench.core.state.enclosures["e1"]
    bench.run(900, until=lambda: kept.breathable_samples == 2)
    if loss == "analyser":
        bench.cell = {"line-1": None, "idle": None}
        bench.run(620)
    else:
        bench.core = Core.load(bench.site, bench.core.dump())
        bench.go(5.0)
        bench.start(epoch=9)
    answer = bench.command("open", "e1")
    assert not answer.accepted and "s ago" in answer.reason
