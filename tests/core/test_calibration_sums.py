"""Offset, gain, steadiness and the levels of drift, against figures worked by hand and against numpy and scipy."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from supervisor.core.calibration_state import Calibration, Correction
from supervisor.core.calibration_sums import (
    applied,
    bearable,
    corrected,
    doubt_pct,
    level,
    one_point_span,
    one_point_zero,
    spread,
    steady,
    two_point,
    worst,
)  # fmt: skip

RIGHT = Correction()


def test_two_points_worked_by_hand() -> None:
    """Nitrogen reads 0.20, air of 20.9 % reads 21.32: the slope told is 21.12 for 20.9, so gain 20.9/21.12 = 0.989583."""
    made = two_point(0.20, 0.0, 21.32, 20.9)
    assert made is not None
    assert (made.offset_pct, made.gain) == pytest.approx((0.20, 0.9895833), abs=1e-7)
    assert corrected(made, 0.20) == pytest.approx(0.0) and corrected(made, 21.32) == pytest.approx(20.9)
    # 3.2315 told lies 3.0315 above the zero: 2.99992 %
    assert corrected(made, 3.2315) == pytest.approx(2.99992, abs=1e-5)


def test_two_points_neither_of_which_is_zero() -> None:
    """2 % reads 2.5 and 12 % reads 13: gain 10/10.5, and 2.5 less 2/gain = 0.4 is the offset."""
    made = two_point(2.5, 2.0, 13.0, 12.0)
    assert made is not None and (made.offset_pct, made.gain) == pytest.approx((0.4, 10 / 10.5))


def test_a_zero_alone_moves_the_offset_and_leaves_the_gain() -> None:
    made = one_point_zero(Correction(0.1, 0.98), 0.35, 0.0)
    assert (made.offset_pct, made.gain) == (0.35, 0.98)
    made = one_point_zero(Correction(0.1, 0.5), 0.35, 0.05)  # a zero gas with a trace: 0.35 - 0.05/0.5
    assert (made.offset_pct, made.gain) == pytest.approx((0.25, 0.5))


def test_a_span_alone_moves_the_gain_and_leaves_the_offset() -> None:
    made = one_point_span(Correction(0.5, 1.0), 16.5, 15.0)
    assert made is not None and (made.offset_pct, made.gain) == (0.5, 15.0 / 16.0)


@pytest.mark.parametrize("told_pct", [0.5, 0.2, -1.0])
def test_a_span_gas_that_reads_as_zero_tells_no_gain(told_pct: float) -> None:
    assert one_point_span(Correction(0.5, 1.0), told_pct, 15.0) is None
    assert two_point(0.5, 0.0, told_pct, 15.0) is None


def test_a_little_above_zero_tells_a_gain_however_unlikely() -> None:
    assert one_point_span(RIGHT, 0.04, 15.0) == Correction(0.0, 375.0)
    assert two_point(0.0, 0.0, 0.5, 15.0) == Correction(0.0, 30.0) and two_point(0.0, 0.0, 15.0, 0.5).gain == 0.5 / 15.0


def test_points_in_the_wrong_order_tell_nothing() -> None:
    assert two_point(0.1, 5.0, 3.0, 5.0) is None and one_point_span(RIGHT, 3.0, 0.0) is None


@given(
    offset=st.floats(-2, 2), slope=st.floats(0.8, 1.25), low=st.floats(0, 5), apart=st.floats(1, 50),
    middle=st.floats(0, 25),
)  # fmt: skip
def test_a_straight_instrument_is_put_right_everywhere(
    offset: float, slope: float, low: float, apart: float, middle: float
) -> None:
    """Against the straight line through both points by numpy.polyfit: what it says of any reading, we say."""
    told = [offset + slope * low, offset + slope * (low + apart)]
    made = two_point(told[0], low, told[1], low + apart)
    line = np.polyfit(told, [low, low + apart], 1)
    reading = offset + slope * middle
    assert made is not None
    assert corrected(made, reading) == pytest.approx(float(np.polyval(line, reading)), abs=1e-6)
    assert corrected(made, reading) == pytest.approx(middle, abs=1e-6)


def test_many_noisy_readings_of_two_gases_agree_with_a_regression() -> None:
    """Means of two clusters give the same line as scipy.stats.linregress through all of their points."""
    chance = np.random.default_rng(7)
    zero, span = 0.31 + chance.normal(0, 0.01, 40), 21.4 + chance.normal(0, 0.01, 40)
    made = two_point(float(zero.mean()), 0.0, float(span.mean()), 20.9)
    fitted = stats.linregress([0.0] * 40 + [20.9] * 40, [*zero, *span])  # what is told over what is there
    assert made is not None
    assert made.gain == pytest.approx(1.0 / fitted.slope, rel=1e-9)
    assert made.offset_pct == pytest.approx(fitted.intercept, abs=1e-9)


# ------------------------------------------------------------------------------------------------ standing still


def test_spread_is_the_sample_s_standard_deviation() -> None:
    values = [3.01, 2.99, 3.03, 2.97, 3.0]
    assert spread(values) == pytest.approx(float(np.std(values, ddof=1)))
    assert spread([3.0]) == 0.0 and spread([3.0, 4.0]) == pytest.approx(math.sqrt(0.5))


@pytest.mark.parametrize(
    ("values", "still"),
    [
        ([3.0, 3.0, 3.0, 3.0, 3.0, 3.0], True),
        ([3.0, 3.02, 2.98, 3.01, 2.99, 3.0], True),
        ([3.0, 3.1, 2.9, 3.1, 2.9, 3.0], False),  # scatters: 0.09
        # still falling: 0.033 of scatter passes, but the younger half lies 0.054 lower
        ([3.09, 3.07, 3.05, 3.03, 3.01, 3.008], False),
        ([3.0, 3.0, 3.0, 3.0, 3.0, 3.5], False),
    ],
)
def test_readings_stand_still(values: list[float], still: bool) -> None:
    assert steady(values, 0.05) is still


def test_a_slow_fall_is_seen_by_its_halves_and_not_by_its_scatter() -> None:
    falling = [3.09, 3.07, 3.05, 3.03, 3.01, 3.008]
    assert spread(falling) < 0.05 < (sum(falling[:3]) - sum(falling[3:])) / 3


def test_at_the_limit_itself_they_stand_still_and_of_an_odd_number_the_middle_is_young() -> None:
    assert steady([3.0, 3.0, 3.0, 3.0], 0.0)
    assert steady([0.0, 0.0, 1.0, 1.0], 1.0) and not steady([0.0, 0.0, 1.0, 1.0], 0.99)
    # Halves of (0, 0) and (1, 0, 0): a third apart. With (0,) and the rest: a quarter.
    assert steady([0.0, 0.0, 1.0, 0.0, 0.0], 0.45) and not steady([0.0, 0.0, 0.0, 1.0, 1.0], 0.6)


def test_doubt_is_certificate_and_mean_together() -> None:
    """Four readings with a standard deviation of 0.02 make a standard error of 0.01; hypot(0.03, 2 * 0.01) = 0.0360555."""
    values = [3.0 + 0.02 * math.sqrt(0.75) * one for one in (-1, 1, -1, 1)]
    assert spread(values) == pytest.approx(0.02)
    assert doubt_pct(0.03, values) == pytest.approx(0.0360555, abs=1e-7)
    assert doubt_pct(0.02, [3.0, 3.0]) == 0.02


# ------------------------------------------------------------------------------------------------ how bad


@pytest.mark.parametrize(
    ("error_pct", "how_bad"),
    [
        (0.0, "none"), (0.02, "none"), (-0.02, "none"), (0.021, "small"), (-0.1, "small"), (0.11, "warned"),
        (-0.2, "warned"), (0.21, "beyond_action"), (-0.4, "beyond_action"), (0.41, "beyond_twice"), (-20.9, "beyond_twice"),
    ],
)  # fmt: skip
def test_drift_is_judged_by_table(error_pct: float, how_bad: str) -> None:
    """Warning 0.1, action 0.2 (common practice, no source); the gas is known to 0.02."""
    assert level(error_pct, 0.02, 0.1, 0.2) == how_bad


def test_a_gas_that_is_itself_unsure_shows_no_drift_within_that() -> None:
    """A span gas known to 2 % of 20.9: 0.42 % off is nothing that it could show, although action begins at 0.2."""
    assert level(0.41, 0.42, 0.1, 0.2) == "none" and level(0.43, 0.42, 0.1, 0.2) == "beyond_twice"


def test_the_worst_counts() -> None:
    from_good_to_bad = ["none", "small", "warned", "beyond_action", "beyond_twice"]
    for place, bad in enumerate(from_good_to_bad):
        for better in from_good_to_bad[: place + 1]:
            assert worst([better, bad]) == worst([bad, better]) == bad
    assert worst([]) == "none"


@pytest.mark.parametrize(
    ("correction", "can"),
    [
        (Correction(2.0, 1.25), True), (Correction(-2.0, 0.8), True), (Correction(2.01, 1.0), False),
        (Correction(-2.01, 1.0), False), (Correction(0.0, 1.26), False), (Correction(0.0, 0.79), False),
    ],
)  # fmt: skip
def test_what_is_too_much_in_total(correction: Correction, can: bool) -> None:
    """2 % of offset, a fifth less or a quarter more of gain (common practice, no source)."""
    assert bearable(correction) is can


def test_each_gas_is_corrected_by_its_own() -> None:
    cal = Calibration(o2=Correction(0.5, 2.0), co2=Correction(-1.0, 0.5))
    assert applied(cal, 3.0, 17.0) == (5.0, 9.0)
