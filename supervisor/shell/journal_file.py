"""The journal's file: kept from a second process, made, checked, and refused with the way back when it is not sound."""

import fcntl
import os
import secrets
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from supervisor.shell.audit import chain as audit
from supervisor.shell.notify import store
from supervisor.shell.retrace import written

FILE = "journal.sqlite"
LOCK = "journal.lock"
_WAL_PAGES_MAX = 10_000
_BUSY_S = 5.0

_FIRST = """
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE mark (id INTEGER PRIMARY KEY CHECK (id = 1), mono_s REAL, wall_s REAL, boot_s REAL, boot_id TEXT);
CREATE TABLE inputs (seq INTEGER PRIMARY KEY, mono_s REAL, wall_s REAL, kind TEXT, topic TEXT, payload BLOB,
                     retained INTEGER);
CREATE TABLE decisions (id INTEGER PRIMARY KEY, seq INTEGER NOT NULL, what TEXT NOT NULL);
CREATE TABLE snapshots (seq INTEGER PRIMARY KEY, blob BLOB NOT NULL);
CREATE TABLE history (id INTEGER PRIMARY KEY, line TEXT NOT NULL);
CREATE TABLE quarantine (id INTEGER PRIMARY KEY, line TEXT NOT NULL, reason TEXT NOT NULL);
CREATE TABLE outcomes (id INTEGER PRIMARY KEY, topic TEXT NOT NULL, payload BLOB NOT NULL);
CREATE TABLE faults (id INTEGER PRIMARY KEY, wall_s REAL, kind TEXT, topic TEXT, payload BLOB, what TEXT NOT NULL);
"""
# What each format has beyond the one before it. A file of an older format is brought up to date when it is opened; a new
# format is a new line here, and what is written in the lines above it is not changed any more.
_FORMATS: tuple[tuple[str, ...], ...] = (
    tuple(filter(str.strip, _FIRST.split(";"))),
    audit.TABLE,
    store.TABLES,
    written.TABLES,
)
FORMAT = len(_FORMATS)
# The small tables that everything rests on. The whole file is read through only after a reboot: a process that dies
# leaves its writes with the system, only a machine that dies can tear them, and a long file takes seconds to read.
_CHECKED_ALWAYS = ("meta", "mark", "snapshots", "outcomes")


class JournalError(Exception):
    """The journal cannot be used; the message says why and the way back."""


class JournalLocked(JournalError):
    """Another process has it."""


def take_lock(folder: Path) -> int:
    """Keep every other process out of `folder` until the returned descriptor is closed. Raises JournalLocked."""
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        lock = os.open(folder / LOCK, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    except OSError as error:
        raise JournalError(f"{folder}: the state folder cannot be used: {error.strerror}; make it writable") from error
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        holder = os.pread(lock, 32, 0).decode("ascii", "replace").strip() or "unknown"
        os.close(lock)
        raise JournalLocked(
            f"{folder}: another supervisor (process {holder}) uses this state folder; "
            "two would dose the same enclosures. Stop the other one, or give this one its own --state folder"
        ) from None
    os.ftruncate(lock, 0)
    os.pwrite(lock, f"{os.getpid()}\n".encode(), 0)
    return lock


def connect(path: Path, site_id: str, boot_id: str) -> sqlite3.Connection:
    """The file at `path`, made when it is not there, checked when it is.

    Raises JournalError when it is damaged, of another format or of another site.
    """
    try:
        db = sqlite3.connect(path, isolation_level=None, timeout=_BUSY_S)
    except sqlite3.Error as error:
        raise JournalError(f"{path} cannot be opened: {error}") from error
    try:
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = FULL")
        # The timed checkpoint does the work; this is the back-stop when a reader keeps it from it.
        db.execute(f"PRAGMA wal_autocheckpoint = {_WAL_PAGES_MAX}")
        if db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0] == 0:
            _make(db, site_id)
        _check(db, path, boot_id)
        _upgrade(db, path, _check_ours(db, path, site_id))
        _check_whole(db, path)
        return db
    except sqlite3.OperationalError as error:
        db.close()
        raise JournalError(f"{path} cannot be used: {error}; see that its disk is mounted, writable and not full") from error
    except sqlite3.Error as error:
        db.close()
        raise JournalError(damaged(path, str(error))) from error
    except BaseException:
        db.close()
        raise


@contextmanager
def transaction(db: sqlite3.Connection, path: Path) -> Iterator[None]:
    """Whole or not at all. Raises JournalError when the disk does not take it."""
    try:
        db.execute("BEGIN IMMEDIATE")
        yield
        db.execute("COMMIT")
    except sqlite3.Error as error:
        _roll_back(db)
        raise JournalError(
            f"{path} could not be written: {error}. Nothing leaves that is not on disk first, so the supervisor ends; "
            "free or replace the disk and start it again"
        ) from error
    except BaseException:
        _roll_back(db)
        raise


def _roll_back(db: sqlite3.Connection) -> None:
    """Undo what is open; a database that is beyond that has undone it by itself."""
    try:
        if db.in_transaction:
            db.execute("ROLLBACK")
    except sqlite3.Error:
        return


def damaged(path: Path, what: str) -> str:
    """The words for a file that cannot be trusted."""
    return (
        f"{path} is damaged ({what}) and is not used: a fresh start would forget doses, alarms and acknowledgements. "
        f"The way back: keep {path.name} with its -wal and -shm files aside for inspection; put the last good backup "
        "in their place if there is one (stillhold restore); if there is none, see that every valve is shut, and "
        "start with an empty state folder, where every enclosure begins unknown and waits for a person"
    )


def _make(db: sqlite3.Connection, site_id: str) -> None:
    meta = {"format": str(FORMAT), "site": site_id, "epoch": "0", "instance": secrets.token_hex(4)}
    db.execute("BEGIN IMMEDIATE")
    for statements in _FORMATS:
        for statement in statements:
            db.execute(statement)
    db.executemany("INSERT INTO meta VALUES (?, ?)", meta.items())
    db.execute("COMMIT")


def _upgrade(db: sqlite3.Connection, path: Path, was: int) -> None:
    """From format `was` to ours, whole or not at all."""
    if was == FORMAT:
        return
    with transaction(db, path):
        for statements in _FORMATS[was:]:
            for statement in statements:
                db.execute(statement)
        db.execute("UPDATE meta SET value = ? WHERE key = 'format'", (str(FORMAT),))


def _check_whole(db: sqlite3.Connection, path: Path) -> None:
    """Every table that its format has is there."""
    there = {name for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    made = (statement.split()[:3] for statements in _FORMATS for statement in statements)
    missing = sorted({name for create, what, name in made if (create, what) == ("CREATE", "TABLE")} - there)
    if missing:
        raise JournalError(damaged(path, f"its table {missing[0]} is gone"))


def _check(db: sqlite3.Connection, path: Path, boot_id: str) -> None:
    row = db.execute("SELECT boot_id FROM mark").fetchone()
    same_boot = row is not None and row[0] == boot_id
    for what in [f"quick_check({table})" for table in _CHECKED_ALWAYS] if same_boot else ["quick_check"]:
        said = db.execute(f"PRAGMA {what}").fetchone()[0]
        if said != "ok":
            raise JournalError(damaged(path, said.splitlines()[-1]))


def _check_ours(db: sqlite3.Connection, path: Path, site_id: str) -> int:
    """The file's format, which is ours or older."""
    meta = dict(db.execute("SELECT key, value FROM meta"))
    known = {str(number): number for number in range(1, FORMAT + 1)}
    if meta.get("format") not in known:
        raise JournalError(f"{path} has format {meta.get('format')}, this version reads formats up to {FORMAT}; run the "
                           "version that wrote it")  # fmt: skip
    if meta.get("site") != site_id:
        raise JournalError(f"{path} belongs to site {meta.get('site')!r}, the site file says {site_id!r}: give each "
                           "site its own --state folder")  # fmt: skip
    return known[meta["format"]]
