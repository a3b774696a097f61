"""The journal: what came in and what was decided, on disk before anything leaves.

One SQLite file in WAL mode with FULL sync, one writer, one transaction per batch. It also keeps what must still be
sent: rows for the time-series database and answers to operators (`outbox.py` reads and empties them), and the audit
(`audit.py`), to which batches add and from which nothing is ever taken. A second process is kept out by a lock; a
damaged file is refused, never replaced, because a silent fresh start would forget doses.
"""

import os
import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

from supervisor.shell.audit.chain import HEAD_KEY, NO_HEAD, Entry, Head, chained, event_text
from supervisor.shell.clock import Mark
from supervisor.shell.journal_file import FILE, JournalError, connect, damaged, take_lock, transaction
from supervisor.shell.records import Input
from supervisor.shell.retrace import snapshots
from supervisor.shell.retrace.written import Program


class Outcome(NamedTuple):
    """An answer to an operator that the broker has not yet acknowledged."""

    id: int
    topic: str
    payload: bytes


class Snapshot(NamedTuple):
    """The engine's state after the input `seq`."""

    seq: int
    blob: bytes


@dataclass(slots=True)
class Batch:
    """Everything that one commit makes durable together."""

    mark: Mark
    inputs: list[Input] = field(default_factory=list)
    decisions: list[tuple[int, str]] = field(default_factory=list)  # index into `inputs`, JSON
    lines: list[str] = field(default_factory=list)
    outcomes: list[Outcome] = field(default_factory=list)
    outcomes_done: list[int] = field(default_factory=list)
    history_done: list[tuple[int, int]] = field(default_factory=list)  # first and last id that the database has
    history_refused: list[tuple[int, str]] = field(default_factory=list)
    snapshot: bytes | None = None
    fault: tuple[Input, str] | None = None
    audit: list[str] = field(default_factory=list)  # of `audit.event_text`, in order
    notify: list[tuple[str, tuple[object, ...]]] = field(default_factory=list)  # of `notify.store`: SQL with its values
    own: list[tuple[int, str]] = field(default_factory=list)  # as `decisions`, of what follows from no input


class Journal:
    """Open with `Journal.open`. Every method may raise JournalError when the disk does not play along."""

    def __init__(self, db: sqlite3.Connection, lock: int, path: Path) -> None:
        self._db = db
        self._lock = lock
        self.path = path
        self.seq = self._one("SELECT coalesce(max(seq), 0) FROM inputs")
        # Inputs may all have been pruned away since the newest snapshot was taken.
        self.seq = max(self.seq, self._one("SELECT coalesce(max(seq), 0) FROM snapshots"))
        self._outcome_id = self._one("SELECT coalesce(max(id), 0) FROM outcomes")
        # Counted on from a kept number: an id must not come back after its row is gone.
        self.history_id = max(int(self._meta("history_id", "0")), self._one("SELECT coalesce(max(id), 0) FROM history"))
        self.history_first_id = self._one("SELECT coalesce(min(id), 0) FROM history") or self.history_id + 1
        self.audit_head = self._audit_end()
        kept = self._meta(HEAD_KEY, str(NO_HEAD))
        self.audit_broken = kept != str(self.audit_head)
        """Whether the audit does not end where the last commit left it: somebody was at the file."""
        self._audit_first = self._opening(kept)
        self._run: tuple[int, str, str, Program] | None = None

    @classmethod
    def open(cls, folder: Path, site_id: str, boot_id: str) -> "Journal":
        """Open or begin the journal in `folder`. Raises JournalError with the way back when it cannot be used."""
        lock = take_lock(folder)
        path = folder / FILE
        try:
            db = connect(path, site_id, boot_id)
        except BaseException:
            os.close(lock)
            raise
        return cls(db, lock, path)

    # -------------------------------------------------------------------------------------------- who we are

    @property
    def instance(self) -> str:
        """The name of this state folder, made once."""
        return self._meta("instance")

    @property
    def epoch(self) -> int:
        return int(self._meta("epoch"))

    @property
    def last(self) -> Mark | None:
        """Where the clock stood at the last commit, None in a new journal."""
        row = self._db.execute("SELECT mono_s, wall_s, boot_s, boot_id FROM mark").fetchone()
        return None if row is None else Mark(*row)

    def next_epoch(self, above: int = 0) -> int:
        """A higher epoch than any of ours and than `above`, on disk when this returns."""
        epoch = max(self.epoch, above) + 1
        with transaction(self._db, self.path):
            self._db.execute("UPDATE meta SET value = ? WHERE key = 'epoch'", (str(epoch),))
        return epoch

    def begins(self, base: int, settings: tuple[str, str], program: Program) -> None:
        """A run that goes on from the snapshot `base` (0: from nothing), by these settings (SHA-256 and text). It is noted with
        its first input, `started`."""
        self._run = (base, *settings, program)

    # -------------------------------------------------------------------------------------------- writing

    def outcome(self, topic: str, payload: bytes) -> Outcome:
        """A numbered answer, to be put into the next batch."""
        self._outcome_id += 1
        return Outcome(self._outcome_id, topic, payload)

    def commit(self, batch: Batch) -> None:
        """Make `batch` durable, whole or not at all. Only after this may anything of it leave."""
        sealed: list[Entry] = []
        if batch.audit:
            sealed = list(chained(self.audit_head, batch.mark.wall_s, [*self._audit_first, *batch.audit]))
        with transaction(self._db, self.path):
            self._write(batch)
            self._write_audit(sealed)
        self.seq += len(batch.inputs)
        self._run = None if batch.inputs else self._run
        self.history_id += len(batch.lines)
        if sealed:
            self.audit_head, self._audit_first = Head(sealed[-1].n, sealed[-1].hash), []

    def _write(self, batch: Batch) -> None:
        db, seq = self._db, self.seq
        db.execute("INSERT OR REPLACE INTO mark VALUES (1, ?, ?, ?, ?)", batch.mark)
        db.executemany(
            "INSERT INTO inputs VALUES (?, ?, ?, ?, ?, ?, ?)",
            [
                (number, one.mono_s, one.wall_s, one.kind, one.topic, one.payload, one.retained)
                for number, one in enumerate(batch.inputs, seq + 1)
            ],
        )
        for own, decisions in ((0, batch.decisions), (1, batch.own)):
            rows = [(seq + 1 + index, what, own) for index, what in decisions]
            db.executemany("INSERT INTO decisions (seq, what, own) VALUES (?, ?, ?)", rows)
        if self._run is not None and batch.inputs:
            base, settings, site, program = self._run
            db.execute("INSERT OR IGNORE INTO settings VALUES (?, ?)", (settings, site))
            db.execute("INSERT OR REPLACE INTO runs VALUES (?, ?, ?, ?, ?, ?)", (seq + 1, base, settings, *program))
        if batch.lines:
            db.executemany("INSERT INTO history VALUES (?, ?)", enumerate(batch.lines, self.history_id + 1))
            last_id = str(self.history_id + len(batch.lines))
            db.execute("INSERT OR REPLACE INTO meta VALUES ('history_id', ?)", (last_id,))
        if batch.outcomes:
            db.executemany("INSERT INTO outcomes VALUES (?, ?, ?)", batch.outcomes)
        if batch.outcomes_done:
            db.executemany("DELETE FROM outcomes WHERE id = ?", [(one,) for one in batch.outcomes_done])
        for refused in batch.history_refused:
            db.execute("INSERT OR REPLACE INTO quarantine SELECT id, line, ? FROM history WHERE id = ?", refused[::-1])
        for first, last in batch.history_done:
            db.execute("DELETE FROM history WHERE id BETWEEN ? AND ?", (first, last))
            self.history_first_id = max(self.history_first_id, last + 1)
        for statement, values in batch.notify:
            db.execute(statement, values)
        if batch.snapshot is not None:
            there = (seq + len(batch.inputs), batch.snapshot, batch.mark.mono_s)
            db.execute("INSERT OR REPLACE INTO snapshots (seq, blob, mono_s) VALUES (?, ?, ?)", there)
            kept = db.execute("SELECT seq, mono_s FROM snapshots ORDER BY seq").fetchall()
            db.executemany("DELETE FROM snapshots WHERE seq = ?", [(one,) for one in snapshots.superfluous(kept)])
        if batch.fault is not None:
            one, what = batch.fault
            db.execute(
                "INSERT INTO faults (wall_s, kind, topic, payload, what) VALUES (?, ?, ?, ?, ?)",
                (one.wall_s, one.kind, one.topic, one.payload, what),
            )

    def _write_audit(self, sealed: list[Entry]) -> None:
        if sealed:
            self._db.executemany("INSERT INTO audit VALUES (?, ?, ?, ?)", sealed)
            head = f"{sealed[-1].n}:{sealed[-1].hash}"
            self._db.execute("INSERT OR REPLACE INTO meta VALUES (?, ?)", (HEAD_KEY, head))

    def _audit_end(self) -> Head:
        row = self._db.execute("SELECT n, hash FROM audit ORDER BY n DESC LIMIT 1").fetchone()
        return NO_HEAD if row is None else Head(*row)

    def _opening(self, kept: str) -> list[str]:
        """What the audit has to say before its next entry."""
        if self.audit_broken:
            return [event_text("audit_found_broken", {"ended_at": kept, "ends_at": str(self.audit_head)})]
        if self.audit_head == NO_HEAD:
            began = {"site": self._meta("site"), "instance": self.instance, "inputs_before": self.seq}
            return [event_text("audit_begun", began)]
        return []

    # -------------------------------------------------------------------------------------------- reading back

    def newest_snapshot(self) -> Snapshot | None:
        row = self._db.execute("SELECT seq, blob FROM snapshots ORDER BY seq DESC LIMIT 1").fetchone()
        return None if row is None else Snapshot(*row)

    def inputs_after(self, seq: int) -> Iterator[tuple[int, Input]]:
        """The inputs after `seq`, in order, with their numbers."""
        query = "SELECT seq, mono_s, wall_s, kind, topic, payload, retained FROM inputs WHERE seq > ? ORDER BY seq"
        for number, mono_s, wall_s, kind, topic, payload, retained in self._db.execute(query, (seq,)):
            yield number, Input(mono_s, wall_s, kind, topic, payload, bool(retained))

    def open_outcomes(self) -> list[Outcome]:
        """The answers that the broker has not acknowledged, oldest first."""
        return [Outcome(*row) for row in self._db.execute("SELECT id, topic, payload FROM outcomes ORDER BY id")]

    def decisions_after(self, seq: int) -> list[tuple[int, str]]:
        """What was decided on inputs after `seq`: input number and JSON."""
        return self._db.execute("SELECT seq, what FROM decisions WHERE seq > ? ORDER BY id", (seq,)).fetchall()

    def faulty_messages(self) -> set[tuple[str, bytes]]:
        """Topic and payload of the messages that were set aside because the engine failed on them."""
        return {tuple(row) for row in self._db.execute("SELECT topic, payload FROM faults WHERE kind = 'arrived'")}

    @property
    def history_waiting(self) -> int:
        """How many rows wait for the time-series database."""
        return self.history_id - self.history_first_id + 1

    # -------------------------------------------------------------------------------------------- housekeeping

    def prune(self, before_mono_s: float, count: int) -> int:
        """Forget at most `count` of the oldest inputs, with their decisions, that are older than `before_mono_s` and
        that no kept snapshot needs. Returns how many went."""
        first = self._one("SELECT coalesce(min(seq), 0) FROM inputs")
        needed = self._one("SELECT coalesce(min(seq), 0) FROM snapshots")
        last = self._one(
            "SELECT coalesce(max(seq), 0) FROM inputs WHERE seq >= ? AND seq < ? AND seq <= ? AND mono_s < ?",
            (first, first + count, needed, before_mono_s),
        )
        if last == 0:
            return 0
        with transaction(self._db, self.path):
            oldest = "SELECT id FROM decisions ORDER BY id LIMIT ?"
            self._db.execute(f"DELETE FROM decisions WHERE id IN ({oldest}) AND seq <= ?", (10 * count, last))
            return self._db.execute("DELETE FROM inputs WHERE seq <= ?", (last,)).rowcount

    def checkpoint(self) -> bool:
        """Move the write-ahead log into the file and cut it. False when a reader was in the way."""
        try:
            return self._one("PRAGMA wal_checkpoint(TRUNCATE)") == 0
        except sqlite3.Error as error:
            raise JournalError(f"{self.path}: its write-ahead log could not be folded in: {error}") from error

    def close(self) -> None:
        self._db.close()
        os.close(self._lock)

    def _one(self, query: str, values: Sequence[object] = ()) -> int:
        return self._db.execute(query, values).fetchone()[0]

    def _meta(self, key: str, default: str | None = None) -> str:
        row = self._db.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
        if row is not None:
            return row[0]
        if default is None:
            raise JournalError(damaged(self.path, f"it has no {key}"))
        return default
