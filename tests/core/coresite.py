"""The core tests' own small site: two rooms, three enclosures, one analyser. Tests retype the figures that they need.

The bench's sensors say the same for hours, so none of them is called dead for that; the tests of that rule change it. Its
analyser reads what a test says, whatever was dosed, so no reading is set against the gas balance; those tests change that.
"""

import tomllib
from functools import cache

from supervisor.settings import SiteFile

SITE_TEXT = """
format = 1
[site]
id = "bench"
[limits.nitrogen]
per_request_nl = 150
per_hour_nl = 3000
per_day_nl = 9000
[limits.co2]
per_request_nl = 60
per_hour_nl = 500
per_day_nl = 1500
[limits.air]
per_request_nl = 150
per_hour_nl = 6000
per_day_nl = 60000
[[recipe]]
id = "currant"
crop = "black currant"
o2_pct = 3.0
co2_pct = 18.0
o2_band_pct = 0.4
co2_band_pct = 1.0
o2_floor_pct = 1.5
co2_ceiling_pct = 21.0
source = "Skrzynski 1990"
[[room]]
id = "east"
volume_m3 = 400
ventilation_m3_h = 120
sensor = [
  { id = "door", unit = "gw-east", flat_line_s_max = 0 },
  { id = "floor", unit = "gw-east", flat_line_s_max = 0 },
]
[room.limits]
o2_clear_min = { pct = 19.5, source = "29 CFR 1910.146(b)" }
o2_clear_max = { pct = 23.5, source = "29 CFR 1910.146(b)" }
o2_danger_min = { pct = 18.0, source = "usual second set point, from memory" }
co2_clear_max = { pct = 0.5, source = "29 CFR 1910.1000 Table Z-1" }
co2_danger_max = { pct = 1.5, source = "UK EH40" }
[[room]]
id = "west"
volume_m3 = 60
ventilation_m3_h = 0
sensor = [{ id = "west-air", unit = "gw-west", flat_line_s_max = 0 }]
[room.limits]
o2_clear_min = { pct = 19.5, source = "29 CFR 1910.146(b)" }
o2_clear_max = { pct = 23.5, source = "29 CFR 1910.146(b)" }
o2_danger_min = { pct = 18.0, source = "usual second set point, from memory" }
co2_clear_max = { pct = 0.5, source = "29 CFR 1910.1000 Table Z-1" }
co2_danger_max = { pct = 1.5, source = "UK EH40" }
[[source]]
id = "generator"
gas = "nitrogen"
unit = "gw-plant"
capacity_nl_min = 80
o2_pct = 0.5
[[source]]
id = "bank"
gas = "co2"
unit = "gw-plant"
capacity_nl_min = 60
stock_kg = 300
reserve_kg = 20
[[source]]
id = "blower"
gas = "air"
unit = "gw-plant"
capacity_nl_min = 400
[[analyser]]
id = "az"
unit = "gw-plant"
idle_line = "idle"
belief = { flat_line_readings = 0, against_balance = false, co2_range_pct = 100, o2_range_pct = 100 }
lines = [
  { id = "line-1", transport_s = 20, settling_s = 60 },
  { id = "line-2", transport_s = 30, settling_s = 60 },
  { id = "line-3", transport_s = 25, settling_s = 60 },
]
[[enclosure]]
id = "e1"
room = "east"
line = "line-1"
unit = "gw-east"
recipe = "currant"
free_volume_nl = 1200
fruit_kg = 600
sources = { nitrogen = "generator", co2 = "bank", air = "blower" }
flow_nl_min_max = { nitrogen = 50, co2 = 20, air = 60 }
[[enclosure]]
id = "e2"
room = "east"
line = "line-2"
unit = "gw-east"
recipe = "currant"
free_volume_nl = 1200
fruit_kg = 600
sources = { nitrogen = "generator", co2 = "bank", air = "blower" }
flow_nl_min_max = { nitrogen = 50, co2 = 20, air = 60 }
[[enclosure]]
id = "w1"
room = "west"
line = "line-3"
unit = "gw-west"
recipe = "currant"
free_volume_nl = 1200
fruit_kg = 600
sources = { nitrogen = "generator", co2 = "bank" }
"""


@cache
def site() -> SiteFile:
    return SiteFile.model_validate(tomllib.loads(SITE_TEXT))


def site_with(**changed: str) -> SiteFile:
    """The bench's site with words of its text replaced: `site_with(**{"old": "new"})`."""
    text = SITE_TEXT
    for old, new in changed.items():
        if old not in text:
            raise ValueError(f"the site's text has no {old!r}")
        text = text.replace(old, new)
    return SiteFile.model_validate(tomllib.loads(text))


def crowded(enclosures: int) -> SiteFile:
    """The bench's site with so many enclosures more in the east room, each on its own line."""
    lines = "".join(f'  {{ id = "line-x{n}", transport_s = 30, settling_s = 60 }},\n' for n in range(enclosures))
    text = SITE_TEXT.replace('  { id = "line-3"', lines + '  { id = "line-3"')
    for n in range(enclosures):
        text += f"""
[[enclosure]]
id = "x{n}"
room = "east"
line = "line-x{n}"
unit = "gw-east"
recipe = "currant"
free_volume_nl = 1200
fruit_kg = 600
sources = {{ nitrogen = "generator", co2 = "bank", air = "blower" }}
flow_nl_min_max = {{ nitrogen = 50, co2 = 20, air = 60 }}
"""
    return SiteFile.model_validate(tomllib.loads(text))
