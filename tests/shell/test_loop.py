"""The loop: journal, then act, at whatever point it dies; and an end in order."""

import json
from pathlib import Path

import pytest
from shellkit import T0, StillClock, cleared, reading
from toy import COMMAND, READING, ROOT, MemoryBroker, Rig, Toy, command, decided, fill

from supervisor.messages import CommandOutcome, RoomEntry, at
from supervisor.shell.batch import Outgoing
from supervisor.shell.bus import Round
from supervisor.shell.journal_file import JournalError
from supervisor.shell.loop import EXIT_DONE, EXIT_FAILED
from supervisor.values import Event, PermitRoom, Publish, RequestDose, Row, SampleRef, Say, StopDose, Stopping


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
    assert broker.published == [] and rig.logged("not_sent") == []
    broker.say(READING, reading(99))
    rig.bus.up = rig.bus.down = False  # the link has just gone and nobody knows yet
    rig.bus.poll, poll = (lambda wait_s: Round(received=[broker.inbox.pop()])), rig.bus.poll
    rig.loop.turn()
    assert rig.logged("not_sent")[0]["messages"] == 1  # the request; the state of the room is kept
    rig.bus.poll = poll
    rig.loop.turn()
    assert [topic.removeprefix(ROOT) for topic, _, _ in broker.published] == ["/room/north/entry"]
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
        ("history_rows_refused", False), ("history_backlog_full", False), ("notification_failing", False),
        ("heartbeat_failing", False), ("audit_broken", False),
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
    ended = {("inbound_overflow", False), ("rejected_messages", False), ("commands_refused", False)}
    assert set(rig.engine.troubles[2:]) == ended
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


def test_an_error_of_the_shell_itself_is_told_with_its_place_and_the_will_speaks(tmp_path: Path) -> None:
    rig = Rig(tmp_path, MemoryBroker(), StillClock())
    rig.bus.poll = lambda wait_s: {}["nothing"]
    assert rig.loop.run() == EXIT_FAILED
    said = rig.logged("loop_failed")[0]
    assert said["error"] == "KeyError: 'nothing'" and "test_loop.py" in said["where"] and said["level"] == "critical"
    assert rig.bus.closed is False
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


def test_of_a_broken_engines_last_words_only_stops_and_withdrawals_are_believed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def last_words(self: Toy, event: Event) -> list[Outgoing]:
        if not isinstance(event, Stopping):
            raise ZeroDivisionError
        dose = RequestDose("n1", "co2", "bank", "1-99", 1, 5.0, 9.0, T0 + 60, 0.0, SampleRef("a", "b", 1), "")
        return [
            cleared(dose),
            cleared(PermitRoom("north", True, False, 1, T0 + 45)),
            cleared(PermitRoom("north", False, True, 1, T0 + 45)),
            Publish(("north",), RoomEntry(status="clear", since=at(T0), reasons=[])),
            cleared(StopDose("n1", "co2", None, 1, "broken")),
            cleared(PermitRoom("south", False, False, 1, T0)),
        ]

    broker = MemoryBroker()
    rig = Rig(tmp_path, broker, StillClock())
    rig.run_until_quiet()
    monkeypatch.setattr(Toy, "step", last_words)
    broker.published.clear()
    assert rig.loop.run() == EXIT_FAILED
    assert [topic.removeprefix(ROOT) for topic, _, _ in broker.published] == ["/dosing/n1/co2/stop", "/room/south/permit"]
    written = [json.loads(what).get("topic", "") for _, what in rig.journal.decisions_after(0)][-2:]
    assert [topic.removeprefix(ROOT) for topic in written] == ["/dosing/n1/co2/stop", "/room/south/permit"]
    rig.die()


def test_what_came_out_of_the_event_at_fault_is_not_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def half(_self: Toy, _body: object) -> list[Outgoing]:
        outcome = CommandOutcome(command_id="c", accepted=True, reason="")
        row = Row("sample", (), (("o2_pct", 3.0),), T0)
        return [Publish((), outcome), row, Say("info", "half"), StopDose("n1", "co2", None, 1, "bare")]

    broker = MemoryBroker()
    rig = Rig(tmp_path, broker, StillClock())
    rig.run_until_quiet()
    seq = rig.journal.seq
    monkeypatch.setattr(Toy, "_reading", half)
    broker.say(READING, reading(1))
    assert rig.loop.run() == EXIT_FAILED
    assert rig.journal.open_outcomes() == [] and rig.logged("half") == []
    assert not any("half" in what for _, what in rig.journal.decisions_after(0))
    assert rig.journal.faulty_messages() == {(READING, reading(1))}
    assert not any(row.kind == "arrived" for _, row in rig.journal.inputs_after(seq))
    rig.die()


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


def test_the_whole_picture_is_said_again_now_and_then(tmp_path: Path) -> None:
    """A broker that lost a word of it would keep the one before for as long as nothing changes."""
    broker, clock = MemoryBroker(), StillClock()
    rig = Rig(tmp_path, broker, clock)
    rig.loop.begin()
    rig.loop.turn()
    broker.say(READING, reading(1))
    rig.loop.turn()
    retained = {topic: payload for topic, payload, kept in broker.published if kept}
    for seconds, again in ((590.0, {}), (20.0, retained)):
        broker.published.clear()
        clock.go(seconds)
        rig.loop.turn()
        assert {topic: payload for topic, payload, kept in broker.published if kept} == again
        assert not [topic for topic, _, _ in broker.published if "request" in topic], "nothing but what is retained"
    assert f"{ROOT}/room/north/entry" in retained
    rig.die()
