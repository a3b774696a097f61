"""Back to breathable air: how much air, when it is enough, and what the room will have to take.

CO2 decides last. By one-zone dilution from 3 % O2 and 18 % CO2, oxygen passes 19.5 % after 2.5 volumes of air while CO2
still stands at 1.5 %; 0.5 % CO2 takes 3.7 volumes. And the fruit gives back the CO2 that it dissolved, so one good sample
proves nothing: two in a row do.
"""

from math import expm1
from typing import NamedTuple

from supervisor.core.balance import AIR_CO2_PCT, AIR_O2_PCT, Unreachable, sweep_volume_nl
from supervisor.core.desk import Desk
from supervisor.core.state import Sample
from supervisor.settings import Room, RoomLimits

GOOD_SAMPLES = 2
AIM = 0.6  # the share of the CO2 limit that a vent aims at, so that what comes out of the fruit stays under it
ORDER_V_MAX = 1.0  # at most one volume of air between two samples
DISSOLVED_SHARE = 0.7  # CO2 in the fruit over CO2 in the gas; about half is usual, taken higher on purpose


def breathable(sample: Sample, limits: RoomLimits) -> bool:
    """Whether an enclosure's gas is within the clear limits of its room, both gases."""
    return (
        limits.o2_clear_min.pct <= sample.o2_pct <= limits.o2_clear_max.pct and sample.co2_pct <= limits.co2_clear_max.pct
    )


def air_nl(sample: Sample, limits: RoomLimits, free_volume_nl: float) -> float:
    """How much air to give before the next sample, normal litres."""
    aim_co2_pct = max(AIR_CO2_PCT * 2.0, AIM * limits.co2_clear_max.pct)
    aim_o2_pct = limits.o2_clear_min.pct + 0.5 * (AIR_O2_PCT - limits.o2_clear_min.pct)
    needed_nl = 0.0
    for now_pct, air_pct, aim_pct, missing in (
        (sample.co2_pct, AIR_CO2_PCT, aim_co2_pct, sample.co2_pct > aim_co2_pct),
        (sample.o2_pct, AIR_O2_PCT, aim_o2_pct, sample.o2_pct < aim_o2_pct),
    ):
        if missing:
            try:
                needed_nl = max(needed_nl, sweep_volume_nl(now_pct, air_pct, aim_pct, free_volume_nl))
            except Unreachable:
                needed_nl = free_volume_nl
    return min(needed_nl, ORDER_V_MAX * free_volume_nl)


class Forecast(NamedTuple):
    """The enclosures that may blow air at once, what the room's air can become while they do, and why the next may not."""

    names: list[str]
    o2_pct: float
    co2_pct: float
    why: str


def admitted(desk: Desk, room_name: str) -> tuple[list[str], str]:
    """The venting enclosures that may blow now, longest waiting first, and why the next one may not yet."""
    found = forecast(desk, room_name)
    return ([], "room air is not known") if found is None else (found.names, found.why)


def forecast(desk: Desk, room_name: str) -> Forecast | None:
    """How many may vent at once: the forecast of the room's air must stay within the clear limits. None: not known.

    All CO2 of those that vent, the dissolved with it, is counted into the room against its ventilation, from what the
    worst sensor reads now.
    """
    room, plant = desk.site.rooms[room_name], desk.state.rooms[room_name]
    heard = [one for one in plant.sensors.values() if one.status == "ok"]
    if not heard:
        return None
    co2_pct, o2_pct = max(one.co2_pct for one in heard), min(one.o2_pct for one in heard)
    waiting = [
        (kept.since_mono_s, name)
        for name in desk.site.enclosures_of_room[room_name]
        if (kept := desk.state.enclosures[name]).state == "venting" and kept.sample is not None
    ]
    names: list[str] = []
    for _, name in sorted(waiting):
        rise_pct, fall_pct = _burden(desk, name, room)
        then_co2_pct, then_o2_pct = co2_pct + rise_pct, o2_pct - fall_pct
        why = ""
        if then_co2_pct > room.limits.co2_clear_max.pct:
            why = f"forecast CO2 {then_co2_pct:.2f} % in the room, at most {room.limits.co2_clear_max.pct:g} %"
        elif then_o2_pct < room.limits.o2_clear_min.pct:
            why = f"forecast oxygen {then_o2_pct:.2f} % in the room, at least {room.limits.o2_clear_min.pct:g} %"
        if why:
            return Forecast(names, o2_pct, co2_pct, why)
        names.append(name)
        co2_pct, o2_pct = then_co2_pct, then_o2_pct
    return Forecast(names, o2_pct, co2_pct, "")


def _burden(desk: Desk, name: str, room: Room) -> tuple[float, float]:
    """How far one vent can raise the room's CO2 and lower its oxygen, volume percent."""
    enclosure, sample = desk.site.enclosures[name], desk.state.enclosures[name].sample
    if sample is None:
        return 0.0, 0.0
    flow_nl_min, volume_nl = enclosure.flow_nl_min_max.air, enclosure.free_volume_nl
    co2, missing_o2 = sample.co2_pct / 100.0, max(0.0, AIR_O2_PCT - sample.o2_pct) / 100.0
    rise_pct = _peak_pct(co2 * volume_nl * (1.0 + DISSOLVED_SHARE), flow_nl_min * co2, room)
    return rise_pct, _peak_pct(missing_o2 * volume_nl, flow_nl_min * missing_o2, room)


def _peak_pct(amount_nl: float, stream_nl_min: float, room: Room) -> float:
    """The most that an amount let out as a stream can raise a room, volume percent."""
    at_once = 100.0 * amount_nl / (1000.0 * room.volume_m3)
    if room.ventilation_m3_h <= 0.0 or stream_nl_min <= 0.0:
        return at_once
    steady = 100.0 * stream_nl_min * 60.0 / (1000.0 * room.ventilation_m3_h)
    lasting_h = amount_nl / stream_nl_min / 60.0
    return min(at_once, -steady * expm1(-room.ventilation_m3_h / room.volume_m3 * lasting_h))
