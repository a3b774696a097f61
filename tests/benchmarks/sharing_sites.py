"""Sites of any size that share one analyser, one nitrogen generator, one CO2 bank and one blower, and the crew's day on them.

The rooms, recipes, limits and enclosures are the worked example's, repeated: enclosure 13 is like enclosure 1. What cannot be
repeated is scaled as a store of that size would have it, and everything assumed stands in `SIZES` and the constants below.

Scarce nitrogen: the crew seals in waves of five, and the generator gives 60 % of what the inlets of one wave would draw at
once. A pull-down takes about 2,000 nl, so a wave keeps it busy for a good hour, and the next wave comes before it is done:
there is enough for the day, and for an afternoon there is not enough for all.
"""

import copy
from dataclasses import dataclass
from random import Random

from simulator.crew import Act
from simulator.faults import Fault
from simulator.site import Plant
from supervisor.settings import SiteFile
from tests.benchmarks import sites

ROOM_OF = 20  # enclosures in one room
ROOM_M3, VENTILATION_M3_H = 400 / 6 * ROOM_OF, 120 / 6 * ROOM_OF  # as the example has for each of its enclosures
BORE_MM = 4.0
TUBES_M = (12.0, 20.0, 28.0, 36.0, 44.0, 52.0, 60.0)
WAVE, WAVES = 5, 4
WAVE_EVERY_S, BAG_EVERY_S = 2700.0, 120.0
SCARCE = 0.6
FIRST_WAVE_S = 600.0
LEAKY_OF, LEAK_PER_DAY = 20, 0.5  # one bag in twenty is badly tied: half its volume a day, of which nobody is told
OFF_SHARE = 0.3  # the held begin within this share of their bands
CO2_CAPACITY_NL_MIN, AIR_CAPACITY_NL_MIN, CO2_STOCK_KG = 60.0, 400.0, 3000.0


@dataclass(frozen=True)
class Size:
    """How many enclosures, how many of them are sealed in one day, and the analyser that such a store has: its pump, its cell,
    and how old a sample may be for gas to be given on it."""

    enclosures: int
    sealed: int
    sample_flow_nl_min: float
    cell_ml: float
    sample_age_s_max: float


# One analyser goes round 12 lines in twenty minutes, 40 in forty, 120 in an hour. 400 are more than it can keep: it takes
# more than three hours for them, and no sample may be older than two.
SIZES = {
    12: Size(12, 6, 1.0, 150.0, 2700.0),
    40: Size(40, 20, 2.0, 150.0, 3600.0),
    120: Size(120, 20, 4.0, 60.0, 5400.0),
    400: Size(400, 20, 4.0, 60.0, 7200.0),
}


def build(size: Size) -> sites.Site:
    """The site file. The enclosures that are sealed on the day stand last."""
    base = sites.example()
    site = {**base, "site": {**base["site"], "id": f"sharing-{size.enclosures}"}, "room": [], "enclosure": []}
    site["timing"] = {**base["timing"], "sample_age_s_max": size.sample_age_s_max}
    for number in range(-(-size.enclosures // ROOM_OF)):
        room = copy.deepcopy(base["room"][0])
        room |= {"id": f"room-{number}", "volume_m3": ROOM_M3, "ventilation_m3_h": VENTILATION_M3_H}
        for sensor in room["sensor"]:
            sensor["id"], sensor["unit"] = f"{sensor['id']}-{number}", f"gateway-{number}"
        site["room"].append(room)
    for number in range(size.enclosures):
        enclosure, room = copy.deepcopy(base["enclosure"][number % len(base["enclosure"])]), number // ROOM_OF
        enclosure |= {"id": f"e{number:03}", "room": f"room-{room}", "unit": f"gateway-{room}", "line": f"line-{number:03}"}
        site["enclosure"].append(enclosure)
    site["source"] = [_source(one, size) for one in base["source"]]
    site["analyser"] = [_analyser(base["analyser"][0], size)]
    return site


def wave_of(size: Size) -> int:
    return min(WAVE, -(-size.sealed // 2))


def sealed_on_the_day(size: Size) -> list[str]:
    return [f"e{number:03}" for number in range(size.enclosures - size.sealed, size.enclosures)]


def crew_of_the_day(size: Size) -> list[Act]:
    """Waves of five enclosures (of three on the small site), one bag after the other; from the day's start."""
    wave = wave_of(size)
    return [
        Act(FIRST_WAVE_S + WAVE_EVERY_S * (number // wave) + BAG_EVERY_S * (number % wave), "seal", name)
        for number, name in enumerate(sealed_on_the_day(size))
    ]


def held_before(size: Size) -> list[str]:
    return [f"e{number:03}" for number in range(size.enclosures - size.sealed)]


def badly_tied(size: Size) -> list[Fault]:
    """Oxygen rises by some 0.4 % an hour in these: little enough for the watch, much for a line that is seldom drawn."""
    return [Fault("leak", name, size=LEAK_PER_DAY) for name in held_before(size)[LEAKY_OF // 4 :: LEAKY_OF]]


def fill_held(plant: Plant, site: SiteFile, names: list[str], seed: int) -> None:
    """These stand sealed at their set-points from the first instant, a little off, their fruit full of CO2."""
    chance = Random(f"{seed}/held before")
    for name in names:
        inside, recipe = plant.enclosures[name], site.recipe_of(name)
        inside.open = False
        inside.o2_pct = recipe.o2_pct + chance.uniform(-OFF_SHARE, OFF_SHARE) * recipe.o2_band_pct
        inside.co2_pct = recipe.co2_pct + chance.uniform(-OFF_SHARE, OFF_SHARE) * recipe.co2_band_pct
        inside.fruit.dissolved_nl = inside.fruit.full_nl_pct * inside.co2_pct


def _source(one: sites.Site, size: Size) -> sites.Site:
    if one["gas"] == "nitrogen":
        inlet_nl_min = sites.example()["enclosure"][0]["flow_nl_min_max"]["nitrogen"]
        return {**one, "capacity_nl_min": SCARCE * wave_of(size) * inlet_nl_min}
    if one["gas"] == "co2":
        return {**one, "capacity_nl_min": CO2_CAPACITY_NL_MIN, "stock_kg": CO2_STOCK_KG}
    return {**one, "capacity_nl_min": AIR_CAPACITY_NL_MIN}


def _analyser(one: sites.Site, size: Size) -> sites.Site:
    tubes = [{"length_m": TUBES_M[number % len(TUBES_M)], "bore_mm": BORE_MM} for number in range(size.enclosures)]
    lines = [{"id": f"line-{number:03}", "tube": tube} for number, tube in enumerate(tubes)]
    return {**one, "sample_flow_nl_min": size.sample_flow_nl_min, "cell_ml": size.cell_ml, "lines": lines}
