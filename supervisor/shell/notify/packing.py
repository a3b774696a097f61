"""What goes out now, to whom, in how many messages. Pure: time comes in with each call.

Few notes go out at once, each as a message of its own. More than `merge_over` for one person within a minute, a declared
alarm flood, or a used-up hour of that person's messages: then they wait, and what waits becomes one message, worst first.
What is critical or about people waits for ten seconds at most, whatever the limits say.
"""

from collections.abc import Collection
from dataclasses import dataclass, field

from supervisor.settings_notify import Notify
from supervisor.shell.notify.calls import Calls, Note, is_personnel
from supervisor.values import Now

MINUTE_S = 60.0
HOUR_S = 3600.0
CRITICAL_GAP_S = 10.0
STUCK_CRITICAL_S = 300.0
STUCK_S = 1800.0
PRIORITIES = ("critical", "high", "medium", "low")


@dataclass(frozen=True, slots=True)
class Parcel:
    """Notes that one person gets in one message. `digest` is the daily one."""

    person: str
    notes: tuple[Note, ...]
    digest: bool = False


@dataclass(slots=True)
class Sent:
    """When this person's messages of the last hour were made, oldest first."""

    mono_s: list[float] = field(default_factory=list)

    def since(self, now: Now, span_s: float) -> int:
        return sum(now.mono_s - at < span_s for at in self.mono_s)


def pack(calls: Calls, notify: Notify, sent: dict[str, Sent], stuck: Collection[str], now: Now) -> list[Parcel]:
    """Take from what waits what goes out now. `stuck` are people whose last messages nobody has taken yet: what comes
    meanwhile is gathered, so that a dead server finds one message when it is back and not a thousand."""
    parcels: list[Parcel] = []
    for person, notes in _waiting(calls, now).items():
        record = sent.setdefault(person, Sent())
        record.mono_s = [at for at in record.mono_s if now.mono_s - at < HOUR_S]
        digest = tuple(note for note in notes if note.due_wall_s is not None)
        calling = tuple(note for note in notes if note.due_wall_s is None)
        made = [Parcel(person, worst_first(digest), digest=True)] if digest else []
        over = len(calling) + record.since(now, MINUTE_S) > notify.merge_over
        used_up = len(record.mono_s) + len(calling) > notify.per_hour_max
        waited = any(note.since_mono_s < now.mono_s for note in calling)
        if not (calls.flood or over or used_up or waited or person in stuck):
            made += [Parcel(person, (note,)) for note in worst_first(calling)]
        elif calling and _may(calling, record, notify, person in stuck, now):
            made.append(Parcel(person, worst_first(calling)))
        record.mono_s += [now.mono_s] * len(made)
        parcels += made
    for parcel in parcels:
        for note in parcel.notes:
            key = (note.person, note.alarm)
            del calls.notes[key]
            calls.dirty_notes[key] = None
    return parcels


def worst_first(notes: tuple[Note, ...]) -> tuple[Note, ...]:
    """By priority, then by alarm, in the order in which they were raised."""
    return tuple(sorted(notes, key=lambda one: (PRIORITIES.index(one.priority), one.alarm, one.since_mono_s)))


def _may(notes: tuple[Note, ...], record: Sent, notify: Notify, stuck: bool, now: Now) -> bool:
    """Whether what was gathered may go now. Where messages are stuck some still go: it may be one message that no server
    wants, and not the server, that is at fault."""
    since_s = now.mono_s - max(record.mono_s, default=-HOUR_S)
    if any(note.priority == "critical" or is_personnel(note.alarm) for note in notes):
        return since_s >= (STUCK_CRITICAL_S if stuck else CRITICAL_GAP_S)
    if stuck:
        return since_s >= STUCK_S
    return len(record.mono_s) < notify.per_hour_max and since_s >= MINUTE_S


def _waiting(calls: Calls, now: Now) -> dict[str, list[Note]]:
    """What is due, by person."""
    waiting: dict[str, list[Note]] = {}
    for note in calls.notes.values():
        if note.due_wall_s is None or note.due_wall_s <= now.wall_s:
            waiting.setdefault(note.person, []).append(note)
    return waiting
