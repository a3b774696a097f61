"""The hardware units: are they heard, and what do their clocks say?

Every time in a message is by the unit's own clock. Its offset is taken from the unit's heartbeats, so that a unit that is
minutes off still gives correct ages, and one that is too far off gets no requests at all.
"""

from supervisor.core import alarms
from supervisor.core.desk import Desk
from supervisor.core.state import Unit
from supervisor.messages import SupervisorStatus, UnitStatus, at

HEARTBEATS = 5  # so many of them are compared


def on_status(desk: Desk, name: str, status: UnitStatus) -> None:
    """A heartbeat. The first since a start may be an old one that the broker kept: it tells the epoch, but it is no sign
    of life. Only a later one is.
    """
    unit = desk.state.units[name]
    observed_wall_s = status.observed_at.timestamp()
    unit.online = status.online
    unit.epoch_seen = max(unit.epoch_seen, status.epoch_seen)
    if unit.boot and status.boot != unit.boot:
        unit.offsets_s = []
        desk.say("unit_restarted", "warning", unit=name, boot=status.boot, boot_before=unit.boot)
    if status.online and unit.observed_wall_s is not None:
        # Anything but the kept one again; a clock that was set back says something new as well.
        if observed_wall_s != unit.observed_wall_s or status.boot != unit.boot:
            unit.heard_mono_s = desk.now.mono_s
            _take_offset(unit, observed_wall_s - desk.now.wall_s, desk.site.timing.clock_offset_s_max)
    unit.observed_wall_s = observed_wall_s
    unit.boot = status.boot


def _take_offset(unit: Unit, offset_s: float, step_s: float) -> None:
    """A heartbeat that was long on its way makes its clock look slow, so the least delayed of the last few counts. One
    that is behind by more than any delay explains is a clock that was set back, and counts alone.
    """
    unit.offsets_s = [*unit.offsets_s, offset_s][-HEARTBEATS:]
    if max(unit.offsets_s) - offset_s > step_s:
        unit.offsets_s = [offset_s]
    unit.clock_offset_s = max(unit.offsets_s)


def our_times(desk: Desk, unit: str, unit_wall_s: float) -> tuple[float, float]:
    """A time by the unit's clock as (`mono_s`, `wall_s`) of ours; never later than now."""
    wall_s = unit_wall_s - desk.state.units[unit].clock_offset_s
    ago_s = max(0.0, desk.now.wall_s - wall_s)
    return desk.now.mono_s - ago_s, desk.now.wall_s - ago_s


def from_the_future(desk: Desk, unit: str, unit_wall_s: float) -> bool:
    """Whether a time by the unit's clock is further ahead of ours than clocks may differ: a slip of a digit or of the clock."""
    ahead_s = unit_wall_s - desk.state.units[unit].clock_offset_s - desk.now.wall_s
    return ahead_s > desk.site.timing.clock_offset_s_max


def usable(desk: Desk, name: str) -> str | None:
    """Why nothing may be asked of this unit now, or None."""
    unit, timing = desk.state.units[name], desk.site.timing
    if not desk.fresh(unit.heard_mono_s, timing.unit_silence_s_max):
        return f"unit {name} is silent"
    if not unit.online:
        return f"unit {name} is offline"
    if abs(unit.clock_offset_s) > timing.clock_offset_s_max:
        return f"clock of unit {name} is {unit.clock_offset_s:+.1f} s off, at most {timing.clock_offset_s_max:g} s"
    return None


def judge(desk: Desk) -> None:
    """Raises and clears what there is to say about each unit, and follows the epoch that hardware has seen."""
    timing = desk.site.timing
    for name, unit in desk.state.units.items():
        silent = not (unit.online and desk.fresh(unit.heard_mono_s, timing.unit_silence_s_max))
        age_s = desk.age_s(unit.heard_mono_s)
        heard = "never heard" if age_s is None else f"last heard {age_s:.0f} s ago"
        alarms.missing(desk, "unit_silent", name, silent, f"{heard}, at most {timing.unit_silence_s_max:g} s")
        limit_s = timing.clock_offset_s_max - alarms.deadband(desk, "unit_clock_off", name)
        off = abs(unit.clock_offset_s) > limit_s  # as last heard: silence puts no clock right
        alarms.condition(
            desk, "unit_clock_off", name, off,
            f"clock {unit.clock_offset_s:+.1f} s off, at most {timing.clock_offset_s_max:g} s",
        )  # fmt: skip
        _follow_epoch(desk, name, unit)


def _follow_epoch(desk: Desk, name: str, unit: Unit) -> None:
    """Before the first permit or request of this run a higher epoch is simply climbed over; later it is another's."""
    state = desk.state
    if unit.epoch_seen > state.epoch and state.epoch_used:
        if not state.overtaken:
            desk.say("epoch_overtaken", "error", unit=name, epoch_seen=unit.epoch_seen, epoch=state.epoch)
        state.overtaken = True
        alarms.condition(
            desk, "epoch_overtaken", "site", True, f"unit {name} has seen epoch {unit.epoch_seen}, ours is {state.epoch}"
        )
    elif unit.epoch_seen >= state.epoch and not state.epoch_used:
        state.epoch = unit.epoch_seen + 1
        desk.say("epoch_raised", epoch=state.epoch, unit=name)
        if state.link_up:
            say_online(desk, True)


def say_online(desk: Desk, online: bool) -> None:
    """Who controls this site now, and by which epoch."""
    state = desk.state
    started_at = at(state.started_wall_s)
    desk.publish(SupervisorStatus(online=online, instance=state.instance, epoch=state.epoch, started_at=started_at))


def heard_all(desk: Desk) -> bool:
    """Every unit has told its epoch since this start."""
    heard = [unit.heard_mono_s for unit in desk.state.units.values()]
    return all(mono_s is not None and mono_s >= desk.state.started_mono_s for mono_s in heard)
