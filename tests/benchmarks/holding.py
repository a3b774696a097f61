"""Holding: share of the time in the band, and gas used, over a month of the example site; beside an on/off control.

Both begin with the same twelve pull-downs by the supervisor (same seed, so the same to the last bit) and part at the
instant at which the last enclosure is declared held: from there on one plant stays with the supervisor, the other is
handed to `OnOff`. The truth of the plant is looked at each minute; in the band means both gases within the recipe's bands.

To make a month end within minutes simulated time moves in steps of 10 s and the hardware speaks less often than usual
where nobody listens for control (`CADENCE`); readings come each 5 s as always.
"""

import os
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context

from simulator.assumed import Cadence
from tests.benchmarks.figures import Aim, Figure
from tests.benchmarks.meter import Metered
from tests.benchmarks.onoff import OnOff

DAY_S = 86_400.0
STEP_S, LOOK_S = 10.0, 60.0
CADENCE = Cadence(status_s=20.0, air_s=15.0, climate_s=3600.0, pulp_s=3600.0, bag_s=3600.0, flow_s=600.0, source_s=60.0)
SEALED_WITHIN_S = 6 * 3600.0
SEEDS = (1, 2)
DAYS, DAYS_QUICK = 30.0, 2.0


@dataclass(frozen=True)
class Held:
    """Looks at each enclosure from the common start on, and how many were in the band; `own_*` since its own start."""

    seed: int
    control: str
    looks: int
    in_band: int
    o2_in_band: int
    co2_in_band: int
    own_looks: int
    own_in_band: int
    worst_share: float
    later_looks: int
    later_in_band: int
    gas_nl: dict[str, float]
    left_holding: int
    began_s: float


class Tally:
    """Counts how often the truth is in the band."""

    def __init__(self, site: Metered) -> None:
        self._site = site
        self.names = list(site.site.enclosures)
        self.looks = dict.fromkeys(self.names, 0)
        self.good, self.o2_good, self.co2_good = (dict.fromkeys(self.names, 0) for _ in range(3))

    def look(self, names: list[str]) -> None:
        for name in names:
            recipe = self._site.site.recipe_of(name)
            o2_pct, co2_pct = self._site.plant.gas(name)
            o2_in = abs(o2_pct - recipe.o2_pct) <= recipe.o2_band_pct
            co2_in = abs(co2_pct - recipe.co2_pct) <= recipe.co2_band_pct
            self.looks[name] += 1
            self.o2_good[name] += o2_in
            self.co2_good[name] += co2_in
            self.good[name] += o2_in and co2_in

    @property
    def worst_share(self) -> float:
        return min(self.good[name] / self.looks[name] for name in self.names)


def run(quick: bool) -> list[Figure]:
    seeds, days = (SEEDS[:1], DAYS_QUICK) if quick else (SEEDS, DAYS)
    work = [(seed, control, days) for control in ("supervisor", "on/off") for seed in seeds]
    with ProcessPoolExecutor(os.cpu_count(), mp_context=get_context("spawn")) as pool:
        held = list(pool.map(_hold, *zip(*work, strict=True)))
    return _figures(*([one for one in held if one.control == control] for control in ("supervisor", "on/off")), days)


def _hold(seed: int, control: str, days: float) -> Held:
    site = Metered(seed=seed, step_s=STEP_S, cadence=CADENCE)
    own, began_s = _until_all_hold(site)
    common, later = Tally(site), Tally(site)
    end_s = began_s + days * DAY_S
    later_from_s = began_s + min(1.0, days / 2.0) * DAY_S
    meter = site.meter
    before_nl = {gas: meter.total_nl(gas) for gas in ("nitrogen", "co2", "air")}
    on_off = OnOff(site.site, site.plant) if control == "on/off" else None
    at_s, left = began_s, 0
    while at_s < end_s:
        at_s += LOOK_S
        if on_off is None:
            site.run_to(at_s)
            holding = [name for name in common.names if site.state(name)["state"] == "holding"]
            left += len(common.names) - len(holding)
        else:
            _run_on_off(site, on_off)
        common.look(common.names)
        if at_s > later_from_s:
            later.look(later.names)
    return Held(
        seed, control, sum(common.looks.values()), sum(common.good.values()), sum(common.o2_good.values()),
        sum(common.co2_good.values()), sum(own.looks.values()) + sum(common.looks.values()),
        sum(own.good.values()) + sum(common.good.values()), common.worst_share, sum(later.looks.values()),
        sum(later.good.values()), {gas: meter.total_nl(gas) - before_nl[gas] for gas in before_nl}, left, began_s,
    )  # fmt: skip


def _until_all_hold(site: Metered) -> tuple[Tally, float]:
    """Seals and pulls down all; what each did between its own start of holding and the common one, and when that was."""
    own, at_s = Tally(site), 0.0
    while at_s < SEALED_WITHIN_S:
        at_s += LOOK_S
        site.run_to(at_s)
        holding = [name for name in own.names if site.state(name)["state"] == "holding"]
        own.look(holding)
        if len(holding) == len(own.names):
            return own, at_s
    raise RuntimeError(f"not every enclosure was held within {SEALED_WITHIN_S / 3600:g} h")


def _run_on_off(site: Metered, on_off: OnOff) -> None:
    end_s = site.plant.now_s + LOOK_S
    while site.plant.now_s < end_s - 1e-9:
        site.plant.advance(min(site.plant.now_s + STEP_S, end_s))
        on_off.step()


def _figures(ours: list[Held], on_off: list[Held], days: float) -> list[Figure]:
    about = f"{days:g} days from the common start, 12 enclosures, seeds {', '.join(str(one.seed) for one in ours)}"
    figures = [
        Figure("holding", "supervisor: time in the band, both gases", _pct(ours, "in_band"), "%", Aim(">=", 99.0),
               f"{about}; steps of {STEP_S:g} s, truth looked at each {LOOK_S:g} s; {_parts(ours)}"),
        Figure("holding", "on/off with a deadband: time in the band, both gases", _pct(on_off, "in_band"), "%",
               note=f"same plant, seeds and start; deadband half the band; {_parts(on_off)}"),
        Figure("holding", "supervisor: the same, from each enclosure's own start of holding",
               _pct(ours, "own_in_band", "own_looks"), "%",
               note=f"the common start is {ours[0].began_s / 3600:.1f} h after the plant's; "
               f"looks at which one had left holding: {sum(one.left_holding for one in ours)}"),
    ]  # fmt: skip
    for one, name in ((ours, "supervisor"), (on_off, "on/off")):
        gas = {gas: sum(held.gas_nl[gas] for held in one) / len(one) / 12 / days for gas in one[0].gas_nl}
        words = ", ".join(f"{gas} {nl:.1f}" for gas, nl in gas.items())
        figures.append(Figure("holding", f"{name}: nitrogen + CO2 per enclosure and day", gas["nitrogen"] + gas["co2"], "nl",
                              note=f"{words} nl"))  # fmt: skip
    ratio = figures[-2].measured / figures[-1].measured  # type: ignore[operator]
    figures.append(Figure("holding", "nitrogen + CO2, supervisor over on/off", ratio, ""))
    return figures


def _parts(held: list[Held]) -> str:
    worst = 100.0 * min(one.worst_share for one in held)
    return (
        f"O2 alone {_pct(held, 'o2_in_band'):.2f} %, CO2 alone {_pct(held, 'co2_in_band'):.2f} %, without the first day "
        f"{_pct(held, 'later_in_band', 'later_looks'):.2f} %, worst enclosure {worst:.2f} %"
    )


def _pct(held: list[Held], what: str, of: str = "looks") -> float:
    return 100.0 * sum(getattr(one, what) for one in held) / sum(getattr(one, of) for one in held)
