"""Where gas comes from: a nitrogen generator whose purity falls when it is overdriven, a finite CO2 bank, a blower."""

import math
from typing import Any

from .assumed import (
    AIR_CO2_PCT,
    AIR_O2_PCT,
    CO2_KG_PER_NL,
    OVERDRAW,
    OVERDRIVE,
    OVERDRIVE_CURVE,
    STARTUP_O2_PCT,
    STARTUP_S,
)
from .faults import FaultBoard
from .reserves import Buffer, Vaporiser
from .scheduler import Scheduler
from .sitefile import SourceSpec
from .units import Unit


class Source:
    """One source; it shares its capacity in proportion to what its valves would pass. Flows nl/min, stock kg."""

    def __init__(self, spec: SourceSpec, unit: Unit, scheduler: Scheduler, faults: FaultBoard) -> None:
        self.id, self.gas, self._spec, self._unit = spec.id, spec.gas, spec, unit
        self._scheduler, self._faults = scheduler, faults
        self.stock_kg = spec.stock_kg
        self.flow_nl_min = self._lost_nl_min = 0.0
        self._since_ms = scheduler.now_ms
        self._buffer = None if spec.pressure_kpa_min is None else Buffer(spec.capacity_nl_min, spec.pressure_kpa_min)
        self._vaporiser = Vaporiser() if spec.gas == "co2" else None
        self._off = False
        self._started_ms: int | None = None

    @property
    def capacity_nl_min(self) -> float:
        """All that it can give now at its rated purity, as it knows itself."""
        if self._faults.stands("source_off", self.id) or self._faults.stands("stock_empty", self.id) or self.stock_kg == 0.0:
            return 0.0
        left = self._faults.size("source_weak", self.id)
        iced = 1.0 if self._vaporiser is None else self._vaporiser.share()
        return self._spec.capacity_nl_min * iced * (1.0 if left is None else left)

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

    @property
    def settling(self) -> bool:
        """Whether its gas changes by itself: it has been started lately."""
        return self._startup_pct() > 0.01

    def share(self, demands_nl_min: list[float]) -> list[float]:
        """What each of these demands gets. A generator can be driven beyond its rating at the price of purity, a bank beyond
        what its vaporiser keeps up until that ices."""
        self.count()
        ceiling = self._ceiling_nl_min()
        if self._buffer is not None and self._buffer.empty:
            ceiling = min(ceiling, self._made_nl_min())
        wanted = sum(demands_nl_min)
        factor = min(1.0, ceiling / wanted) if wanted > 0.0 else 0.0
        flows = [demand * factor for demand in demands_nl_min]
        self.flow_nl_min = sum(flows)
        return flows

    def count(self) -> None:
        """Take what has flowed since last counted out of the stock and the buffer, and see what came of it."""
        now_ms = self._scheduler.now_ms
        minutes = (now_ms - self._since_ms) / 60_000.0
        if self.stock_kg is not None:
            left_kg = self.stock_kg - self._drawn_nl_min() * minutes * CO2_KG_PER_NL
            # Less than a millilitre is empty: time comes in whole milliseconds.
            self.stock_kg = left_kg if left_kg > 1e-3 * CO2_KG_PER_NL else 0.0
        if self._buffer is not None:
            self._buffer.advance(minutes, self._drawn_nl_min(), self._made_nl_min())
        if self._vaporiser is not None:
            self._vaporiser.advance(minutes, self._drawn_nl_min(), self._kept_up_nl_min())
        off = self._faults.stands("source_off", self.id)
        if self._off and not off:
            self._started_ms = now_ms
        self._off = off
        self._since_ms = now_ms
        self._lost_nl_min = (self._faults.size("supply_leak", self.id) or 0.0) if self.available else 0.0

    def lasts_ms(self) -> int | None:
        """How long it can go on as it does now before its stock, its buffer or its vaporiser changes what it gives, or None."""
        lasting = []
        drawn_nl_min = self._drawn_nl_min()
        if self.stock_kg and drawn_nl_min > 0.0:
            lasting.append(self.stock_kg / CO2_KG_PER_NL / drawn_nl_min)
        if self._buffer is not None:
            lasting.append(self._buffer.lasts_min(drawn_nl_min, self._made_nl_min()))
        if self._vaporiser is not None:
            lasting.append(self._vaporiser.lasts_min(drawn_nl_min, self._kept_up_nl_min()))
        known = [one for one in lasting if one is not None]
        return int(min(known) * 60_000.0) + 1 if known else None

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
        if self._buffer is not None:
            status["pressure_kpa"] = round(self._buffer.pressure_kpa, 1)
        if self.stock_kg is not None:
            status["stock_kg"] = round(self.stock_kg, 3)
        self._unit.send(f"source/{self.id}/status", status)

    def exchange_stock(self) -> None:
        """The stock is found empty, or has been filled again."""
        self.count()
        self.stock_kg = 0.0 if self._faults.stands("stock_empty", self.id) else self._spec.stock_kg

    # ---- within

    def _drawn_nl_min(self) -> float:
        """All that leaves it, what its line loses on the way among it."""
        return self.flow_nl_min + self._lost_nl_min

    def _ceiling_nl_min(self) -> float:
        if self._vaporiser is not None and self._vaporiser.iced:
            return self.capacity_nl_min
        return self.capacity_nl_min * {"nitrogen": OVERDRIVE, "co2": OVERDRAW}.get(self.gas, 1.0)

    def _made_nl_min(self) -> float:
        """What its compressor makes, which is less than it says where that has grown weak."""
        left = self._faults.size("compressor_weak", self.id)
        return self._ceiling_nl_min() * (1.0 if left is None else left)

    def _kept_up_nl_min(self) -> float:
        """What its vaporiser keeps up without icing; less in the cold."""
        left = self._faults.size("vaporiser_cold", self.id)
        return self._spec.capacity_nl_min * (1.0 if left is None else left)

    def _startup_pct(self) -> float:
        """Oxygen in a generator's gas beyond what it has when it has run for long: much at first, after a stop."""
        if self.gas != "nitrogen" or self._started_ms is None:
            return 0.0
        run_s = (self._scheduler.now_ms - self._started_ms) / 1000.0
        return STARTUP_O2_PCT * math.exp(-run_s / STARTUP_S)

    def _residual_pct(self) -> float:
        """Residual oxygen: by the data sheet or as rated up to the rated flow, rising beyond it along the assumed curve."""
        capacity = self.capacity_nl_min
        load = self.flow_nl_min / capacity if capacity > 0.0 else 0.0
        rated_pct = self._spec.o2_pct
        if self._spec.purity and load <= 1.0:
            rated_pct = _along(self._spec.purity, self.flow_nl_min)
        return rated_pct * _along(OVERDRIVE_CURVE, load) / OVERDRIVE_CURVE[0][1] + self._startup_pct()


def _along(curve: tuple[tuple[float, float], ...], at: float) -> float:
    """The value on a line through points that rise; level before the first and after the last."""
    low, low_value = curve[0]
    for high, high_value in curve[1:]:
        if at <= low:
            return low_value
        if at < high:
            return low_value + (at - low) / (high - low) * (high_value - low_value)
        low, low_value = high, high_value
    return low_value
