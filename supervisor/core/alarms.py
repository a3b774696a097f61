"""Alarms that people acknowledge: the states of ISA-18.2 / IEC 62682, for each alarm of each subject.

Condition (what the plant says now) and state (what people have done about it) are kept apart. An acknowledgement names
the occurrence that the person saw and covers no other. A latched alarm ends only when the condition is gone and a named
person has acknowledged it with the condition gone.
"""

from supervisor.core.catalogue import CATALOGUE, Row
from supervisor.core.desk import Desk
from supervisor.core.state import Alarm
from supervisor.messages import AlarmStatus, at

_PRIORITIES = ("critical", "high", "medium", "low")
WORST_FIRST = sorted(CATALOGUE, key=lambda name: (_PRIORITIES.index(CATALOGUE[name].priority), name))

# What each state becomes. `clear` and `acknowledge` differ for alarms that latch.
ON_CONDITION = {
    "normal": "unacknowledged",
    "returned_unacknowledged": "unacknowledged",
    "latched_unacknowledged": "unacknowledged",
    "latched_acknowledged": "unacknowledged",
}
ON_CLEAR = {"unacknowledged": "returned_unacknowledged", "acknowledged": "normal"}
ON_CLEAR_LATCHING = {"unacknowledged": "latched_unacknowledged", "acknowledged": "latched_acknowledged"}
ON_ACKNOWLEDGE = {
    "unacknowledged": "acknowledged",
    "returned_unacknowledged": "normal",
    "latched_unacknowledged": "normal",
    "latched_acknowledged": "normal",
}


def key_of(name: str, subject: str) -> str:
    return f"{name}-{subject}"


def condition(desk: Desk, name: str, subject: str, active: bool, text: str = "") -> None:
    """Says what the plant says now. `text` carries what was measured, the limit, and how old it is."""
    key = key_of(name, subject)
    alarm = desk.state.alarms.get(key)
    if alarm is None:
        if not active:
            return
        alarm = desk.state.alarms[key] = Alarm(name, subject)
    row = CATALOGUE[name]
    if not active:
        alarm.pending_mono_s = None
        if alarm.condition:
            _clear(desk, key, alarm, row)
        return
    if alarm.condition:
        return
    if alarm.pending_mono_s is None:
        alarm.pending_mono_s = desk.now.mono_s
    if desk.now.mono_s - alarm.pending_mono_s >= row.on_delay_s:
        _raise(desk, key, alarm, text)


def missing(desk: Desk, name: str, subject: str, gone: bool, text: str) -> None:
    """An input that is not there. Within the grace after a start nothing was heard yet: that raises nothing, and it ends
    nothing either. An alarm of the run before stands, with what people have said to it, until the input is heard.
    """
    condition(desk, name, subject, gone and (not desk.starting() or active(desk, name, subject)), text)


def _raise(desk: Desk, key: str, alarm: Alarm, text: str) -> None:
    alarm.condition, alarm.pending_mono_s, alarm.text = True, None, text
    active = [*problems(desk, alarm.subject), alarm.name]
    desk.state.problems[alarm.subject] = sorted(active, key=WORST_FIRST.index)
    if alarm.state in ON_CONDITION:
        alarm.state = ON_CONDITION[alarm.state]
        alarm.occurrence += 1
        alarm.raised_wall_s = desk.now.wall_s
        alarm.cleared_wall_s = alarm.acknowledged_wall_s = alarm.acknowledged_by = None
    _show(desk, key, alarm)
    row = CATALOGUE[alarm.name]
    level = "error" if row.priority in ("critical", "high") else "warning"
    desk.say("alarm_raised", level, alarm=key, priority=row.priority, occurrence=alarm.occurrence,
             text=f"{row.text}: {text}", advice=row.advice)  # fmt: skip


def _clear(desk: Desk, key: str, alarm: Alarm, row: Row) -> None:
    alarm.condition = False
    desk.state.problems[alarm.subject] = [one for one in problems(desk, alarm.subject) if one != alarm.name]
    alarm.cleared_wall_s = desk.now.wall_s
    alarm.state = (ON_CLEAR_LATCHING if row.latches else ON_CLEAR).get(alarm.state, alarm.state)
    _show(desk, key, alarm)
    desk.say("alarm_cleared", alarm=key, occurrence=alarm.occurrence, state=alarm.state)


def acknowledge(desk: Desk, key: str, occurrence: int | None, operator: str) -> str | None:
    """Takes a person's acknowledgement; returns why not, or None when it was taken."""
    alarm = desk.state.alarms.get(key)
    if alarm is None or alarm.state == "normal":
        return f"there is no alarm {key} to acknowledge"
    if occurrence is None:
        return f"say which occurrence of {key} you saw; it stands at {alarm.occurrence}"
    if occurrence != alarm.occurrence:
        return f"you saw occurrence {occurrence} of {key}, it stands at {alarm.occurrence}: look again"
    if alarm.state not in ON_ACKNOWLEDGE:
        return f"{key} was acknowledged by {alarm.acknowledged_by} already"
    alarm.state = ON_ACKNOWLEDGE[alarm.state]
    alarm.acknowledged_wall_s, alarm.acknowledged_by = desk.now.wall_s, operator
    _show(desk, key, alarm)
    desk.say("alarm_acknowledged", alarm=key, occurrence=alarm.occurrence, operator=operator, state=alarm.state)
    return None


def active(desk: Desk, name: str, subject: str) -> bool:
    """Whether this alarm's condition holds."""
    alarm = desk.state.alarms.get(key_of(name, subject))
    return alarm is not None and alarm.condition


def holds(desk: Desk, name: str, subject: str) -> bool:
    """Whether this alarm's consequence stands: its condition holds, or it is latched and nobody has ended it."""
    alarm = desk.state.alarms.get(key_of(name, subject))
    if alarm is None:
        return False
    return alarm.condition or (CATALOGUE[name].latches and alarm.state != "normal")


def problems(desk: Desk, subject: str) -> list[str]:
    """The names of everything active about one subject, worst first."""
    return list(desk.state.problems.get(subject, ()))


def show_all(desk: Desk) -> None:
    """Publishes every alarm again, after a connect: retained messages are a cache that may be gone."""
    for key, alarm in desk.state.alarms.items():
        _show(desk, key, alarm)


def _show(desk: Desk, key: str, alarm: Alarm) -> None:
    row = CATALOGUE[alarm.name]

    def when(wall_s: float | None):  # noqa: ANN202 - a datetime or None
        return None if wall_s is None else at(wall_s)

    desk.publish(
        AlarmStatus(
            alarm=key, subject=alarm.subject, occurrence=alarm.occurrence, state=alarm.state,  # type: ignore[arg-type]
            priority=row.priority, condition=alarm.condition,
            latched=row.latches and alarm.state != "normal",
            raised_at=when(alarm.raised_wall_s), cleared_at=when(alarm.cleared_wall_s),
            acknowledged_at=when(alarm.acknowledged_wall_s), acknowledged_by=alarm.acknowledged_by,
            shelved_until=None, text=f"{row.text}: {alarm.text}" if alarm.text else row.text, advice=row.advice,
        ),
        key,
    )  # fmt: skip
