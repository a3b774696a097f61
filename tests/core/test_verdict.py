"""What each reading shows of the instrument: found, named, answered as the table says, and over by itself."""

from pathlib import Path

import corekit
import pytest
from corekit import at
from verdictkit import HELD, Judged, judged_site

from supervisor.core.catalogue import CATALOGUE
from supervisor.core.verdict import VERDICTS, table

DEVELOPERS = Path(__file__).resolve().parents[2] / "DEVELOPERS.md"
IMPOSSIBLE = [
    ("fault_code", {"o2_pct": -1.0}), ("fault_code", {"co2_pct": -1.0}), ("end_stop", {"o2_pct": 99.9, "co2_pct": 0.1}),
    ("end_stop", {"o2_pct": 25.0}), ("end_stop", {"co2_pct": 50.0}), ("end_stop", {"co2_pct": 99.9}),
]  # fmt: skip
LASTING = [
    *IMPOSSIBLE, ("late", {"late_s": 130.0}),
    ("scale_slip", {"o2_pct": 0.03, "co2_pct": 0.18}), ("scale_slip", {"o2_pct": 0.03}),
    ("too_fast", {"o2_pct": 5.0}), ("too_fast", {"co2_pct": 13.0}),
    ("too_fast", {"o2_pct": 1.0}), ("too_fast", {"co2_pct": 24.0}),
]  # fmt: skip


def told(bench: Judged, fields: dict[str, float], readings: int = 0) -> str:
    figures = {"o2_pct": HELD["line-1"][0], "co2_pct": HELD["line-1"][1]} | fields
    late_s = figures.pop("late_s", 0.0)
    if not late_s:
        return bench.visit("line-1", **figures, readings=readings)
    for _ in range(readings or 25):
        bench.run(5)
        bench.read("line-1", **figures, observed_at=at(bench.wall_s - late_s))
    bench.run(1)
    return bench.verdict()


@pytest.mark.parametrize(("name", "fields"), LASTING, ids=str)
def test_what_is_not_good_is_named_and_is_no_sample(name: str, fields: dict[str, float]) -> None:
    bench = Judged()
    before, row = bench.kept().sample, VERDICTS[name]
    bench.kept().wanted_nl = {}
    assert told(bench, fields) == name
    assert bench.kept().sample is before
    assert bench.state("e1").verdict == row.quality and bench.state("e1").o2_pct == round(before.o2_pct, 3)
    assert any(row.words in one for one in bench.state("e1").problems)
    assert bench.core.state.analysers["az"].odd[name] >= 1
    said = next(one for one in bench.said("reading_doubted") if one.figures["verdict"] == name)
    assert said.figures["quality"] == row.quality and any(digit in str(said.figures["measured"]) for digit in "0123456789")


@pytest.mark.parametrize(("name", "fields"), LASTING, ids=str)
def test_nothing_is_given_on_it_and_a_good_reading_ends_that(name: str, fields: dict[str, float]) -> None:
    bench = Judged()
    told(bench, fields)
    bench.kept().wanted_nl = {"air": 50.0}
    bench.run(20)
    assert bench.requests("e1") == [] and bench.kept().wanted_nl == {"air": 50.0}, "what was decided stays"
    assert bench.visit("line-1", *HELD["line-1"]) == "good"
    assert bench.state("e1").verdict == "good" and bench.kept().doubt == ""
    bench.kept().wanted_nl = {"air": 50.0}
    bench.run(20)
    assert [one.gas for one in bench.requests("e1")] == ["air"]


@pytest.mark.parametrize(
    ("name", "fields"),
    [
        ("not_ready", {"status": "warming_up"}), ("not_ready", {"status": "fault"}), ("settling", {"settled": False}),
        ("line_denied", {"line_confirmed": False}), ("below_zero", {"co2_pct": -0.05, "noise": 0.0}),
    ],
    ids=str,
)  # fmt: skip
def test_what_says_nothing_of_the_gas_leaves_the_last_sample_as_it_was(name: str, fields: dict[str, object]) -> None:
    bench = Judged()
    before = bench.kept().sample
    assert bench.visit("line-1", **({"o2_pct": 3.0, "co2_pct": 18.0} | fields)) == name
    assert bench.kept().sample is before and bench.kept().doubt == ""
    bench.kept().wanted_nl = {"air": 50.0}
    bench.run(20)
    assert [one.gas for one in bench.requests("e1")] == ["air"]


def test_a_sum_of_more_than_everything_is_no_gas() -> None:
    bench = Judged(judged_site("co2_range_pct = 100, o2_range_pct = 100"))
    assert told(bench, {"o2_pct": 60.0, "co2_pct": 41.0}) == "sum_over_100"


def test_one_odd_reading_is_counted_and_announced_to_nobody() -> None:
    bench = Judged()
    bench.visit("line-1", 3.0, 18.0)
    told(bench, {"o2_pct": -1.0}, readings=1)
    bench.visit("line-1", 3.0, 18.0, readings=2)
    bench.run(1200)
    assert bench.core.state.analysers["az"].odd["fault_code"] == 1
    assert bench.alarm("analyser_untrue-az") is None


def test_a_pegged_instrument_is_one_alarm_and_it_ends_by_itself() -> None:
    bench = Judged()
    told(bench, {"o2_pct": 25.0}, readings=40)
    assert bench.alarm("analyser_untrue-az").state == "unacknowledged"
    assert "O2 25.00 %" in bench.alarm("analyser_untrue-az").text and "ends at 25 %" in bench.alarm("analyser_untrue-az").text
    assert bench.alarm("reading_doubtful-e1") is None and bench.alarm("line_suspect-e1") is None
    bench.visit("line-1", 3.0, 18.0)
    assert bench.alarm("analyser_untrue-az").condition is False


# ------------------------------------------------------------------------------------------------ flat line


def flat(bench: Judged, line: str, readings: int = 25, gas: tuple[float, float] = (3.004, 18.004)) -> str:
    return bench.visit(line, *gas, readings=readings, noise=0.0)


def test_figures_that_go_over_to_the_next_line_to_the_last_digit_are_a_flat_line() -> None:
    bench = Judged()
    assert flat(bench, "line-1") == "good", "a gas that is held may stand still"
    assert flat(bench, "line-2") == "flat_line"
    assert bench.kept("line-2").doubt.startswith(VERDICTS["flat_line"].words) and bench.sampled("line-2") == HELD["line-2"]
    assert flat(bench, "line-1") == "flat_line", "it is flat on the line where it began as well"
    bench.run(120)
    assert bench.alarm("analyser_untrue-az").state == "unacknowledged"
    assert bench.visit("line-2", *HELD["line-2"]) == "good"
    assert bench.alarm("analyser_untrue-az").condition is False


def test_one_gas_alone_may_stand_still() -> None:
    bench = Judged()
    flat(bench, "line-1")
    for number in range(25):
        bench.run(5)
        bench.read("line-2", 3.004, 12.0 + number % 3 / 100)
    bench.run(1)
    assert bench.verdict() == "flat_line"
    assert "O2 3.004 %" in bench.kept("line-2").doubt


def test_lines_that_hold_the_same_gas_may_read_the_same() -> None:
    bench = Judged(sampled=False)
    for line in ("line-1", "line-2", "line-1"):
        assert flat(bench, line) == "good"


def test_gas_that_was_given_must_show() -> None:
    """40 nl of CO2 into 1,200 move 18 % by 82 * (1 - exp(-1/30)) = 2.7 %."""
    bench = Judged()
    flat(bench, "line-1")
    bench.kept().wanted_nl = {"co2": 40.0}
    bench.run(150)
    assert [one.volume_nl for one in bench.requests("e1", "co2")] == [pytest.approx(36.0)] or bench.requests("e1", "co2")
    assert flat(bench, "line-1") == "flat_line"
    assert bench.visit("line-1", 2.95, 20.4) == "good", "the first digit that moves ends it"


def test_an_instrument_that_rounds_coarsely_is_not_judged_by_its_digits() -> None:
    bench = Judged(judged_site("flat_line_readings = 0, against_balance = false"))
    flat(bench, "line-1")
    assert flat(bench, "line-2") == "good"


# ------------------------------------------------------------------------------------------------ kept, and lost


def test_doubt_outlives_a_restart_and_a_word_of_people_ends_it() -> None:
    from supervisor.core.site import Core

    bench = Judged()
    told(bench, {"o2_pct": 5.0})
    core = Core.load(bench.site, bench.core.dump())
    assert core.state.enclosures["e1"].doubted == "too_fast"
    bench.command("vent", "e1")
    assert bench.kept().doubted == "too_fast", "a vent changes nothing about what is known of the gas"
    bench.kept().state = "faulted"
    bench.command("resume", "e1")
    assert bench.kept().doubt == "" and bench.visit("line-1", 5.0, 14.0) == "good"


def test_a_verdict_that_this_version_does_not_know_is_shown_as_uncertain() -> None:
    bench = Judged()
    bench.kept().doubt, bench.kept().doubted = "of another version", "curious"
    bench.run(61)
    assert bench.state("e1").verdict == "uncertain"


def test_corekit_is_unjudged() -> None:
    """The other tests of the core rest on readings that no plant gave."""
    assert not corekit.site().analysers["az"].belief.against_balance


def test_the_table_in_the_handbook_is_the_one_that_the_code_reads() -> None:
    assert table() in DEVELOPERS.read_text(encoding="utf-8")


@pytest.mark.parametrize("name", VERDICTS)
def test_only_a_good_reading_is_a_sample_and_what_is_announced_is_in_the_catalogue(name: str) -> None:
    row = VERDICTS[name]
    assert row.sample == (row.quality == "good") and not (row.sample and row.holds)
    assert row.alarm == "" or row.alarm in CATALOGUE
    assert row.words
