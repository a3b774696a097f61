"""Reads the audit out of a journal that may be live, and proves it. It opens read-only, and leaves no file
beside a journal that was closed in order.

Reading goes in slices, each a short read of its own: one long read would keep a live journal's log from being folded in.
"""

import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import NamedTuple

from supervisor.shell.audit.chain import BEFORE_THE_FIRST, HEAD_KEY, NO_HEAD, TABLE, TRIGGERS, Head, seal
from supervisor.shell.journal_file import FILE

_SLICE = 1000
_FIRST_NUMBER = -(2**63)  # SQLite's lowest: an entry that was put before the first has to be seen too
_BUSY_S = 5.0


class AuditUnreadable(Exception):
    """There is no audit to be read; the message says what to do."""


class Stored(NamedTuple):
    """A row as it stands in the file. What should be text is bytes, or whatever somebody has put there."""

    n: int
    at: object
    event: object
    hash: object


class Told(NamedTuple):
    """An entry read: its number, when (`at`, RFC 3339 in UTC), the event's name and its figures."""

    n: int
    at: str
    event: str
    figures: dict[str, object]


class Verdict(NamedTuple):
    """What the check found. `problem` is None for a whole chain, else the first thing that is wrong, with its place;
    `number` is the entry at which it shows, None where no single entry is at fault."""

    head: Head
    problem: str | None = None
    number: int | None = None


@contextmanager
def reading(state: Path) -> Iterator[sqlite3.Connection]:
    """The journal in the folder `state`, or the file itself, to be read from. Raises AuditUnreadable."""
    path = state / FILE if state.is_dir() else state
    if not path.is_file():
        raise AuditUnreadable(f"{path}: there is no journal; give the folder that `stillhold run` has as --state")
    # Beside a live journal there is always its log. Without one the file is all there is, and to open it as such keeps
    # SQLite from making files there, which could belong to a user whose files the supervisor may not write.
    alone = not path.with_name(path.name + "-wal").exists()
    uri = f"{path.resolve().as_uri()}?mode=ro" + ("&immutable=1" if alone else "")
    try:
        with closing(sqlite3.connect(uri, uri=True, timeout=_BUSY_S, isolation_level=None)) as db:
            db.text_factory = bytes
            yield db
    except sqlite3.OperationalError as error:
        raise AuditUnreadable(f"{path} cannot be read ({error}); copy it with its -wal file to a folder of yours") from error
    except sqlite3.DatabaseError as error:
        raise AuditUnreadable(f"{path} cannot be read ({error}); it is damaged, or no journal") from error


def rows(db: sqlite3.Connection) -> Iterator[Stored]:
    """Every entry there is, in order."""
    following = _FIRST_NUMBER
    while True:
        query = "SELECT n, at, event, hash FROM audit WHERE n >= ? ORDER BY n LIMIT ?"
        part = db.execute(query, (following, _SLICE)).fetchall()
        yield from (Stored(*row) for row in part)
        if len(part) < _SLICE:
            return
        following = part[-1][0] + 1


def told(db: sqlite3.Connection) -> Iterator[Told]:
    """Every entry, read. Raises AuditUnreadable at one that is none."""
    if "audit" not in _tables(db):
        raise AuditUnreadable("this journal has no audit: it is from a version that kept none")
    for row in rows(db):
        try:
            read = json.loads(row.event)  # type: ignore[arg-type]
            yield Told(row.n, row.at.decode("ascii"), read["event"], dict(read["figures"]))  # type: ignore[attr-defined]
        except (ValueError, TypeError, KeyError, AttributeError):
            raise AuditUnreadable(f"entry {row.n} is no entry: see stillhold audit verify") from None


# ------------------------------------------------------------------------------------------------ the proof


def verify(db: sqlite3.Connection, noted: Head | None = None) -> Verdict:
    """Proves the chain whole, and that it still holds the entry whose number and hash were `noted` before."""
    head = NO_HEAD
    try:
        if "audit" not in _tables(db):
            return _without_audit(db)
        kept = _kept_head(db)  # before the rows: a live journal may add some meanwhile
        seen: dict[int, str] = {}
        wanted = {one.number for one in (kept, noted) if one is not None}
        holes: list[int] = []
        for row in rows(db):
            problem = _broken(row, head)
            if problem is not None:
                return Verdict(head, problem, row.n if row.n <= head.number + 1 else head.number + 1)
            head = Head(row.n, row.hash.decode("ascii"))  # type: ignore[attr-defined]
            if row.n in wanted:
                seen[row.n] = head.hash
            if b'"event":"audit_found_broken"' in row.event:  # type: ignore[operator]
                holes.append(row.n)
        return _beyond_links(db, head, kept, noted, seen, holes)
    except sqlite3.DatabaseError as error:
        if "locked" in str(error):
            raise
        return Verdict(head, f"the file cannot be read after entry {head.number} ({error})", head.number + 1)


def _broken(row: Stored, head: Head) -> str | None:
    """What is wrong with the link from `head` to `row`."""
    expected = head.number + 1
    if row.n > expected:
        there = f"{head.number} is followed by {row.n}" if head.number else f"the first is {row.n}"
        return f"entry {expected} is missing: {there}"
    if row.n < expected:
        return f"entry {row.n} stands before the first"
    try:
        at, event, kept = (one.decode("ascii") for one in row[1:])  # type: ignore[attr-defined]
    except (AttributeError, UnicodeDecodeError):
        return f"entry {row.n} is no entry: it holds what is not plain text"
    if seal(head.hash, row.n, at, event) == kept:
        return None
    if head.hash == BEFORE_THE_FIRST:
        return f"entry 1 ({_short(at)}) was changed: its hash is not that of its content"
    return (
        f"entry {row.n} ({_short(at)}) does not follow: its hash is not that of its content and of entry {head.number}. "
        f"It was changed, or {head.number} was changed together with its own hash"
    )


def _beyond_links(
    db: sqlite3.Connection, head: Head, kept: Head | None, noted: Head | None, seen: dict[int, str], holes: list[int]
) -> Verdict:
    """What no link shows: a tail that is gone, a chain written anew, and the table's own guards."""
    for one, who in ((noted, "the head noted earlier"), (kept, "the journal's own note of its head")):
        if one is None or one.number == 0:
            continue
        if one.number > head.number:
            words = f"entry {head.number + 1} is missing: the chain ends at {head.number}, by {who} it went to {one.number}"
            return Verdict(head, words, head.number + 1)
        if seen.get(one.number) != one.hash:
            words = f"entry {one.number} is not the one of {who}: the chain was written anew from there or before"
            return Verdict(head, words, one.number)
    if kept is None and head.number:
        return Verdict(head, "the journal's own note of its head is gone: somebody worked on this file by hand")
    if holes:
        words = f"entry {holes[0]} says that on that start the audit did not end where it was left: what followed is lost"
        return Verdict(head, words, holes[0])
    guards = {sql.decode() for (sql,) in db.execute("SELECT sql FROM sqlite_master WHERE type = 'trigger'")}
    for name, statement in zip(TRIGGERS, TABLE[1:], strict=True):
        if statement not in guards:
            return Verdict(head, f"the table's guard {name} is gone or another: somebody worked on this file by hand")
    return Verdict(head)


def _without_audit(db: sqlite3.Connection) -> Verdict:
    """Older journals have none. Raises AuditUnreadable for such a one."""
    row = db.execute("SELECT value FROM meta WHERE key = 'format'").fetchone() if "meta" in _tables(db) else None
    if row == (b"1",):
        raise AuditUnreadable("this journal has no audit: it is from a version that kept none")
    if row is None:
        raise AuditUnreadable("this file is no journal of a supervisor")
    return Verdict(NO_HEAD, "the whole table audit is gone", 1)


def _kept_head(db: sqlite3.Connection) -> Head | None:
    row = db.execute("SELECT value FROM meta WHERE key = ?", (HEAD_KEY,)).fetchone()
    try:
        return None if row is None else head_of(row[0].decode("ascii"))
    except (ValueError, AttributeError):
        return None


def head_of(text: str) -> Head:
    """Reads `N:HASH`. Raises ValueError."""
    number, _, digits = text.strip().partition(":")
    if not (number.isascii() and number.isdecimal() and len(digits) == 64 and set(digits) <= set("0123456789abcdef")):
        raise ValueError(f"{text!r} is no head such as 1042:9f86d0... (a number, a colon, 64 hexadecimal digits)")
    return Head(int(number), digits)


def _tables(db: sqlite3.Connection) -> set[str]:
    return {name.decode() for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}


def _short(text: str) -> str:
    return text[:40]
