"""The journal of a run that was killed eight times, stepped through a fresh engine: the same decisions, bit for bit."""

from collections import defaultdict
from collections.abc import Iterator

import pytest
from system_killed import Killed

from supervisor.shell.audit.events import Auditor
from supervisor.shell.audit.file import Verdict, reading, rows, verify
from supervisor.shell.batch import Turn
from supervisor.shell.clock import boot_id
from supervisor.shell.engine import Engine
from supervisor.shell.journal import Journal
from supervisor.shell.records import Input, to_event
from supervisor.shell.wire import Decoder, Refused
from supervisor.shell.wire_out import Encoder

pytestmark = pytest.mark.timeout(240)


@pytest.fixture
def journal(killed: Killed) -> Iterator[Journal]:
    journal = Journal.open(killed.drill.folder / "state", killed.drill.site.site.id, boot_id())
    yield journal
    journal.close()


def replayed(killed: Killed, inputs: list[tuple[int, Input]]) -> tuple[dict[int, list[str]], Engine]:
    """What a fresh engine decides on each input, as the journal writes it, and the engine afterwards."""
    site = killed.drill.site
    engine, decoder, encoder, auditor = Engine(site), Decoder(site), Encoder(site.root), Auditor()
    decided: dict[int, list[str]] = {}
    for seq, row in inputs:
        event = to_event(row, decoder)
        assert not isinstance(event, Refused), f"input {seq}: only what was valid is kept"
        turn = Turn(event.now, events=[event])
        turn.run(engine, encoder, auditor)
        decided[seq] = [what for _, what in turn.decisions]
    return decided, engine


def recorded_after(journal: Journal, seq: int = 0) -> list[tuple[int, str]]:
    """The engine's decisions in the journal. What the shell itself said there of its operators has no input."""
    return [one for one in journal.decisions_after(seq) if not one[1].startswith('{"say": "operators"')]


def test_the_journal_replays_bit_for_bit_over_every_kill(killed: Killed, journal: Journal) -> None:
    """A run that was killed and restored decides as one that never was: both rest on nothing but their inputs."""
    inputs = list(journal.inputs_after(0))
    assert [seq for seq, _ in inputs] == list(range(1, journal.seq + 1)), "every input is there, none twice"
    assert len([row for _, row in inputs if row.kind == "started"]) >= len(killed.kills)
    recorded: dict[int, list[str]] = defaultdict(list)
    for seq, what in recorded_after(journal):
        recorded[seq].append(what)
    decided, engine = replayed(killed, inputs)
    for seq, row in inputs:
        assert decided[seq] == recorded[seq], f"input {seq}: {row}"
    assert sum("/request" in what for said in recorded.values() for what in said) >= 8, "there was something to compare"
    snapshot = journal.newest_snapshot()
    assert snapshot is not None and (snapshot.seq, snapshot.blob) == (journal.seq, engine.dump())


def test_the_audit_is_whole_over_every_kill_and_a_replay_comes_to_the_same_entries(killed: Killed, journal: Journal) -> None:
    """Each entry stands once, and follows from the journal's inputs alone; what was retold by a restart is not in it."""
    with reading(journal.path) as db:
        assert verify(db, journal.audit_head) == Verdict(journal.audit_head)
        recorded = [row.event.decode() for row in rows(db)]
    site = killed.drill.site
    engine, decoder, auditor = Engine(site), Decoder(site), Auditor()
    replayed = []
    for _, row in journal.inputs_after(0):
        event = to_event(row, decoder)
        assert not isinstance(event, Refused)
        replayed += auditor.entries(event, engine.step(event))
    # The first entry says whose audit it is, and what the shell itself has to say of operators has no input.
    assert [one for one in recorded[1:] if '"event":"operators"' not in one] == replayed
    assert sum('"event":"started"' in one for one in recorded) == len(killed.starts)


def test_one_input_less_is_another_run(killed: Killed, journal: Journal) -> None:
    """The comparison above would notice: without one settled reading that was decided on, something else is decided."""
    inputs = list(journal.inputs_after(0))
    first = next(seq for seq, what in journal.decisions_after(0) if '"say": "decided"' in what)
    readings = [seq for seq, row in inputs if row.topic.endswith("/reading") and seq < first]
    decided, _ = replayed(killed, [one for one in inputs if one[0] != readings[-1]])
    recorded = recorded_after(journal)
    assert [what for seq, said in decided.items() for what in said] != [what for _, what in recorded]
