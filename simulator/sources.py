"""Where gas comes from: a nitrogen generator whose purity falls when it is overdriven, a finite CO2 bank, a blower."""

from typing import Any

from .assumed import AIR_CO2_PCT, AIR_O2_PCT, CO2_KG_PER_NL, OVERDRIVE, OVERDRIVE_CURVE
from .faults import FaultBoard
from .scheduler import Scheduler
from .sitefile import SourceSpec
from .units import Unit


class Source:
    """One source; it shares its capacity in proportion to what its valves would pass. Flows nl/min, stock kg."""

    def __init__(self, spec: SourceSpec, unit: Unit, scheduler: Scheduler, faults: FaultBoard) -> None:
        self.id, self.gas, self._spec, self._unit = spec.id, spec.gas, spec, unit
        self._scheduler, self._faults = scheduler, faults
        self.stock_kg = spec.stock_kg
        self.flow_nl_min = 0.0
        self._since_ms = scheduler.now_ms

    @property
    def capacity_nl_min(self) -> float:
        """All that it can give now at its rated purity."""
        if self._faults.stands("source_off", self.id) or self.stock_kg == 0.0:
            return 0.0
        left = self._faults.size("source_weak", self.id)
        return self._spec.capacity_nl_min * (1.0 if left is None else left)

    @property
    def available(self) -> bool:
        return self.capacity_nl_min > 0.0

    @property
    def composition(self) -> tuple[float, float]:
        """Oxygen and CO2 in what it gives now, percent."""
        if self.gas == "co2":
            o2_pct, co2_pct = 0.0, 100.0
        elif self.gas == "air":
            o2_pct, co2_pct = AIR_O2_PCT, AIR_CO2_PCT
        else:
            o2_pct, co2_pct = self._residual_pct(), 0.0
        impure = self._faults.size("source_impure", self.id)
        if impure is not None:
            o2_pct, co2_pct = impure, min(co2_pct, 100.0 - impure)
        return o2_pct, co2_pct

    def share(self, demands_nl_min: list[float]) -> list[float]:
        """What each of these demands gets. Only a generator can be driven beyond its rating, at the price of purity."""
        self.count()
        ceiling = self.capacity_nl_min * (OVERDRIVE if self.gas == "nitrogen" else 1.0)
        wanted = sum(demands_nl_min)
        factor = min(1.0, ceiling / wanted) if wanted > 0.0 else 0.0
        flows = [demand * factor for demand in demands_nl_min]
        self.flow_nl_min = sum(flows)
        return flows

    def count(self) -> None:
        """Take what has flowed since last counted out of the stock."""
        now_ms = self._scheduler.now_ms
        if self.stock_kg is not None:
            used_kg = self.flow_nl_min * (now_ms - self._since_ms) / 60_000.0 * CO2_KG_PER_NL
            left_kg = self.stock_kg - used_kg
            # Less than a millilitre is empty: time comes in whole milliseconds.
            self.stock_kg = left_kg if left_kg > 1e-3 * CO2_KG_PER_NL else 0.0
        self._since_ms = now_ms

    def lasts_ms(self) -> int | None:
        """How long the stock lasts at the flow of now, or None."""
        if self.stock_kg is None or self.flow_nl_min <= 0.0:
            return None
        return int(self.stock_kg / CO2_KG_PER_NL / self.flow_nl_min * 60_000.0) + 1

    def tell(self) -> None:
        """`source/<source>/status`."""
        self.count()
        status: dict[str, Any] = {
            "observed_at": self._unit.stamp(),
            "available": self.available,
            "capacity_nl_min": round(self.capacity_nl_min, 2),
        }
        if self.gas == "nitrogen":
            status["o2_pct"] = round(self.composition[0], 3)
        if self.stock_kg is not None:
            status["stock_kg"] = round(self.stock_kg, 3)
        self._unit.send(f"source/{self.id}/status", status)

    def _residual_pct(self) -> float:
        """Residual oxygen: as rated up to the rated flow, rising beyond it along the assumed curve."""
        capacity = self.capacity_nl_min
        load = self.flow_nl_min / capacity if capacity > 0.0 else 0.0
        low_load, low_pct = OVERDRIVE_CURVE[0]
        rise = 1.0
        for high_load, high_pct in OVERDRIVE_CURVE[1:]:
            if load <= low_load:
                break
            part = min(1.0, (load - low_load) / (high_load - low_load))
            rise = (low_pct + part * (high_pct - low_pct)) / OVERDRIVE_CURVE[0][1]
            low_load, low_pct = high_load, high_pct
        return self._spec.o2_pct * rise
