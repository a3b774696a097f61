"""One analyser for many lines: who is looked at, for how long, and that nobody is forgotten."""

import corekit
import pytest
from corekit import SelectLine, at
from coresite import crowded

from supervisor.values import LinkChanged, Stopping

SAMPLE_AGE_S_MAX = 2700.0


def selected(bench: corekit.Bench) -> list[tuple[float, SelectLine]]:
    return [(at_s, one.body) for at_s, one in bench.log if isinstance(getattr(one, "body", None), SelectLine)]


def visits(bench: corekit.Bench) -> list[tuple[float, SelectLine]]:
    """The lines that were drawn to be read; in between the idle line is."""
    return [(at_s, one) for at_s, one in selected(bench) if one.line != "idle"]


def test_open_enclosures_are_not_visited() -> None:
    bench = corekit.ready()
    bench.run(3600)
    assert visits(bench) == []


@pytest.mark.parametrize("action", ["seal", "stop"])
def test_whatever_is_not_open_is_visited(action: str) -> None:
    bench = corekit.ready()
    assert bench.command(action, "e1").accepted
    bench.run(2000)  # a faulted one is looked at twice an hour
    assert {one.line for _, one in visits(bench)} == {"line-1"}
    assert bench.core.state.enclosures["e1"].sample is not None


def test_an_enclosure_that_was_opened_again_is_left_alone() -> None:
    bench = corekit.sealed(o2_pct=20.9)
    bench.run(300)
    bench.command("vent", "e1")
    bench.run(900)
    assert corekit.opened(bench, "e1").accepted
    bench.run(200)
    opened = len(visits(bench))
    bench.run(3600)
    assert len(visits(bench)) == opened


def test_a_visit_is_a_lease_in_the_unit_s_own_time() -> None:
    bench = corekit.ready()
    bench.units["gw-plant"] = 7.0
    bench.run(12)
    bench.command("seal", "e1")
    bench.run(60)
    asked_s, select = visits(bench)[0]
    asked_wall_s = corekit.WALL_S + asked_s - corekit.MONO_S
    # transport 20 s, settling 60 s, and 45 s for what may go wrong (ours, no source); plus the unit's 7 s
    assert select.valid_until == at(asked_wall_s + 20.0 + 60.0 + 45.0 + 7.0)
    assert select.request_id.startswith(f"{bench.core.state.epoch}-")


def test_a_visit_without_a_sample_is_given_up_and_the_next_line_is_drawn() -> None:
    bench = corekit.ready()
    bench.cell["line-1"] = (60.0, 60.0)  # nothing that can be believed
    bench.cell["line-2"] = (3.0, 18.0)
    bench.command("seal", "e1")
    bench.run(5)
    bench.command("seal", "e2")
    bench.run(180)
    lines = [one.line for _, one in visits(bench)]
    assert lines[:2] == ["line-1", "line-2"]
    given_up = visits(bench)[1][0] - visits(bench)[0][0]
    assert 120.0 <= given_up <= 130.0
    assert [one.figures["line"] for one in bench.said("visit_without_sample")] == ["line-1"]
    bench.run(100)
    assert bench.core.state.enclosures["e2"].sample is not None


def test_one_blocked_line_does_not_starve_the_others() -> None:
    bench = corekit.ready()
    bench.cell = {"line-1": (60.0, 60.0), "line-2": (3.0, 18.0), "line-3": (3.0, 18.0)}
    for name in ("e1", "e2", "w1"):
        bench.command("seal", name)
    bench.step_s = 5.0
    bench.run(2 * 3600)
    for name in ("e2", "w1"):
        sample = bench.core.state.enclosures[name].sample
        assert bench.mono_s - sample.taken_mono_s < SAMPLE_AGE_S_MAX
    assert bench.alarm("sample_overdue-e1").condition
    assert bench.alarm("sample_overdue-e2") is None


def test_nobody_s_sample_grows_too_old_while_others_want_looking_at() -> None:
    """18 enclosures on one analyser, four of them in a pull-down that never ends: every sample stays young enough.

    Each visit takes about 100 s, so a round takes half an hour, and the site allows 45 minutes.
    """
    site = crowded(15)
    bench = corekit.ready(site)
    for number, one in enumerate(site.enclosure):
        bench.cell[one.line] = (12.0, 1.0) if number % 5 == 0 else (3.0, 18.0)
        bench.command("seal", one.id)
    bench.step_s = 5.0
    bench.run(2400)
    oldest_s = 0.0
    for _ in range(30):
        bench.run(120)
        ages = {name: bench.mono_s - kept.sample.taken_mono_s for name, kept in bench.core.state.enclosures.items()}
        oldest_s = max(oldest_s, *ages.values())
    states = [kept.state for kept in bench.core.state.enclosures.values()]
    assert states.count("pulling_down") == 4 and states.count("holding") == 14
    assert oldest_s < SAMPLE_AGE_S_MAX


@pytest.mark.parametrize("what", ["link", "stopping", "analyser silent", "analyser fault"])
def test_nobody_is_sent_for_when_nothing_can_come(what: str) -> None:
    bench = corekit.ready()
    if what == "link":
        bench.step(LinkChanged(bench.now, False))
    elif what == "stopping":
        bench.step(Stopping(bench.now))
    elif what == "analyser silent":
        bench.cell["idle"] = None
        bench.run(60)
    else:
        bench.cell["idle"] = None
        bench.read("idle", status="fault")
    bench.command("seal", "e1")
    bench.run(30)
    assert visits(bench) == []
    if what.startswith("analyser"):
        bench.run(100)
        assert bench.alarm("analyser_silent-az").condition


def test_a_line_is_drawn_no_longer_than_its_sample_takes() -> None:
    """What is drawn beyond that is gas for nothing, so the idle line is asked for when nobody is worth a look."""
    bench = corekit.ready()
    bench.cell["line-1"] = (12.0, 1.0)
    bench.command("seal", "e1")
    bench.run(200)
    (sent_s, first), (back_s, idle) = selected(bench)[:2]
    assert (first.line, idle.line) == ("line-1", "idle")
    # transport 20 s, settling 60 s, a reading each 5 s and one second more until the tick that sees it
    assert 80.0 <= back_s - sent_s <= 90.0


def test_what_waits_for_its_sample_goes_before_what_is_held() -> None:
    bench = corekit.ready()
    bench.cell = {"line-1": (3.0, 18.0), "line-2": (12.0, 1.0)}
    bench.command("seal", "e1")
    bench.run(400)
    assert bench.state("e1").state == "holding"
    bench.run(1700)  # a look at it is worth something now, or soon
    bench.command("seal", "e2")
    sealed_s = bench.mono_s
    bench.run(200)
    lines = [one.line for at_s, one in visits(bench) if at_s >= sealed_s]
    assert lines[0] == "line-2"
