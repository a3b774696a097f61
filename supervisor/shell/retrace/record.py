"""Reads what a journal recorded: inputs with their decisions, the snapshots, and who wrote each stretch.

The journal may be live. It is opened read-only and read in slices, each a short read of its own: one long read would keep a
live journal's log from being folded in.
"""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple

from supervisor.shell.audit.file import AuditUnreadable, reading
from supervisor.shell.journal_file import FORMAT
from supervisor.shell.records import Input
from supervisor.shell.retrace.written import Program, Run

_SLICE = 2000


class RecordUnreadable(Exception):
    """There is nothing that can be replayed; the message says what to do."""


class Recorded(NamedTuple):
    """One input and what was decided on it. `gap` is the number of inputs that are missing before it."""

    seq: int
    row: Input
    decisions: list[str]
    gap: int


class Record:
    """A journal's content up to the moment at which it was opened."""

    def __init__(self, db: sqlite3.Connection, path: Path) -> None:
        self.db, self.path = db, path
        meta = {key.decode(): value.decode() for key, value in self._all("SELECT key, value FROM meta")}
        self.site_id, self.instance, self.format = meta["site"], meta["instance"], int(meta["format"])
        if self.format > FORMAT:
            raise RecordUnreadable(
                f"{path} has format {self.format}, this version reads formats up to {FORMAT}; use the version that wrote it"
            )
        self._noted = self.format >= 4
        # Before the inputs: a live journal may get more of both meanwhile.
        self.decided_seq = next(iter(self._all("SELECT seq FROM decisions ORDER BY id DESC LIMIT 1")), (0,))[0]
        first, last = self._all("SELECT min(seq), max(seq) FROM inputs")[0]
        self.snapshots: list[int] = [seq for (seq,) in self._all("SELECT seq FROM snapshots ORDER BY seq")]
        if first is None:
            raise RecordUnreadable(f"{path}: no input is in it, so there is nothing to replay")
        self.first_seq, self.last_seq = first, last
        self.runs: list[Run] = []
        if self._noted:
            for seq, base, settings, *program in self._all("SELECT * FROM runs ORDER BY seq"):
                self.runs.append(Run(seq, base, settings.decode(), Program(*(one.decode() for one in program))))

    def _all(self, query: str, values: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
        return self.db.execute(query, values).fetchall()

    # ---- who wrote it

    def run_at(self, seq: int) -> Run | None:
        """Who wrote the input `seq`; None: a version that did not note it."""
        return next((one for one in reversed(self.runs) if one.seq <= seq), None)

    def settings(self, sha256: str) -> str:
        """The settings of this SHA-256, as `written.settings_text` wrote them. Raises RecordUnreadable."""
        rows = self._all("SELECT site FROM settings WHERE sha256 = ?", (sha256,))
        if not rows:
            raise RecordUnreadable(f"{self.path}: the settings {sha256[:12]} that a run names are not in it; it is damaged")
        return rows[0][0].decode()

    # ---- where it can be begun, and where times lie

    def beginning(self, seq: int) -> int | None:
        """The newest snapshot before the input `seq`, 0 for the first input of all, None when what leads there is gone."""
        before = [one for one in self.snapshots if self.first_seq - 1 <= one < seq]
        if before:
            return before[-1]
        return 0 if self.first_seq == 1 else None

    def earliest(self) -> int:
        """The first input that can be replayed. Raises RecordUnreadable when none can."""
        if self.first_seq == 1:
            return 1
        usable = [one for one in self.snapshots if one >= self.first_seq - 1]
        if not usable:
            raise RecordUnreadable(f"{self.path}: its earlier inputs are gone and no snapshot is left to go on from")
        return usable[0] + 1

    def blob(self, seq: int) -> bytes | None:
        """The snapshot after the input `seq`; None when it is gone meanwhile."""
        rows = self._all("SELECT blob FROM snapshots WHERE seq = ?", (seq,))
        return rows[0][0] if rows else None

    def seq_from(self, wall_s: float, after: int = 0) -> int:
        """The first input after `after` that came at this time (UTC seconds) or later; one past the last when none did."""
        row = self._all("SELECT min(seq) FROM inputs WHERE seq > ? AND wall_s >= ?", (after, wall_s))[0]
        return self.last_seq + 1 if row[0] is None else min(row[0], self.last_seq + 1)

    def wall_s(self, seq: int) -> float | None:
        """When the input came."""
        rows = self._all("SELECT wall_s FROM inputs WHERE seq = ?", (seq,))
        return rows[0][0] if rows else None

    def faults(self) -> list[tuple[Input, str]]:
        """The inputs that the engine failed on, which were set aside, and how."""
        rows = self._all("SELECT wall_s, kind, topic, payload, what FROM faults ORDER BY id")
        return [
            (Input(0.0, wall_s, kind.decode(), topic.decode(), bytes(payload), False), what.decode("utf-8", "replace"))
            for wall_s, kind, topic, payload, what in rows
        ]

    # ---- what is in it

    def rows(self, after: int, until: int) -> Iterator[Recorded]:
        """The inputs after `after` up to `until`, with what the engine decided on each. Raises RecordUnreadable."""
        expected, decided = after + 1, _Cursor(self._decisions(after))
        while expected <= until:
            query = (
                "SELECT seq, mono_s, wall_s, kind, topic, payload, retained FROM inputs WHERE seq >= ? AND seq <= ? "
                "ORDER BY seq LIMIT ?"
            )
            part = self._all(query, (expected, until, _SLICE))
            if not part:
                return
            for seq, mono_s, wall_s, kind, topic, payload, retained in part:
                if seq > expected and self._all("SELECT min(seq) FROM inputs")[0][0] > expected:
                    raise RecordUnreadable(f"{self.path}: inputs were dropped for their age while it was read; try again")
                row = Input(mono_s, wall_s, kind.decode(), topic.decode(), bytes(payload), bool(retained))
                yield Recorded(seq, row, decided.of(seq), seq - expected)
                expected = seq + 1

    def _decisions(self, after: int) -> Iterator[tuple[int, str]]:
        """The engine's, of the inputs after `after`, in order."""
        at = self._first_decision(after)
        only = "AND own = 0" if self._noted else ""
        while True:
            part = self._all(f"SELECT id, seq, what FROM decisions WHERE id >= ? {only} ORDER BY id LIMIT ?", (at, _SLICE))
            yield from ((seq, what.decode("utf-8", "replace")) for _, seq, what in part)
            if len(part) < _SLICE:
                return
            at = part[-1][0] + 1

    def _first_decision(self, after: int) -> int:
        """The id of the first decision on an input after `after`: ids and inputs grow together."""
        low, high = (one or 0 for one in self._all("SELECT min(id), max(id) + 1 FROM decisions")[0])
        while low < high:
            middle = (low + high) // 2
            found = self._all("SELECT id, seq FROM decisions WHERE id >= ? ORDER BY id LIMIT 1", (middle,))
            if found and found[0][1] <= after:
                low = found[0][0] + 1
            else:
                high = middle
        return low


class _Cursor:
    """Decisions, asked for by inputs that only grow."""

    def __init__(self, decisions: Iterator[tuple[int, str]]) -> None:
        self._decisions, self._next = decisions, next(decisions, None)

    def of(self, seq: int) -> list[str]:
        said: list[str] = []
        while self._next is not None and self._next[0] <= seq:
            if self._next[0] == seq:
                said.append(self._next[1])
            self._next = next(self._decisions, None)
        return said


@contextmanager
def opened(state: Path) -> Iterator[Record]:
    """The journal in the folder `state`, or the file itself, live or a copy. Raises RecordUnreadable."""
    try:
        with reading(state) as db:
            try:
                record = Record(db, state)
            except (KeyError, ValueError) as error:
                raise RecordUnreadable(f"{state}: it is no journal of a supervisor, or is damaged ({error})") from error
            yield record
    except AuditUnreadable as error:
        raise RecordUnreadable(str(error)) from error
