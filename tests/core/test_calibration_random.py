"""Whatever an analyser reads of whatever comes out of its bottles: nothing is changed by more than may be without a word."""

from copy import deepcopy

import pytest
from calibrationkit import AIR, CHECK, CO2, LINES, THERE, ZERO, Instrument, instrument
from hypothesis import given, settings
from hypothesis import strategies as st

from supervisor.core import calibration
from supervisor.core.calibration_state import Calibration, Run
from supervisor.core.calibration_sums import GAIN_MAX, GAIN_MIN, OFFSET_PCT_MAX
from supervisor.messages import AnalyserReading, at

ACTION = {"o2": 0.2, "co2": 0.5}
near = st.floats(-0.6, 0.6)
far = st.floats(-4.0, 25.0)
draws = st.lists(
    st.tuples(st.sampled_from([*LINES.values(), "east-air"]), near | far, near | far, st.booleans(), st.floats(60, 90_000)),
    min_size=1, max_size=12,
)  # fmt: skip


def draw(bench: Instrument, line: str, o2_pct: float, co2_pct: float, own: bool) -> None:
    """Six readings of a line, as of a run that has been asked for."""
    gas = next((gas for gas, there in LINES.items() if there == line), "")
    bench.cal.run = Run(line, gas, bench.mono_s)
    for _ in range(6):
        bench.go(5.0)
        told = {"o2_pct": max(-5.0, min(105.0, o2_pct)), "co2_pct": max(-5.0, min(105.0, co2_pct))}
        reading = AnalyserReading(
            observed_at=at(bench.wall_s), boot="a", seq=1, line=line, settled=True, status="ok", corrected=own, **told
        )
        calibration.on_reading(bench.desk(), "az", line, reading)


def off(correction, told_pct: float, there_pct: float) -> float:
    return abs(correction.gain * (told_pct - correction.offset_pct) - there_pct)


@settings(max_examples=40, deadline=None)
@given(draws, st.booleans())
def test_nothing_is_changed_beyond_the_action_limit_without_a_word(drawn: list, accepts: bool) -> None:
    bench = instrument()
    bench.core.state.analysers["az"].calibration = Calibration(known_mono_s=bench.mono_s)
    for line, o2_off, co2_off, own, pause_s in drawn:
        bench.go(pause_s)
        before = deepcopy((bench.cal.o2, bench.cal.co2))
        told = (THERE[line][0] + o2_off, THERE[line][1] + co2_off)
        draw(bench, line, *told, own)
        for which, was, now, told_pct, there_pct in zip(
            ("o2", "co2"), before, (bench.cal.o2, bench.cal.co2), told, THERE[line], strict=True
        ):
            if now != was:
                assert line not in (LINES[CHECK], "east-air") and not own, "those never change anything"
                assert (which, line) not in (("o2", LINES[CO2]), ("co2", LINES[AIR])), "a span is of one gas"
                assert off(was, told_pct, there_pct) <= ACTION[which] + 1e-9
                assert off(now, told_pct, there_pct) < 1e-9, "the gas that was drawn is read right then"
            assert abs(now.offset_pct) <= OFFSET_PCT_MAX and GAIN_MIN <= now.gain <= GAIN_MAX
        pending = bench.cal.pending
        assert len(bench.cal.log) <= 60
        assert not bench.cal.untrue or pending is not None, "what is doubted waits for somebody"
        if pending is not None and pending.judged:
            calibration.judge(bench.desk(), "az")
            assert bench.core.state.alarms["analyser_drift-az"].condition
            if accepts and pending.applies:
                assert bench.command("calibrate", "az", decision="accept").accepted
                assert bench.cal.pending is None and bench.cal.untrue == ""


def test_a_zero_moves_the_offset_and_leaves_the_gain_that_a_span_found_before() -> None:
    """What the test above would let pass if nothing were ever changed."""
    bench = instrument()
    draw(bench, LINES[ZERO], 0.1, 0.0, False)
    assert (bench.cal.o2.offset_pct, bench.cal.o2.gain) == (pytest.approx(0.1), 1.0)
    assert bench.cal.came_of[ZERO] == "applied"
