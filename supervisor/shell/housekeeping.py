"""What the loop does beside control, in small pieces: snapshots, pruning, checkpoints, and the rows for the database."""

from supervisor.shell.batch import Engine, Turn
from supervisor.shell.clock import Clock
from supervisor.shell.history import History
from supervisor.shell.journal import Batch, Journal
from supervisor.shell.retrace.snapshots import KEEP_S
from supervisor.shell.troubles import Troubles

SNAPSHOT_INPUTS = 5_000
SNAPSHOT_EVERY_S = 300.0
SNAPSHOT_EVERY_S_MIN = 5.0
CHECKPOINT_EVERY_S = 60.0
PRUNE_EVERY_S = 1.0
PRUNE_INPUTS = 500
BACKLOG_LINES_MAX = 5_000_000  # some 600 MB; two months of the example site
BACKLOG_LINES_LOW = 4_500_000


class Housekeeping:
    """`add_to` before each commit, `committed` after it. Intervals here are real seconds, but for how long is kept."""

    def __init__(self, journal: Journal, history: History | None, clock: Clock, troubles: Troubles) -> None:
        self._journal = journal
        self._history = history
        self._clock = clock
        self._troubles = troubles
        newest = journal.newest_snapshot()
        self._inputs_since = journal.seq - (0 if newest is None else newest.seq)
        self._snapshot_s = self._checkpoint_s = self._prune_s = clock.real_s()
        self._rows_lost = 0
        self._full = False

    def start(self) -> None:
        if self._history is not None:
            self._history.start()

    def add_to(self, batch: Batch, turn: Turn, engine: Engine, snapshot: bool) -> None:
        """Complete `batch` with what is due besides the turn's own."""
        self._inputs_since += len(batch.inputs)
        since_s = self._clock.real_s() - self._snapshot_s
        many = self._inputs_since >= SNAPSHOT_INPUTS and since_s >= SNAPSHOT_EVERY_S_MIN
        if snapshot or many or since_s >= SNAPSHOT_EVERY_S:
            batch.snapshot = engine.dump()
        if self._history is None:
            batch.lines = []
            return
        settled = self._history.take()
        batch.history_done, batch.history_refused = settled.done, settled.refused
        self._hold_backlog(batch)

    def committed(self, batch: Batch) -> None:
        """After the commit, when nobody waits: what can be done in small pieces."""
        now_s = self._clock.real_s()
        if batch.snapshot is not None:
            self._inputs_since, self._snapshot_s = 0, now_s
        if len(batch.inputs) > 1:
            return  # busy
        if now_s - self._prune_s >= PRUNE_EVERY_S:
            self._prune_s = now_s
            self._journal.prune(batch.mark.mono_s - KEEP_S, PRUNE_INPUTS)
        if now_s - self._checkpoint_s >= CHECKPOINT_EVERY_S:
            self._checkpoint_s = now_s
            self._journal.checkpoint()

    def tell(self) -> None:
        """How the rows for the database stand."""
        if self._history is None:
            self._troubles.put("history_unreachable", False)
            self._troubles.put("history_rows_refused", False)
        else:
            self._history.tell(self._troubles)
        words = f"{BACKLOG_LINES_MAX} rows wait; {self._rows_lost} newer ones were not kept for the database"
        self._troubles.put("history_backlog_full", self._full, words if self._full else "")

    def stop(self) -> None:
        if self._history is not None:
            self._history.stop(patience_s=2.0)
        self._journal.checkpoint()

    def _hold_backlog(self, batch: Batch) -> None:
        waiting = self._journal.history_waiting
        self._full = waiting >= (BACKLOG_LINES_LOW if self._full else BACKLOG_LINES_MAX)
        if self._full:
            self._rows_lost += len(batch.lines)
            batch.lines = []
