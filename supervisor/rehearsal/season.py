"""The crew's plan of a season, drawn from a seed: when each enclosure is sealed, and how long its fruit is kept before it is
vented, opened and sealed again with another lot. What is drawn hangs on seed and enclosure alone, so two sites with the same
enclosures are rehearsed on the same plan. Every figure here is assumed, as common practice has it, without a source.
"""

import random
from dataclasses import dataclass

from supervisor.settings import SiteFile

MINUTE_S, HOUR_S, DAY_S = 60.0, 3600.0, 86_400.0
HARVEST_SHARE, HARVEST_D_MAX = 0.2, 21.0  # of the season, over which the first lots come in, and how long at most
SHORT_D = 3.0  # a rehearsal up to so long begins with everything being sealed
FIRST_SEAL_H, LAST_SEAL_H, SEAL_EVERY_S = 8.0, 17.0, 40 * MINUTE_S
SHORT_FIRST_S, SHORT_EVERY_S = 5 * MINUTE_S, 10 * MINUTE_S
KEPT_D = (20.0, 60.0)
SHORT_KEPT = (0.4, 0.6)  # of a season too short for that, after which every third enclosure is opened all the same
OPEN_EVERY = 3
EMPTY_H = (12.0, 72.0)
LEFT_H, LEFT_SHARE = 12.0, 0.25  # nothing is sealed, and nothing vented, with less than either of the season left

ASSUMED = (
    "The first lots come in over the first fifth of the season, three weeks at most, by day (8 to 17 h UTC), one every 40 "
    "minutes at the earliest; a rehearsal of up to three days begins with everything being sealed.",
    "A lot is kept for 20 to 60 days, then vented, opened by two people, and the enclosure sealed again half a day to three "
    "days later; in a season too short for that every third enclosure is opened half way.",
)


@dataclass(frozen=True)
class Filling:
    """One lot in one enclosure: sealed not before `seal_s`, kept for `keep_s`, None: to the season's end; the enclosure then
    stands open for `empty_s`. Seconds."""

    enclosure: str
    lot: str
    seal_s: float
    keep_s: float | None
    empty_s: float


def plan(site: SiteFile, seed: int, days: float) -> dict[str, list[Filling]]:
    """What is to become of each enclosure, in order. The same for the same seed and enclosure."""
    season_s = days * DAY_S
    last_s = season_s - min(LEFT_H * HOUR_S, LEFT_SHARE * season_s)
    chance = {name: random.Random(f"{seed}/season/{name}") for name in site.enclosures}
    plans = {}
    for number, (name, first_s) in enumerate(_first(chance, days).items()):
        fillings, seal_s, rng = [], first_s, chance[name]
        while seal_s < last_s or not fillings:
            keep_s = _kept_s(rng, number, season_s)
            ends = keep_s is None or seal_s + keep_s > last_s
            empty_s = rng.uniform(*EMPTY_H) * HOUR_S
            lot = f"R{seed}-{name}-{len(fillings) + 1}"
            fillings.append(Filling(name, lot, seal_s, None if ends else keep_s, empty_s))
            if ends:
                break
            seal_s += keep_s + empty_s  # type: ignore[operator]
        plans[name] = fillings
    return plans


def _kept_s(rng: random.Random, number: int, season_s: float) -> float | None:
    kept_s, short = rng.uniform(*KEPT_D) * DAY_S, rng.uniform(*SHORT_KEPT)
    if season_s > KEPT_D[0] * DAY_S:
        return kept_s
    return short * season_s if number % OPEN_EVERY == 0 else None


def _first(chance: dict[str, random.Random], days: float) -> dict[str, float]:
    """When each is sealed first."""
    if days <= SHORT_D:
        return {name: SHORT_FIRST_S + number * SHORT_EVERY_S for number, name in enumerate(chance)}
    harvest_d = min(HARVEST_D_MAX, HARVEST_SHARE * days)
    day_of = {name: int(rng.uniform(0.0, harvest_d)) for name, rng in chance.items()}
    found: dict[str, float] = {}
    free_s = 0.0
    for name in sorted(day_of, key=lambda one: (day_of[one], list(day_of).index(one))):
        at_s = max(free_s, day_of[name] * DAY_S + FIRST_SEAL_H * HOUR_S)
        if at_s % DAY_S > LAST_SEAL_H * HOUR_S:
            at_s = (at_s // DAY_S + 1.0) * DAY_S + FIRST_SEAL_H * HOUR_S
        found[name], free_s = at_s, at_s + SEAL_EVERY_S
    return {name: found[name] for name in chance}
