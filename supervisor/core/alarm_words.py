"""What people say to an alarm: seen it, leave it for a while, take it back. Each is refused with the reason, or recorded.

An acknowledgement names the occurrence that the person saw and covers no other. A latched alarm ends by a second word, the
reset, and only with its condition gone. Alarms about people are never shelved and never taken out of service.
"""

from supervisor.core import alarm_rate, alarms
from supervisor.core.alarm_life import AWAY, after
from supervisor.core.alarm_show import show
from supervisor.core.catalogue import CATALOGUE, row_of
from supervisor.core.desk import Desk
from supervisor.core.state import Alarm
from supervisor.messages import OperatorCommand
from supervisor.settings import SiteFile

TAKEN_OUT = "name an alarm of this site that is not about people"
SHELF_S_MAX = 12 * 3600.0  # common practice, no source: no longer than a shift


def acknowledge(desk: Desk, key: str, occurrence: int | None, operator: str, note: str | None = None) -> str | None:
    """Takes a person's acknowledgement; returns why not, or None when it was taken."""
    alarm = desk.state.alarms.get(key)
    if alarm is None or alarm.state == "normal":
        _lay_ghost(desk, key, alarm)
        return f"there is no alarm {key} to acknowledge"
    if occurrence is None:
        return f"say which occurrence of {key} you saw; it stands at {alarm.occurrence}"
    if occurrence != alarm.occurrence:
        return f"you saw occurrence {occurrence} of {key}, it stands at {alarm.occurrence}: look again"
    if alarm.state in AWAY:
        return f"{key} is {alarm.state.replace('_', ' ')}; there is nothing to acknowledge"
    was, state = alarm.state, after(alarm.state, "acknowledge", alarm.latched)
    if state is None:
        again = "; once its cause is gone, acknowledge it again to reset it" if alarm.latched else ""
        return f"{key} was acknowledged by {alarm.acknowledged_by} already{again}"
    alarm.state = state  # type: ignore[assignment]
    alarm.acknowledged_wall_s, alarm.acknowledged_by, alarm.note = desk.now.wall_s, operator, note
    if state == "normal":
        _unlatch(desk, alarm)
    show(desk, key, alarm)
    desk.say("alarm_acknowledged", alarm=key, occurrence=alarm.occurrence, operator=operator, note=note, was=was, state=state)
    return None


def _lay_ghost(desk: Desk, key: str, alarm: Alarm | None) -> None:
    """Somebody sees an alarm that does not stand: the broker keeps one of another supervisor, or lost the word that ended it.
    It is said as it is, or nobody could ever end it.
    """
    name, _, subject = key.partition("-")
    if alarm is None and name in CATALOGUE and subject in subjects(desk.site):
        alarm = desk.state.alarms[key] = Alarm(name, subject)
    if alarm is not None:
        show(desk, key, alarm)


def unseen_latches(desk: Desk, subject: str) -> list[str]:
    """The latched alarms about this subject that are not yet over and acknowledged."""
    return [
        key
        for key, alarm in desk.state.alarms.items()
        if alarm.subject == subject and alarm.latched and alarm.state != "latched_acknowledged"
    ]


def reset(desk: Desk, subject: str, operator: str, note: str) -> None:
    """Ends what is latched, over and acknowledged about this subject: the person has just said so in other words."""
    for key, alarm in desk.state.alarms.items():
        if alarm.subject == subject and alarm.state == "latched_acknowledged":
            acknowledge(desk, key, alarm.occurrence, operator, note)


def _unlatch(desk: Desk, alarm: Alarm) -> None:
    alarm.latched = False
    alarms.recount(desk, alarm.subject)


def shelve(desk: Desk, command: OperatorCommand) -> str | None:
    """Keeps an alarm from people until a time, for a reason. What follows from it for dosing goes on."""
    key, now = command.target, desk.now
    name, _, subject = key.partition("-")
    alarm = desk.state.alarms.get(key)
    if alarm is None and (name not in CATALOGUE or subject not in subjects(desk.site)):
        return f"there is no alarm {key}"
    if row_of(name).personnel:
        return f"{key} is about people: it is never shelved"
    if alarm is not None and alarm.state == "out_of_service":
        return f"{key} is out of service by the site file"
    if command.occurrence is not None and alarm is not None and command.occurrence != alarm.occurrence:
        return f"you saw occurrence {command.occurrence} of {key}, it stands at {alarm.occurrence}: look again"
    if not (command.note or "").strip():
        return "say why (note): whoever comes next must know"
    if command.until is None:
        return "say until when (until): a shelf has an end"
    ahead_s = command.until.timestamp() - now.wall_s
    if not 0.0 < ahead_s <= SHELF_S_MAX:
        return f"until is {ahead_s / 3600.0:.1f} h ahead, above 0 and at most {SHELF_S_MAX / 3600.0:g} h are possible"
    if alarm is None:
        alarm = desk.state.alarms[key] = Alarm(name, subject)
    was, alarm.state = alarm.state, "shelved"
    alarm.shelved_until_mono_s, alarm.shelved_until_wall_s = now.mono_s + ahead_s, now.wall_s + ahead_s
    alarm.shelved_by, alarm.note, alarm.cause, alarm.back_mono_s = command.operator, command.note, "", None
    desk.state.alarm_timers[key] = None
    show(desk, key, alarm)
    desk.say("alarm_shelved", "warning", alarm=key, occurrence=alarm.occurrence, operator=command.operator,
             note=command.note, hours=ahead_s / 3600.0, was=was, state=alarm.state)  # fmt: skip
    return None


def unshelve(desk: Desk, key: str, operator: str) -> str | None:
    """Takes a shelved alarm back before its time."""
    alarm = desk.state.alarms.get(key)
    if alarm is None or alarm.state != "shelved":
        return f"{key} is not shelved"
    alarms.come_back(desk, key, "alarm_unshelved", operator=operator)
    return None


def subjects(site: SiteFile) -> set[str]:
    """Everything that an alarm can be about."""
    units = {one.unit for one in (*site.analyser, *site.source, *site.enclosure)}
    units |= {sensor.unit for room in site.room for sensor in room.sensor}
    return {"site", *units, *site.enclosures, *site.rooms, *site.analysers, *site.gas_sources}


# ------------------------------------------------------------------------------------------------ the site file's word


def may_be_taken_out(site: SiteFile, key: str) -> bool:
    """Whether this is an alarm of this site, and not one about people."""
    name, _, subject = key.partition("-")
    return name in CATALOGUE and subject in subjects(site) and not CATALOGUE[name].personnel


def follow_site_file(desk: Desk) -> None:
    """At a start: takes out of service what the site file names, and back into it what it names no more. An alarm of a
    point that is gone cannot end by itself any more: its condition is over, and a person's word is due.
    """
    out = {one.alarm: one for one in desk.site.out_of_service}
    for key, alarm in list(desk.state.alarms.items()):
        if alarm.state == "out_of_service" and key not in out:
            alarms.come_back(desk, key, "alarm_in_service")
    for key, entry in out.items():
        if not may_be_taken_out(desk.site, key):
            desk.say("out_of_service_refused", "error", alarm=key, mend=TAKEN_OUT)
            continue
        name, _, subject = key.partition("-")
        alarm = desk.state.alarms.setdefault(key, Alarm(name, subject))
        if alarm.state != "out_of_service":
            was, alarm.state = alarm.state, "out_of_service"
            alarm.shelved_until_mono_s = alarm.shelved_until_wall_s = alarm.shelved_by = None
            desk.say("alarm_out_of_service", "warning", alarm=key, was=was, state=alarm.state, note=entry.reason)
        alarm.note = entry.reason
        show(desk, key, alarm)
    known = subjects(desk.site)
    for key, alarm in list(desk.state.alarms.items()):
        if alarm.subject not in known or alarm.name not in CATALOGUE:
            _leave(desk, key, alarm)


def _leave(desk: Desk, key: str, alarm: Alarm) -> None:
    alarm_rate.away_calm(desk, key, alarm, back=True)
    stood, was = alarm.condition or alarm.latched, alarm.state
    alarm.condition, alarm.pending_mono_s, alarm.clearing_mono_s = False, None, None
    alarm.shelved_until_mono_s = alarm.shelved_until_wall_s = alarm.shelved_by = None
    alarm.cleared_wall_s = alarm.cleared_wall_s or desk.now.wall_s
    if stood and was in ("acknowledged", *AWAY):
        alarm.state = "latched_unacknowledged" if alarm.latched else "returned_unacknowledged"
    elif was in AWAY:
        alarm.state = "normal"
    else:
        alarm.state = after(was, "clears", alarm.latched) or was  # type: ignore[assignment]
    alarms.recount(desk, alarm.subject)
    if alarm.state != was:
        show(desk, key, alarm)
        desk.say("alarm_removed", "warning", alarm=key, was=was, state=alarm.state,
                 why="the site file or this version does not know it any more")  # fmt: skip
