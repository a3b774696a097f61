"""Pull-down: gas and time over the closed-form minimum at the same purity and flow, one enclosure at a time.

The minimum assumes: the bag is sealed at its nominal volume V over room air and first fills to its relief volume R
without letting anything out, c R = c0 V + c_feed (R - V); from there it is well mixed and lets out what comes in,
c = c_feed + (c_start - c_feed) exp(-v / R); nitrogen first, with its residual oxygen, CO2 last, pure; no leak, no fruit,
no gas for samples, no time but for the flow of one gas at the inlet's most. Well-mixed sweep: Crowl & Louvar, Chemical
Process Safety. It is worked out here once more, apart from the supervisor's own plan.

Two minima: to the set-points, and to the gas that the plant truly held when the enclosure was declared held. A controller
that stops short looks good against the first, one that goes too far against the second; the worse ratio counts.
"""

from dataclasses import dataclass
from math import log

from simulator.assumed import AIR_CO2_PCT, AIR_O2_PCT, Assumptions
from tests.benchmarks import sites
from tests.benchmarks.figures import Aim, Figure
from tests.benchmarks.meter import Metered
from tests.inprocess import acts

RECIPES = {"blueberry": "n1", "raspberry": "n3", "black currant": "n5", "red currant": "s1", "sweet cherry": "s3"}
SEAL_S = 180.0
GIVE_UP_S = 6 * 3600.0
STEP_S = 2.0
INERT = Assumptions(leak_per_day_min=0.0, leak_per_day_max=0.0, co2_dissolves=False)


@dataclass(frozen=True)
class Least:
    """The closed-form minimum, normal litres and minutes."""

    nitrogen_nl: float
    co2_nl: float
    minutes: float


@dataclass(frozen=True)
class Run:
    """What one pull-down took. Gas as metered by the plant's sources; time from the seal to the declaration."""

    nitrogen_nl: float
    co2_nl: float
    air_nl: float
    minutes: float
    gas_minutes: float
    o2_pct: float
    co2_pct: float
    dissolved_nl: float


def least(o2_pct: float, co2_pct: float, nitrogen_o2_pct: float, nominal_nl: float, relief_nl: float,
          nitrogen_nl_min: float, co2_nl_min: float) -> Least:  # fmt: skip
    """The least gas from room air in a bag of `nominal_nl` to this composition, and its time at these flows.

    Raises ValueError where the nitrogen is not pure enough.
    """
    fill_nl = relief_nl - nominal_nl
    filled_o2 = (AIR_O2_PCT * nominal_nl + nitrogen_o2_pct * fill_nl) / relief_nl
    filled_co2 = AIR_CO2_PCT * nominal_nl / relief_nl
    # What nitrogen leaves behind, E = exp(-v/R), so that CO2 to its target dilutes oxygen exactly to its own.
    aim = 100.0 * o2_pct - nitrogen_o2_pct * (100.0 - co2_pct)
    left = aim / ((filled_o2 - nitrogen_o2_pct) * (100.0 - co2_pct) + o2_pct * filled_co2)
    if left <= 0.0:
        raise ValueError(f"nitrogen with {nitrogen_o2_pct} % oxygen never brings {o2_pct} %")
    nitrogen_nl = fill_nl - relief_nl * log(left)
    co2_nl = relief_nl * log((100.0 - filled_co2 * left) / (100.0 - co2_pct))
    return Least(nitrogen_nl, co2_nl, nitrogen_nl / nitrogen_nl_min + co2_nl / co2_nl_min)


def run(quick: bool) -> list[Figure]:
    chosen = dict(list(RECIPES.items())[::2]) if quick else RECIPES
    inert = {crop: _measure(name, fruit=False) for crop, name in chosen.items()}
    real = {crop: _measure(name, fruit=True) for crop, name in chosen.items()}
    return [*_figures("inert", inert, aimed=True), *_figures("with fruit and leak", real, aimed=False), *_allowed(real)]


def _measure(name: str, fruit: bool) -> tuple[Run, Least, Least]:
    """The pull-down, and its minimum to the set-points and to what was reached."""
    raw = sites.alone(name)
    if not fruit:
        raw["enclosure"][0]["fruit_kg"] = 0.0
    site = Metered(sites.as_toml(raw), crew=acts((SEAL_S, "seal", name)), step_s=STEP_S,
                     **({} if fruit else {"assumptions": INERT}))  # fmt: skip
    took = _pull_down(site, name)
    inside, enclosure, recipe = site.plant.enclosures[name], site.site.enclosures[name], site.site.recipe_of(name)
    source = site.site.source_of(name, "nitrogen")
    fixed = (
        source.o2_pct, inside.nominal_nl, inside.relief_nl,  # type: ignore[union-attr]
        enclosure.flow_nl_min_max.nitrogen, enclosure.flow_nl_min_max.co2,
    )  # fmt: skip
    return took, least(recipe.o2_pct, recipe.co2_pct, *fixed), least(took.o2_pct, took.co2_pct, *fixed)


def _pull_down(site: Metered, name: str) -> Run:
    """Runs until the enclosure is declared held. Gas is what has passed the valves, counted from their own reports."""
    sealed_s = gas_until_s = None
    elapsed_s = 0.0
    dissolved_before_nl = site.plant.enclosures[name].fruit.dissolved_nl
    while elapsed_s < GIVE_UP_S:
        elapsed_s += STEP_S
        site.run_to(elapsed_s)
        state = site.state(name)["state"]
        if state == "pulling_down" and sealed_s is None:
            sealed_s = elapsed_s
        if any(valve.flow_nl_min > 0.0 for valve in site.plant.valves.values()):
            gas_until_s = elapsed_s
        if state == "holding" and sealed_s is not None and gas_until_s is not None:
            o2_pct, co2_pct = site.plant.gas(name)
            dissolved_nl = site.plant.enclosures[name].fruit.dissolved_nl - dissolved_before_nl
            given = {gas: site.meter.given_nl[name, gas] for gas in ("nitrogen", "co2", "air")}
            return Run(
                given["nitrogen"], given["co2"], given["air"], (elapsed_s - sealed_s) / 60.0,
                (gas_until_s - sealed_s) / 60.0, o2_pct, co2_pct, dissolved_nl,
            )  # fmt: skip
    raise RuntimeError(f"{name} was not pulled down within {GIVE_UP_S / 3600:g} h")


def _figures(kind: str, runs: dict[str, tuple[Run, Least, Least]], aimed: bool) -> list[Figure]:
    aim = Aim("<=", 1.05) if aimed else None
    worst = {crop: max(_gas(took) / _gas(setpoint), _gas(took) / _gas(there)) for crop, (took, setpoint, there) in runs.items()}
    there = {crop: _gas(took) / _gas(there) for crop, (took, _, there) in runs.items()}
    figures = [
        Figure("pulldown", f"{kind}: gas over the minimum, worst", max(worst.values()), "", aim,
               f"{_each(worst)}; N2 + CO2, the larger of the ratios to set-point and to what was reached; air besides, nl: "
               + ", ".join(f"{took.air_nl:.0f}" for took, _, _ in runs.values())),
        Figure("pulldown", f"{kind}: gas over the minimum, mean", sum(worst.values()) / len(worst), "",
               note=f"to what was reached alone: {_each(there)}"),
    ]  # fmt: skip
    for gas in ("nitrogen_nl", "co2_nl"):
        used = {crop: getattr(took, gas) / getattr(there, gas) for crop, (took, _, there) in runs.items()}
        litres = ", ".join(f"{getattr(took, gas):.0f}/{getattr(there, gas):.0f}" for took, _, there in runs.values())
        figures.append(Figure("pulldown", f"{kind}: {gas.split('_')[0]} over the minimum, mean", sum(used.values()) / len(used),
                              "", note=f"to what was reached; nl used/least: {litres}"))  # fmt: skip
    total = {crop: took.minutes / setpoint.minutes for crop, (took, setpoint, _) in runs.items()}
    gassed = {crop: took.gas_minutes / setpoint.minutes for crop, (took, setpoint, _) in runs.items()}
    minutes = ", ".join(f"{took.minutes:.0f}/{setpoint.minutes:.0f}" for took, setpoint, _ in runs.values())
    figures.append(Figure("pulldown", f"{kind}: time over the minimum, mean", sum(total.values()) / len(total), "",
                          note=f"seal to declared held, sampling included; min taken/least: {minutes}; "
                          f"to the end of the last gas {sum(gassed.values()) / len(gassed):.2f}"))  # fmt: skip
    return figures


def _allowed(real: dict[str, tuple[Run, Least, Least]]) -> list[Figure]:
    """The real fruit again, with the CO2 that it dissolved meanwhile taken off what was used. Its breathing is not put in
    again: at most 0.3 % of the gas in that time, and in the run's favour."""
    ratios = {crop: (_gas(took) - took.dissolved_nl) / _gas(there) for crop, (took, _, there) in real.items()}
    dissolved = ", ".join(f"{took.dissolved_nl:.0f}" for took, _, _ in real.values())
    return [Figure("pulldown", "with fruit and leak, less what it dissolved: gas over the minimum, worst", max(ratios.values()),
                   "", note=f"{_each(ratios)}; to what was reached; CO2 dissolved by then, nl: {dissolved}")]  # fmt: skip


def _gas(one: Run | Least) -> float:
    return one.nitrogen_nl + one.co2_nl


def _each(ratios: dict[str, float]) -> str:
    return ", ".join(f"{crop} {ratio:.3f}" for crop, ratio in ratios.items())
