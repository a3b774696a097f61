"""The arithmetic of calibration: means, offset and gain, how much drift is how bad. Pure figures in, figures out."""

from math import hypot, sqrt
from typing import Literal

from supervisor.core.calibration_state import Calibration, Correction

Level = Literal["none", "small", "warned", "beyond_action", "beyond_twice"]
LEVELS: tuple[Level, ...] = ("none", "small", "warned", "beyond_action", "beyond_twice")
# A correction beyond these in total, however slowly it came about, is an instrument that is worn out or was set wrong
# (common practice, no source).
OFFSET_PCT_MAX = 2.0
GAIN_MIN, GAIN_MAX = 0.8, 1.25


def corrected(correction: Correction, told_pct: float) -> float:
    return correction.gain * (told_pct - correction.offset_pct)


def applied(cal: Calibration, o2_pct: float, co2_pct: float) -> tuple[float, float]:
    """What an instrument says, with what stands against its drift taken off."""
    return corrected(cal.o2, o2_pct), corrected(cal.co2, co2_pct)


def mean(values: list[float]) -> float:
    return sum(values) / len(values)


def spread(values: list[float]) -> float:
    """Standard deviation of a sample; 0 of fewer than two."""
    if len(values) < 2:
        return 0.0
    middle = mean(values)
    return sqrt(sum((one - middle) ** 2 for one in values) / (len(values) - 1))


def steady(values: list[float], stable_pct: float) -> bool:
    """Whether readings stand still: they scatter little, and the younger half says what the older half said."""
    half = len(values) // 2
    return spread(values) <= stable_pct and abs(mean(values[half:]) - mean(values[:half])) <= stable_pct


def doubt_pct(uncertainty_pct: float, values: list[float]) -> float:
    """How far a mean of readings of a gas may be off with nothing wrong: the certificate's expanded uncertainty and twice the
    standard error of the mean, added as independent (GUM, JCGM 100:2008, 5.1.2 and 6.2.1, k = 2).
    """
    return hypot(uncertainty_pct, 2.0 * spread(values) / sqrt(len(values)))


def level(error_pct: float, doubt_pct: float, warn_pct: float, action_pct: float) -> Level:
    size_pct = abs(error_pct)
    if size_pct <= doubt_pct:
        return "none"
    if size_pct <= warn_pct:
        return "small"
    if size_pct <= action_pct:
        return "warned"
    return "beyond_action" if size_pct <= 2.0 * action_pct else "beyond_twice"


def worst(levels: list[Level]) -> Level:
    return max(levels, key=LEVELS.index, default="none")


def one_point_zero(standing: Correction, told_pct: float, wanted_pct: float) -> Correction:
    """The offset that makes this reading right, at the gain that stands."""
    return Correction(told_pct - wanted_pct / standing.gain, standing.gain)


def one_point_span(standing: Correction, told_pct: float, wanted_pct: float) -> Correction | None:
    """The gain that makes this reading right, at the offset that stands; None where the reading does not tell it."""
    above_pct = told_pct - standing.offset_pct
    return Correction(standing.offset_pct, wanted_pct / above_pct) if above_pct > 0.0 < wanted_pct else None


def two_point(
    low_told_pct: float, low_wanted_pct: float, high_told_pct: float, high_wanted_pct: float
) -> Correction | None:
    """Offset and gain that make both readings right; None where the two do not tell them apart."""
    told_apart_pct, apart_pct = high_told_pct - low_told_pct, high_wanted_pct - low_wanted_pct
    if told_apart_pct <= 0.0 or apart_pct <= 0.0:
        return None
    gain = apart_pct / told_apart_pct
    return Correction(low_told_pct - low_wanted_pct / gain, gain)


def bearable(correction: Correction) -> bool:
    """Whether an instrument so far off in total can still be corrected by sums."""
    return abs(correction.offset_pct) <= OFFSET_PCT_MAX and GAIN_MIN <= correction.gain <= GAIN_MAX
