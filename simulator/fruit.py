"""Fruit that breathes and dissolves CO2.

Uptake of oxygen by Michaelis-Menten, V = Vmax p / (Km + p) with Km 5.6 kPa whatever the temperature (raspberry, Joles
et al. 1994, JASHS 119:540, taken for every crop), respiratory quotient 1, temperature by Q10. CO2 in the fruit's water
approaches Weiss's (1974) solubility by a first-order law over hours.
"""

import math
from dataclasses import dataclass

from .assumed import AIR_CO2_PCT, AIR_O2_PCT, CO2_KG_PER_NL, DISSOLVING_HALF_TIME_H, SUGAR_FACTOR, WATER_SHARE

KM_O2_KPA = 5.6
PRESSURE_KPA = 101.325
KM_O2_PCT = 100.0 * KM_O2_KPA / PRESSURE_KPA
NL_PER_MOL = 22.414


@dataclass(frozen=True)
class Crop:
    """Respiration in air, mg CO2 per kg and hour, at 2 degC, and its factor per 10 K."""

    mg_kg_h_at_2c: float
    q10: float


# At 2 degC by Q10 between the table's 0 and 5 degC points: R2 = R0 (R5/R0)^0.4, Q10 = (R5/R0)^2.
# black currant 16/28: USDA AH-66, currant chapter. gooseberry 6-8/8-16: AH-66. raspberry: AH-66 from memory, with
# Q10 1.9 from Joles et al. 1994. blueberry 6/11, blackberry 19/36, strawberry 16 and Q10 from 16/75 over 10 K,
# sweet cherry 8/22: AH-66 summary, from memory. red currant: as black currant, assumed (UC Davis: currant 16 at 0).
CROPS = {
    "black currant": Crop(20.0, 3.06),
    "red currant": Crop(20.0, 3.06),
    "blueberry": Crop(7.65, 3.36),
    "raspberry": Crop(19.2, 1.9),
    "blackberry": Crop(24.5, 3.59),
    "gooseberry": Crop(8.7, 2.94),
    "strawberry": Crop(21.8, 4.69),
    "sweet cherry": Crop(12.0, 7.56),
}
# A crop without a row breathes like a black currant: assumed.
OTHER_CROP = CROPS["black currant"]


def q10_of(crop: str) -> float:
    """By what its respiration grows with 10 K."""
    return CROPS.get(crop, OTHER_CROP).q10


def respiration_nl_kg_h(crop: str, temperature_c: float) -> float:
    """Oxygen uptake (and CO2 output) in air, normal litres per kg and hour."""
    row = CROPS.get(crop, OTHER_CROP)
    return row.mg_kg_h_at_2c * 1e-6 / CO2_KG_PER_NL * row.q10 ** ((temperature_c - 2.0) / 10.0)


def co2_solubility_nl_l(temperature_c: float) -> float:
    """Normal litres of CO2 per litre of pure water under 1 atm of CO2 (Weiss 1974, from memory)."""
    hundred_k = (temperature_c + 273.15) / 100.0
    mol_l_atm = math.exp(-58.0931 + 90.5069 / hundred_k + 22.2940 * math.log(hundred_k))
    return mol_l_atm * NL_PER_MOL


class Fruit:
    """One enclosure's fruit. `dissolved_nl` is its only state; rates are per minute."""

    __slots__ = (
        "_full_nl_pct",
        "_q10",
        "_rated_c",
        "_vmax_nl_min",
        "dissolved_nl",
        "full_nl_pct",
        "km_o2_pct",
        "rate_per_min",
        "rq",
        "temperature_c",
        "vmax_nl_min",
    )

    def __init__(
        self,
        mass_kg: float,
        uptake_nl_kg_h: float,
        temperature_c: float,
        *,
        dissolves: bool = True,
        km_o2_pct: float = KM_O2_PCT,
        rq: float = 1.0,
        q10: float = 1.0,
    ) -> None:
        """`uptake_nl_kg_h` is the rate in air (20.946 % O2) at this temperature."""
        self.temperature_c = self._rated_c = temperature_c
        self._q10 = q10
        self.km_o2_pct = km_o2_pct
        self.rq = rq
        self.vmax_nl_min = mass_kg * uptake_nl_kg_h / 60.0 * (km_o2_pct + AIR_O2_PCT) / AIR_O2_PCT
        water_l = mass_kg * WATER_SHARE if dissolves else 0.0
        self.full_nl_pct = water_l * SUGAR_FACTOR * co2_solubility_nl_l(temperature_c) / 100.0
        self.rate_per_min = math.log(2.0) / (DISSOLVING_HALF_TIME_H * 60.0)
        self.dissolved_nl = self.full_nl_pct * AIR_CO2_PCT
        self._vmax_nl_min, self._full_nl_pct = self.vmax_nl_min, self.full_nl_pct

    def warm(self, temperature_c: float) -> None:
        """It is as warm as this from now on: it breathes by its Q10, and its water holds CO2 by Weiss."""
        if temperature_c == self.temperature_c:
            return
        self.temperature_c = temperature_c
        self.vmax_nl_min = self._vmax_nl_min * self._q10 ** ((temperature_c - self._rated_c) / 10.0)
        held = co2_solubility_nl_l(temperature_c) / co2_solubility_nl_l(self._rated_c)
        self.full_nl_pct = self._full_nl_pct * held

    def uptake_nl_min(self, o2_pct: float) -> float:
        """Oxygen taken up at an oxygen content."""
        return self.vmax_nl_min * o2_pct / (self.km_o2_pct + o2_pct)

    def dissolving_nl_min(self, co2_pct: float, minutes: float) -> float:
        """Mean flow of CO2 from the gas into the fruit over some minutes at a CO2 content; negative: it comes out."""
        gap_nl = self.full_nl_pct * co2_pct - self.dissolved_nl
        return -gap_nl * math.expm1(-self.rate_per_min * minutes) / minutes
