"""The loop: journal, then act, at whatever point it dies; and an end in order."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from shellkit import StillClock, reading
from toy import COMMAND, READING, ROOT, SITE, MemoryBroker, Rig, Toy

from supervisor.shell import housekeeping
from supervisor.shell.journal import Journal
from supervisor.shell.journal_file import JournalError
from supervisor.shell.loop import EXIT_DONE, EXIT_FAILED
from supervisor.shell.records import to_event
from supervisor.shell.wire import Decoder, Refused


def command(command_id: str) -> bytes:
    body = {"command_id": command_id, "issued_at": "2026-08-29T10:40:00Z", "operator": "ada", "action": "vent", "target": "n1"}
    return json.dumps(body).encode()


def fill(broker: MemoryBroker) -> None:
    """Three batches and a bit: readings, two commands, one thing that is no message."""
    for seq in range(1, 10):
        broker.say(READING, reading(seq))
        if seq in (2, 7):
            broker.say(COMMAND, command(f"c{seq}"))
        if seq == 5:
            broker.say(READING, b"rubbish")


def from_the_beginning(journal: Journal) -> Toy:
    """The engine that has stepped every input of the journal."""
    toy, decoder = Toy(), Decoder(SITE)
    for _, row in journal.inputs_after(0):
        event = to_event(row, decoder)
        assert not isinstance(event, Refused)
        toy.step(event)
    return toy


def decided(journal: Journal) -> list[str]:
    """The ids of the dosing requests in the journal."""
    whats = [json.loads(what) for _, what in journal.decisions_after(0)]
    return [what["message"]["request_id"] for what in whats if what.get("topic", "").endswith("/request")]


# ------------------------------------------------------------------------------------------------ at whatever point it dies


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
        journal.close()

        # A restart from the newest snapshot comes to the same state, bit for bit, as from the very beginning.
        rig = Rig(folder, MemoryBroker(), clock)
        assert rig.engine.dump() == toy.dump(), point
        rig.die()
    assert point > 60  # the points were really there


def test_nothing_leaves_and_nothing_is_acknowledged_when_the_commit_fails(tmp_path: Path) -> None:
    broker = MemoryBroker()
    rig = Rig(tmp_path, broker, StillClock())
    rig.loop.begin()
    rig.loop.turn()
    broker.published.clear()
    broker.say(READING, reading(1))

    def full(batch: object) -> None:
        raise JournalError("database or disk is full")

    rig.journal.commit = full
    assert rig.loop.run() == EXIT_FAILED
    assert broker.published == [] and rig.logged("journal_failed")[0]["error"] == "database or disk is full"
    assert rig.bus.closed is False  # no goodbye, so that the will speaks
    rig.die()


# ------------------------------------------------------------------------------------------------ turns


def test_a_tick_closes_every_batch_and_comes_without_messages_too(tmp_path: Path) -> None:
    broker, clock = MemoryBroker(), StillClock()
    rig = Rig(tmp_path, broker, clock)
    rig.loop.begin()
    rig.loop.turn()
    before, at_s = rig.engine.ticks, clock.mono_s
    for _ in range(10):
        rig.loop.turn()
    assert rig.engine.ticks == before + 10 and clock.mono_s == pytest.approx(at_s + 10.0)  # tick_s is 1
    for seq in range(1, 8):
        broker.say(READING, reading(seq))
    kinds = []
    before = rig.journal.seq
    while broker.inbox:
        rig.loop.turn()
    kinds = [row.kind for _, row in rig.journal.inputs_after(before)]
    assert kinds == ["arrived"] * 3 + ["ticked"] + ["arrived"] * 3 + ["ticked"] + ["arrived", "ticked"]
    rig.die()


def test_at_a_pace_the_wait_is_shorter_and_has_a_floor(tmp_path: Path) -> None:
    rig = Rig(tmp_path, MemoryBroker(), StillClock())
    rig.loop.begin()
    rig.loop.turn()
    for speed, wait_s in [(1.0, 1.0), (60.0, 1.0 / 60.0), (5000.0, 0.005)]:
        rig.clock.speed = speed
        assert rig.loop._wait_s() == pytest.approx(wait_s)
    rig.die()


def test_without_a_link_decisions_go_on_and_only_state_and_answers_are_kept(tmp_path: Path) -> None:
    broker = MemoryBroker()
    fill(broker)
    rig = Rig(tmp_path, broker, StillClock())
    rig.run_until_quiet()
    rig.bus.down = True
    rig.loop.turn()
    broker.published.clear()
    ticks = rig.engine.ticks
    for _ in range(3):
        rig.loop.turn()
    assert rig.engine.ticks == ticks + 3 and rig.engine.link == [True, False]
    assert broker.published == []
    rig.die()


def test_an_answer_that_the_broker_never_confirmed_is_sent_again_on_each_link_and_after_a_restart(tmp_path: Path) -> None:
    broker, clock = MemoryBroker(), StillClock()
    broker.say(COMMAND, command("c1"))
    rig = Rig(tmp_path, broker, clock)
    rig.bus.publish = lambda *_args, **_options: False  # swallowed
    rig.loop.begin()
    rig.loop.turn()
    rig.die()
    assert broker.bodies("operator/outcome") == []
    again = Rig(tmp_path, broker, clock)
    again.run_until_quiet()
    assert [one["command_id"] for one in broker.bodies("operator/outcome")] == ["c1"]
    assert again.journal.open_outcomes() == []
    again.die()
    third = Rig(tmp_path, broker, clock)
    third.run_until_quiet()
    assert len(broker.bodies("operator/outcome")) == 1
    third.die()


def test_rubbish_is_told_changes_nothing_and_is_acknowledged(tmp_path: Path) -> None:
    broker = MemoryBroker()
    rig = Rig(tmp_path, broker, StillClock())
    rig.run_until_quiet()
    state, seq = rig.engine.dump(), rig.journal.seq
    broker.say(READING, b"rubbish")
    broker.say(f"{ROOT}/room/attic/climate", b"{}")
    broker.say(COMMAND, command("old"), retained=True)
    rig.bus.poll, poll = (lambda wait_s: poll(0.0)), rig.bus.poll  # no time passes, so no tick is due
    rig.loop.turn()
    assert (rig.engine.dump(), rig.journal.seq) == (state, seq)
    assert broker.unacknowledged == []
    told = broker.bodies("rejected")
    assert [one["topic"] for one in told] == ["analyser/analyser-1/reading", "room/attic/climate", "operator/command"]
    assert told[0]["sample"] == "rubbish" and "attic" in told[1]["reason"] and "retained" in told[2]["reason"]
    rig.die()


def test_refusals_that_came_before_the_link_are_told_when_it_is_there(tmp_path: Path) -> None:
    broker = MemoryBroker()
    rig = Rig(tmp_path, broker, StillClock())
    rig.loop.begin()
    rig.loop.turn()
    rig.bus.publish, publish = (lambda *_args, **_options: False), rig.bus.publish
    broker.say(READING, b"rubbish")
    rig.loop.turn()
    assert broker.bodies("rejected") == []
    rig.bus.publish = publish
    rig.bus.down = True
    rig.loop.turn()
    rig.bus.down = False
    rig.loop.turn()
    assert [one["sample"] for one in broker.bodies("rejected")] == ["rubbish"]
    rig.die()


def test_rejections_and_a_flood_become_troubles_and_end(tmp_path: Path) -> None:
    broker, clock = MemoryBroker(), StillClock()
    rig = Rig(tmp_path, broker, clock, at_once=1)
    rig.run_until_quiet()
    # After a start each trouble is told once to be over, so that an alarm of the run before can end.
    assert set(rig.engine.troubles) == {
        ("rejected_messages", False), ("inbound_overflow", False), ("history_unreachable", False),
        ("history_rows_refused", False), ("history_backlog_full", False),
    }  # fmt: skip
    rig.engine.troubles.clear()
    for seq in range(30):
        broker.say(READING, b"rubbish" if seq == 0 else reading(seq))
    while len(broker.inbox) > 1:
        clock.go(0.5)
        rig.loop.turn()
    assert rig.engine.troubles == [("rejected_messages", True), ("inbound_overflow", True)]
    rig.loop.turn()  # takes the last: no more than a round takes
    clock.go(601.0)
    rig.loop.turn()
    assert rig.engine.troubles[2:] == [("inbound_overflow", False), ("rejected_messages", False)]
    rig.die()


# ------------------------------------------------------------------------------------------------ ends


def test_an_end_in_order_withdraws_saves_and_says_so(tmp_path: Path) -> None:
    broker, clock = MemoryBroker(), StillClock()
    fill(broker)
    rig = Rig(tmp_path, broker, clock)
    rig.run_until_quiet()
    rig.stop.ask()
    assert rig.loop.run() == EXIT_DONE
    assert broker.bodies("room/north/permit")[-1]["dosing_permitted"] is False
    assert rig.bus.closed is True and rig.logged("stopped")[0]["state_saved"] is True
    snapshot = rig.journal.newest_snapshot()
    assert snapshot is not None and snapshot.seq == rig.journal.seq and snapshot.blob == rig.engine.dump()
    rig.die()


def test_a_broken_invariant_sends_only_withdrawals_sets_the_message_aside_and_fails(tmp_path: Path) -> None:
    broker, clock = MemoryBroker(), StillClock()
    broker.say(READING, reading(1))
    broker.say(READING, reading(2, boot="poison"))
    broker.say(READING, reading(3))
    rig = Rig(tmp_path, broker, clock)
    assert rig.loop.run() == EXIT_FAILED
    assert "ZeroDivisionError: poison" in rig.logged("engine_failed")[0]["error"]
    assert broker.bodies("dosing/n1/nitrogen/request") == []
    assert [one["dosing_permitted"] for one in broker.bodies("room/north/permit")] == [False]
    assert rig.bus.closed is False
    assert len(broker.unacknowledged) == 3  # the broker gives them again
    rig.die()

    again = Rig(tmp_path, broker, clock)
    assert again.engine.seen == [1]  # what was stepped before is kept, its dose counted and not sent
    again.run_until_quiet()
    assert again.engine.seen == [1, 3]
    assert decided(again.journal) == ["1-1", "2-1"]
    assert [one["request_id"] for one in broker.bodies("dosing/n1/nitrogen/request")] == ["2-1"]
    assert "set_aside" in [one["why"] for one in again.logged("message_rejected")]
    again.die()


def test_an_engine_that_cannot_even_withdraw_still_fails_in_order(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    broker = MemoryBroker()
    rig = Rig(tmp_path, broker, StillClock())
    rig.run_until_quiet()
    monkeypatch.setattr(Toy, "step", lambda _self, _event: 1 / 0)
    broker.published.clear()
    assert rig.loop.run() == EXIT_FAILED
    assert broker.published == [] and rig.logged("no_withdrawal") and rig.logged("engine_failed")
    rig.die()


def test_what_the_engine_may_not_publish_is_a_broken_invariant_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from supervisor.values import StopDose

    broker = MemoryBroker()
    broker.say(READING, reading(1))
    monkeypatch.setattr(Toy, "_reading", lambda _self, _body: [StopDose("n1", "co2", None, 1, "bare")])
    rig = Rig(tmp_path, broker, StillClock())
    assert rig.loop.run() == EXIT_FAILED
    assert "Unguarded" in rig.logged("engine_failed")[0]["error"]
    assert not any(topic.endswith("/stop") for topic, _, _ in broker.published)
    rig.die()


def test_a_replay_that_fails_says_which_input_and_starts_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    broker = MemoryBroker()
    broker.say(READING, reading(1))
    rig = Rig(tmp_path, broker, StillClock())
    rig.run_until_quiet()
    rig.die()
    monkeypatch.setattr(Toy, "_reading", lambda _self, _body: 1 / 0)
    with pytest.raises(JournalError, match=r"input \d+ \(arrived .*analyser-1/reading\): the engine fails on it"):
        Rig(tmp_path, broker, StillClock())
