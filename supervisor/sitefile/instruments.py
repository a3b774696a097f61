"""What a site file says of its analysers that cannot be meant: corrections without effect, a range that gas passes."""

from collections.abc import Iterator

from supervisor.settings import SiteFile
from supervisor.sitefile.problems import Problem, entries, error, known, warning


def instrument_problems(site: SiteFile) -> Iterator[Problem]:
    for key, one in entries("analyser", site.analyser):
        stated = one.corrections
        if known(stated.o2_principle) and stated.o2_principle != "paramagnetic":
            meant = 'add o2_principle = "paramagnetic", or remove it'
            if stated.pressure_compensated is False:
                yield warning(
                    f"{key}.corrections.pressure_compensated", False, "true, where the oxygen cell is not paramagnetic",
                    f"{meant}: for another principle no pressure is made up for",
                )  # fmt: skip
            if stated.o2_spanned_in_co2_pct:
                yield warning(
                    f"{key}.corrections.o2_spanned_in_co2_pct", stated.o2_spanned_in_co2_pct,
                    "0, where the oxygen cell is not paramagnetic", f"{meant}: it is not used",
                )  # fmt: skip
    for key, one in entries("analyser", site.analyser):
        reached = [line.id for line in one.lines]
        for enclosure in site.enclosure:
            recipe = site.recipes.get(enclosure.recipe or "")
            if recipe is None or enclosure.line not in reached or not known(recipe.co2_ceiling_pct, one.belief.co2_range_pct):
                continue
            if recipe.co2_ceiling_pct >= one.belief.co2_range_pct:
                yield error(
                    f"{key}.belief.co2_range_pct", one.belief.co2_range_pct,
                    f"more than {recipe.co2_ceiling_pct:g}, the ceiling of {recipe.id} in {enclosure.id}",
                    "this instrument cannot tell when there is too much: correct its range, or let another one sample there",
                )  # fmt: skip
                break
