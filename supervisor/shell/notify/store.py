"""How calls, waiting notes and messages lie in the journal's file. The loop writes them with its batch; here is how.

`notify_messages` also is the record of who was told what and when; of where, it holds the name of the way (`mail`) and
never the address.
"""

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from pydantic import TypeAdapter, ValidationError

from supervisor.shell.notify.calls import Call, Calls, Note
from supervisor.shell.notify.packing import HOUR_S, Sent

KEEP_S = 30 * 86_400.0

TABLES = (
    "CREATE TABLE notify_calls (alarm TEXT PRIMARY KEY, what TEXT NOT NULL) WITHOUT ROWID",
    "CREATE TABLE notify_notes (person TEXT NOT NULL, alarm TEXT NOT NULL, what TEXT NOT NULL, "
    "PRIMARY KEY (person, alarm)) WITHOUT ROWID",
    "CREATE TABLE notify_messages (id INTEGER PRIMARY KEY, person TEXT NOT NULL, priority TEXT NOT NULL, "
    "mono_s REAL NOT NULL, wall_s REAL NOT NULL, title TEXT NOT NULL, body TEXT NOT NULL, ended TEXT, ended_wall_s REAL)",
    "CREATE TABLE notify_ways (message INTEGER NOT NULL, way TEXT NOT NULL, ended TEXT NOT NULL, "
    "PRIMARY KEY (message, way)) WITHOUT ROWID",
)

Statement = tuple[str, tuple[object, ...]]
_CALL = TypeAdapter(Call)
_NOTE = TypeAdapter(Note)


@dataclass(frozen=True, slots=True)
class Message:
    """What one person gets. `number` is its own for good, over restarts and repeats; `done` are the ways that have it.

    `again` is whether an attempt was under way when a process before this one ended.
    """

    id: int
    number: str
    person: str
    priority: str
    title: str
    body: str
    mono_s: float
    wall_s: float
    done: frozenset[str] = frozenset()
    again: bool = False


@dataclass(slots=True)
class Kept:
    """What a start finds. `unreadable` are alarms whose row this version cannot read: their calls begin anew."""

    calls: Calls = field(default_factory=Calls)
    sent: dict[str, Sent] = field(default_factory=dict)
    open: list[Message] = field(default_factory=list)
    last_id: int = 0
    unreadable: list[str] = field(default_factory=list)


def load(journal: Path, instance: str, now_mono_s: float) -> Kept:
    """What lies in the journal's file."""
    kept = Kept()
    db = sqlite3.connect(f"{journal.resolve().as_uri()}?mode=ro", uri=True)
    try:
        _load_calls(db, kept)
        kept.last_id = db.execute("SELECT coalesce(max(id), 0) FROM notify_messages").fetchone()[0]
        recent = "SELECT person, mono_s FROM notify_messages WHERE mono_s > ? ORDER BY mono_s"
        for person, mono_s in db.execute(recent, (now_mono_s - HOUR_S,)):
            kept.sent.setdefault(person, Sent()).mono_s.append(mono_s)
        ways: dict[int, set[str]] = {}
        for message, way in db.execute("SELECT message, way FROM notify_ways"):
            ways.setdefault(message, set()).add(way)
        columns = "id, person, priority, title, body, mono_s, wall_s"
        for row in db.execute(f"SELECT {columns} FROM notify_messages WHERE ended IS NULL ORDER BY id"):
            done = frozenset(ways.get(row[0], ()))
            kept.open.append(Message(row[0], number_of(instance, row[0]), *row[1:], done=done, again=True))
    finally:
        db.close()
    return kept


def _load_calls(db: sqlite3.Connection, kept: Kept) -> None:
    """A row that cannot be read must not keep a site from being run; it goes with the next batch."""
    for alarm, what in db.execute("SELECT alarm, what FROM notify_calls"):
        try:
            kept.calls.calls[alarm] = _CALL.validate_json(what)
        except ValidationError:
            kept.unreadable.append(alarm)
            kept.calls.dirty_calls[alarm] = None
    for person, alarm, what in db.execute("SELECT person, alarm, what FROM notify_notes"):
        try:
            kept.calls.notes[person, alarm] = _NOTE.validate_json(what)
        except ValidationError:
            kept.unreadable.append(f"{alarm} for {person}")
            kept.calls.dirty_notes[person, alarm] = None


def number_of(instance: str, message_id: int) -> str:
    """A message's number for those who get it."""
    return f"{instance}-{message_id}"


def changes(calls: Calls) -> Iterator[Statement]:
    """What changed about calls and notes since the last time."""
    for alarm in calls.dirty_calls:
        call = calls.calls.get(alarm)
        if call is None:
            yield "DELETE FROM notify_calls WHERE alarm = ?", (alarm,)
        else:
            yield "INSERT OR REPLACE INTO notify_calls VALUES (?, ?)", (alarm, _CALL.dump_json(call).decode())
    for key in calls.dirty_notes:
        note = calls.notes.get(key)
        if note is None:
            yield "DELETE FROM notify_notes WHERE person = ? AND alarm = ?", key
        else:
            yield "INSERT OR REPLACE INTO notify_notes VALUES (?, ?, ?)", (*key, _NOTE.dump_json(note).decode())
    calls.dirty_calls.clear()
    calls.dirty_notes.clear()


def begun(one: Message) -> Statement:
    """A message that is about to be sent."""
    values = (one.id, one.person, one.priority, one.mono_s, one.wall_s, one.title, one.body)
    return "INSERT INTO notify_messages VALUES (?, ?, ?, ?, ?, ?, ?, NULL, NULL)", values


def way_ended(message_id: int, way: str, how: str) -> Statement:
    return "INSERT OR REPLACE INTO notify_ways VALUES (?, ?, ?)", (message_id, way, how)


def ended(message_id: int, how: str, wall_s: float) -> Statement:
    """A message that is not sent any more."""
    return "UPDATE notify_messages SET ended = ?, ended_wall_s = ? WHERE id = ?", (how, wall_s, message_id)


def forgotten(wall_s: float) -> list[Statement]:
    """What is older than it is kept. The newest message stays: numbers must not come again."""
    old = "ended IS NOT NULL AND wall_s < ? AND id < (SELECT max(id) FROM notify_messages)"
    return [
        (f"DELETE FROM notify_ways WHERE message IN (SELECT id FROM notify_messages WHERE {old})", (wall_s - KEEP_S,)),
        (f"DELETE FROM notify_messages WHERE {old}", (wall_s - KEEP_S,)),
    ]
