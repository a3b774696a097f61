"""How long a stock lasts: against scipy's Student t, the published interval, and draws from known distributions."""

from math import sqrt
from random import Random
from statistics import mean, stdev

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq
from scipy.stats import t as student

from supervisor.core.forecast import forecast

USES_KG = (4.0, 5.5, 3.2, 4.8, 6.1, 4.4, 5.0)


def interval_kg(uses_kg: list[float], days: float) -> tuple[float, float]:
    """What so many days take, 90 %: Hahn and Meeker, Statistical Intervals, the mean of future observations times their
    number, with Student's t by scipy."""
    count = len(uses_kg)
    half = student.ppf(0.95, count - 1) * stdev(uses_kg) * sqrt(1.0 / days + 1.0 / count)
    return days * (mean(uses_kg) - half), days * (mean(uses_kg) + half)


@pytest.mark.parametrize("count", range(3, 15))
def test_its_ends_are_where_the_published_interval_meets_the_stock(count: int) -> None:
    uses_kg = [USES_KG[place % 7] + 0.1 * place for place in range(count)]
    made = forecast(uses_kg, 60.0)
    assert made.rests_on_days == count and made.daily_kg == pytest.approx(mean(uses_kg))
    earliest = brentq(lambda days: interval_kg(uses_kg, days)[1] - 60.0, 1e-6, 1e3)
    latest = brentq(lambda days: interval_kg(uses_kg, days)[0] - 60.0, 60.0 / mean(uses_kg), 1e3)
    assert made.earliest_days == pytest.approx(earliest, rel=2e-4)
    assert made.latest_days == pytest.approx(latest, rel=2e-4)
    assert made.middle_days == pytest.approx(60.0 / mean(uses_kg))


def test_worked_by_hand() -> None:
    """3, 5, 7 kg: mean 5, deviation 2, t(2 df, 95 %) 2.92; 40 kg: a = 25 - 34.106 / 3 = 13.631, b = 400 + 34.106."""
    made = forecast([3.0, 5.0, 7.0], 40.0)
    root = sqrt(434.106**2 - 4 * 13.631 * 1600)
    assert made.earliest_days == pytest.approx(3200 / (434.106 + root), rel=1e-4) and made.middle_days == 8.0
    assert made.latest_days == pytest.approx((434.106 + root) / (2 * 13.631), rel=1e-4)


def test_too_few_days_are_no_forecast_and_few_are_a_wide_one() -> None:
    assert forecast([], 50.0) is None and forecast([5.0, 5.1], 50.0) is None
    few, many = forecast([4.0, 5.0, 6.0], 50.0), forecast([4.0, 5.0, 6.0] * 4, 50.0)
    assert few.latest_days - few.earliest_days > 2.0 * (many.latest_days - many.earliest_days)


def test_only_the_last_fourteen_days_count() -> None:
    assert forecast([100.0] * 5 + list(USES_KG) * 2, 50.0) == forecast(list(USES_KG) * 2, 50.0)


def test_even_use_is_certain_and_no_use_lasts_for_ever() -> None:
    made = forecast([5.0] * 6, 50.0)
    assert (made.earliest_days, made.middle_days, made.latest_days) == (pytest.approx(10.0),) * 3
    made = forecast([0.0] * 6, 50.0)
    assert (made.earliest_days, made.middle_days, made.latest_days) == (None, None, None)
    made = forecast([0.0, 0.0, 9.0], 50.0)
    assert made.earliest_days < made.middle_days and made.latest_days is None, "it may have been once and never again"
    made = forecast([-0.2, -0.1, -0.3], 50.0)
    assert (made.earliest_days, made.middle_days, made.latest_days) == (None, None, None), "a scale that drifts upward"


def test_what_is_at_its_reserve_lasts_no_longer() -> None:
    made = forecast([5.0] * 6, -1.0)
    assert (made.earliest_days, made.middle_days, made.latest_days) == (0.0, 0.0, 0.0)


@given(st.lists(st.floats(-5.0, 200.0), min_size=3, max_size=14), st.floats(0.01, 5000.0))
@settings(max_examples=200, deadline=None)
def test_the_ends_enclose_the_middle_and_more_gas_never_ends_sooner(uses_kg: list[float], left_kg: float) -> None:
    made, more = forecast(uses_kg, left_kg), forecast(uses_kg, 1.5 * left_kg)
    if made.middle_days is not None:
        assert made.earliest_days is not None and 0.0 < made.earliest_days <= made.middle_days * (1 + 1e-9)
        assert made.latest_days is None or made.latest_days >= made.middle_days * (1 - 1e-9)
    if made.earliest_days is not None and more.earliest_days is not None:
        assert more.earliest_days >= made.earliest_days * (1 - 1e-9)


@pytest.mark.parametrize("count", [3, 7, 14])
def test_nine_of_ten_stocks_end_within_it(count: int) -> None:
    """Seeded draws of daily use, normal and independent, as the interval takes it: the share that ends within its 90 %."""
    chance, within, tried = Random(count), 0, 1500
    for _ in range(tried):
        made = forecast([chance.gauss(10.0, 2.0) for _ in range(count)], 100.0)
        left_kg, day, use_kg = 100.0, 0, 0.0
        while left_kg > 0.0:
            use_kg = chance.gauss(10.0, 2.0)
            left_kg, day = left_kg - use_kg, day + 1
        ended = day + left_kg / use_kg  # within the day, at an even rate
        within += made.earliest_days <= ended and (made.latest_days is None or ended <= made.latest_days)
    assert 0.87 <= within / tried <= 0.93
