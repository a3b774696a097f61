"""What a room's own air sensors say, and whether that may be believed. The process analyser has no part in it.

Continuous detectors in the room are the only ones that say anything about people's air; an instrument that draws samples in
turn is none (EN 50104 leaves external sampling and process measurement out of its scope). Every sensor's word counts
against the room for as long as it can be read; any doubt about any of them makes the room unknown.
"""

from typing import NamedTuple

from supervisor.core import alarms
from supervisor.core.desk import Desk
from supervisor.core.state import Sensor
from supervisor.core.units import from_the_future, our_times, usable
from supervisor.messages import RoomAir
from supervisor.settings import Room, RoomLimits, RoomSensor
from supervisor.values import Row

DEADBAND_PCT = 0.1  # of oxygen; of CO2, and of what sensors may be apart, this share of the limit
CO2_PCT_MIN = -0.1  # a zero may drift a little below nothing; -1 is a usual fault code
IDLH_CO2_PCT = 4.0  # NIOSH: immediately dangerous to life or health
ROW_INTERVAL = 12  # every so many words of a sensor, one row for the history


class Air(NamedTuple):
    """A room's air as its sensors tell it: every word that can be read, and every doubt there is, in words."""

    heard: list[tuple[str, Sensor]]
    doubts: list[str]

    @property
    def co2_pct(self) -> float | None:
        """The worst of what can be read."""
        return max((one.co2_pct for _, one in self.heard), default=None)

    def words(self) -> str:
        """What was measured, for a permit or a record."""
        return ", ".join(f"{key} {one.o2_pct:.2f} % O2 {one.co2_pct:.2f} % CO2" for key, one in self.heard)


class Window(NamedTuple):
    """What the air must be within, volume percent."""

    o2_pct_min: float
    o2_pct_max: float
    co2_pct_max: float


def on_air(desk: Desk, room_name: str, sensor_name: str, air: RoomAir) -> None:
    sensor = desk.state.rooms[room_name].sensors[sensor_name]
    observed_s = air.observed_at.timestamp()
    late = sensor.observed_s is not None and observed_s < sensor.observed_s
    if air.seq == sensor.seq or (late and air.status == "ok"):
        return  # a repeat or a latecomer is not news; bad news always is
    unit = next(one.unit for one in desk.site.rooms[room_name].sensor if one.id == sensor_name)
    if usable(desk, unit) is not None:
        return  # a word through a unit that is lost or off in time is no word
    if from_the_future(desk, unit, observed_s):  # a slip; taken over, it would make latecomers of all that follow
        sensor.heard_mono_s = sensor.observed_s = None
        desk.state.dirty_rooms[room_name] = True
        return
    if air.o2_pct != sensor.o2_pct or sensor.o2_moved_mono_s is None:
        sensor.o2_moved_mono_s = desk.now.mono_s
    if air.co2_pct != sensor.co2_pct or sensor.co2_moved_mono_s is None:
        sensor.co2_moved_mono_s = desk.now.mono_s
    sensor.o2_pct, sensor.co2_pct, sensor.status, sensor.seq = air.o2_pct, air.co2_pct, air.status, air.seq
    sensor.observed_s = observed_s
    sensor.heard_mono_s = our_times(desk, unit, observed_s)[0]  # a word that waited somewhere is as old as it is
    desk.state.dirty_rooms[room_name] = True
    if air.seq % ROW_INTERVAL == 0:
        desk.effects.append(Row("room_air", (("room", room_name), ("sensor", sensor_name)),
                                (("o2_pct", air.o2_pct), ("co2_pct", air.co2_pct)), desk.now.wall_s))  # fmt: skip


def look(desk: Desk, name: str) -> Air:
    """What this room's sensors say now."""
    room, sensors = desk.site.rooms[name], desk.state.rooms[name].sensors
    lost = {one.id: _lost(desk, one, sensors[one.id]) for one in room.sensor}
    heard = [(key, sensors[key]) for key, why in lost.items() if why is None]
    flat = [why for one in room.sensor if lost[one.id] is None for why in _flat(desk, one, sensors[one.id])]
    back = alarms.active(desk, "room_air_unknown", name)
    return Air(heard, [why for why in lost.values() if why is not None] + flat + _spread(room, heard, back))


def _lost(desk: Desk, one: RoomSensor, sensor: Sensor) -> str | None:
    """Why this sensor's word is none, or None."""
    age_s_max = desk.site.timing.air_age_s_max
    unit_lost = usable(desk, one.unit)
    if unit_lost is not None:
        return f"sensor {one.id}: {unit_lost}"
    if not desk.fresh(sensor.heard_mono_s, age_s_max):
        age_s = desk.age_s(sensor.heard_mono_s)
        heard = "not heard since the start" if age_s is None else f"silent for {age_s:.0f} s"
        return f"sensor {one.id} {heard}, at most {age_s_max:g} s"
    if sensor.status != "ok":
        return f"sensor {one.id} says {sensor.status}"
    if sensor.co2_pct < CO2_PCT_MIN:
        return f"sensor {one.id} reads {sensor.co2_pct:.2f} % CO2, which is less than nothing"
    return None


def _flat(desk: Desk, one: RoomSensor, sensor: Sensor) -> list[str]:
    """A cell whose last digit has stood still for too long is dead, whatever it says of itself."""
    if one.flat_line_s_max == 0.0:
        return []
    found = []
    for gas, moved_mono_s in (("oxygen", sensor.o2_moved_mono_s), ("CO2", sensor.co2_moved_mono_s)):
        still_s = desk.age_s(moved_mono_s)
        if still_s is not None and still_s > one.flat_line_s_max:
            found.append(
                f"sensor {one.id}: not a digit of {gas} has moved for {still_s:.0f} s, at most {one.flat_line_s_max:g} s"
            )
    return found


def _spread(room: Room, heard: list[tuple[str, Sensor]], back: bool) -> list[str]:
    """Sensors of one room that differ by too much: one of them is wrong, or the air is not mixed. Nobody knows which. On the
    way `back` they must agree a little better, so that one that has drifted does not show the room clear now and then.
    """
    if not heard:
        return []
    found, share = [], 1.0 - DEADBAND_PCT if back else 1.0
    for gas, limit_pct, words in (
        ("oxygen", share * room.spread_o2_pct_max, [(one.o2_pct, key) for key, one in heard]),
        ("CO2", share * room.spread_co2_pct_max, [(one.co2_pct, key) for key, one in heard]),
    ):
        (low_pct, low), (high_pct, high) = min(words), max(words)
        if high_pct - low_pct > limit_pct:
            found.append(
                f"sensors disagree: {gas} {low_pct:.2f} % at {low}, {high_pct:.2f} % at {high}, at most {limit_pct:g} % apart"
            )
    return found


def clear_window(limits: RoomLimits, back: bool) -> Window:
    """The limits for entry. On the way `back` the air must be a little better, so that an alarm does not flutter."""
    better = DEADBAND_PCT if back else 0.0
    o2_max = limits.o2_clear_max.pct - better
    return Window(limits.o2_clear_min.pct + better, o2_max, limits.co2_clear_max.pct * (1.0 - better))


def danger_window(limits: RoomLimits, back: bool) -> Window:
    better = DEADBAND_PCT if back else 0.0
    return Window(limits.o2_danger_min.pct + better, 100.0, limits.co2_danger_max.pct * (1.0 - better))


def beyond(heard: list[tuple[str, Sensor]], window: Window) -> list[str]:
    """What each sensor reads outside the window, in words."""
    found = []
    for key, sensor in heard:
        if sensor.co2_pct > window.co2_pct_max:
            deadly = ", immediately dangerous to life" if sensor.co2_pct >= IDLH_CO2_PCT else ""
            found.append(f"CO2 {sensor.co2_pct:.2f} % at {key}, at most {window.co2_pct_max:g} %{deadly}")
        if sensor.o2_pct < window.o2_pct_min:
            found.append(f"oxygen {sensor.o2_pct:.2f} % at {key}, at least {window.o2_pct_min:g} %")
        if sensor.o2_pct > window.o2_pct_max:
            found.append(f"oxygen {sensor.o2_pct:.2f} % at {key}, at most {window.o2_pct_max:g} %")
    return found
