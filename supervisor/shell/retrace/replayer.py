"""Steps a fresh engine through recorded inputs, each stretch by the settings that it was written by.

A run that began with other settings went on from a snapshot with them, so the replay does just that: it keeps its own state at
the input of that snapshot, and goes on from there as the start did (`shell/replay.py`).
"""

from collections.abc import Iterator
from typing import NamedTuple

from supervisor.core.reasons import Told
from supervisor.settings import SiteFile
from supervisor.shell.batch import decision
from supervisor.shell.engine import Engine, Outgoing
from supervisor.shell.records import Input, UnknownRecord, to_event
from supervisor.shell.retrace import written
from supervisor.shell.retrace.record import Record, RecordUnreadable
from supervisor.shell.wire import Decoder, Refused
from supervisor.shell.wire_out import Encoder
from supervisor.values import Event


class Stepped(NamedTuple):
    """One input: what was recorded as decided on it, and what a fresh engine decides. `trouble` is why it decides nothing."""

    seq: int
    row: Input
    event: Event | None
    recorded: list[str]
    decided: list[str]
    outgoing: list[Outgoing]
    gap: int
    trouble: str


class Replayer:
    """`steps` goes from the input after the snapshot `base` (0: from the first input) to `last`."""

    def __init__(self, record: Record, given: SiteFile | None, base: int, last: int, blob: bytes | None = None) -> None:
        """`blob` is the state after the input `base` where that is no snapshot of the journal's."""
        self.record, self.base, self.last, self.given = record, base, last, given
        self._given_sha = "" if given is None else written.sha256_of(written.settings_text(given))
        self._sites: dict[str, SiteFile] = {}
        self._turns = self._changes()
        self._bases = {run.base for run in self._turns.values()}
        self._told: list[Told] | None = None
        self._dumps: dict[int, bytes] = {}
        self._put(self._site_at(max(base, record.first_seq)), blob or (self._blob(base) if base else None))

    def listen(self, told: list[Told]) -> None:
        """The core's reasons of each step go into `told` from now on."""
        self._told = told
        self.engine.listen(told)

    def _blob(self, seq: int) -> bytes:
        blob = self.record.blob(seq)
        if blob is None:
            raise RecordUnreadable(f"{self.record.path}: the snapshot after input {seq} is gone meanwhile; try again")
        return blob

    def _changes(self) -> dict[int, written.Run]:
        """The runs after the begin whose settings are not those of the run before, by their first input."""
        runs = [one for one in self.record.runs if one.seq <= self.last]
        pairs = zip([None, *runs], runs, strict=False)
        return {
            now.seq: now for before, now in pairs
            if now.seq > max(self.base, self.record.first_seq)
            and self._sha(before) != now.settings
        }  # fmt: skip

    def _sha(self, run: written.Run | None) -> str:
        return self._given_sha if run is None else run.settings

    def _site_at(self, seq: int) -> SiteFile:
        return self._site_of(self.record.run_at(seq))

    def _site_of(self, run: written.Run | None) -> SiteFile:
        """Raises RecordUnreadable when its settings are not known."""
        sha = self._sha(run)
        if self.given is not None and sha == self._given_sha:
            return self.given
        if run is None:
            raise RecordUnreadable(
                f"{self.record.path}: an older version wrote it, and did not note by which settings; give the site file"
            )
        if sha not in self._sites:
            try:
                self._sites[sha] = written.site_of(self.record.settings(sha))
            except ValueError as error:
                raise RecordUnreadable(
                    f"{self.record.path}: the settings of its inputs from {run.seq} on are not read by this version ({error}); "
                    f"use version {run.program.version}"
                ) from error
        return self._sites[sha]

    def _put(self, site: SiteFile, blob: bytes | None) -> None:
        self.site = site
        try:
            self.engine = Engine(site) if blob is None else Engine.load(site, blob)
        except ValueError as error:
            raise RecordUnreadable(
                f"{self.record.path}: its snapshot is not read by this version ({error}); use the one that wrote it"
            ) from error
        self._decoder, self._encoder = Decoder(site), Encoder(site.root)

    def steps(self) -> Iterator[Stepped]:
        """Input by input. Raises RecordUnreadable."""
        if self.base in self._bases:
            self._dumps[self.base] = self.engine.dump()
        for seq, row, recorded, gap in self.record.rows(self.base, self.last):
            if seq in self._turns:
                self._turn(self._turns[seq])
            yield self._step(seq, row, recorded, gap)
            if seq in self._bases:
                self._dumps[seq] = self.engine.dump()

    def _turn(self, run: written.Run) -> None:
        """A start with other settings: the snapshot that it went on from, and the inputs after that, under the new ones."""
        blob = self._dumps.get(run.base)
        if blob is None and run.base:
            raise RecordUnreadable(
                f"{self.record.path}: the run from input {run.seq} on went on from input {run.base}, which is not replayed"
            )
        self._put(self._site_of(run), blob if run.base else None)
        for _, row, _, _ in self.record.rows(run.base, run.seq - 1):
            event = to_event(row, self._decoder)
            if not isinstance(event, Refused):
                self.engine.step(event)
        self.engine.listen(self._told)

    def _step(self, seq: int, row: Input, recorded: list[str], gap: int) -> Stepped:
        event: Event | None = None
        try:
            read = to_event(row, self._decoder)
            if isinstance(read, Refused):
                return Stepped(seq, row, None, recorded, [], [], gap, f"this version refuses it: {read.reason}")
            event = read
            outgoing = self.engine.step(event)
            decided = [what for one in outgoing if (what := decision(one, self._encoder)) is not None]
        except UnknownRecord as error:
            return Stepped(seq, row, None, recorded, [], [], gap, str(error))
        except Exception as error:  # whatever a changed input or another version makes of it
            return Stepped(seq, row, event, recorded, [], [], gap, f"the engine fails on it: {type(error).__name__}: {error}")
        return Stepped(seq, row, event, recorded, decided, outgoing, gap, "")
