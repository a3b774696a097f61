"""Figures that the gas balance does not allow: which other gas explains them, when a second visit confirms them, and what
the watch makes of them meanwhile.

The bench holds 3.0/18.0, 6.0/12.0 and 9.0/5.0 % O2/CO2 on its three lines. Other gas is mixed in by hand, as shares.
"""

import pytest
from verdictkit import HELD, Judged, judged_site

from supervisor.core.balance import AIR, Mixture
from supervisor.values import PlantFinding


def mixed(line: str, other: tuple[float, float], share: float) -> tuple[float, float]:
    o2_pct, co2_pct = HELD[line]
    return o2_pct + share * (other[0] - o2_pct), co2_pct + share * (other[1] - co2_pct)


AIRY = {line: mixed(line, AIR, 0.3) for line in HELD}


def test_gas_of_the_line_before_is_named_with_its_share() -> None:
    bench = Judged()
    bench.visit("line-3", *HELD["line-3"])
    assert bench.visit("line-1", *mixed("line-1", HELD["line-3"], 0.25)) == "carry_over"
    assert "25% of the gas of line line-3" in bench.kept().doubt
    bench.run(900)
    assert bench.alarm("line_suspect-e1").state == "unacknowledged" and "line-3" in bench.alarm("line_suspect-e1").text
    assert bench.visit("line-1", *HELD["line-1"]) == "good"
    bench.run(60)
    assert bench.alarm("line_suspect-e1").condition is False


def test_what_reads_just_like_the_line_before_is_another_line() -> None:
    bench = Judged()
    bench.visit("line-2", *HELD["line-2"])
    assert bench.visit("line-1", *HELD["line-2"]) == "line_before"
    assert bench.sampled() == HELD["line-1"]


def test_air_in_a_line_is_named() -> None:
    bench = Judged()
    bench.visit("line-2", *HELD["line-2"])
    assert bench.visit("line-1", *AIRY["line-1"]) == "room_air"
    assert "30% of room air" in bench.kept().doubt


def test_air_after_an_idle_line_of_air_is_called_air_and_says_so() -> None:
    bench = Judged()
    bench.visit("idle", AIR.o2_pct, AIR.co2_pct)
    assert bench.visit("line-1", *AIRY["line-1"]) == "room_air"
    assert "which line idle before it held as well" in bench.kept().doubt


def test_one_line_that_lets_in_other_gas_is_its_own_alarm_and_two_are_the_selector_valve() -> None:
    bench = Judged()
    for line in ("line-1", "line-3", "line-2"):
        bench.visit(line, *(AIRY if line != "line-3" else HELD)[line])
    bench.run(140)
    assert bench.alarm("line_suspect-e1") is None, "what the valve explains is not an alarm of each line"
    assert bench.alarm("analyser_untrue-az").state == "unacknowledged"
    assert "line-1, line-2 read what their enclosures cannot hold" in bench.alarm("analyser_untrue-az").text
    bench.run(900)
    assert bench.alarm("line_suspect-e1").state == bench.alarm("line_suspect-e2").state == "suppressed_by_design"
    bench.visit("line-1", *HELD["line-1"])
    bench.run(61)
    assert bench.alarm("analyser_untrue-az").condition is False, "one line alone is a tube"


# ------------------------------------------------------------------------------------------------ a second visit


def test_a_move_that_nothing_explains_is_news_when_a_second_visit_finds_it_again() -> None:
    bench = Judged()
    assert bench.visit("line-1", 5.0, 18.0) == "too_fast"
    bench.visit("line-1", 5.0, 18.0, readings=60)
    assert bench.verdict() == "too_fast", "the later readings of one visit confirm nothing"
    bench.visit("line-2", *HELD["line-2"])
    assert bench.visit("line-1", 5.05, 18.0) == "good"
    assert bench.sampled() == (5.0, 18.0) or bench.sampled() == (5.1, 18.0)
    assert bench.said("reading_confirmed")[0].figures["verdict"] == "too_fast"


def test_a_second_visit_that_finds_something_else_confirms_nothing() -> None:
    bench = Judged()
    bench.visit("line-1", 5.0, 18.0)
    bench.visit("line-2", *HELD["line-2"])
    assert bench.visit("line-1", 7.0, 20.0) == "too_fast"
    bench.visit("line-2", *HELD["line-2"])
    assert bench.visit("line-1", 7.0, 20.0) == "good", "it confirms the one before it"


def test_air_by_the_same_share_again_is_a_line_that_leaks_and_never_a_sample() -> None:
    bench = Judged()
    for _ in range(4):
        bench.visit("line-2", *HELD["line-2"])
        assert bench.visit("line-1", *AIRY["line-1"]) == "room_air"
        bench.run(600)
    assert bench.sampled() == HELD["line-1"]


def test_a_bag_that_leaks_goes_on_towards_air_and_is_believed() -> None:
    """A tenth of its volume in six minutes: 1 - exp(-t / 3600 s) is air."""
    from math import exp

    bench = Judged()
    began_s = bench.kept().sample.taken_mono_s
    names = []
    for _ in range(3):
        bench.run(900)
        bench.visit("line-2", *HELD["line-2"])
        share = 1.0 - exp(-(bench.mono_s + 90.0 - began_s) / 3600.0)
        names.append(bench.visit("line-1", *mixed("line-1", AIR, share)))
    assert names == ["room_air", "good", "good"] or names[:2] == ["room_air", "good"]
    assert bench.sampled()[0] > 8.0


def test_a_line_that_reads_air_altogether_waits_for_a_person() -> None:
    bench = Judged()
    for _ in range(3):
        bench.visit("line-2", *HELD["line-2"])
        assert bench.visit("line-1", AIR.o2_pct, AIR.co2_pct) == "room_air"
        bench.run(600)
    assert bench.alarm("line_suspect-e1").state == "unacknowledged"


def test_carry_over_follows_the_line_before_and_gas_does_not() -> None:
    bench = Judged()
    gas = mixed("line-1", HELD["line-3"], 0.25)
    for _ in range(3):
        bench.visit("line-3", *HELD["line-3"])
        assert bench.visit("line-1", *gas) == "carry_over"
    bench.visit("line-2", *HELD["line-2"])
    assert bench.visit("line-1", *gas) == "good", "another line before, the same figures: it is the gas"


def test_a_slip_of_units_is_never_confirmed() -> None:
    bench = Judged()
    for _ in range(3):
        bench.visit("line-2", *HELD["line-2"])
        assert bench.visit("line-1", 0.030, 0.180, noise=0.0001) == "scale_slip"
        assert bench.visit("line-1", 0.030, 18.0, noise=0.0) == "scale_slip", "before it is called a flat line"
    bench.visit("line-1", 0.030, 0.180, noise=0.0001)
    assert "expected 3.00: 100 times that" in bench.kept().doubt and "CO2 0.1" in bench.kept().doubt


def test_figures_that_still_move_are_no_sample_yet() -> None:
    bench = Judged()
    bench.visit("line-1", 3.0, 18.0, readings=18)
    assert bench.visit("line-1", 3.25, 18.0, readings=1) == "moving"
    assert bench.visit("line-1", 3.26, 18.0, readings=1) == "good"


def test_two_lines_that_jump_at_once_are_the_analyser_and_no_second_visit_confirms_them() -> None:
    bench = Judged()
    for _ in range(3):
        for line in ("line-1", "line-2"):
            o2_pct, co2_pct = HELD[line]
            assert bench.visit(line, o2_pct + 2.5, co2_pct) == "too_fast"
    bench.run(120)
    assert bench.alarm("analyser_untrue-az").state == "unacknowledged"
    assert bench.visit("line-2", *HELD["line-2"]) == "good"
    assert bench.visit("line-1", 5.5, 18.0) == "good", "one alone is news"


def test_room_air_that_reads_right_vouches_for_lines_that_jumped_at_once() -> None:
    bench = Judged()
    for line in ("line-1", "line-2"):
        bench.visit(line, HELD[line][0] + 2.5, HELD[line][1])
    bench.visit("air-east", 20.95, 0.04)
    assert [bench.visit(line, HELD[line][0] + 2.5, HELD[line][1]) for line in ("line-1", "line-2")] == ["good", "good"]


# ------------------------------------------------------------------------------------------------ after a seal, and old figures


def test_what_was_just_sealed_holds_air_until_gas_was_given() -> None:
    bench = Judged(sampled=False)
    bench.kept().sample, bench.kept().sealed_over_air = None, True
    bench.visit("line-2", *HELD["line-2"])
    assert bench.visit("line-1", *HELD["line-2"]) == "line_before", "the wrong line would end a pull-down that never began"
    assert bench.kept().sample is None
    assert bench.visit("line-1", 20.4, 0.6) == "good"


def test_what_was_sealed_over_other_gas_is_believed_at_the_second_visit() -> None:
    bench = Judged(sampled=False)
    bench.kept().sample, bench.kept().sealed_over_air = None, True
    assert bench.visit("line-1", 3.0, 18.0) == "too_fast"
    bench.visit("idle", 20.9, 0.05)
    assert bench.visit("line-1", 3.0, 18.0) == "good"


def test_enclosures_that_were_sealed_over_other_gas_do_not_speak_against_the_analyser() -> None:
    """As when a controller is exchanged in the middle of a season."""
    bench = Judged(sampled=False)
    for line in ("line-1", "line-2"):
        bench.kept(line).sample, bench.kept(line).sealed_over_air = None, True
    names = [bench.visit(line, *HELD[line]) for line in ("line-1", "line-2", "line-1", "line-2")]
    assert names == ["too_fast", "too_fast", "good", "good"]


def test_an_old_sample_is_no_measure() -> None:
    bench = Judged()
    bench.run(5.6 * 3600)
    assert bench.visit("line-1", 12.0, 4.0) == "good"


# ------------------------------------------------------------------------------------------------ two analysers


class Two(Judged):
    def visit_by(self, analyser: str, o2_pct: float, co2_pct: float) -> str:
        from corekit import at

        from supervisor.messages import AnalyserReading

        for _ in range(22):
            self.run(5)
            self.wobble = (self.wobble + 1) % 3
            self.hear(
                AnalyserReading, analyser, boot="a1", seq=self._next(analyser), line="line-1", settled=True, status="ok",
                o2_pct=o2_pct + self.wobble / 300, co2_pct=co2_pct + self.wobble / 300, observed_at=at(self.wall_s),
            )  # fmt: skip
        self.run(1)
        return self.verdict(analyser)


def test_two_analysers_that_do_not_agree_are_both_uncertain_until_they_do() -> None:
    bench = Two(judged_site(second=True))
    assert bench.visit_by("spare", 3.2, 18.1) == "good"
    assert bench.visit_by("spare", 5.0, 18.1) == "apart"
    assert "az read O2 3.00 %" in bench.kept().doubt
    assert bench.visit("line-1", 3.0, 18.0) == "apart", "nobody knows which of the two is right"
    assert bench.visit_by("spare", 5.0, 18.1) == "apart"
    bench.run(900)
    assert "spare" in bench.alarm("reading_doubtful-e1").text
    assert bench.visit_by("spare", 3.1, 18.1) == "good" and bench.visit("line-1", 3.0, 18.0) == "good"
    bench.run(61)
    assert bench.alarm("reading_doubtful-e1").condition is False


def test_an_analyser_that_misreads_air_is_no_witness_against_the_other() -> None:
    bench = Two(judged_site(second=True))
    bench.visit_by("spare", 5.0, 18.1)
    bench.core.state.analysers["spare"].untrue = "reads air wrong"
    assert bench.visit("line-1", 3.0, 18.0) == "good"


# ------------------------------------------------------------------------------------------------ the watch's findings


def finding(bench: Judged, name: str) -> None:
    bench.step(PlantFinding(bench.now, "e1", name, "nitrogen", "O2 moved by +0.01 %", "-2.00 % O2 expected"))


@pytest.mark.parametrize("name", ["no_response", "unexplained_move"])
def test_a_finding_from_readings_that_are_not_believed_waits(name: str) -> None:
    bench = Judged()
    bench.visit("line-1", 5.0, 18.0)
    finding(bench, name), finding(bench, name)
    assert bench.alarm(f"{name}-e1") is None and bench.kept().state == "holding"
    assert bench.visit("line-1", *HELD["line-1"]) == "good"
    assert bench.alarm(f"{name}-e1") is None, "the readings were wrong, and so was what was made of them"
    assert bench.kept().held_findings == []


@pytest.mark.parametrize("name", ["no_response", "unexplained_move"])
def test_a_finding_is_told_once_its_readings_are_confirmed(name: str) -> None:
    bench = Judged()
    bench.visit("line-1", 5.0, 18.0)
    finding(bench, name), finding(bench, name)
    bench.visit("line-2", *HELD["line-2"])
    assert bench.visit("line-1", 5.0, 18.0) == "good"
    assert bench.alarm(f"{name}-e1").occurrence == 1
    assert bench.kept().state == ("faulted" if name == "no_response" else "holding")


def test_a_finding_from_a_valve_never_waits() -> None:
    bench = Judged()
    bench.visit("line-1", 5.0, 18.0)
    finding(bench, "unrequested_flow")
    assert bench.kept().state == "faulted"


def test_mixtures_are_told_with_what_was_expected() -> None:
    bench = Judged()
    bench.visit("line-1", 5.0, 18.0)
    assert "O2 5.00 %, expected" in bench.kept().doubt and Mixture(3.0, 18.0) == HELD["line-1"]


def test_a_finding_from_the_reading_that_ends_a_doubt_was_compared_with_a_wrong_one() -> None:
    bench = Judged()
    bench.visit("line-1", 5.0, 18.0)
    bench.visit("line-1", *HELD["line-1"], readings=2)
    bench.kept().state, bench.kept().misread_mono_s = "holding", bench.mono_s
    finding(bench, "no_response")
    assert bench.alarm("no_response-e1") is None and bench.kept().state == "holding"
    bench.run(1)
    finding(bench, "no_response")
    assert bench.kept().state == "faulted"
