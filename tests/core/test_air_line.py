"""Room air shows whether an analyser can be believed at all. What it must read: 20.95 % O2 within 0.2 %, and 0.03 to 0.3 % CO2
(common practice, no source; the oxygen of dry air is 20.9476 % by the US Standard Atmosphere 1976)."""

import pytest
from verdictkit import HELD, Judged, judged_site

from supervisor.core.air_line import trust_again
from supervisor.core.state import SiteState

AIR_LINE = "air-east"


@pytest.mark.parametrize("gas", [(20.95, 0.04), (20.76, 0.04), (21.14, 0.04), (20.9, 0.29), (20.95, -0.02)], ids=str)
def test_what_is_air(gas: tuple[float, float]) -> None:
    bench = Judged()
    assert bench.visit(AIR_LINE, *gas, noise=0.0005) == "good"
    assert bench.core.state.analysers["az"].untrue == ""
    assert bench.core.state.analysers["az"].seen_mono_s[AIR_LINE] == pytest.approx(bench.mono_s - 1.0)


NOT_AIR = [
    ((21.55, 0.04), "oxygen is off by +0.60 %"), ((20.95, 1.04), "CO2 by +1.00 %"),
    ((20.95, -0.36), "CO2 by -0.40 %"),
    ((20.95 * 0.977, 0.04), "thinner by 2.3 %, as with moisture"), ((0.2095, 0.0004), "100 times too small"),
    ((15.57, 5.43), "30% of the gas of line line-1"),
]  # fmt: skip


@pytest.mark.parametrize(("gas", "words"), NOT_AIR, ids=[words for _, words in NOT_AIR])
def test_an_analyser_that_misreads_air_is_believed_in_nothing_until_it_reads_it_again(gas, words: str) -> None:
    bench = Judged()
    bench.visit("line-1", *HELD["line-1"])
    assert bench.visit(AIR_LINE, *gas, noise=0.0002) == "not_air"
    assert words in bench.core.state.analysers["az"].untrue
    assert bench.visit("line-1", *HELD["line-1"]) == "disbelieved"
    assert bench.state("e1").verdict == "bad"
    bench.kept().wanted_nl = {"air": 50.0}
    bench.run(60)
    assert bench.requests("e1") == []
    assert bench.alarm("analyser_untrue-az").state == "unacknowledged" and words in bench.alarm("analyser_untrue-az").text
    assert bench.alarm("reading_doubtful-e1") is None and bench.alarm("line_suspect-e1") is None
    assert bench.visit(AIR_LINE, 20.93, 0.05) == "good"
    bench.run(61)
    assert bench.alarm("analyser_untrue-az").condition is False
    assert bench.visit("line-1", *HELD["line-1"]) == "good" and bench.kept().doubt == ""


def test_two_odd_readings_of_air_condemn_nobody() -> None:
    bench = Judged()
    bench.visit(AIR_LINE, 20.95, 0.04, readings=20)
    bench.visit(AIR_LINE, 21.0, 0.5, readings=2)
    bench.visit(AIR_LINE, 20.95, 0.04, readings=2)
    bench.visit(AIR_LINE, 21.0, 0.5, readings=2)
    assert bench.core.state.analysers["az"].untrue == ""
    seen_s = bench.core.state.analysers["az"].seen_mono_s[AIR_LINE]
    assert seen_s < bench.mono_s - 10.0, "the visit is not over before it is certain"
    bench.visit(AIR_LINE, 21.0, 0.5, readings=1)
    assert bench.core.state.analysers["az"].untrue != ""
    assert bench.core.state.analysers["az"].seen_mono_s[AIR_LINE] > seen_s


def test_room_air_that_is_no_air_says_nothing_of_the_analyser() -> None:
    """Vents and purges go into the room: its own sensors say so, and the analyser reads the same."""
    bench = Judged()
    bench.air["east", "door"] = bench.air["east", "floor"] = (20.2, 0.45)
    bench.run(10)
    assert bench.visit(AIR_LINE, 20.3, 0.5) == "air_unclear"
    assert bench.core.state.analysers["az"].untrue == "" and AIR_LINE in bench.core.state.analysers["az"].seen_mono_s
    assert bench.visit(AIR_LINE, 19.0, 0.5) == "not_air", "further off than the sensors of the room"


def test_where_no_sensor_is_heard_nothing_is_held_against_the_analyser() -> None:
    bench = Judged()
    bench.air.clear()
    bench.run(60)
    assert bench.visit(AIR_LINE, 19.0, 0.5) == "air_unclear"


def test_an_analyser_that_was_calibrated_is_trusted_again() -> None:
    bench = Judged()
    bench.visit(AIR_LINE, 21.55, 0.04)
    trust_again(bench.desk(), "az", "calibrated")
    assert bench.visit("line-1", *HELD["line-1"]) == "good"
    assert [one.figures["why"] for one in bench.said("analyser_disbelieved")][0].startswith("room air does not read as air")


def test_the_limits_are_the_site_s() -> None:
    bench = Judged(judged_site("air_o2_off_pct_max = 0.7, air_co2_pct_max = 1.1"))
    assert bench.visit(AIR_LINE, 21.55, 1.04) == "good"


def test_disbelief_outlives_a_restart_and_an_old_snapshot_has_none() -> None:
    from pydantic import TypeAdapter

    from supervisor.core.site import Core

    bench = Judged()
    bench.visit(AIR_LINE, 21.55, 0.04)
    assert Core.load(bench.site, bench.core.dump()).state.analysers["az"].untrue != ""
    old = TypeAdapter(SiteState).validate_python({"analysers": {"az": {"boot": "a1"}}, "enclosures": {"e1": {}}})
    assert old.analysers["az"].untrue == "" and old.enclosures["e1"].doubt == ""
