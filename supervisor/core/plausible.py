"""What the gas balance allows since a figure was taken, and which other gas explains a figure that it does not allow.

The bounds are wide on purpose: free volumes in site files are off by tens of percent, doses may have gone in or not, fruit
breathes as it likes. What lies outside is either no measurement of this enclosure or news that a second visit confirms.
"""

from typing import NamedTuple

from supervisor.core import ledger
from supervisor.core.balance import AIR, Mixture, feed_of, swept
from supervisor.core.desk import Desk
from supervisor.core.state import Enclosure, Seen
from supervisor.values import GASES, Gas

VOLUME_SHARE_MIN = 0.6  # of the site file's free volume, what may really be free
# What fruit and leaks do by themselves, percent an hour: oxygen down and up, CO2 down and up. Fruit at 18 % CO2 dissolves up
# to 150 nl of 1,200 with a half time near 3.5 h (Rotabakk 2007), 2.5 %/h at first, and gives as much back; cold soft fruit
# breathes up to 0.4 %/h (Joles 1994, raspberry at 2 degC) and several times that warm; a leak of a hundredth of the volume
# in ten minutes is 1 %/h of oxygen.
O2_PCT_H, CO2_PCT_H = (3.0, 1.0), (4.0, 4.0)
MARGIN_PCT = Mixture(0.3, 0.5)  # for two readings of a good instrument and what is not well mixed yet
SEALED_MARGIN_PCT = Mixture(1.5, 2.0)  # a bag is closed over what the room and the fruit make of the air
KEPT_S = 5.5 * 3600.0  # older figures say nothing: the ledger knows the doses of the last six hours
SHARE_MIN, SHARE_ALL = 0.05, 0.9  # of another gas: less explains nothing, more is all of it
SLIPS, SLIP_PCT_MIN = (100.0, 10_000.0, 0.01, 0.0001), 0.5  # of less than that nobody can tell
APART_PCT_MIN = 1.0  # gases that differ by less cannot be told apart


class Reach(NamedTuple):
    """Where the gas may stand: `low` and `high` in each gas by itself, `likely` if all went to plan, `give` what each may
    differ from that without a dose having to do with it, `start` where it stood."""

    low: Mixture
    high: Mixture
    likely: Mixture
    give: Mixture
    start: Mixture

    def holds(self, gas: Mixture) -> bool:
        return all(low <= here <= high for low, here, high in zip(self.low, gas, self.high, strict=True))

    def told(self, gas: Mixture) -> str:
        return (
            f"O2 {gas.o2_pct:.2f} %, expected {self.low.o2_pct:.2f} to {self.high.o2_pct:.2f}; "
            f"CO2 {gas.co2_pct:.2f} %, expected {self.low.co2_pct:.2f} to {self.high.co2_pct:.2f}"
        )


def base(desk: Desk, kept: Enclosure) -> tuple[Seen, Mixture] | None:
    """What a new figure is set against, with its margin: the last good sample, or air where it was just sealed."""
    sample = kept.sample
    if sample is not None and sample.taken_mono_s >= kept.gas_since_mono_s:
        seen = Seen("", sample.o2_pct, sample.co2_pct, sample.taken_mono_s)
        return (seen, MARGIN_PCT) if desk.now.mono_s - seen.taken_mono_s <= KEPT_S else None
    if kept.sealed_over_air and desk.now.mono_s - kept.gas_since_mono_s <= KEPT_S:
        return Seen("", AIR.o2_pct, AIR.co2_pct, kept.gas_since_mono_s), SEALED_MARGIN_PCT
    return None


def reach(
    desk: Desk, name: str, since: Seen, taken_mono_s: float, margin: Mixture = MARGIN_PCT, by_s: float | None = None
) -> Reach:
    """Where this enclosure's gas may stand at `taken_mono_s`, having stood at `since`; `by_s` is for how long fruit and leaks
    may have moved it at their worst, if not all the time.
    """
    start = Mixture(since.o2_pct, since.co2_pct)
    hours = max(0.0, taken_mono_s - since.taken_mono_s if by_s is None else by_s) / 3600.0
    free_nl = desk.site.enclosures[name].free_volume_nl
    given = _sums(ledger.given_nl(desk, name, since.taken_mono_s))
    after = _sums(ledger.given_nl(desk, name, taken_mono_s))

    purest_pct, said_pct, foulest_pct = _nitrogen_o2_pct(desk, name)

    def fed(gas: Mixture, o2_pct: float, *gases: Gas) -> Mixture:
        for one in gases:
            gas = swept(gas, feed_of(one, o2_pct), given[one] / VOLUME_SHARE_MIN, free_nl)
        return gas

    likely = start
    for one in GASES:
        likely = swept(likely, feed_of(one, said_pct), max(0.0, given[one] - after[one]), free_nl)

    give = Mixture(margin.o2_pct + O2_PCT_H[0] * hours, margin.co2_pct + CO2_PCT_H[0] * hours)
    rise = Mixture(margin.o2_pct + O2_PCT_H[1] * hours, margin.co2_pct + CO2_PCT_H[1] * hours)
    purged, fouled = fed(start, purest_pct, "nitrogen"), fed(start, foulest_pct, "nitrogen")
    low = Mixture(
        min(start.o2_pct, fed(purged, purest_pct, "co2").o2_pct), min(start.co2_pct, fed(purged, purest_pct, "air").co2_pct)
    )
    high = Mixture(
        max(start.o2_pct, fouled.o2_pct, fed(start, foulest_pct, "air").o2_pct),
        max(start.co2_pct, fed(start, foulest_pct, "co2").co2_pct),
    )
    return Reach(
        Mixture(low.o2_pct - give.o2_pct, low.co2_pct - give.co2_pct),
        Mixture(high.o2_pct + rise.o2_pct, high.co2_pct + rise.co2_pct),
        likely,
        give,
        start,
    )


def _sums(given: list[tuple[Gas, float]]) -> dict[Gas, float]:
    return {gas: sum(nl for one, nl in given if one == gas) for gas in GASES}


def _nitrogen_o2_pct(desk: Desk, name: str) -> tuple[float, float, float]:
    """The nitrogen's residual oxygen: at least, as it is said to be now, and at most."""
    source = desk.site.source_of(name, "nitrogen")
    if source is None:
        return 0.0, 0.0, 0.0
    said = desk.state.sources[source.id].o2_pct
    now_pct = source.o2_pct if said is None else max(0.0, said)
    return min(now_pct, source.o2_pct), now_pct, max(now_pct, source.o2_pct)


def share_of(other: Mixture, gas: Mixture, where: Reach) -> float | None:
    """How much of `other` in what should be there explains `gas` in both figures; None where none does."""
    o2_way, co2_way = other.o2_pct - where.likely.o2_pct, other.co2_pct - where.likely.co2_pct
    if max(abs(o2_way), abs(co2_way)) < APART_PCT_MIN:
        return None
    o2_off, co2_off = gas.o2_pct - where.likely.o2_pct, gas.co2_pct - where.likely.co2_pct
    share = (o2_off * o2_way + co2_off * co2_way) / (o2_way**2 + co2_way**2)
    left = Mixture(abs(o2_off - share * o2_way), abs(co2_off - share * co2_way))
    # What is left unexplained must be small against the move itself, or anything would be explained by anything.
    small = max(left) <= 0.25 * max(abs(o2_off), abs(co2_off)) or max(left) <= max(MARGIN_PCT)
    fits = small and left.o2_pct <= where.give.o2_pct and left.co2_pct <= where.give.co2_pct
    return share if fits and SHARE_MIN <= share <= 1.0 + SHARE_MIN else None


def slip(read: Mixture, where: Reach) -> str:
    """Which figure is off by a factor as between percent, a fraction and parts per million; empty where none is, or where the
    other figure is off in another way. Gas that stands where it stood is no slip, whatever doses should have made of it: they
    may have gone elsewhere.
    """
    told = []
    for what, here, likely, low, high, was, still in zip(
        ("O2", "CO2"), read, where.likely, where.low, where.high, where.start, MARGIN_PCT, strict=True
    ):
        factor = next((one for one in SLIPS if likely >= SLIP_PCT_MIN and abs(here * one - likely) <= 0.3 * likely), None)
        if abs(here - was) <= still:
            factor = None
        if factor is not None:
            told.append(f"{what} {here:.4f} %, expected {likely:.2f}: {factor:g} times that")
        elif not low <= here <= high:
            return ""
    return "; ".join(told)
