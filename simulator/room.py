"""The air of one room: well mixed, ventilated with fresh air, changed by whatever its enclosures and pipes let out.

V dc/dt = F_g - c F with every inflow counted; the room lets out as much as comes in. Exact for constant inflows.
A cubic metre of room is counted as 1000 normal litres (0.7 % off at 2 degC).
"""

import math

from .assumed import AIR_CO2_PCT, AIR_O2_PCT


class Room:
    """Room air with its own time. Contents percent, amounts nl, flows nl/min."""

    __slots__ = (
        "_gift",
        "co2_pct",
        "fresh_co2_pct",
        "fresh_o2_pct",
        "o2_pct",
        "release",
        "time_s",
        "ventilation_nl_min",
        "volume_nl",
    )

    def __init__(
        self,
        volume_m3: float,
        ventilation_m3_h: float,
        time_s: float,
        *,
        fresh_o2_pct: float = AIR_O2_PCT,
        fresh_co2_pct: float = AIR_CO2_PCT,
    ) -> None:
        self.volume_nl = volume_m3 * 1000.0
        self.ventilation_nl_min = ventilation_m3_h * 1000.0 / 60.0
        self.time_s = time_s
        self.fresh_o2_pct = self.o2_pct = fresh_o2_pct
        self.fresh_co2_pct = self.co2_pct = fresh_co2_pct
        # Gas flowing straight into the room: total, oxygen, CO2.
        self.release = (0.0, 0.0, 0.0)
        self._gift = (0.0, 0.0, 0.0)

    def receive(self, total_nl: float, o2_nl: float, co2_nl: float) -> None:
        """Gas let out by an enclosure since the room was last advanced (negative where it took room air)."""
        gift = self._gift
        self._gift = (gift[0] + total_nl, gift[1] + o2_nl, gift[2] + co2_nl)

    def advance(self, to_s: float) -> None:
        """Bring the air to an instant, spreading what was received evenly over the time since the last."""
        minutes = (to_s - self.time_s) / 60.0
        if minutes <= 0.0:
            return
        self.time_s = to_s
        fresh = self.ventilation_nl_min
        total = self._gift[0] / minutes + self.release[0] + fresh
        o2 = 100.0 * (self._gift[1] / minutes + self.release[1]) + fresh * self.fresh_o2_pct
        co2 = 100.0 * (self._gift[2] / minutes + self.release[2]) + fresh * self.fresh_co2_pct
        self._gift = (0.0, 0.0, 0.0)
        turnover = total * minutes / self.volume_nl
        share = -math.expm1(-turnover) / total if abs(turnover) > 1e-15 else minutes / self.volume_nl
        self.o2_pct += (o2 - self.o2_pct * total) * share
        self.co2_pct += (co2 - self.co2_pct * total) * share
