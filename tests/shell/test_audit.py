"""The audit's chain: sealed as its document says, checked here without the code that seals, and added to and nothing else."""

import hashlib
import json
import sqlite3
from pathlib import Path

import pytest
from shellkit import T0, StillClock
from toy import COMMAND, MemoryBroker, Rig, command, fill

from supervisor.shell.audit.chain import BEFORE_THE_FIRST, NO_HEAD, TRIGGERS, Head, chained, event_text, seal
from supervisor.shell.clock import Mark
from supervisor.shell.journal import Batch, Journal
from supervisor.shell.journal_file import JournalError

# Made by a program that is none of ours: printf '%s\n1\n2026-08-29T10:40:00.000Z\n%s' "$zeros" "$event" | sha256sum
FIRST = '{"event":"audit_begun","figures":{"inputs_before":0,"instance":"0a1b2c3d","site":"quillfen"}}'
FIRST_HASH = "762b96f86b48ee895f460162c6c16bb7d703047509b222c8cf7c286b6d0b0d8a"
SECOND = (
    '{"event":"alarm_acknowledged","figures":{"alarm":"room_air_unsafe-north",'
    '"note":"gemessen, Tor zu: \\u00fc","occurrence":3,"operator":"ada"}}'
)
SECOND_HASH = "9681b3d46ec86468cdd975cad7913a184d245757276cf8feabb81364a90ff380"


def mark(seconds: float) -> Mark:
    return Mark(seconds, T0 + seconds, 100.0 + seconds, "boot")


def open_journal(folder: Path) -> Journal:
    return Journal.open(folder, "quillfen", "boot")


def raw(folder: Path) -> list[tuple[int, str, str, str]]:
    with sqlite3.connect(folder / "journal.sqlite") as db:
        rows = db.execute("SELECT n, at, event, hash FROM audit ORDER BY n").fetchall()
    db.close()
    return rows


def events(folder: Path) -> list[tuple[str, dict]]:
    return [(one["event"], one["figures"]) for one in (json.loads(event) for _, _, event, _ in raw(folder))]


def names(folder: Path) -> list[str]:
    return [name for name, _ in events(folder)]


# ------------------------------------------------------------------------------------------------ the form


def test_the_hashes_are_those_of_another_program() -> None:
    assert seal("0" * 64, 1, "2026-08-29T10:40:00.000Z", FIRST) == FIRST_HASH
    assert seal(FIRST_HASH, 2, "2026-08-29T10:40:07.250Z", SECOND) == SECOND_HASH
    made = list(chained(NO_HEAD, T0, [FIRST])) + list(chained(Head(1, FIRST_HASH), T0 + 7.25, [SECOND]))
    assert [(one.n, one.at, one.hash) for one in made] == [
        (1, "2026-08-29T10:40:00.000Z", FIRST_HASH), (2, "2026-08-29T10:40:07.250Z", SECOND_HASH),
    ]  # fmt: skip


def test_an_event_has_one_form() -> None:
    figures = {"operator": "ada", "occurrence": 3, "note": "gemessen, Tor zu: ü", "alarm": "room_air_unsafe-north"}
    assert event_text("alarm_acknowledged", figures) == SECOND
    assert event_text("x", {"b": {"d": 1, "c": [None, True, 2.5]}, "a": ""}) == (
        '{"event":"x","figures":{"a":"","b":{"c":[null,true,2.5],"d":1}}}'
    )


def test_what_json_has_no_form_for_is_told_in_words_and_stops_nothing() -> None:
    odd = {"nan": float("nan"), "inf": float("-inf"), "path": Path("a"), "half": "\ud800", "line": "\n", "pair": (1, {2: 3})}
    text = event_text("x", odd)
    assert text.isascii() and "\n" not in text
    read = json.loads(text, parse_constant=lambda word: pytest.fail(f"{word} is no JSON"))
    assert read["figures"] == odd | {"nan": "nan", "inf": "-inf", "path": "a", "pair": [1, {"2": 3}]}
    seal(BEFORE_THE_FIRST, 1, "t", text)


# ------------------------------------------------------------------------------------------------ in the journal


def test_what_is_kept_can_be_checked_by_anybody_over_restarts(tmp_path: Path) -> None:
    """Nothing of ours is used for the check: the document's words, SHA-256, JSON and SQL."""
    for run in range(3):
        journal = open_journal(tmp_path)
        journal.commit(Batch(mark(run), audit=[event_text("started", {"epoch": run})]))
        journal.commit(Batch(mark(run + 0.5)))
        journal.commit(Batch(mark(run + 0.6), audit=[event_text("alarm_raised", {"alarm": f"a{n}"}) for n in range(3)]))
        head = journal.audit_head
        journal.close()
    before = "0" * 64
    rows = raw(tmp_path)
    for number, (n, at, event, kept) in enumerate(rows, 1):
        assert n == number
        before = hashlib.sha256("\n".join([before, str(n), at, event]).encode("utf-8")).hexdigest()
        assert kept == before, n
        assert json.dumps(json.loads(event), sort_keys=True, separators=(",", ":")) == event
    assert len(rows) == 13 and head == (13, before)
    assert rows[0][1] == "2026-08-29T10:40:00.000Z" and rows[-1][1] == "2026-08-29T10:40:02.600Z"


def test_the_first_entry_says_whose_audit_it_is(tmp_path: Path) -> None:
    journal = open_journal(tmp_path)
    instance = journal.instance
    journal.commit(Batch(mark(0.0)))
    assert journal.audit_head == NO_HEAD  # nothing to tell, nothing told
    journal.commit(Batch(mark(1.0), audit=[event_text("started", {})]))
    journal.close()
    assert events(tmp_path) == [
        ("audit_begun", {"site": "quillfen", "instance": instance, "inputs_before": 0}), ("started", {}),
    ]  # fmt: skip


def test_a_batch_that_fails_leaves_no_entry_and_the_chain_goes_on(tmp_path: Path) -> None:
    journal = open_journal(tmp_path)
    journal.commit(Batch(mark(0.0), audit=[event_text("started", {})]))
    head = journal.audit_head
    twice = journal.outcome("t", b"")
    with pytest.raises(JournalError):
        journal.commit(Batch(mark(1.0), audit=[event_text("lost", {})], outcomes=[twice, twice]))
    assert journal.audit_head == head
    journal.commit(Batch(mark(2.0), audit=[event_text("kept", {})]))
    journal.close()
    assert names(tmp_path) == ["audit_begun", "started", "kept"]


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE audit SET at = at WHERE n = 2",
        "UPDATE audit SET n = 9 WHERE n = 3",
        "DELETE FROM audit WHERE n = 3",
        "DELETE FROM audit",
        "INSERT OR REPLACE INTO audit VALUES (2, 'then', '{}', '')",
        "REPLACE INTO audit SELECT n, at, '{}', hash FROM audit WHERE n = 1",
        "INSERT INTO audit VALUES (5, 'then', '{}', '')",
        "INSERT INTO audit VALUES (0, 'then', '{}', '')",
        "INSERT INTO audit VALUES (-1, 'then', '{}', '')",
        "INSERT INTO audit (at, event, hash) VALUES ('then', '{}', '')",
    ],
)
def test_the_table_is_added_to_at_its_end_and_nothing_else(tmp_path: Path, statement: str) -> None:
    journal = open_journal(tmp_path)
    journal.commit(Batch(mark(0.0), audit=[event_text("started", {}), event_text("stopping", {})]))
    journal.close()
    kept = raw(tmp_path)
    with sqlite3.connect(tmp_path / "journal.sqlite") as db, pytest.raises(sqlite3.IntegrityError, match="only ever added to"):
        db.execute(statement)
    db.close()
    assert raw(tmp_path) == kept and len(kept) == 3


def test_housekeeping_never_prunes_it(tmp_path: Path) -> None:
    broker, clock = MemoryBroker(), StillClock()
    fill(broker)
    rig = Rig(tmp_path, broker, clock)
    rig.run_until_quiet()
    rig.stop.ask()
    rig.loop.run()
    kept = raw(tmp_path)
    assert rig.journal.prune(1e12, 10_000) > 10 and list(rig.journal.inputs_after(0)) == []
    rig.die()
    assert raw(tmp_path) == kept and len(kept) > 4


# ------------------------------------------------------------------------------------------------ older files, and broken ones


def as_format_1(folder: Path) -> None:
    """What the version before the audit left behind."""
    with sqlite3.connect(folder / "journal.sqlite") as db:
        for (table,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall():
            if table not in FORMAT_1:
                db.execute(f"DROP TABLE {table}")
        db.execute("ALTER TABLE decisions DROP COLUMN own")
        db.execute("ALTER TABLE snapshots DROP COLUMN mono_s")
        db.execute("DELETE FROM meta WHERE key = 'audit_head'")
        db.execute("UPDATE meta SET value = '1' WHERE key = 'format'")
    db.close()


FORMAT_1 = {"meta", "mark", "inputs", "decisions", "snapshots", "history", "quarantine", "outcomes", "faults"}


def test_a_journal_from_before_the_audit_is_brought_up_to_date_and_says_so(tmp_path: Path) -> None:
    broker, clock = MemoryBroker(), StillClock()
    fill(broker)
    rig = Rig(tmp_path, broker, clock)
    rig.run_until_quiet()
    rig.die()
    as_format_1(tmp_path)
    again = Rig(tmp_path, broker, clock)
    inputs, state = again.journal.seq, again.engine.dump()
    assert inputs > 10 and again.engine.seen == list(range(1, 10)) and state  # nothing of the old file is lost
    again.loop.begin()
    again.die()
    assert names(tmp_path)[0] == "audit_begun" and events(tmp_path)[0][1]["inputs_before"] == inputs
    with sqlite3.connect(tmp_path / "journal.sqlite") as db:
        assert {name for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")} >= set(TRIGGERS)
    db.close()


def test_an_upgrade_that_fails_leaves_the_older_file_as_it_was(tmp_path: Path) -> None:
    open_journal(tmp_path).close()
    as_format_1(tmp_path)
    with sqlite3.connect(tmp_path / "journal.sqlite") as db:
        db.execute("CREATE TABLE audit (foreign_to_us)")
    db.close()
    with pytest.raises(JournalError):
        open_journal(tmp_path)
    with sqlite3.connect(tmp_path / "journal.sqlite") as db:
        assert db.execute("SELECT value FROM meta WHERE key = 'format'").fetchone() == ("1",)
        assert not db.execute("SELECT count(*) FROM sqlite_master WHERE type = 'trigger'").fetchone()[0]
    db.close()


def test_a_journal_whose_audit_was_dropped_is_refused(tmp_path: Path) -> None:
    open_journal(tmp_path).close()
    with sqlite3.connect(tmp_path / "journal.sqlite") as db:
        db.execute("DROP TABLE audit")
    db.close()
    with pytest.raises(JournalError, match="its table audit is gone"):
        open_journal(tmp_path)


def test_a_tail_that_was_cut_is_said_in_the_log_and_in_the_audit_itself(tmp_path: Path) -> None:
    rig = Rig(tmp_path, MemoryBroker(), StillClock())
    rig.loop.begin()
    left = rig.journal.audit_head
    rig.die()
    with sqlite3.connect(tmp_path / "journal.sqlite") as db:
        for trigger in TRIGGERS:
            db.execute(f"DROP TRIGGER {trigger}")
        db.execute("DELETE FROM audit WHERE n = ?", (left.number,))
    db.close()
    again = Rig(tmp_path, MemoryBroker(), StillClock())
    again.loop.begin()
    assert [one for one in again.loop.troubles.take(again.clock.now()) if one.trouble == "audit_broken"][0].active
    again.die()
    assert again.logged("audit_found_broken")[0]["level"] == "error"
    name, figures = events(tmp_path)[1]
    assert name == "audit_found_broken" and figures["ended_at"] == str(left) and figures["ends_at"].startswith("1:")
    third = Rig(tmp_path, MemoryBroker(), StillClock())
    third.loop.begin()
    assert not [one for one in third.loop.troubles.take(third.clock.now()) if one.trouble == "audit_broken"][0].active
    third.die()
    assert third.logged("audit_found_broken") == [] and names(tmp_path).count("audit_found_broken") == 1


# ------------------------------------------------------------------------------------------------ the loop


def test_a_replay_after_a_restart_adds_nothing_twice(tmp_path: Path) -> None:
    broker, clock = MemoryBroker(), StillClock()
    fill(broker)
    rig = Rig(tmp_path, broker, clock)
    rig.run_until_quiet()
    rig.die()
    first = raw(tmp_path)
    assert names(tmp_path).count("operator_command") == names(tmp_path).count("command_outcome") == 2
    again = Rig(tmp_path, broker, clock)  # replays everything: no snapshot was taken
    again.run_until_quiet()
    again.die()
    assert raw(tmp_path)[: len(first)] == first
    assert names(tmp_path).count("operator_command") == names(tmp_path).count("command_outcome") == 2


def test_entries_are_on_disk_before_anything_leaves(tmp_path: Path) -> None:
    broker = MemoryBroker()
    rig = Rig(tmp_path, broker, StillClock())
    rig.run_until_quiet()
    broker.say(COMMAND, command("c1"))
    seen = []
    publish = rig.bus.publish

    def watched(topic: str, *rest: object, **options: object) -> bool:
        if topic.endswith("operator/outcome"):
            seen.append(names(tmp_path)[-2:])
        return publish(topic, *rest, **options)

    rig.bus.publish = watched
    rig.loop.turn()
    rig.die()
    assert seen == [["operator_command", "command_outcome"]]


def test_the_head_is_logged_on_start_once_an_hour_and_on_end(tmp_path: Path) -> None:
    rig = Rig(tmp_path, MemoryBroker(), StillClock())
    rig.loop.begin()
    assert [one["number"] for one in rig.logged("audit_head")] == [rig.journal.audit_head.number]
    rig.clock.go(3590.0)
    rig.loop.turn()  # waits a second
    assert len(rig.logged("audit_head")) == 1
    rig.clock.go(10.0)
    rig.loop.turn()
    rig.loop.turn()
    assert len(rig.logged("audit_head")) == 2
    rig.stop.ask()
    assert rig.loop.run() == 0
    told = rig.logged("audit_head")[-1]
    assert (told["number"], told["hash"]) == rig.journal.audit_head and rig.lines[-1] != told
    rig.die()
    assert raw(tmp_path)[-1][3] == told["hash"]
