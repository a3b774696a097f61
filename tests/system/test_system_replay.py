"""The journal of a run that was killed eight times, stepped through a fresh engine: the same decisions, bit for bit."""

from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from system_killed import Killed

from supervisor import __main__ as cli
from supervisor.shell.audit.events import Auditor
from supervisor.shell.audit.file import Verdict, reading, rows, verify
from supervisor.shell.retrace.proof import Window, prove
from supervisor.shell.retrace.record import Record, Recorded, opened
from supervisor.shell.retrace.replayer import Replayer

pytestmark = pytest.mark.timeout(240)


@pytest.fixture
def state(killed: Killed) -> Path:
    return killed.drill.folder / "state"


@pytest.fixture
def record(state: Path) -> Iterator[Record]:
    with opened(state) as record:
        yield record


def test_the_journal_replays_bit_for_bit_over_every_kill(killed: Killed, record: Record) -> None:
    """A run that was killed and restored decides as one that never was: both rest on nothing but their inputs."""
    proof = prove(record, killed.drill.site, Window(record, None, None))
    assert proof.difference is None and proof.failures == [] and not proof.from_snapshot and not proof.unknown
    assert proof.inputs == record.last_seq, "every input is there, none twice"
    assert len(proof.runs) >= len(killed.kills) and proof.snapshots >= 1
    everything = list(record.rows(0, record.last_seq))
    assert len([one for one in everything if one.row.kind == "started"]) == len(proof.runs)
    assert sum("/request" in what for one in everything for what in one.decisions) >= 8, "there was something to compare"
    assert record.snapshots[-1] == record.last_seq, "the state at the very end was compared too"


def test_what_went_over_the_broker_replays_from_a_bundle_too(killed: Killed, state: Path, tmp_path: Path) -> None:
    """By the commands of whoever looks at it elsewhere. The drill's site file has a broker of its own, which is not in it."""
    bundle = tmp_path / "drill.tar.gz"
    assert cli.main(["replay", str(killed.drill.site_path), str(state)]) == 0
    assert cli.main(["bundle", str(killed.drill.site_path), str(state), "-o", str(bundle)]) == 0
    assert cli.main(["replay", str(bundle)]) == 0
    assert cli.main(["replay", str(bundle), "--explain", "n1"]) == 0


def test_the_audit_is_whole_over_every_kill_and_a_replay_comes_to_the_same_entries(
    killed: Killed, state: Path, record: Record
) -> None:
    """Each entry stands once, and follows from the journal's inputs alone; what was retold by a restart is not in it."""
    with reading(state) as db:
        verdict = verify(db)
        assert verdict == Verdict(verdict.head)
        recorded = [row.event.decode() for row in rows(db)]
    auditor = Auditor()
    replayed = []
    for one in Replayer(record, killed.drill.site, 0, record.last_seq).steps():
        assert one.event is not None
        replayed += auditor.entries(one.event, one.outgoing)
    # The first entry says whose audit it is, and what the shell itself has to say of operators has no input.
    assert [one for one in recorded[1:] if '"event":"operators"' not in one] == replayed
    assert sum('"event":"started"' in one for one in recorded) == len(killed.starts)


def test_one_input_less_is_another_run(killed: Killed, record: Record) -> None:
    """The comparison above would notice: without one settled reading that was decided on, something else is decided."""
    everything = list(record.rows(0, record.last_seq))
    first = next(one.seq for one in everything if any('"say": "decided"' in what for what in one.decisions))
    gone = [one.seq for one in everything if one.row.topic.endswith("/reading") and one.seq < first][-1]

    class OneLess(Record):
        def rows(self, after: int, until: int) -> Iterator[Recorded]:
            return (one._replace(gap=0) for one in super().rows(after, until) if one.seq != gone)

    with ExitStack() as stack:
        less = OneLess(stack.enter_context(reading(record.path)), record.path)
        found = prove(less, killed.drill.site, Window(less, None, None)).difference
    assert found is not None and found.kind == "decisions" and gone < found.seq <= first
