"""Turns a wanted move of both gases into non-negative volumes of the sources.

The sources are coupled: CO2 dilutes oxygen, nitrogen dilutes CO2. Feeding a source moves the composition in a straight
line towards that source's own, so a target is met by the sources that span the direction to it: by two exactly, where
they do, else by the one that comes nearest.
"""

from itertools import combinations
from math import log

from supervisor.core.balance import Mixture
from supervisor.values import Gas

# What a litre is worth when two ways lead to the same place: bought CO2, then made nitrogen, then air.
COST = {"co2": 10.0, "nitrogen": 1.0, "air": 0.2}
# A target so near a source that more than this share of the gas would have to go is not a trim any more.
SHARE_MAX = 0.9


def allocate(
    now: Mixture, target: Mixture, feeds: dict[Gas, Mixture], free_volume_nl: float, o2_weight: float = 4.0
) -> dict[Gas, float]:
    """Volumes in normal litres of the given `feeds` that take `now` to `target`, or as near as they can.

    `o2_weight` says how much more a percent of oxygen counts than one of CO2 where both cannot be had.
    """
    pairs = [found for pair in combinations(feeds.items(), 2) if (found := _by_pair(now, target, pair)) is not None]
    if pairs:
        shares = min(pairs, key=lambda shares: sum(COST[gas] * share for gas, share in shares.items()))
    else:
        shares = _by_one(now, target, feeds, o2_weight)
    total = sum(shares.values())
    if total <= 0.0:
        return {}
    # Shares are of the gas replaced; both feeds together replace `total` of it, which takes a little more than that.
    fed_nl = -free_volume_nl * log(1.0 - min(total, SHARE_MAX))
    return {gas: fed_nl * share / total for gas, share in shares.items() if share > 0.0}


def _by_pair(
    now: Mixture, target: Mixture, pair: tuple[tuple[Gas, Mixture], tuple[Gas, Mixture]]
) -> dict[Gas, float] | None:
    """The shares of two feeds that meet the target exactly, or None where only a negative one would."""
    (first, a), (second, b) = pair
    ax, ay = a.o2_pct - now.o2_pct, a.co2_pct - now.co2_pct
    bx, by = b.o2_pct - now.o2_pct, b.co2_pct - now.co2_pct
    dx, dy = target.o2_pct - now.o2_pct, target.co2_pct - now.co2_pct
    cross = ax * by - ay * bx
    if abs(cross) < 1e-9:
        return None
    alpha, beta = (dx * by - dy * bx) / cross, (ax * dy - ay * dx) / cross
    if alpha < 0.0 or beta < 0.0 or alpha + beta >= 1.0:
        return None
    return {first: alpha, second: beta}


def _by_one(now: Mixture, target: Mixture, feeds: dict[Gas, Mixture], o2_weight: float) -> dict[Gas, float]:
    """The share of the one feed that comes nearest; empty where none improves on doing nothing."""

    def distance(o2: float, co2: float) -> float:
        return o2_weight * o2 * o2 + co2 * co2

    dx, dy = target.o2_pct - now.o2_pct, target.co2_pct - now.co2_pct
    best: dict[Gas, float] = {}
    nearest = distance(dx, dy)
    for gas, feed in feeds.items():
        fx, fy = feed.o2_pct - now.o2_pct, feed.co2_pct - now.co2_pct
        length = distance(fx, fy)
        share = (o2_weight * dx * fx + dy * fy) / length if length > 0.0 else 0.0
        share = min(max(share, 0.0), SHARE_MAX)
        left = distance(dx - share * fx, dy - share * fy)
        if share > 0.0 and left < nearest:
            best, nearest = {gas: share}, left
    return best
