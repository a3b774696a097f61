"""The pull-down in closed form: nitrogen first, CO2 last.

Nitrogen takes oxygen down to a switching point from which the CO2 that is still to come dilutes it exactly to its
set-point. Any other order, or both at once, blows CO2 away through the relief. With E = exp(-v/V) the share of the first
gas that the nitrogen leaves, x the nitrogen's residual oxygen and (o, c) start, (O, C) target:

    x + (o - x) E  =  O (100 - c E) / (100 - C)

is linear in E, hence the closed form below.
"""

from dataclasses import dataclass
from math import log

from supervisor.core.balance import Mixture, Unreachable, swept


@dataclass(frozen=True, slots=True)
class Plan:
    """Volumes in normal litres; `switch_o2_pct` is the oxygen content at which nitrogen ends and CO2 begins."""

    nitrogen_nl: float
    co2_nl: float
    switch_o2_pct: float


def plan(start: Mixture, target: Mixture, nitrogen_o2_pct: float, free_volume_nl: float) -> Plan:
    """The least gas from `start` to `target`. Raises `Unreachable` when the nitrogen is not pure enough for it.

    Where oxygen already stands at or below the switching point no nitrogen is planned, and the CO2 volume is what
    brings CO2 to its set-point; what that leaves amiss is the regulator's to trim.
    """
    kept = 100.0 / (100.0 - target.co2_pct)
    aim = kept * target.o2_pct - nitrogen_o2_pct
    if aim <= 0.0:
        raise Unreachable(
            f"nitrogen with {nitrogen_o2_pct} % oxygen never purges to {kept * target.o2_pct:.2f} % oxygen"
        )
    above = start.o2_pct - nitrogen_o2_pct + target.o2_pct * start.co2_pct * kept / 100.0
    nitrogen_nl = free_volume_nl * log(above / aim) if above > aim else 0.0
    switched = swept(start, Mixture(nitrogen_o2_pct, 0.0), nitrogen_nl, free_volume_nl)
    co2_missing = switched.co2_pct < target.co2_pct
    co2_nl = free_volume_nl * log((100.0 - switched.co2_pct) / (100.0 - target.co2_pct)) if co2_missing else 0.0
    return Plan(nitrogen_nl, co2_nl, switched.o2_pct)


def apparent_volume_nl(start: Mixture, end: Mixture, nitrogen_nl: float, nitrogen_o2_pct: float) -> float | None:
    """The free volume that the measured decay tells, or None where oxygen did not fall.

    It should be the site file's. Much more: gas is lost on its way (a hose, a leak that lets air in). Much less: the
    enclosure is fuller than thought, or the sample line draws from the stream of nitrogen.
    """
    before, after = start.o2_pct - nitrogen_o2_pct, end.o2_pct - nitrogen_o2_pct
    if nitrogen_nl <= 0.0 or after <= 0.0 or before <= after:
        return None
    return nitrogen_nl / log(before / after)
