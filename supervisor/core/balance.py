"""The gas balance of a well-mixed enclosure that lets mixture out at the rate at which gas comes in.

    V dc/dt = q (c_feed - c)        so        c = c_feed + (c_start - c_feed) exp(-v / V)

with v the volume fed and V the free volume, both in normal litres. Source: well-mixed sweep purging as in Crowl & Louvar,
Chemical Process Safety, and NFPA 69.
"""

from math import exp, log
from typing import NamedTuple

from supervisor.values import Gas

# Dry air, volume percent: oxygen by the US Standard Atmosphere 1976 rounded, CO2 of today from memory.
AIR_O2_PCT = 20.95
AIR_CO2_PCT = 0.04


class Mixture(NamedTuple):
    """What a dry gas holds, volume percent."""

    o2_pct: float
    co2_pct: float


AIR = Mixture(AIR_O2_PCT, AIR_CO2_PCT)
CO2 = Mixture(0.0, 100.0)


class Unreachable(ValueError):
    """The feed can never bring the gas to the target, however much of it is given."""


def feed_of(gas: Gas, nitrogen_o2_pct: float) -> Mixture:
    """The composition of a source's gas; `nitrogen_o2_pct` is the generator's residual oxygen."""
    if gas == "nitrogen":
        return Mixture(nitrogen_o2_pct, 0.0)
    return CO2 if gas == "co2" else AIR


def swept(start: Mixture, feed: Mixture, fed_nl: float, free_volume_nl: float) -> Mixture:
    """The composition after `fed_nl` of `feed` was let in."""
    left = exp(-fed_nl / free_volume_nl)
    return Mixture(
        feed.o2_pct + (start.o2_pct - feed.o2_pct) * left,
        feed.co2_pct + (start.co2_pct - feed.co2_pct) * left,
    )


def sweep_volume_nl(start_pct: float, feed_pct: float, target_pct: float, free_volume_nl: float) -> float:
    """How much feed brings one gas from start to target. Raises `Unreachable` when none does."""
    if start_pct == target_pct:
        return 0.0
    if target_pct == feed_pct or (start_pct - feed_pct) / (target_pct - feed_pct) < 1.0:
        raise Unreachable(f"a feed of {feed_pct} % never brings {start_pct} % to {target_pct} %")
    return free_volume_nl * log((start_pct - feed_pct) / (target_pct - feed_pct))
