"""Whether the gas of a site can reach its recipes, and the volumes that a pull-down takes.

The closed form is typed here a second time, apart from the controller's: a check that shares the controller's code
would share its mistakes.
"""

from collections.abc import Iterator
from math import log

from supervisor.settings import AIR_CO2_PCT, AIR_O2_PCT, Enclosure, Recipe, SiteFile, Source
from supervisor.sitefile.problems import MISSING, Figures, Problem, entries, error, known, listed, warning
from supervisor.values import Gas


def purge_target_pct(o2_pct: float, co2_pct: float) -> float:
    """Oxygen content to purge to, so that the CO2 that follows dilutes it to `o2_pct`."""
    return o2_pct / (1.0 - co2_pct / 100.0)


def pulldown_nl(free_volume_nl: float, recipe: Recipe, nitrogen_o2_pct: float) -> tuple[float, float]:
    """Normal litres of nitrogen and of CO2 from air to the recipe, well mixed; the fruit's own CO2 is not counted.

    Raises `ValueError` where the nitrogen's residual oxygen reaches the purge target: no purge ever arrives.
    """
    target = purge_target_pct(recipe.o2_pct, recipe.co2_pct)
    if nitrogen_o2_pct >= target:
        raise ValueError(f"nitrogen with {nitrogen_o2_pct:g} % oxygen never purges to {target:.2f} %")
    share = min(1.0, (target - nitrogen_o2_pct) / (AIR_O2_PCT - nitrogen_o2_pct))  # of the air, left by the nitrogen
    co2 = max(0.0, log((100.0 - AIR_CO2_PCT * share) / (100.0 - recipe.co2_pct)))
    return -log(share) * free_volume_nl, co2 * free_volume_nl


def gas_problems(site: SiteFile) -> Iterator[Problem]:
    for key, recipe in entries("recipe", site.recipe):
        yield from _recipe(key, recipe)
    for key, enclosure in entries("enclosure", site.enclosure):
        yield from _supply(site, key, enclosure)
    for key, source in entries("source", site.source):
        yield from _purity(site, key, source)
    yield from _day_limits(site)


def _recipe(key: str, recipe: Recipe) -> Iterator[Problem]:
    o2, co2, band, floor = recipe.o2_pct, recipe.co2_pct, recipe.o2_band_pct, recipe.o2_floor_pct
    if known(o2, band, floor) and floor >= o2 - band:
        yield error(
            f"{key}.o2_floor_pct", floor, f"below {o2 - band:g}, the set-point less its band",
            "lower it: inside the band gas must be allowed",
        )  # fmt: skip
    band, ceiling = recipe.co2_band_pct, recipe.co2_ceiling_pct
    if known(co2, band, ceiling) and ceiling <= co2 + band:
        yield error(
            f"{key}.co2_ceiling_pct", ceiling, f"above {co2 + band:g}, the set-point and its band",
            "raise it, or lower the set-point or the band: inside the band gas must be allowed",
        )  # fmt: skip
    if known(o2, co2) and o2 > (richest := AIR_O2_PCT * (100.0 - co2) / (100.0 - AIR_CO2_PCT)):
        yield error(
            f"{key}.o2_pct", Figures(f"{o2:g} with {co2:g} % CO2"),
            f"at most {richest:.2f}: air in which CO2 stands at {co2:g} % holds no more oxygen",
            "lower o2_pct or co2_pct: no source adds oxygen beyond that of air",
        )  # fmt: skip


def _supply(site: SiteFile, key: str, enclosure: Enclosure) -> Iterator[Problem]:
    """The sources that an enclosure needs. A source that is named but unknown is another check's matter."""
    given = enclosure.sources.model_fields_set
    recipe = site.recipes.get(enclosure.recipe)
    if "nitrogen" not in given:
        yield error(
            f"{key}.sources.nitrogen", MISSING, "the id of a source of nitrogen: a pull-down begins with it",
            "name the source that is piped to this enclosure",
        )  # fmt: skip
    if "co2" not in given and recipe is not None and (recipe.co2_pct or 0.0) > AIR_CO2_PCT:
        yield error(
            f"{key}.sources.co2", MISSING, f"the id of a source of CO2: recipe {recipe.id} wants {recipe.co2_pct:g} %",
            "name the source that is piped to this enclosure, or choose a recipe without CO2",
        )  # fmt: skip
    if "air" not in given:
        yield warning(
            f"{key}.sources.air", MISSING, "the id of a source of make-up air, or none",
            "no make-up air: oxygen that falls too low cannot be raised; only alarm and vent",
        )  # fmt: skip


def _purity(site: SiteFile, key: str, source: Source) -> Iterator[Problem]:
    """Nitrogen lowers oxygen only while it holds less of it than what it replaces."""
    if source.gas != "nitrogen" or not known(source.id, source.o2_pct):
        return
    fed = {one.recipe for one in site.enclosure if one.sources.nitrogen == source.id}
    wanted = [one for name, one in site.recipes.items() if name in fed and one.o2_pct is not None]
    hindered = [one for one in wanted if source.o2_pct >= one.o2_pct]
    if not hindered:
        return
    never = any(
        one.co2_pct is not None and source.o2_pct >= purge_target_pct(one.o2_pct, one.co2_pct) for one in hindered
    )
    yield error(
        f"{key}.o2_pct", source.o2_pct,
        f"below {min(one.o2_pct for one in wanted):g}, the least oxygen of the recipes that it feeds; "
        f"too much for {listed(one.id for one in hindered)}",
        ("no purge ever arrives" if never else "a purge arrives, but nitrogen cannot bring oxygen down again later")
        + ": lower the flow or mend the generator, or feed these enclosures from purer nitrogen",
    )  # fmt: skip


def _day_limits(site: SiteFile) -> Iterator[Problem]:
    """Two pull-downs a day: one that was broken off is begun again on the same day."""
    needs: dict[Gas, list[tuple[float, str]]] = {"nitrogen": [], "co2": []}
    for key, enclosure in entries("enclosure", site.enclosure):
        recipe, source = site.recipes.get(enclosure.recipe), site.gas_sources.get(enclosure.sources.nitrogen or "")
        if recipe is None or source is None:
            continue
        if not known(enclosure.free_volume_nl, recipe.o2_pct, recipe.co2_pct, source.o2_pct):
            continue
        if source.o2_pct < recipe.o2_pct:
            nitrogen_nl, co2_nl = pulldown_nl(enclosure.free_volume_nl, recipe, source.o2_pct)
            needs["nitrogen"].append((nitrogen_nl, key))
            needs["co2"].append((co2_nl, key))
    for gas, volumes in needs.items():
        limit_nl, (most_nl, key) = site.limits.of(gas).per_day_nl, max(volumes, default=(0.0, ""))
        if limit_nl is not None and limit_nl < 2 * most_nl:
            yield warning(
                f"limits.{gas}.per_day_nl", limit_nl, f"at least {2 * most_nl:.0f}, twice one pull-down of {key}",
                "raise it: a pull-down that is broken off could not be begun again on the same day",
            )  # fmt: skip
