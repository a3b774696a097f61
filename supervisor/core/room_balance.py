"""One-zone dilution: what a stream of gas, or an amount of it, makes of a room's air.

    V dc/dt = Q (c_fresh - c) + q (c_in - c)

with V the room, Q its fresh air and q the gas that flows in; the room lets out as much as comes in. Exact where the room is
well mixed; a real room is not, so that a corner may be worse. Contents are volume percent of dry gas.
"""

from math import exp, log


def mixed_pct(room_pct: float, gas_pct: float, amount_m3: float, volume_m3: float) -> float:
    """What an amount of gas makes of a closed room once it has mixed, displacing as much of the room's air."""
    return room_pct + (gas_pct - room_pct) * amount_m3 / volume_m3


def steady_pct(gas_pct: float, inflow_m3_h: float, fresh_pct: float, ventilation_m3_h: float) -> float:
    """Where the room's air ends up. Raises ZeroDivisionError where nothing flows at all."""
    return (inflow_m3_h * gas_pct + ventilation_m3_h * fresh_pct) / (inflow_m3_h + ventilation_m3_h)


def after_pct(
    room_pct: float, gas_pct: float, inflow_m3_h: float, fresh_pct: float, ventilation_m3_h: float, volume_m3: float,
    hours: float,
) -> float:  # fmt: skip
    """What the room's air is after a steady inflow of so many hours."""
    through_m3_h = inflow_m3_h + ventilation_m3_h
    if through_m3_h <= 0.0:
        return room_pct
    end_pct = steady_pct(gas_pct, inflow_m3_h, fresh_pct, ventilation_m3_h)
    return end_pct + (room_pct - end_pct) * exp(-through_m3_h / volume_m3 * hours)


def hours_to_pct(room_pct: float, limit_pct: float, gas_pct: float, inflow_m3_h: float, volume_m3: float) -> float | None:
    """When a closed room's air passes a limit on its way towards that of the gas; None when it never does."""
    if inflow_m3_h <= 0.0 or (gas_pct - limit_pct) * (limit_pct - room_pct) <= 0.0:
        return 0.0 if room_pct == limit_pct else None
    return volume_m3 / inflow_m3_h * log((gas_pct - room_pct) / (gas_pct - limit_pct))
