"""A rehearsed season written down in the production journal: the same file, rows and decisions as a running supervisor's, so
that `stillhold replay` reads it, and `stillhold audit` and `stillhold alarms report` do.
"""

import shutil
from collections import deque
from pathlib import Path

from supervisor.settings import SiteFile
from supervisor.shell.audit.events import Auditor
from supervisor.shell.batch import Turn
from supervisor.shell.bus import Received
from supervisor.shell.clock import Mark
from supervisor.shell.engine import Outgoing
from supervisor.shell.journal import Batch, Journal
from supervisor.shell.journal_file import JournalError
from supervisor.shell.retrace import written
from supervisor.shell.wire import Decoded
from supervisor.shell.wire_out import Encoder
from supervisor.values import Arrived, Event, Now

COMMIT_S = 600.0  # simulated seconds in one commit: nothing leaves here that must be on disk first


class JournalWriter:
    """Takes every event with what left on it, in order, and commits now and then. Raises JournalError as a journal does."""

    def __init__(self, folder: Path, site: SiteFile) -> None:
        """Begins a new journal in `folder`; one that is there already is not taken on. Raises JournalError for that."""
        if folder.exists() and any(folder.iterdir()):
            raise JournalError(f"{folder} is not empty: give a folder of its own to each rehearsal's journal")
        folder.mkdir(parents=True, exist_ok=True)
        self._folder = folder
        self._journal = Journal.open(folder, site.site.id, "rehearsal")
        self._journal.next_epoch()
        settings = written.settings_text(site)
        self._journal.begins(0, (written.sha256_of(settings), settings), written.program())
        self._encoder, self._auditor = Encoder(site.root), Auditor()
        self._turns: list[tuple[Turn, deque[list[Outgoing]]]] = []
        self._began_s: float | None = None

    def take(self, event: Event, outgoing: list[Outgoing], raw: Received | None) -> None:
        """`raw` is the message as it came, for an Arrived."""
        now = event.now
        if self._began_s is None:
            self._began_s = now.mono_s
        if not self._turns or self._turns[-1][0].now != now:
            if now.mono_s - self._began_s >= COMMIT_S:
                self.commit()
                self._began_s = now.mono_s
            self._turns.append((Turn(now), deque()))
        turn, made = self._turns[-1]
        made.append(outgoing)
        if isinstance(event, Arrived) and raw is not None:
            turn.add_message(raw, Decoded(event.kind, event.names, event.body))
        else:
            turn.add(event)

    def commit(self) -> None:
        """Everything taken so far to disk."""
        if not self._turns:
            return
        last = self._turns[-1][0].now
        batch = Batch(_mark(last))
        for turn, made in self._turns:
            turn.run(_Made(made), self._encoder, self._auditor)
            before = len(batch.inputs)
            batch.inputs += turn.inputs
            batch.decisions += [(before + index, what) for index, what in turn.decisions]
            batch.audit += turn.audit
        self._turns = []
        self._journal.commit(batch)

    def close(self) -> None:
        self.commit()
        self._journal.close()

    def abandon(self) -> None:
        """A rehearsal that was interrupted leaves no journal."""
        self._journal.close()
        shutil.rmtree(self._folder)


class _Made:
    """In the place of an engine: what the engine made of each event, in order."""

    def __init__(self, made: deque[list[Outgoing]]) -> None:
        self._made = made

    def step(self, event: Event) -> list[Outgoing]:
        return self._made.popleft()

    def dump(self) -> bytes:
        return b""


def _mark(now: Now) -> Mark:
    return Mark(now.mono_s, now.wall_s, now.mono_s, "rehearsal")
