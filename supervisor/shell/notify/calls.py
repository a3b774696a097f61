"""Who must be told of an alarm, and when again: escalation, repeats, and its end. Pure: time comes in with each call.

A call begins when an alarm is unacknowledged and ends when it is not any more: acknowledged, shelved, or over. A latched
alarm whose cause is gone still needs a named person, so its call goes on. Intervals are measured on the monotonic clock,
duty hours on the wall clock. Everything is by level: an alarm that is published again as it was changes nothing.
"""

from dataclasses import dataclass, field
from typing import Literal, NamedTuple

from supervisor.core.catalogue import CATALOGUE
from supervisor.messages import AlarmStatus
from supervisor.settings_notify import Chain, Notify
from supervisor.shell.notify.roster import Roster
from supervisor.values import Now

Kind = Literal["raised", "escalated", "repeated", "again", "latched", "acknowledged", "quiet", "over"]

CALLING = frozenset({"unacknowledged", "latched_unacknowledged"})
OVER = frozenset({"normal", "returned_unacknowledged"})
FLOOD = "alarm_flood-site"


@dataclass(slots=True)
class Call:
    """One occurrence of an alarm that people are told of. `step` is the last step of the chain that was told."""

    alarm: str
    occurrence: int
    priority: str
    state: str
    text: str = ""
    advice: str = ""
    detail: str = ""
    raised_wall_s: float | None = None
    step: int = -1
    told: list[str] = field(default_factory=list)
    escalate_mono_s: float | None = None
    repeat_mono_s: float | None = None


@dataclass(slots=True)
class Note:
    """What one person is to be told of one alarm; a later one takes the place of an earlier that still waits.

    `due_wall_s` is when a digest is due, None for at once. `detail` is what belongs to the kind: why it is quiet, what was
    noted with the acknowledgement.
    """

    person: str
    alarm: str
    occurrence: int
    kind: Kind
    priority: str
    text: str
    advice: str
    raised_wall_s: float | None
    by: str | None
    said_wall_s: float
    since_mono_s: float
    due_wall_s: float | None = None
    detail: str = ""


class Rules(NamedTuple):
    """What a site wants, read once."""

    notify: Notify
    roster: Roster


@dataclass(slots=True)
class Calls:
    """All that is remembered; what changed since it was last written down is in `dirty_*`. `flood` is not kept: the alarm
    of it is published again after each start."""

    calls: dict[str, Call] = field(default_factory=dict)
    notes: dict[tuple[str, str], Note] = field(default_factory=dict)
    dirty_calls: dict[str, None] = field(default_factory=dict)
    dirty_notes: dict[tuple[str, str], None] = field(default_factory=dict)
    flood: bool = False


def name_of(alarm: str) -> str:
    """The catalogue's name of an alarm; the subject follows after the first hyphen."""
    return alarm.split("-", 1)[0]


def is_personnel(alarm: str) -> bool:
    """Whether it is about people's air or lives."""
    row = CATALOGUE.get(name_of(alarm))
    return row is not None and row.personnel


def take(calls: Calls, rules: Rules, status: AlarmStatus, now: Now) -> None:
    """An alarm was published: begin, change or end its call."""
    if status.alarm == FLOOD:
        calls.flood = status.condition
    call = calls.calls.get(status.alarm)
    if call is not None and call.occurrence != status.occurrence:
        _drop(calls, call)
        call = None
    if call is None:
        if status.state in CALLING and _chain(rules, status.priority) is not None:
            raised_s = None if status.raised_at is None else status.raised_at.timestamp()
            call = Call(status.alarm, status.occurrence, status.priority, status.state, status.text, status.advice)
            call.raised_wall_s, call.detail = raised_s, _detail(status)
            calls.calls[call.alarm] = call
            _begin(calls, rules, call, "raised", now)
        return
    was, call.state, call.text, call.advice = call.state, status.state, status.text, status.advice
    call.detail = _detail(status)
    if call.state == was:
        return
    calls.dirty_calls[call.alarm] = None
    by = status.acknowledged_by
    if call.state in CALLING:
        if was not in CALLING:
            _begin(calls, rules, call, "again", now)
        else:
            _tell(calls, rules, call, call.told, "latched" if call.state == "latched_unacknowledged" else "again", now)
        return
    call.escalate_mono_s = call.repeat_mono_s = None
    kind: Kind = "acknowledged" if call.state in ("acknowledged", "latched_acknowledged") else "quiet"
    if call.state in OVER:
        kind = "over"
    elif was == "acknowledged" and call.state == "latched_acknowledged":
        kind = "latched"
    wanted = rules.notify.tell_over if kind in ("over", "latched") else rules.notify.tell_acknowledged
    people = [one for one in call.told if wanted or (one, call.alarm) in calls.notes]  # what still waits is brought up to date
    _tell(calls, rules, call, people, kind, now, by)
    if call.state in OVER:
        _drop(calls, call)


def due(calls: Calls, rules: Rules, now: Now) -> None:
    """Escalate and repeat what is due."""
    for call in list(calls.calls.values()):
        chain = _chain(rules, call.priority)
        if chain is None or not any(at <= now.mono_s for at in _timers(call)):
            continue
        calls.dirty_calls[call.alarm] = None
        if call.escalate_mono_s is not None and call.escalate_mono_s <= now.mono_s:
            _escalate(calls, rules, call, chain, now)
        if call.repeat_mono_s is not None and call.repeat_mono_s <= now.mono_s:
            call.repeat_mono_s = _after(now, chain.repeat_every_s)
            _tell(calls, rules, call, _reached(rules, call, chain, now), "repeated", now)


# ------------------------------------------------------------------------------------------------ who


def _begin(calls: Calls, rules: Rules, call: Call, kind: Kind, now: Now) -> None:
    chain = _chain(rules, call.priority)
    calls.dirty_calls[call.alarm] = None
    if chain is None:
        return
    last = len(chain.steps)  # beyond every step: all were told
    if chain.digest_at is not None:
        call.step = last
        _tell(calls, rules, call, chain.people, kind, now)
        return
    if call.priority == "critical" and is_personnel(call.alarm):
        call.step, people = last, list(chain.people)
    else:
        call.step, people = _next_step(rules, chain, -1, now)
        if not people:  # a gap in the roster: somebody is always told
            call.step, people = last, list(chain.people)
    _tell(calls, rules, call, people, kind, now)
    call.escalate_mono_s = _after(now, chain.escalate_after_s) if call.step < last else None
    call.repeat_mono_s = _after(now, chain.repeat_every_s)


def _escalate(calls: Calls, rules: Rules, call: Call, chain: Chain, now: Now) -> None:
    last = len(chain.steps)
    step, people = _next_step(rules, chain, call.step, now)
    if not people and call.priority != "critical":
        # Whoever is off duty now may come on duty.
        call.escalate_mono_s = _after(now, chain.escalate_after_s) if call.step + 1 < last else None
        return
    if not people:
        # Everybody on duty was told and nobody has acknowledged: for the worst, duty hours count no more.
        step, people = last, [one for one in chain.people if one not in call.told]
    call.step = step
    call.escalate_mono_s = _after(now, chain.escalate_after_s) if step < last else None
    _tell(calls, rules, call, people, "escalated", now)


def _next_step(rules: Rules, chain: Chain, after: int, now: Now) -> tuple[int, list[str]]:
    """The first step after `after` in which somebody is on duty, and who; the number of steps and nobody if none."""
    for step in range(after + 1, len(chain.steps)):
        people = rules.roster.among(chain.steps[step], now.wall_s)
        if people:
            return step, people
    return len(chain.steps), []


def _reached(rules: Rules, call: Call, chain: Chain, now: Now) -> list[str]:
    """Whom a repeat goes to: those told who are still on duty, else whoever of the chain is, else everybody in it."""
    if call.priority == "critical" and is_personnel(call.alarm):
        return list(chain.people)
    among = rules.roster.among
    return among(call.told, now.wall_s) or among(chain.people, now.wall_s) or list(chain.people)


# ------------------------------------------------------------------------------------------------ what


def _tell(
    calls: Calls, rules: Rules, call: Call, people: list[str] | tuple[str, ...], kind: Kind, now: Now, by: str | None = None
) -> None:
    chain = _chain(rules, call.priority)
    digest_at = None if chain is None else chain.digest_at
    due_wall_s = None if digest_at is None else rules.roster.next_at(digest_at, now.wall_s)
    for person in list(people):
        if person not in rules.notify.people:
            continue  # told once, and since taken out of the site file
        key = (person, call.alarm)
        waiting = calls.notes.get(key)
        note = Note(person, call.alarm, call.occurrence, kind, call.priority, call.text, call.advice, call.raised_wall_s, by,
                    now.wall_s, now.mono_s, due_wall_s, call.detail)  # fmt: skip
        if waiting is not None:
            note.since_mono_s = waiting.since_mono_s
            note.due_wall_s = due_wall_s and waiting.due_wall_s
            if kind == "repeated":
                note.kind = waiting.kind  # not yet said for the first time
        calls.notes[key] = note
        calls.dirty_notes[key] = None
        if person not in call.told:
            call.told.append(person)


def _detail(status: AlarmStatus) -> str:
    match status.state:
        case "suppressed_by_design" if status.cause is not None:
            return f"explained by {status.cause}, which holds it back"
        case "shelved" | "out_of_service" | "suppressed_by_design":
            return status.state.replace("_", " ") + (f": {status.note}" if status.note else "")
        case "acknowledged" | "latched_acknowledged":
            return status.note or ""
    return f"it explains {status.holds_back} others, which are held back" if status.holds_back else ""


def _drop(calls: Calls, call: Call) -> None:
    del calls.calls[call.alarm]
    calls.dirty_calls[call.alarm] = None


def _chain(rules: Rules, priority: str) -> Chain | None:
    return getattr(rules.notify.chains, priority, None)


def _after(now: Now, wait_s: float | None) -> float | None:
    return None if wait_s is None else now.mono_s + wait_s


def _timers(call: Call) -> list[float]:
    return [at for at in (call.escalate_mono_s, call.repeat_mono_s) if at is not None]
