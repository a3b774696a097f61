"""Alarms that people acknowledge: what the plant says, set against each alarm's row in the catalogue and its life so far.

Condition (what the plant says now), latch and state (what people have done about it) are three things and never merged.
What people say to an alarm is in `alarm_words.py`, the states in `alarm_life.py`, chatter and floods in `alarm_rate.py`.
"""

from collections import Counter

from supervisor.core import alarm_rate
from supervisor.core.alarm_causes import explaining
from supervisor.core.alarm_life import AWAY, after, back
from supervisor.core.alarm_show import show
from supervisor.core.catalogue import CATALOGUE, WORST_FIRST, row_of, worst
from supervisor.core.desk import Desk
from supervisor.core.state import Alarm


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
    row = row_of(name)
    if active:
        alarm.clearing_mono_s = None
        if alarm.condition:
            return
        if alarm.pending_mono_s is None:
            alarm.pending_mono_s = desk.now.mono_s
        alarm.pending_text = text
        if desk.now.mono_s - alarm.pending_mono_s >= row.on_delay_s:
            _occurs(desk, key, alarm)
    else:
        alarm.pending_mono_s = None
        if not alarm.condition:
            return
        if alarm.clearing_mono_s is None:
            alarm.clearing_mono_s = desk.now.mono_s
        if desk.now.mono_s - alarm.clearing_mono_s >= row.off_delay_s:
            _clears(desk, key, alarm)
    desk.state.alarm_timers[key] = None


def missing(desk: Desk, name: str, subject: str, gone: bool, text: str) -> None:
    """An input that is not there. Within the grace after a start nothing was heard yet: that raises nothing, and it ends
    nothing either. An alarm of the run before stands, with what people have said to it, until the input is heard.
    """
    condition(desk, name, subject, gone and (not desk.starting() or active(desk, name, subject)), text)


def on_tick(desk: Desk) -> None:
    """What time alone brings about: delays run out, shelves end, what held an alarm back is over, a flood ebbs."""
    for key in list(desk.state.alarm_timers):
        if not _timed(desk, key, desk.state.alarms[key]):
            del desk.state.alarm_timers[key]
    _count_held_back(desk)
    flood = alarm_rate.flood(desk, active(desk, "alarm_flood", "site"))
    condition(desk, "alarm_flood", "site", flood != "", flood)


def _timed(desk: Desk, key: str, alarm: Alarm) -> bool:
    """Whether this alarm still waits for something."""
    now_s, row = desk.now.mono_s, row_of(alarm.name)
    if alarm.pending_mono_s is not None and now_s - alarm.pending_mono_s >= row.on_delay_s:
        _occurs(desk, key, alarm)
    if alarm.clearing_mono_s is not None and now_s - alarm.clearing_mono_s >= row.off_delay_s:
        _clears(desk, key, alarm)
    if alarm.shelved_until_mono_s is not None and now_s >= alarm.shelved_until_mono_s:
        come_back(desk, key, "alarm_unshelved", operator="time")
    if alarm.state == "suppressed_by_design":
        _follow_cause(desk, key, alarm)
    alarm_rate.calm(desk, key, alarm)
    alarm_rate.away_calm(desk, key, alarm)
    waits = alarm.pending_mono_s is not None or alarm.clearing_mono_s is not None or alarm.chattering or alarm.away_trips > 0
    return waits or alarm.state in ("shelved", "suppressed_by_design")


# ------------------------------------------------------------------------------------------------ what the plant says


def _occurs(desk: Desk, key: str, alarm: Alarm) -> None:
    row = row_of(alarm.name)
    alarm.condition, alarm.pending_mono_s, alarm.text, alarm.cleared_wall_s = True, None, alarm.pending_text, None
    if row.latches:
        alarm.latched = True
    recount(desk, alarm.subject)
    cause = _cause(desk, alarm)
    if alarm.state in AWAY:
        alarm_rate.away(desk, key, alarm)
        show(desk, key, alarm)
    elif cause is not None and after(alarm.state, "suppress", row.latches) is not None:
        _suppress(desk, key, alarm, cause)
    else:
        was, alarm.state = alarm.state, after(alarm.state, "occurs", row.latches)
        _announce(desk, key, alarm, was)


def _announce(desk: Desk, key: str, alarm: Alarm, was: str) -> None:
    """Tells people: a new occurrence, or one more trip of an occurrence that chatters and that nobody has seen yet."""
    row = row_of(alarm.name)
    if alarm_rate.trip(desk, key, alarm, unseen=was.endswith("_unacknowledged")):
        show(desk, key, alarm)
        return
    alarm.occurrence += 1
    alarm.raised_wall_s = desk.now.wall_s
    alarm.acknowledged_wall_s = alarm.acknowledged_by = alarm.note = None
    show(desk, key, alarm)
    level = "error" if row.priority in ("critical", "high") else "warning"
    desk.say("alarm_raised", level, alarm=key, priority=row.priority, occurrence=alarm.occurrence, was=was,
             state=alarm.state, first=alarm.first, text=f"{row.text}: {alarm.text}", advice=row.advice)  # fmt: skip


def _clears(desk: Desk, key: str, alarm: Alarm) -> None:
    alarm.condition, alarm.clearing_mono_s = False, None
    alarm.cleared_wall_s = desk.now.wall_s
    recount(desk, alarm.subject)
    was = alarm.state
    alarm.state = after(was, "clears", alarm.latched) or was
    show(desk, key, alarm)
    if alarm.away_trips:
        return
    if was in AWAY:
        desk.say("alarm_unannounced", alarm=key, condition=False, state=alarm.state, text=alarm.text)
    elif not alarm.chattering:
        desk.say("alarm_cleared", alarm=key, occurrence=alarm.occurrence, was=was, state=alarm.state)


# ------------------------------------------------------------------------------------------------ away and back


def _cause(desk: Desk, alarm: Alarm) -> str | None:
    """The alarm that explains this one, when it stands. What is itself held back explains as well."""
    for name, subject in explaining(desk.site, alarm.name, alarm.subject):
        if active(desk, name, subject):
            return key_of(name, subject)
    return None


def _suppress(desk: Desk, key: str, alarm: Alarm, cause: str) -> None:
    was, alarm.state = alarm.state, "suppressed_by_design"
    alarm.cause, alarm.raised_wall_s = cause, desk.now.wall_s
    show(desk, key, alarm)
    desk.say("alarm_suppressed", alarm=key, was=was, state=alarm.state, cause=cause, text=alarm.text)


def _count_held_back(desk: Desk) -> None:
    """An alarm that explains others tells how many, once for all that came and went since the last look."""
    state = desk.state
    held = Counter(state.alarms[key].cause for key in state.alarm_timers if state.alarms[key].cause)
    keys = dict.fromkeys([*held, *state.held_back])
    changed = [key for key in keys if held[key] != state.held_back.get(key)]
    state.held_back = dict(held)
    for key in changed:
        show(desk, key, state.alarms[key])


def _follow_cause(desk: Desk, key: str, alarm: Alarm) -> None:
    """Once its cause is over, what it held back has as long as a sample may be old to end by itself."""
    cause = _cause(desk, alarm)
    if cause is not None:
        alarm.cause, alarm.back_mono_s = cause, None
        return
    if alarm.back_mono_s is None:
        alarm.back_mono_s = desk.now.mono_s + desk.site.timing.sample_age_s_max
    if not alarm.condition or desk.now.mono_s >= alarm.back_mono_s:
        come_back(desk, key, "alarm_unsuppressed", cause=alarm.cause)


def come_back(desk: Desk, key: str, said: str, **why: str) -> None:
    """An alarm that was away stands where its condition and its latch put it; when that is an alarm, people are told."""
    alarm = desk.state.alarms[key]
    alarm_rate.away_calm(desk, key, alarm, back=True)
    was, alarm.state = alarm.state, back(alarm.condition, alarm.latched)
    alarm.shelved_until_mono_s = alarm.shelved_until_wall_s = alarm.shelved_by = alarm.back_mono_s = None
    alarm.cause = ""
    desk.say(said, alarm=key, was=was, state=alarm.state, **why)
    if alarm.condition:
        _announce(desk, key, alarm, was)
    else:
        show(desk, key, alarm)


# ------------------------------------------------------------------------------------------------ questions


def active(desk: Desk, name: str, subject: str) -> bool:
    """Whether this alarm's condition holds."""
    alarm = desk.state.alarms.get(key_of(name, subject))
    return alarm is not None and alarm.condition


def deadband(desk: Desk, name: str, subject: str) -> float:
    """By how much better than its limit the measured value must be for this alarm to end; 0 while it is not active."""
    return row_of(name).deadband if active(desk, name, subject) else 0.0


def holds(desk: Desk, name: str, subject: str) -> bool:
    """Whether this alarm's consequence stands: its condition holds, or it is latched and nobody has reset it."""
    alarm = desk.state.alarms.get(key_of(name, subject))
    return alarm is not None and (alarm.condition or alarm.latched)


def problems(desk: Desk, subject: str) -> list[str]:
    """The names of everything active about one subject, worst first."""
    return list(desk.state.problems.get(subject, ()))


def closes(desk: Desk, room: str) -> bool:
    """Whether an alarm of this room or of the site keeps the room's gas off."""
    consequences = desk.state.consequences
    return consequences.get(room) == "close_room" or consequences.get("site") == "close_all"


def recount(desk: Desk, subject: str) -> None:
    """What is active about a subject, and the worst that follows from it. Alarms change rarely, both are asked often."""
    state = desk.state
    about = [one for one in state.alarms.values() if one.subject == subject]
    names = [one.name for one in about if one.condition and one.name in CATALOGUE]
    state.problems[subject] = sorted(names, key=WORST_FIRST.__getitem__)
    state.consequences[subject] = worst(row_of(one.name).consequence for one in about if one.condition or one.latched)


def show_all(desk: Desk) -> None:
    """Publishes every alarm again, after a connect: retained messages are a cache that may be gone."""
    for key, alarm in desk.state.alarms.items():
        show(desk, key, alarm)
