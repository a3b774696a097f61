"""Every figure the plant rests on that the site file does not give: published where a source stands beside it,
else marked as assumed. Tests and drills replace what they need with `dataclasses.replace`.
"""

from dataclasses import dataclass

# Dry air. O2 20.946 %: IUPAC. CO2 0.042 %: today's atmosphere, from memory. Argon counts as nitrogen.
AIR_O2_PCT = 20.946
AIR_CO2_PCT = 0.042
STANDARD_PA = 101_325.0
# Density of CO2 at 0 degC and 101.325 kPa: 1.9768 kg/m3, CoolProp.
CO2_KG_PER_NL = 1.9768e-3
# Time to half of the CO2 a food finally dissolves: about 3.5 h in cod fillets, Rotabakk 2007. For fruit assumed.
DISSOLVING_HALF_TIME_H = 3.5
# Water in soft fruit 85 %, and the share of pure water's solubility that its sugar leaves: assumed.
WATER_SHARE = 0.85
SUGAR_FACTOR = 0.87
# How much further than its rated flow a nitrogen generator can be driven, at the price of purity: assumed.
OVERDRIVE = 1.25
# Residual oxygen over flow relative to the flow at 0.5 %: capacity ratios of pressure-swing generators from memory
# (99.5 / 99 / 98 / 97 / 95 % at 1.5 / 1.8 / 2.3 / 2.6 / 3.2 times the flow at 99.9 %); varies by maker.
OVERDRIVE_CURVE = ((1.0, 0.5), (1.2, 1.0), (1.533, 2.0), (1.733, 3.0), (2.133, 5.0))
# A generator's first gas after a stop: so much more oxygen than later, and a third of that after `STARTUP_S`: assumed.
STARTUP_O2_PCT = 12.0
STARTUP_S = 150.0
# The buffer behind a compressor: how many minutes of rated flow it holds, and its pressure when empty and when full, as shares
# of the least pressure that the site file allows: assumed.
BUFFER_MIN = 2.0
BUFFER_SPAN = (0.8, 1.4)
# What a CO2 bank gives at most, over what its vaporiser keeps up; a vaporiser drawn twice as hard as it keeps up is iced after
# so many minutes, lets a share of its flow through, and lets all through again when it has thawed so far: assumed.
OVERDRAW = 1.5
ICING_MIN = 10.0
ICED_SHARE = 0.3
THAWED = 0.3


@dataclass(frozen=True)
class Assumptions:
    """What a simulated plant is like where the site file says nothing. All assumed unless a source is named."""

    # Enclosures. Leak as an exchange of the nominal volume per day: Navarro & Zettler 2000 find about 0.028 per day
    # for a good flexible enclosure; each enclosure draws its own between these two.
    leak_per_day_min: float = 0.028
    leak_per_day_max: float = 0.12
    # The bag: relief opens above, room air is drawn in below, as shares of the nominal volume.
    relief_fill: float = 1.05
    draw_fill: float = 0.95
    relief_pa: float = 50.0
    fruit_c: float = 2.0
    co2_dissolves: bool = True
    # Analyser. Cross-sensitivity of a paramagnetic cell: -0.27 % O2 in pure CO2.
    o2_noise_pct: float = 0.01
    co2_noise_pct: float = 0.02
    cross_sensitivity: bool = True
    o2_per_co2: float = -0.0027
    # Room air and climate.
    room_o2_noise_pct: float = 0.02
    room_co2_noise_pct: float = 0.003
    room_c: float = 1.5
    room_rh_pct: float = 93.0
    # Refrigeration: its cycle moves the air by so much up and down; off, the room goes towards the outside, and on again back,
    # with these times to 1/e. Fruit on its pallet follows the room more slowly. `arrives_c`: fruit comes warm from the field,
    # and is as warm as that when its bag is sealed; None: it was cooled before.
    cycle_k: float = 0.4
    cycle_s: float = 2400.0
    outside_c: float = 15.0
    warms_h: float = 8.0
    cools_h: float = 1.5
    fruit_follows_h: float = 12.0
    arrives_c: float | None = None
    barometer_swing_pa: float = 1200.0


@dataclass(frozen=True)
class Cadence:
    """How often the hardware speaks, in simulated seconds. A rehearsal of a season may thin it out."""

    status_s: float = 10.0
    reading_s: float = 5.0
    air_s: float = 5.0
    climate_s: float = 60.0
    pulp_s: float = 60.0
    bag_s: float = 60.0
    flow_s: float = 60.0
    source_s: float = 30.0
