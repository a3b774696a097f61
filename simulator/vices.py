"""How an analyser and its lines lie: other gas in the cell, and figures that are not what the cell holds."""

from .assumed import AIR_CO2_PCT, AIR_O2_PCT
from .faults import FaultBoard

Gas = tuple[float, float]
AIR: Gas = (AIR_O2_PCT, AIR_CO2_PCT)


def mixed_up(faults: FaultBoard, analyser: str, line: str, cell: Gas, before: Gas) -> Gas:
    """What is measured instead of what came through the line: gas of the line before, room air, water vapour."""
    gas = _with(cell, before, faults.size("analyser_carry_over", analyser))
    gas = _with(gas, AIR, faults.size("line_leak", f"{analyser}/{line}"))
    gas = _with(gas, AIR, faults.size("analyser_selector_leak", analyser))
    return _with(gas, (0.0, 0.0), (faults.size("analyser_moisture", analyser) or 0.0) / 100.0)


def misread(faults: FaultBoard, gas: str, pct: float) -> float:
    """The figure that is sent for one gas, to three digits."""
    pct += faults.size("analyser_offset", gas) or 0.0
    pct *= faults.size("analyser_scale", gas) or 1.0
    pegged_pct = faults.size("analyser_pegged", gas)
    return round(pct if pegged_pct is None else pegged_pct, 3)


def _with(gas: Gas, other: Gas, share: float | None) -> Gas:
    return gas if not share else (gas[0] + share * (other[0] - gas[0]), gas[1] + share * (other[1] - gas[1]))
