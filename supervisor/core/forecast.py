"""How long a stock lasts at the use of the last days, as an interval that says how much is known.

Daily uses are taken for independent draws from one normal distribution. The sum of the next h days then lies, with the
chosen confidence, within h times the mean of n days, give or take t s sqrt(h + h^2 / n): their own scatter and that of the mean
(Hahn and Meeker, Statistical Intervals: prediction interval for the mean of future observations). The stock reaches its
reserve where that sum reaches what is left, which is one quadratic equation for h.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from statistics import mean, stdev

DAYS_MIN = 3  # fewer say nothing about how use scatters
DAYS_MAX = 14  # the season moves on: older days say little about the next
CONFIDENCE_PCT = 90.0
# Student's t at 95 % by degrees of freedom from 2: 90 % lie between minus and plus so much.
_T_95 = (2.9200, 2.3534, 2.1318, 2.0150, 1.9432, 1.8946, 1.8595, 1.8331, 1.8125, 1.7959, 1.7823, 1.7709)


@dataclass(frozen=True, slots=True)
class Forecast:
    """Days from now until the reserve is reached, None for never in sight: at the use of these days it may last for ever."""

    rests_on_days: int
    daily_kg: float
    earliest_days: float | None
    middle_days: float | None
    latest_days: float | None


def forecast(daily_kg: Sequence[float], left_kg: float) -> Forecast | None:
    """From the use of whole days, oldest first, and what is left above the reserve. None: there are too few days to tell."""
    used_kg = daily_kg[-DAYS_MAX:]
    count = len(used_kg)
    if count < DAYS_MIN:
        return None
    mean_kg = mean(used_kg)
    if left_kg <= 0.0:
        return Forecast(count, mean_kg, 0.0, 0.0, 0.0)
    spread_kg = _T_95[count - DAYS_MIN] * stdev(used_kg)
    # (left - mean h)^2 = spread^2 (h + h^2 / n), that is a h^2 - b h + left^2 = 0. The lesser root is the earliest day, the
    # greater one the latest. With a at or below 0 the use of many days may be none: then there is no latest day.
    a = mean_kg**2 - spread_kg**2 / count
    b = 2.0 * left_kg * mean_kg + spread_kg**2
    # b^2 - 4 a left^2 multiplied out: equal uses have one root and not, by rounding, none.
    square = spread_kg**2 * (4.0 * left_kg * mean_kg + spread_kg**2 + 4.0 * left_kg**2 / count)
    earliest = latest = middle = None
    if square >= 0.0 and b + sqrt(square) > 0.0:
        earliest = 2.0 * left_kg**2 / (b + sqrt(square))
        latest = (b + sqrt(square)) / (2.0 * a) if a > 0.0 else None
    if mean_kg > 0.0:
        middle = left_kg / mean_kg
    return Forecast(count, mean_kg, earliest, middle, latest)
