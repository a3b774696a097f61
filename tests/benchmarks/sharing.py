"""Sharing one analyser and too little nitrogen: a day on sites of 12 to 400 enclosures, beside two plain ways to share.

Same plant, seeds, crew and supervisor; only who is sampled next (`rotation`), who gets gas first (`first come`), or both, is
decided by the plain policy instead. The day and its sites: `sharing_day`, `sharing_sites`; the policies: `sharing_policies`.

Each figure is the supervisor's, its aim the best of the three plain ones, which stand in the note in that order. A sample's
age is held against the bound that the supervisor itself keeps for that enclosure at that time. Time moves as in `holding`.
"""

import os
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from math import ceil
from multiprocessing import get_context
from statistics import mean

from tests.benchmarks.figures import Aim, Figure
from tests.benchmarks.sharing_day import Day, live
from tests.benchmarks.sharing_policies import POLICIES
from tests.benchmarks.sharing_sites import SIZES, Size

SEEDS = (1, 2)
HOURS = 12.0  # the working day; a whole one of the largest site takes too long to measure
QUICK_SIZES = (12, 40)
Measure = Callable[[list[Day]], float]


def run(quick: bool) -> list[Figure]:
    seeds, sizes = (SEEDS[:1], QUICK_SIZES) if quick else (SEEDS, tuple(SIZES))
    work = [(SIZES[size], policy, seed, HOURS) for size in reversed(sizes) for seed in seeds for policy in POLICIES]
    with ProcessPoolExecutor(os.cpu_count(), mp_context=get_context("spawn")) as pool:
        days = list(pool.map(live, *zip(*work, strict=True)))
    figures: list[Figure] = []
    for size in sizes:
        of_size = [day for job, day in zip(work, days, strict=True) if job[0].enclosures == size]
        figures += _figures(SIZES[size], {policy: [day for day in of_size if day.policy == policy] for policy in POLICIES})
    return figures


def _figures(size: Size, days: dict[str, list[Day]]) -> list[Figure]:
    ours = days[POLICIES[0]]
    about = f"{size.sealed} sealed, {ours[0].hours:g} h, seeds {', '.join(str(day.seed) for day in ours)}"
    rows = [
        _row(size, days, "held before: time in the band, both gases", "%", ">=", _in_band, about),
        _row(size, days, "sealed today: time in the band from being declared held", "%", ">=", _new_in_band),
        _row(size, days, "sealed today: time in the band from the seal", "%", ">=", _since_seal_in_band),
        _oldest(size, days),
        _row(size, days, "seal to held, mean", "min", "<=", lambda some: mean(_minutes(some)), _unfinished(days)),
        _row(size, days, "seal to held, p90", "min", "<=", lambda some: _p90(_minutes(some))),
        _row(size, days, "seal to held, worst", "min", "<=", lambda some: max(_minutes(some)),
             f"nitrogen at its capacity {100.0 * mean(day.nitrogen_full_share for day in ours):.0f} % of the time"),
        _row(size, days, "nitrogen + CO2 per kilogram of fruit", "nl/kg", "<=", _gas_nl_kg, _volumes(ours)),
        _row(size, days, "nitrogen of a pull-down over the closed-form minimum", "%", "<=", _nitrogen_over,
             "below it where fruit breathes oxygen away meanwhile"),
        _row(size, days, "drawn for samples per enclosure and day", "nl", "<=", _drawn_nl,
             f"at most {100.0 * max(day.drawn_share_max for day in ours):.1f} % of an enclosure's volume a day; visits "
             f"{mean(day.visits for day in ours):.0f}"),
    ]  # fmt: skip
    refused = float(sum(day.trouble["guard_refused"] + day.trouble["faulted"] for day in ours))
    said = ", ".join(f"{what} {sum(day.trouble[what] for day in ours)}" for what in sorted(ours[0].trouble))
    return [*rows, Figure("sharing", f"{size.enclosures}: refused by the guard, or faulted", refused, "", Aim("<=", 0.0), said)]


def _oldest(size: Size, days: dict[str, list[Day]]) -> Figure:
    worst = max(days[POLICIES[0]], key=lambda day: day.over_bound)
    oldest = ", ".join(f"{max(day.oldest_s for day in some) / 60.0:.1f}" for some in days.values())
    words = f"{worst.over_bound_words}; oldest with each policy, min: {oldest}; gas up to {size.sample_age_s_max / 60.0:g}"
    return Figure("sharing", f"{size.enclosures}: oldest sample over its bound", worst.over_bound, "", Aim("<=", 1.0), words)


def _row(size: Size, days: dict[str, list[Day]], name: str, unit: str, sense: str, measure: Measure, note: str = "") -> Figure:
    plain = [measure(days[policy]) for policy in POLICIES[1:]]
    best = min(plain) if sense == "<=" else max(plain)
    words = f"plain: {', '.join(f'{one:.2f}' for one in plain)}" + (f"; {note}" if note else "")
    aim = Aim(sense, best)  # type: ignore[arg-type]
    return Figure("sharing", f"{size.enclosures}: {name}", measure(days[POLICIES[0]]), unit, aim, words)


def _in_band(days: list[Day]) -> float:
    return 100.0 * sum(day.in_band for day in days) / sum(day.looks for day in days)


def _new_in_band(days: list[Day]) -> float:
    return 100.0 * sum(day.new_in_band for day in days) / max(1, sum(day.new_looks for day in days))


def _since_seal_in_band(days: list[Day]) -> float:
    return 100.0 * sum(day.since_seal_in_band for day in days) / sum(day.since_seal_looks for day in days)


def _minutes(days: list[Day]) -> list[float]:
    """Who was not held by the day's end waited at least until then."""
    return [((day.ended_s if one.held_s is None else one.held_s) - one.sealed_s) / 60.0
            for day in days for one in day.sealed.values()]  # fmt: skip


def _unfinished(days: dict[str, list[Day]]) -> str:
    counts = {policy: sum(one.held_s is None for day in some for one in day.sealed.values()) for policy, some in days.items()}
    words = ", ".join(f"{policy} {count}" for policy, count in counts.items() if count)
    return f"not held by the day's end: {words}" if words else ""


def _p90(values: list[float]) -> float:
    return sorted(values)[ceil(0.9 * len(values)) - 1]


def _gas_nl_kg(days: list[Day]) -> float:
    return sum(day.gas_nl["nitrogen"] + day.gas_nl["co2"] for day in days) / sum(day.fruit_kg for day in days)


def _volumes(days: list[Day]) -> str:
    return ", ".join(f"{gas} {mean(day.gas_nl[gas] for day in days):,.0f} nl" for gas in days[0].gas_nl)


def _nitrogen_over(days: list[Day]) -> float:
    done = [one for day in days for one in day.sealed.values() if one.held_s is not None]
    return 100.0 * (sum(one.nitrogen_nl for one in done) / max(sum(one.least_nitrogen_nl for one in done), 1e-9) - 1.0)


def _drawn_nl(days: list[Day]) -> float:
    return sum(day.drawn_nl / day.enclosures / (day.hours / 24.0) for day in days) / len(days)
