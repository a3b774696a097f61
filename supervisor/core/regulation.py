"""Holding: one PID per gas says how fast each gas should move, once per valid sample.

simple-pid does the arithmetic; what it leaves to its user is done here: our own dt, capped; finite input only; a start
without a bump; integration only while the output can still act; a fresh start after a long gap; the deadband outside.
"""

from dataclasses import dataclass
from math import isfinite

from simple_pid import PID

from supervisor.core.tuning import Gains

DT_S_CAP = 2 * 3600.0  # an interval is never counted for more than this
GAP_S_RESET = 4 * 3600.0  # after a gap this long the past says nothing about the drift any more
MOVE_PCT_MAX = 2.0  # the most that one sample may ask for, in either direction
ANSWERED_SHARE = 0.5  # less than this share of a wanted move is no answer
INTEGRAL_PCT_H_MAX = 4.0  # the fastest drift that is not a fault: CO2 dissolving in the fruit in the first hours


@dataclass(slots=True)
class Loop:
    """What one gas's loop remembers. `integral_pct_h` is the drift it has learned to stand against."""

    integral_pct_h: float = 0.0
    decided_mono_s: float | None = None


def reset(loop: Loop) -> None:
    """Forget the past: the next move is the proportional one alone."""
    loop.integral_pct_h = 0.0
    loop.decided_mono_s = None


def unlearn(loop: Loop, before_pct_h: float, wanted_pct: float, possible_pct: float) -> None:
    """Takes back what the last move taught where it cannot be acted on: no source leads there, or none gave anything.

    Such an error is not a drift to stand against, and what it taught would hold up the answer to the next one for hours.
    """
    answered = possible_pct * wanted_pct > 0.0 and abs(possible_pct) >= ANSWERED_SHARE * abs(wanted_pct)
    if not answered and abs(loop.integral_pct_h) > abs(before_pct_h):
        loop.integral_pct_h = before_pct_h


def wanted_move_pct(
    loop: Loop, setpoint_pct: float, measured_pct: float, deadband_pct: float, gains: Gains, mono_s: float,
    interval_s: float,
) -> float:  # fmt: skip
    """How far the gas should be moved over the coming `interval_s`, in percent; signed, at most `MOVE_PCT_MAX`.

    Raises `ValueError` on input that is not finite: such a sample must never have come this far.
    """
    if not (isfinite(setpoint_pct) and isfinite(measured_pct)):
        raise ValueError(f"regulation was given set-point {setpoint_pct} % and measurement {measured_pct} %")
    gap_s = None if loop.decided_mono_s is None else mono_s - loop.decided_mono_s
    if gap_s is not None and gap_s > GAP_S_RESET:
        reset(loop)
        gap_s = None
    error_pct = setpoint_pct - measured_pct
    held_pct = setpoint_pct if abs(error_pct) <= deadband_pct else measured_pct
    rate_max = MOVE_PCT_MAX * 3600.0 / interval_s
    pid = PID(
        gains.kc, gains.kc / gains.ti, 0.0, setpoint=setpoint_pct, sample_time=None,
        output_limits=(-rate_max, rate_max), auto_mode=False,
    )  # fmt: skip
    pid.set_auto_mode(True, last_output=loop.integral_pct_h)
    dt_h = min(gap_s, DT_S_CAP) / 3600.0 if gap_s is not None else 1e-6
    rate = pid(held_pct, dt=dt_h)
    loop.decided_mono_s = mono_s
    saturated = abs(gains.kc * error_pct + loop.integral_pct_h) >= rate_max
    driving_out = error_pct * (gains.kc * error_pct + loop.integral_pct_h) > 0.0
    if not (saturated and driving_out):
        learned = pid.components[1]
        loop.integral_pct_h = min(max(learned, -INTEGRAL_PCT_H_MAX), INTEGRAL_PCT_H_MAX)
    return rate * interval_s / 3600.0
