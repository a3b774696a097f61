"""The shared gas analyser: a manifold of sample lines, a transport delay, a mixing cell, a reading every few seconds.

A line holds the gas that stood in it when it was last drawn; that plug reaches the cell first. The cell is well mixed:
150 ml at 1 l/min is 9 s. A paramagnetic cell reads 0.27 % O2 low in pure CO2.
"""

import math
import random
from collections import deque
from collections.abc import Callable
from typing import Any

from .assumed import AIR_CO2_PCT, AIR_O2_PCT, Assumptions
from .drift import Drift
from .faults import FaultBoard
from .scheduler import Scheduler
from .sitefile import AnalyserSpec
from .units import Unit
from .vices import misread, mixed_up
from .wire import Select

Gas = tuple[float, float]


class Analyser:
    """One analyser.

    `inlet` gives what stands at the far end of a line now, percent; `drawn` adds to the flow drawn there, nl/min.
    """

    def __init__(
        self,
        spec: AnalyserSpec,
        unit: Unit,
        scheduler: Scheduler,
        faults: FaultBoard,
        assumed: Assumptions,
        chance: random.Random,
        inlet: Callable[[str], Gas],
        drawn: Callable[[str, float], None],
    ) -> None:
        self._spec, self._unit, self._scheduler, self._faults = spec, unit, scheduler, faults
        self._assumed, self._chance, self._inlet, self._drawn = assumed, chance, inlet, drawn
        self._line = spec.idle_line
        self._source = spec.idle_line
        self._until_ms: int | None = None
        self._since_ms = self._read_ms = scheduler.now_ms
        self._residue: dict[str, Gas] = {}
        # Until this instant the plug that stood in the line reaches the cell.
        self._plug_until_ms = scheduler.now_ms
        air = (AIR_O2_PCT, AIR_CO2_PCT)
        self._plug: Gas = air
        self._cell: Gas = air
        self._before: Gas = air
        self._history: deque[tuple[int, Gas]] = deque([(scheduler.now_ms, air)])
        self.drift = Drift(spec.id, faults, scheduler.now_ms)
        self._seq = 0
        self._last_o2_pct, self._last_co2_pct = air

    def select(self, select: Select, retained: bool) -> str | None:
        """Draw a line until its lease ends, or say why not: `unit off`, `retained`, `expired`, `unknown line`."""
        if self._unit.off:
            return "unit off"
        if retained:
            return "retained"
        left_ms = select.valid_until_ms - self._unit.now_ms
        if left_ms <= 0:
            return "expired"
        if select.line not in self._spec.lines and select.line != self._spec.idle_line:
            return "unknown line"
        until_ms = self._scheduler.now_ms + left_ms
        self._until_ms = until_ms
        self._scheduler.at(until_ms, lambda: self._lease_over(until_ms))
        self._switch(select.line)
        return None

    def refresh(self) -> None:
        """Look at the faults again: another line may really be drawn."""
        self._switch(self._line)

    def read(self) -> None:
        """Bring the cell to now and send a reading of it."""
        self._mix()
        self.drift.advance(self._scheduler.now_ms)
        self._seq += 1
        if self._faults.stands("analyser_dead", self._spec.id):
            return
        if not self._faults.stands("analyser_flat", self._spec.id):
            self._measure()
        line = self._spec.lines.get(self._line)
        wait_s = line.transport_s + line.settling_s if line else 0.0
        settled = self._scheduler.now_ms - self._since_ms >= wait_s * 1000
        fault = self._faults.stands("analyser_fault", self._spec.id)
        self._unit.send(f"analyser/{self._spec.id}/reading", self._reading(settled, fault))

    # ---- within

    def _reading(self, settled: bool, fault: bool) -> dict[str, Any]:
        return {
            "observed_at": self._unit.stamp(),
            "boot": self._unit.boot,
            "seq": self._seq,
            "line": self._line,
            "line_confirmed": not self._feedback_shows_other(),
            "o2_pct": self._last_o2_pct,
            "co2_pct": self._last_co2_pct,
            "settled": settled,
            "status": "fault" if fault else "ok",
            "corrected": not self._assumed.cross_sensitivity,
            "sample_flow_nl_min": self._spec.sample_flow_nl_min if self._flows() else 0.0,
        }

    def _measure(self) -> None:
        gas = mixed_up(self._faults, self._spec.id, self._source, self._cell, self._before)
        o2_pct, co2_pct = self.drift.shown(*gas)
        if self._assumed.cross_sensitivity:
            o2_pct += self._assumed.o2_per_co2 * co2_pct
        o2_pct += self._chance.gauss(0.0, self._assumed.o2_noise_pct)
        co2_pct += self._chance.gauss(0.0, self._assumed.co2_noise_pct)
        if (noise_pct := self._faults.size("analyser_noise", self._spec.id)) is not None:
            o2_pct += self._chance.gauss(0.0, noise_pct)
            co2_pct += self._chance.gauss(0.0, noise_pct)
        self._last_o2_pct = misread(self._faults, f"{self._spec.id}/o2", o2_pct)
        self._last_co2_pct = misread(self._faults, f"{self._spec.id}/co2", co2_pct)

    def _flows(self) -> bool:
        """Whether anything comes from the line that is drawn; from an empty cylinder nothing may."""
        line = self._spec.lines.get(self._source)
        return line is None or line.gas is None or self._faults.size("calibration_gas_empty", line.gas.id) != 1.0

    def _lease_over(self, until_ms: int) -> None:
        if self._until_ms == until_ms:
            self._until_ms = None
            self._switch(self._spec.idle_line)

    def _really_drawn(self, line: str) -> str:
        """The line that the manifold draws when this one is selected."""
        for other in self._spec.lines:
            if self._faults.stands("analyser_wrong_line", f"{self._spec.id}/{other}"):
                return other
        return line

    def _feedback_shows_other(self) -> bool:
        return self._source != self._line and bool(self._faults.size("analyser_wrong_line", f"{self._spec.id}/{self._source}"))

    def _switch(self, line: str) -> None:
        source = self._really_drawn(line)
        if line != self._line:
            self._since_ms = self._scheduler.now_ms
        self._line = line
        if source == self._source:
            return
        self._mix()
        self._before = self._cell
        self._residue[self._source] = self._history[-1][1]
        self._drawn(self._source, -self._spec.sample_flow_nl_min)
        self._source = source
        self._drawn(source, self._spec.sample_flow_nl_min)
        self._plug = self._residue.get(source, (AIR_O2_PCT, AIR_CO2_PCT))
        self._plug_until_ms = self._scheduler.now_ms + self._transport_ms(source)
        self._history = deque([(self._scheduler.now_ms, self._inlet(source))])

    def _mix(self) -> None:
        """Let the cell follow what came out of the line since it was last looked at."""
        now_ms = self._scheduler.now_ms
        if now_ms <= self._read_ms:
            return
        if not self._flows():
            self._read_ms = now_ms
            return
        history = self._history
        history.append((now_ms, self._inlet(self._source)))
        delay_ms = self._transport_ms(self._source)
        start_ms = self._read_ms
        if start_ms < self._plug_until_ms:
            end_ms = min(self._plug_until_ms, now_ms)
            self._fill(self._plug, end_ms - start_ms)
            start_ms = end_ms
        if start_ms < now_ms:
            self._fill(self._at((start_ms + now_ms) // 2 - delay_ms), now_ms - start_ms)
        while len(history) > 2 and history[1][0] <= now_ms - delay_ms:
            history.popleft()
        self._read_ms = now_ms

    def _transport_ms(self, line: str) -> int:
        spec = self._spec.lines.get(line)
        return round(spec.transport_s * 1000) if spec else 0

    def _fill(self, gas: Gas, span_ms: int) -> None:
        """The cell after some time of an inlet gas: first order."""
        kept = math.exp(-span_ms / 1000.0 / self._spec.cell_s)
        self._cell = (gas[0] + (self._cell[0] - gas[0]) * kept, gas[1] + (self._cell[1] - gas[1]) * kept)

    def _at(self, when_ms: int) -> Gas:
        """What stood at the line's far end at an instant, between the instants it was looked at."""
        earlier = self._history[0]
        for later in self._history:
            if later[0] >= when_ms:
                span = later[0] - earlier[0]
                part = (when_ms - earlier[0]) / span if span > 0 else 1.0
                return (
                    earlier[1][0] + part * (later[1][0] - earlier[1][0]),
                    earlier[1][1] + part * (later[1][1] - earlier[1][1]),
                )
            earlier = later
        return earlier[1]
