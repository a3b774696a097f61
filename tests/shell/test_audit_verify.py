"""The proof: every way to change what is kept is found, and the place is named. Every check here can fail and does."""

import itertools
import json
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from shellkit import T0, StillClock
from toy import COMMAND, MemoryBroker, Rig, command

from supervisor import __main__ as cli
from supervisor.shell.audit.chain import TABLE, TRIGGERS, Head, event_text, seal
from supervisor.shell.audit.file import Verdict, head_of, reading, verify
from supervisor.shell.clock import Mark
from supervisor.shell.journal import Batch, Journal

EVENTS = [
    event_text("started", {"epoch": 1, "instance": "0a"}),
    event_text("alarm_raised", {"alarm": "room_air_unsafe-north", "occurrence": 1, "text": "CO2 0.61 % \u00fc"}),
    event_text("alarm_acknowledged", {"alarm": "room_air_unsafe-north", "operator": "ada"}),
    event_text("stopping", {"epoch": 1}),
]
LAST = 1 + len(EVENTS)  # the first entry says whose audit it is


def commit(journal: Journal, second: float, *events: str) -> None:
    journal.commit(Batch(Mark(second, T0 + second, second, "boot"), audit=list(events)))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A state folder with five entries, closed."""
    journal = Journal.open(tmp_path / "state", "quillfen", "boot")
    for second, event in enumerate(EVENTS):
        commit(journal, second, event)
    journal.close()
    return tmp_path / "state"


@pytest.fixture
def db(folder: Path) -> Iterator[sqlite3.Connection]:
    """The same in memory, with the guards off: as somebody has it who can write the file."""
    kept = sqlite3.connect(folder / "journal.sqlite")
    memory = sqlite3.connect(":memory:", isolation_level=None)
    kept.backup(memory)
    kept.close()
    for trigger in TRIGGERS:
        memory.execute(f"DROP TRIGGER {trigger}")
    memory.text_factory = bytes
    yield memory
    memory.close()


def proved(db: sqlite3.Connection, noted: Head | None = None) -> Verdict:
    """With the guards back on: who changes the file by hand will not forget them."""
    db.execute("BEGIN")
    try:
        for statement in TABLE[1:]:
            db.execute(statement)
        return verify(db, noted)
    finally:
        db.execute("ROLLBACK")


def head(db: sqlite3.Connection, n: int = LAST) -> Head:
    return Head(n, db.execute("SELECT hash FROM audit WHERE n = ?", (n,)).fetchone()[0].decode())


def written_anew(db: sqlite3.Connection, first: int) -> None:
    """What a forger does who knows the form: the chain sealed again from `first` on, the note of the head with it."""
    before = "0" * 64 if first == 1 else head(db, first - 1).hash
    last = 0
    for n, at, event in db.execute("SELECT n, at, event FROM audit WHERE n >= ? ORDER BY n", (first,)).fetchall():
        before, last = seal(before, n, at.decode(), event.decode()), n
        db.execute("UPDATE audit SET hash = ? WHERE n = ?", (before, n))
    db.execute("UPDATE meta SET value = ? WHERE key = 'audit_head'", (f"{last}:{before}",))


# ------------------------------------------------------------------------------------------------ whole


def test_a_chain_as_it_was_written_is_whole(db: sqlite3.Connection) -> None:
    assert proved(db) == Verdict(head(db))
    for n in range(1, LAST + 1):
        assert proved(db, head(db, n)).problem is None  # every head that was ever noted is still there


def test_more_entries_than_one_slice_are_read_in_order(tmp_path: Path) -> None:
    journal = Journal.open(tmp_path, "quillfen", "boot")
    commit(journal, 0.0, *[event_text("alarm_raised", {"alarm": f"a-{n}"}) for n in range(2500)])
    journal.close()
    with reading(tmp_path) as db:
        assert verify(db).head.number == 2501 and verify(db).problem is None


# ------------------------------------------------------------------------------------------------ changed, removed, moved


def test_each_single_byte_that_is_changed_is_found_at_its_entry(db: sqlite3.Connection) -> None:
    tried = 0
    for n, column in itertools.product(range(1, LAST + 1), ("at", "event", "hash")):
        kept = db.execute(f"SELECT {column} FROM audit WHERE n = ?", (n,)).fetchone()[0]
        for place, byte in enumerate(kept):
            other = {0: byte ^ 1, 1: byte ^ 0x20, 2: 0xFF}[place % 3]  # another letter, the other case, no text at all
            changed = kept[:place] + bytes([other]) + kept[place + 1 :]
            db.execute(f"UPDATE audit SET {column} = CAST(? AS TEXT) WHERE n = ?", (changed, n))
            verdict = proved(db)
            assert verdict.number == n and verdict.head.number == n - 1, (n, column, place, verdict)
            assert f"entry {n} " in str(verdict.problem)
            tried += 1
        db.execute(f"UPDATE audit SET {column} = CAST(? AS TEXT) WHERE n = ?", (kept, n))
    assert tried > 800 and proved(db).problem is None


@pytest.mark.parametrize("value", [None, 7, b"\x00", "", "{}"])
@pytest.mark.parametrize("column", ["at", "event", "hash"])
def test_other_things_in_an_entrys_place_are_found(db: sqlite3.Connection, column: str, value: object) -> None:
    db.execute("CREATE TABLE loose AS SELECT * FROM audit")
    db.execute("DROP TABLE audit")
    db.execute("ALTER TABLE loose RENAME TO audit")  # without NOT NULL
    db.execute(f"UPDATE audit SET {column} = ? WHERE n = 3", (value,))
    assert proved(db).number == 3


@pytest.mark.parametrize("n", range(1, LAST + 1))
def test_a_removed_entry_is_named(db: sqlite3.Connection, n: int) -> None:
    db.execute("DELETE FROM audit WHERE n = ?", (n,))
    verdict = proved(db)
    assert verdict.number == n and f"entry {n} is missing" in str(verdict.problem)


@pytest.mark.parametrize("n", range(1, LAST))
def test_a_removed_entry_whose_gap_was_closed_is_found(db: sqlite3.Connection, n: int) -> None:
    db.execute("DELETE FROM audit WHERE n = ?", (n,))
    db.execute("UPDATE audit SET n = -n WHERE n > ?", (n,))
    db.execute("UPDATE audit SET n = -n - 1 WHERE n < 0")
    assert proved(db).number == n


@pytest.mark.parametrize(("one", "other"), list(itertools.combinations(range(1, LAST + 1), 2)))
@pytest.mark.parametrize("columns", ["at, event, hash", "event", "hash"])
def test_swapped_entries_are_found_at_the_first_of_them(db: sqlite3.Connection, one: int, other: int, columns: str) -> None:
    here, there = (db.execute(f"SELECT {columns} FROM audit WHERE n = ?", (n,)).fetchone() for n in (one, other))
    marks = ", ".join("CAST(? AS TEXT)" for _ in here)
    for n, values in ((one, there), (other, here)):
        db.execute(f"UPDATE audit SET ({columns}) = ({marks}) WHERE n = ?", (*values, n))
    assert proved(db).number == one


@pytest.mark.parametrize("n", [-(2**63), -1, 0])
def test_an_entry_put_before_the_first_is_found(db: sqlite3.Connection, n: int) -> None:
    db.execute("INSERT INTO audit VALUES (?, '2026-01-01T00:00:00.000Z', '{}', '')", (n,))
    assert proved(db).number == n and "before the first" in str(proved(db).problem)


@pytest.mark.parametrize("n", range(1, LAST + 1))
def test_an_entry_changed_together_with_its_hash_breaks_the_next(db: sqlite3.Connection, n: int) -> None:
    before = "0" * 64 if n == 1 else head(db, n - 1).hash
    at = db.execute("SELECT at FROM audit WHERE n = ?", (n,)).fetchone()[0].decode()
    db.execute("UPDATE audit SET event = '{}', hash = ? WHERE n = ?", (seal(before, n, at, "{}"), n))
    verdict = proved(db)
    assert verdict.number == min(n + 1, LAST)  # of the last one the journal's own note tells
    if n < LAST:
        assert f"or {n} was changed together with its own hash" in str(verdict.problem)


# ------------------------------------------------------------------------------------------------ cut, and written anew


@pytest.mark.parametrize("left", range(1, LAST))
def test_a_cut_tail_is_found_by_the_journals_note_and_by_a_noted_head(db: sqlite3.Connection, left: int) -> None:
    noted = head(db)
    db.execute("DELETE FROM audit WHERE n > ?", (left,))
    verdict = proved(db)
    assert verdict.number == left + 1 and f"the chain ends at {left}" in str(verdict.problem)
    db.execute("UPDATE meta SET value = ? WHERE key = 'audit_head'", (str(head(db, left)),))
    assert proved(db).problem is None  # sound in itself: only somebody else's note can tell
    verdict = proved(db, noted)
    assert verdict.number == left + 1 and f"by the head noted earlier it went to {LAST}" in str(verdict.problem)


@pytest.mark.parametrize("first", range(1, LAST + 1))
def test_a_chain_written_anew_is_found_by_a_noted_head(db: sqlite3.Connection, first: int) -> None:
    noted = head(db)
    older = head(db, first - 1) if first > 1 else None
    db.execute("UPDATE audit SET event = replace(event, 'e', 'x') WHERE n = ?", (first,))
    written_anew(db, first)
    assert proved(db).problem is None
    assert proved(db, noted).number == LAST and "written anew" in str(proved(db, noted).problem)
    if older is not None:
        assert proved(db, older).problem is None  # what was noted before the forgery still stands


def test_all_entries_gone_is_not_taken_for_a_new_audit(db: sqlite3.Connection) -> None:
    db.execute("DELETE FROM audit")
    assert proved(db).number == 1
    db.execute("DROP TABLE audit")
    assert verify(db) == Verdict(Head(0, "0" * 64), "the whole table audit is gone", 1)


def test_a_note_of_the_head_that_is_gone_or_spoilt_is_told(db: sqlite3.Connection) -> None:
    db.execute("UPDATE meta SET value = 'rubbish' WHERE key = 'audit_head'")
    assert "own note of its head is gone" in str(proved(db).problem)
    db.execute("DELETE FROM meta WHERE key = 'audit_head'")
    assert "own note of its head is gone" in str(proved(db).problem)


@pytest.mark.parametrize("trigger", TRIGGERS)
def test_a_guard_of_the_table_that_is_gone_is_told(db: sqlite3.Connection, trigger: str) -> None:
    for statement in TABLE[1:]:
        if trigger not in statement:
            db.execute(statement)
    assert trigger in str(verify(db).problem)


@pytest.mark.parametrize("trigger", TRIGGERS)
def test_a_guard_that_guards_nothing_any_more_is_told(db: sqlite3.Connection, trigger: str) -> None:
    for statement in TABLE[1:]:
        db.execute(f"{statement.partition(' BEGIN ')[0]} BEGIN SELECT 1; END" if trigger in statement else statement)
    assert f"{trigger} is gone or another" in str(verify(db).problem)


def test_a_cut_that_a_later_start_found_stays_told(folder: Path) -> None:
    with sqlite3.connect(folder / "journal.sqlite") as db:
        for trigger in TRIGGERS:
            db.execute(f"DROP TRIGGER {trigger}")
        db.execute("DELETE FROM audit WHERE n >= 4")
        for statement in TABLE[1:]:
            db.execute(statement)
    db.close()
    journal = Journal.open(folder, "quillfen", "boot")
    commit(journal, 10.0, EVENTS[0])
    journal.close()
    with reading(folder) as db:
        verdict = verify(db)
    assert verdict.number == 4 and "did not end where it was left" in str(verdict.problem)


def test_any_byte_of_the_file_is_harmless_or_found(folder: Path, tmp_path: Path) -> None:
    """Whatever SQLite makes of a file with one changed byte: either the entries are the same to the letter, or it is said."""
    path = folder / "journal.sqlite"
    content = path.read_bytes()

    def entries(state: Path) -> tuple[list, str | None]:
        with reading(state) as db:
            problem = verify(db).problem
            every = "SELECT n, at, event, hash FROM audit ORDER BY n"
            return (db.execute(every).fetchall() if problem is None else []), problem

    whole, _ = entries(folder)
    start = content.index(b'{"event":"alarm_raised"') // 4096 * 4096
    copy, found = tmp_path / "copy.sqlite", 0
    for place in itertools.chain(range(start, start + 4096, 3), range(0, start, 173)):
        copy.write_bytes(content[:place] + bytes([content[place] ^ 0x11]) + content[place + 1 :])
        try:
            rows, problem = entries(copy)
        except Exception as error:
            assert type(error).__name__ == "AuditUnreadable", (place, error)
            continue
        assert problem is not None or rows == whole, place
        found += problem is not None
    assert found > 200


# ------------------------------------------------------------------------------------------------ the command


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    status = cli.main(["audit", *words])
    out, err = capsys.readouterr()
    return status, out, err


def test_the_command_proves_a_whole_audit(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with reading(folder) as db:
        noted = str(head(db))
    for state in (folder, folder / "journal.sqlite"):
        status, out, _ = run(capsys, "verify", str(state))
        assert status == 0 and f"whole: {LAST} entries, head {noted}" in out and "compare with a head from the log" in out
    status, out, _ = run(capsys, "verify", str(folder), "--head", noted, "--json")
    assert status == 0 and json.loads(out) == {"whole": True, "entries": LAST, "head": noted, "problem": None, "entry": None}
    assert sorted(path.name for path in folder.iterdir()) == ["journal.lock", "journal.sqlite"]  # reading leaves nothing


def test_the_command_names_what_is_broken(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = run(capsys, "verify", str(folder), "--head", f"99:{'a' * 64}")
    assert status == 1 and out.startswith("broken: entry 6 is missing") and "Whole up to entry 5" in out
    status, out, _ = run(capsys, "verify", str(folder), "--head", f"2:{'a' * 64}", "--json")
    assert status == 1 and json.loads(out)["entry"] == 2 and json.loads(out)["whole"] is False


@pytest.mark.parametrize("head", ["", "5", "5:abc", f"x:{'a' * 64}", f"5:{'A' * 64}", f"-1:{'a' * 64}", f"\u0665:{'a' * 64}"])
def test_a_head_that_is_none_is_refused(folder: Path, head: str) -> None:
    with pytest.raises(SystemExit) as ended:
        cli.main(["audit", "verify", str(folder), f"--head={head}"])
    assert ended.value.code == 2
    with pytest.raises(ValueError):
        head_of(head)


@pytest.mark.parametrize("what", ["nothing", "rubbish", "other", "old"])
@pytest.mark.parametrize("words", [["verify"], ["show"]])
def test_what_holds_no_audit_is_told_and_is_not_taken_for_whole(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], what: str, words: list[str]
) -> None:
    path = tmp_path / "journal.sqlite"
    if what == "rubbish":
        path.write_bytes(b"no database at all" * 500)
    elif what in ("other", "old"):
        with sqlite3.connect(path) as db:
            db.execute("CREATE TABLE meta (key, value)")
            db.execute("INSERT INTO meta VALUES ('format', '1')" if what == "old" else "DROP TABLE meta")
        db.close()
    status, out, err = run(capsys, *words, str(tmp_path))
    assert status in (1, 2) and (err or "broken" in out) and "whole:" not in out


def test_a_live_journal_is_read_as_it_grows(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The supervisor holds the file, with entries in its log that are not in the file itself yet, and goes on meanwhile."""
    broker = MemoryBroker()
    rig = Rig(tmp_path, broker, StillClock())
    rig.run_until_quiet()
    first = rig.journal.audit_head
    assert run(capsys, "verify", str(tmp_path), "--head", str(first))[0] == 0
    with reading(tmp_path) as db:
        broker.say(COMMAND, command("c1"))
        rig.loop.turn()
        assert rig.journal.checkpoint()  # no reader is in the way
        assert verify(db, first).problem is None
    assert rig.journal.audit_head.number == first.number + 2
    status, out, _ = run(capsys, "verify", str(tmp_path), "--head", str(rig.journal.audit_head))
    assert status == 0
    for name in ("journal.sqlite", "journal.sqlite-wal"):
        (tmp_path / "copy").mkdir(exist_ok=True)
        shutil.copy(tmp_path / name, tmp_path / "copy" / name)
    rig.die()
    assert run(capsys, "verify", str(tmp_path / "copy"))[1] == out


Show = Callable[..., list[str]]


@pytest.fixture
def show(folder: Path, capsys: pytest.CaptureFixture[str]) -> Show:
    def shown(*words: str) -> list[str]:
        status, out, _ = run(capsys, "show", str(folder), *words)
        assert status == 0
        if "--json" in words:
            return [f"{one['n']} {one['event']}" for one in map(json.loads, out.splitlines())]
        entries, _, words_after = f"\n{out}".partition("\n\n")
        assert "not a safety instrumented system" in words_after
        return [" ".join(line.split()[0:3:2]) for line in entries.splitlines() if line]

    return shown


def test_entries_are_shown_chosen_by_time_and_alarm(show: Show) -> None:
    every = ["1 audit_begun", "2 started", "3 alarm_raised", "4 alarm_acknowledged", "5 stopping"]
    assert show() == show("--json") == every
    assert show("--since", "2026-08-29T10:40:01", "--until", "2026-08-29T10:40:02Z") == every[2:3]
    assert show("--since", "2026-08-29T12:40:02+02:00") == every[3:]
    assert show("--since", "2026-08-30") == [] and show("--until", "2026-08-29") == []
    assert show("--alarm", "room_air_unsafe-north") == show("--alarm", "room_air_unsafe") == every[2:4]
    assert show("--alarm", "room_air") == show("--alarm", "room_air_unsafe-nort") == []


def test_what_a_terminal_would_obey_is_not_printed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    journal = Journal.open(tmp_path, "quillfen", "boot")
    commit(journal, 0.0, event_text("command_refused", {"operator": "a\x1b[2Jb\u202e"}))
    journal.close()
    _, out, _ = run(capsys, "show", str(tmp_path))
    assert "\x1b" not in out and "\u202e" not in out and "operator=a\ufffd[2Jb\ufffd" in out


@pytest.mark.parametrize("words", [["--since", "yesterday"], ["--until", "2026-13-01"], ["--since", ""]])
def test_a_time_that_is_none_is_refused(folder: Path, words: list[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        cli.main(["audit", "show", str(folder), *words])
    assert ended.value.code == 2
