"""Every trap that simple-pid leaves to its user, and the loop around an integrating enclosure.

The traps were seen with simple-pid 2.0.1 itself; the windup figure is Astrom & Murray's (from memory): after hours of
saturation the output leaves it within one sample of the error's change of sign.
"""

from math import inf, nan

import pytest

from supervisor.core.regulation import Loop, reset, unlearn, wanted_move_pct
from supervisor.core.tuning import holding_gains

INTERVAL_S = 1200.0
GAINS = holding_gains(INTERVAL_S, 90.0)
HOUR_S = 3600.0
MOVE_PCT_MAX = 2.0  # ours, no source: a step that the next sample can still take back


def move(loop: Loop, setpoint: float, measured: float, at_s: float, deadband: float = 0.0) -> float:
    return wanted_move_pct(loop, setpoint, measured, deadband, GAINS, at_s, INTERVAL_S)


@pytest.mark.parametrize("bad", [nan, inf, -inf])
def test_input_that_is_not_finite_never_reaches_the_integral(bad: float) -> None:
    """One NaN would poison it for ever, and NaN passes the output's clamp."""
    loop = Loop()
    move(loop, 3.0, 3.2, 0.0)
    learned = loop.integral_pct_h
    with pytest.raises(ValueError, match="regulation"):
        move(loop, 3.0, bad, 1200.0)
    with pytest.raises(ValueError, match="regulation"):
        move(loop, bad, 3.0, 1200.0)
    assert loop.integral_pct_h == learned and loop.decided_mono_s == 0.0


@pytest.mark.parametrize("gap_s", [0.0, -60.0])
def test_time_that_does_not_go_on_is_refused(gap_s: float) -> None:
    """A second call at one instant would divide by almost nothing; a clock that goes back would integrate negatively."""
    loop = Loop()
    move(loop, 3.0, 3.2, 5000.0)
    with pytest.raises(ValueError):
        move(loop, 3.0, 3.2, 5000.0 + gap_s)


def test_the_first_move_is_the_proportional_one_alone() -> None:
    loop = Loop()
    assert move(loop, 3.0, 3.1, 0.0) == pytest.approx(-GAINS.kc * 0.1 * INTERVAL_S / HOUR_S, rel=1e-4)
    assert loop.integral_pct_h == pytest.approx(0.0, abs=1e-5)


def test_a_learned_drift_is_carried_over_without_a_bump() -> None:
    """What was learned is the output at zero error: nothing is added to it, as manual-to-automatic would."""
    loop = Loop(integral_pct_h=1.5, decided_mono_s=0.0)
    assert move(loop, 3.0, 3.0, 1200.0) == pytest.approx(1.5 * INTERVAL_S / HOUR_S)


def test_each_sample_counts_by_its_own_time() -> None:
    """The integral grows by kc/ti times error times the measured interval: not by one sample, whatever lies between."""
    for gap_s in (600.0, 1200.0, 2400.0):
        loop = Loop(decided_mono_s=0.0)
        move(loop, 3.0, 3.1, gap_s)
        assert loop.integral_pct_h == pytest.approx(-GAINS.kc / GAINS.ti * 0.1 * gap_s / HOUR_S)


def test_an_interval_is_never_counted_for_more_than_two_hours() -> None:
    two, almost_four = Loop(decided_mono_s=0.0), Loop(decided_mono_s=0.0)
    move(two, 3.0, 3.1, 2 * HOUR_S)
    move(almost_four, 3.0, 3.1, 3.9 * HOUR_S)
    assert almost_four.integral_pct_h == pytest.approx(two.integral_pct_h) and two.integral_pct_h != 0.0


def test_a_long_gap_starts_anew() -> None:
    loop = Loop(integral_pct_h=2.0, decided_mono_s=0.0)
    assert move(loop, 3.0, 3.1, 4.1 * HOUR_S) == pytest.approx(-GAINS.kc * 0.1 * INTERVAL_S / HOUR_S, rel=1e-4)
    assert loop.integral_pct_h == pytest.approx(0.0, abs=1e-5)


def test_reset_forgets() -> None:
    loop = Loop(integral_pct_h=2.0, decided_mono_s=7.0)
    reset(loop)
    assert loop == Loop()


@pytest.mark.parametrize("error_pct", [-9.0, 9.0])
def test_no_move_is_larger_than_the_most(error_pct: float) -> None:
    for before in (-4.0, 0.0, 4.0):
        loop = Loop(integral_pct_h=before, decided_mono_s=0.0)
        moved = move(loop, 10.0, 10.0 - error_pct, 1200.0)
        assert abs(moved) == pytest.approx(MOVE_PCT_MAX)
        assert moved * error_pct > 0.0


@pytest.mark.parametrize("sign", [-1.0, 1.0])
@pytest.mark.parametrize("learned", [0.0, 3.0])
def test_hours_of_saturation_wind_nothing_up(sign: float, learned: float) -> None:
    loop = Loop(integral_pct_h=sign * learned, decided_mono_s=0.0)
    at_s = 0.0
    while at_s < 3 * HOUR_S:
        at_s += INTERVAL_S
        assert move(loop, 10.0, 10.0 - sign * 5.0, at_s) == pytest.approx(sign * MOVE_PCT_MAX)
        assert loop.integral_pct_h == pytest.approx(sign * learned)
    after = move(loop, 10.0, 10.0 + sign * 0.1, at_s + INTERVAL_S)
    assert sign * after < MOVE_PCT_MAX
    assert sign * after < sign * sign * learned * INTERVAL_S / HOUR_S  # the error's new sign already counts


def test_saturation_that_is_being_undone_still_learns() -> None:
    """Integration stops only while it would drive further out; a learned drift of the wrong sign is unlearned."""
    loop = Loop(integral_pct_h=3.0, decided_mono_s=0.0)
    move(loop, 10.0, 11.0, 1200.0)
    assert loop.integral_pct_h < 3.0


def test_inside_the_deadband_nothing_moves_and_nothing_is_learned() -> None:
    """The deadband stands outside the library: its own error map puts a constant into the derivative."""
    loop = Loop(decided_mono_s=0.0)
    for step, measured in enumerate((3.05, 2.95, 3.059, 2.941)):
        assert move(loop, 3.0, measured, 1200.0 * (step + 1), deadband=0.06) == 0.0
    assert loop.integral_pct_h == 0.0
    assert move(loop, 3.0, 3.07, 6000.0, deadband=0.06) < 0.0


@pytest.mark.parametrize(
    ("before", "learned", "wanted", "possible", "after"),
    [
        (0.2, 0.5, 0.4, 0.4, 0.5),  # it could be acted on: a drift
        (0.2, 0.5, 0.4, 0.21, 0.5),  # half of it at least
        (0.2, 0.5, 0.4, 0.19, 0.2),
        (0.2, 0.5, 0.4, 0.0, 0.2),  # no source leads there, or none gave anything
        (0.2, 0.5, 0.4, -0.4, 0.2),  # the other way is no answer
        (-0.2, -0.5, -0.4, 0.0, -0.2),
        (0.5, 0.2, -0.4, 0.0, 0.2),  # what was learned wrongly may always be unlearned
    ],
)
def test_a_move_that_cannot_be_made_teaches_nothing(
    before: float, learned: float, wanted: float, possible: float, after: float
) -> None:
    loop = Loop(integral_pct_h=learned)
    unlearn(loop, before, wanted, possible)
    assert loop.integral_pct_h == after


def held(
    loop: Loop, start_pct: float, setpoint_pct: float, drift_pct_h: float, samples: int, deadband: float = 0.0
) -> list[float]:
    """An enclosure that drifts and takes each move over the interval after it, seen once an interval."""
    gas_pct, seen = start_pct, []
    for number in range(samples):
        seen.append(gas_pct)
        gas_pct += move(loop, setpoint_pct, gas_pct, number * INTERVAL_S, deadband=deadband)
        gas_pct += drift_pct_h * INTERVAL_S / HOUR_S
    return seen


@pytest.mark.parametrize("drift_pct_h", [-1.0, -0.2, 0.09, 0.5])
def test_a_constant_drift_is_learned_until_no_error_is_left(drift_pct_h: float) -> None:
    loop = Loop()
    seen = held(loop, 3.0, 3.0, drift_pct_h, 60)
    assert sum(seen[-12:]) / 12.0 == pytest.approx(3.0, abs=0.005)
    assert loop.integral_pct_h == pytest.approx(-drift_pct_h, abs=0.02)


def test_a_drift_is_held_within_the_deadband_as_well() -> None:
    seen = held(Loop(), 3.0, 3.0, 0.09, 200, deadband=0.06)
    assert all(abs(pct - 3.0) <= 0.09 for pct in seen[20:])


@pytest.mark.parametrize(("start_pct", "setpoint_pct"), [(3.4, 3.0), (17.0, 18.0), (18.0, 15.0)])
def test_a_step_overshoots_by_less_than_a_third(start_pct: float, setpoint_pct: float) -> None:
    # A third is ours, no source: a PI at an integrating process cannot do without overshoot, and more of it costs gas.
    seen = held(Loop(), start_pct, setpoint_pct, 0.0, 60)
    step_pct = setpoint_pct - start_pct
    beyond_pct = max((pct - setpoint_pct) * (1.0 if step_pct > 0 else -1.0) for pct in seen)
    assert beyond_pct < abs(step_pct) / 3.0
    assert seen[-1] == pytest.approx(setpoint_pct, abs=0.02)
