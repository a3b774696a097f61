"""How far an analyser has drifted: an offset of each gas and a share of each reading, growing as faults say, and staying."""

from .faults import FaultBoard

DAY_MS = 86_400_000.0


class Drift:
    """What has come together so far. `advance` brings it to now."""

    def __init__(self, analyser: str, faults: FaultBoard, now_ms: int) -> None:
        self._analyser, self._faults, self._since_ms = analyser, faults, now_ms
        self.o2_pct = self.co2_pct = self.gain_pct = 0.0

    def advance(self, now_ms: int) -> None:
        days = (now_ms - self._since_ms) / DAY_MS
        self._since_ms = now_ms
        self.o2_pct += days * self._a_day("analyser_drift")
        self.co2_pct += days * self._a_day("analyser_drift_co2")
        self.gain_pct += days * self._a_day("analyser_drift_gain")

    def shown(self, o2_pct: float, co2_pct: float) -> tuple[float, float]:
        """What is read where this is there."""
        share = 1.0 + self.gain_pct / 100.0
        return o2_pct * share + self.o2_pct, co2_pct * share + self.co2_pct

    def _a_day(self, fault: str) -> float:
        return self._faults.size(fault, self._analyser) or 0.0
