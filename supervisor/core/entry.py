"""May this room be entered, and may gas be given in it? From its own air sensors alone, never from the process analyser.

The worst sensor decides. Unknown is forbidden. No decision about people rests on oxygen alone: while an enclosure is
vented oxygen is back long before CO2 is, and a CO2 leak is dangerous long before oxygen shows it.
"""

import re
from typing import NamedTuple

from supervisor.core import alarms
from supervisor.core.desk import Desk
from supervisor.core.state import Room, Sensor
from supervisor.core.units import our_times, usable
from supervisor.messages import RoomAir, RoomEntry, RoomSounder, at
from supervisor.settings import RoomLimits, RoomSensor
from supervisor.values import PermitRoom, Row

DEADBAND_PCT = 0.1  # of oxygen; of CO2 this share of its limit
CO2_PCT_MIN = -0.1  # a zero may drift a little below nothing; -1 is a usual fault code
_AGE = re.compile(r"\b\d+ s\b")
ROW_INTERVAL = 12  # every so many words of a sensor, one row for the history


def on_air(desk: Desk, room_name: str, sensor_name: str, air: RoomAir) -> None:
    sensor = desk.state.rooms[room_name].sensors[sensor_name]
    observed_s = air.observed_at.timestamp()
    late = sensor.observed_s is not None and observed_s < sensor.observed_s
    if air.seq == sensor.seq or (late and air.status == "ok"):
        return  # a repeat or a latecomer is not news; bad news always is
    unit = next(one.unit for one in desk.site.rooms[room_name].sensor if one.id == sensor_name)
    if usable(desk, unit) is not None:
        return  # a word through a unit that is lost or off in time is no word
    sensor.o2_pct, sensor.co2_pct, sensor.status, sensor.seq = air.o2_pct, air.co2_pct, air.status, air.seq
    sensor.observed_s = observed_s
    sensor.heard_mono_s = our_times(desk, unit, observed_s)[0]  # a word that waited somewhere is as old as it is
    desk.state.dirty_rooms[room_name] = True
    if air.seq % ROW_INTERVAL == 0:
        desk.effects.append(Row("room_air", (("room", room_name), ("sensor", sensor_name)),
                                (("o2_pct", air.o2_pct), ("co2_pct", air.co2_pct)), desk.now.wall_s))  # fmt: skip


def judge(desk: Desk, name: str) -> None:
    """Settles a room's status, raises what is to be raised, renews or withdraws its permit."""
    room = desk.state.rooms[name]
    limits = desk.site.rooms[name].limits
    doubts = {one.id: _unknown(desk, one, room.sensors[one.id]) for one in desk.site.rooms[name].sensor}
    unknown = [why for why in doubts.values() if why]
    heard = [(key, room.sensors[key]) for key, why in doubts.items() if not why]
    dangerous = _beyond(heard, _danger(limits, back=alarms.active(desk, "room_air_dangerous", name)))
    unsafe = _beyond(heard, _clear(limits, back=alarms.active(desk, "room_air_unsafe", name)))
    overdue = [person for person, due_mono_s in room.people.items() if desk.now.mono_s > due_mono_s]
    _alarm(desk, "room_air_dangerous", name, dangerous, unknown)
    _alarm(desk, "room_air_unsafe", name, unsafe, unknown)
    alarms.missing(desk, "room_air_unknown", name, bool(unknown), "; ".join(unknown))
    alarms.condition(desk, "people_overdue", name, bool(overdue), f"{', '.join(overdue)} should be out")
    if unknown or unsafe or dangerous:
        room.good_since_mono_s = None
    elif room.good_since_mono_s is None:
        room.good_since_mono_s = desk.now.mono_s
    status, reasons = _status(desk, name, room, unknown, dangerous, unsafe)
    _say_status(desk, name, room, status, reasons)
    _permit(desk, name, room, not (unknown or dangerous))


def _alarm(desk: Desk, row: str, room: str, found: list[str], unknown: list[str]) -> None:
    """A lost sensor is an alarm of its own and clears no other: what was bad stays so until every sensor says it is not."""
    stands = bool(unknown) and alarms.active(desk, row, room)
    alarms.condition(desk, row, room, bool(found) or stands, "; ".join(found))


def _unknown(desk: Desk, one: RoomSensor, sensor: Sensor) -> str | None:
    age_s_max = desk.site.timing.air_age_s_max
    lost = usable(desk, one.unit)
    if lost is not None:
        return f"sensor {one.id}: {lost}"
    if not desk.fresh(sensor.heard_mono_s, age_s_max):
        age_s = desk.age_s(sensor.heard_mono_s)
        heard = "not heard since the start" if age_s is None else f"silent for {age_s:.0f} s"
        return f"sensor {one.id} {heard}, at most {age_s_max:g} s"
    if sensor.status != "ok":
        return f"sensor {one.id} says {sensor.status}"
    if sensor.co2_pct < CO2_PCT_MIN:
        return f"sensor {one.id} reads {sensor.co2_pct:.2f} % CO2, which is less than nothing"
    return None


class _Window(NamedTuple):
    """What the air must be within, volume percent."""

    o2_pct_min: float
    o2_pct_max: float
    co2_pct_max: float


def _clear(limits: RoomLimits, back: bool) -> _Window:
    """The limits for entry. On the way `back` the air must be a little better, so that an alarm does not flutter."""
    better = DEADBAND_PCT if back else 0.0
    o2_max = limits.o2_clear_max.pct - better
    return _Window(limits.o2_clear_min.pct + better, o2_max, limits.co2_clear_max.pct * (1.0 - better))


def _danger(limits: RoomLimits, back: bool) -> _Window:
    better = DEADBAND_PCT if back else 0.0
    return _Window(limits.o2_danger_min.pct + better, 100.0, limits.co2_danger_max.pct * (1.0 - better))


def _beyond(heard: list[tuple[str, Sensor]], window: _Window) -> list[str]:
    """What each sensor reads outside the window, in words."""
    found = []
    for key, sensor in heard:
        if sensor.co2_pct > window.co2_pct_max:
            found.append(f"CO2 {sensor.co2_pct:.2f} % at {key}, at most {window.co2_pct_max:g} %")
        if sensor.o2_pct < window.o2_pct_min:
            found.append(f"oxygen {sensor.o2_pct:.2f} % at {key}, at least {window.o2_pct_min:g} %")
        if sensor.o2_pct > window.o2_pct_max:
            found.append(f"oxygen {sensor.o2_pct:.2f} % at {key}, at most {window.o2_pct_max:g} %")
    return found


def _status(
    desk: Desk, name: str, room: Room, unknown: list[str], dangerous: list[str], unsafe: list[str]
) -> tuple[str, list[str]]:
    """`forbidden` for what may kill or is not known, `restricted` for what still needs a person, else `clear`."""
    if unknown or dangerous or unsafe:
        return "forbidden", unknown + dangerous + [one for one in unsafe if one not in dangerous]
    since_s = 0.0 if room.good_since_mono_s is None else desk.now.mono_s - room.good_since_mono_s
    # One tick later than the guard, which counts for itself: the two must never disagree about who was first.
    wait_s = desk.site.timing.clear_after_s + desk.site.timing.tick_s
    if since_s < wait_s:
        return "forbidden", [f"air good for {wait_s:g} s is needed before the room reads clear"]
    reasons = [f"alarm {row} waits for a named person" for row in latched(desk, name)]
    if room.people:
        reasons.append(f"entered by {', '.join(room.people)}")
    return "restricted" if reasons else "clear", reasons


def latched(desk: Desk, name: str) -> list[str]:
    """The alarms about this room's air that no named person has ended yet."""
    return [row for row in ("room_air_dangerous", "room_air_unsafe") if alarms.holds(desk, row, name)]


def _say_status(desk: Desk, name: str, room: Room, status: str, reasons: list[str]) -> None:
    """Published when it changes; words inside one status may move with every second and are not news."""
    sounding = alarms.holds(desk, "room_air_dangerous", name)
    if sounding != room.sounding:
        room.sounding = sounding
        show_sounder(desk, name)
    if status == room.status and desk.state.swept_mono_s is not None and _kinds(reasons) == _kinds(room.reasons):
        return
    if status != room.status:
        room.since_wall_s = desk.now.wall_s
        desk.say("room_status", "info" if status == "clear" else "warning", room=name, status=status,
                 was=room.status, reasons="; ".join(reasons))  # fmt: skip
    room.status, room.reasons = status, reasons
    show(desk, name)


def _kinds(reasons: list[str]) -> list[str]:
    """The reasons without their ages, which grow by themselves."""
    return [_AGE.sub("", reason) for reason in reasons]


def show(desk: Desk, name: str) -> None:
    room = desk.state.rooms[name]
    since_wall_s = room.since_wall_s or desk.state.started_wall_s
    desk.publish(RoomEntry(status=room.status, since=at(since_wall_s), reasons=room.reasons), name)  # type: ignore[arg-type]


def show_sounder(desk: Desk, name: str) -> None:
    room = desk.state.rooms[name]
    desk.publish(RoomSounder(on=room.sounding, reason="room air is dangerous" if room.sounding else ""), name)


def _permit(desk: Desk, name: str, room: Room, air_good: bool) -> None:
    """Renews the permit on its interval, and says so at once when what it allows changes."""
    timing, state = desk.site.timing, desk.state
    held = room.permit_held_until_mono_s is not None and desk.now.mono_s < room.permit_held_until_mono_s
    may = not held and state.link_up and not state.stopping and not state.overtaken and state.epoch_settled
    closed = alarms.holds(desk, "people_overdue", name)
    dosing = may and room.status == "clear" and not closed
    # Air goes in where nobody is; how many may vent at once is settled by forecast, in `venting`.
    air = may and air_good and not room.people and not closed
    changed = (dosing, air) != (room.dosing_permitted, room.air_permitted)
    sent_s = desk.age_s(room.permit_sent_mono_s)
    if not changed and sent_s is not None and sent_s < timing.permit_interval_s:
        return
    if not (dosing or air) and not changed and sent_s is not None:
        return  # withdrawn and said; silence keeps it withdrawn
    room.dosing_permitted, room.air_permitted = dosing, air
    room.permit_sent_mono_s = desk.now.mono_s
    state.epoch_used = state.epoch_used or dosing or air
    desk.effects.append(PermitRoom(name, dosing, air, state.epoch, desk.now.wall_s + timing.permit_valid_s))


def withdraw(desk: Desk, name: str) -> None:
    """Nothing is permitted in this room from now on. It holds as long as any permit: one that had expired by the time it
    arrived would be refused, and a permit from before it, delivered once more, is told from it by its earlier end.
    """
    room = desk.state.rooms[name]
    room.dosing_permitted = room.air_permitted = False
    room.permit_sent_mono_s = desk.now.mono_s
    until_wall_s = desk.now.wall_s + desk.site.timing.permit_valid_s
    desk.effects.append(PermitRoom(name, False, False, desk.state.epoch, until_wall_s))


def on_permit_refused(desk: Desk, name: str, rule: str, measured: str, limit: str) -> None:
    """The guard saw the room otherwise: nothing is permitted until the next renewal is tried."""
    room = desk.state.rooms[name]
    room.permit_held_until_mono_s = desk.now.mono_s + desk.site.timing.permit_interval_s
    withdraw(desk, name)
    desk.say("permit_refused_by_guard", "warning", room=name, rule=rule, measured=measured, limit=limit)
