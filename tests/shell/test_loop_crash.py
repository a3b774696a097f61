"""Journal, then act: a process that dies at any point of a turn loses nothing and repeats nothing."""

from collections.abc import Callable
from pathlib import Path

import pytest
from shellkit import StillClock
from toy import COMMAND, SITE, MemoryBroker, Rig, Toy, decided, fill

from supervisor.shell import housekeeping
from supervisor.shell.audit.file import reading, told, verify
from supervisor.shell.journal import Journal
from supervisor.shell.records import to_event
from supervisor.shell.wire import Decoder, Refused


def from_the_beginning(journal: Journal) -> Toy:
    """The engine that has stepped every input of the journal."""
    toy, decoder = Toy(), Decoder(SITE)
    for _, row in journal.inputs_after(0):
        event = to_event(row, decoder)
        assert not isinstance(event, Refused)
        toy.step(event)
    return toy


def audited(journal: Journal) -> list[str]:
    """The commands whose answers the audit holds, in order; the chain is proved first."""
    with reading(journal.path) as db:
        assert verify(db, journal.audit_head).problem is None
        entries = list(told(db))
    inputs = [row for _, row in journal.inputs_after(0)]
    kinds = [one.event for one in entries]
    assert kinds.count("started") == sum(row.kind == "started" for row in inputs)
    assert kinds.count("operator_command") == len({row.payload for row in inputs if row.topic == COMMAND})
    return [str(one.figures["command_id"]) for one in entries if one.event == "command_outcome"]


class Crash(BaseException):
    """Nothing catches it, as nothing catches a kill."""


class Fuse:
    """Blows at the n-th of the points at which a process can die and it matters."""

    def __init__(self, after: int) -> None:
        self.left = after

    def point(self) -> None:
        self.left -= 1
        if self.left == 0:
            raise Crash

    def around(self, call: Callable) -> Callable:
        def wired(*args: object, **options: object) -> object:
            self.point()
            answer = call(*args, **options)
            self.point()
            return answer

        return wired


def run_with(folder: Path, broker: MemoryBroker, clock: StillClock, fuse: Fuse | None) -> bool:
    """One run; True when it came to its end."""
    rig = Rig(folder, broker, clock)
    if fuse is not None:
        rig.journal.commit = fuse.around(rig.journal.commit)
        rig.bus.publish = fuse.around(rig.bus.publish)
        rig.bus.settle = fuse.around(rig.bus.settle)
        rig.journal._write = fuse.around(rig.journal._write)  # within the transaction, before its COMMIT
    try:
        rig.run_until_quiet()
        return True
    except Crash:
        return False
    finally:
        rig.die()


@pytest.mark.parametrize("snapshot_inputs", [4, 10_000])
def test_a_crash_at_any_point_loses_no_message_and_repeats_no_dose(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, snapshot_inputs: int
) -> None:
    monkeypatch.setattr(housekeeping, "SNAPSHOT_INPUTS", snapshot_inputs)
    monkeypatch.setattr(housekeeping, "SNAPSHOT_EVERY_S_MIN", 0.0)
    point, whole = 0, False
    while not whole:
        point += 1
        folder, broker, clock = tmp_path / str(point), MemoryBroker(), StillClock()
        fill(broker)
        whole = run_with(folder, broker, clock, Fuse(point))
        clock.go(5.0)
        if not whole:
            assert run_with(folder, broker, clock, None), point

        journal = Journal.open(folder, "quillfen", "boot")
        toy = from_the_beginning(journal)
        assert sorted(toy.seen) == list(range(1, 10)), point
        assert sorted(toy.commands) == ["c2", "c7"], point
        ids = decided(journal)
        assert len(ids) == len(set(ids)) == 9, point  # one decision per reading, no id twice
        sent = [body["request_id"] for body in broker.bodies("dosing/n1/nitrogen/request")]
        assert len(sent) == len(set(sent)), point  # no request is sent twice
        assert set(sent) <= set(ids), point  # none that is not in the journal
        assert len(ids) - len(sent) <= 3, point  # at most the batch that was committed and not sent
        answered = {body["command_id"] for body in broker.bodies("operator/outcome")}
        assert answered == {"c2", "c7"} and journal.open_outcomes() == [], point
        assert audited(journal) == ["c2", "c7"], point  # the audit is whole and holds each command's answer once
        journal.close()

        # A restart from the newest snapshot comes to the same state, bit for bit, as from the very beginning.
        rig = Rig(folder, MemoryBroker(), clock)
        assert rig.engine.dump() == toy.dump(), point
        rig.die()
    assert point > 60  # the points were really there
