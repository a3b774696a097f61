"""The journal: whole batches or nothing, one process, no silent fresh start, and everything read back as written."""

import os
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from shellkit import T0, TOP, reading

from supervisor.shell.clock import Mark
from supervisor.shell.journal import Batch, Journal
from supervisor.shell.journal_file import FORMAT, JournalError, JournalLocked
from supervisor.shell.records import Input
from supervisor.shell.retrace.snapshots import APART_S, KEEP_S, KEPT_NEWEST

BOOT = "boot"


def mark(mono_s: float) -> Mark:
    return Mark(mono_s, T0 + mono_s, 100.0 + mono_s, BOOT)


def inputs(first: int, count: int) -> list[Input]:
    return [Input(float(n), T0 + n, "arrived", "r/analyser/a/reading", reading(n), False) for n in range(first, first + count)]


def open_journal(folder: Path, boot: str = BOOT) -> Journal:
    return Journal.open(folder, "quillfen", boot)


def test_what_was_committed_is_read_back_after_a_restart(tmp_path: Path) -> None:
    journal = open_journal(tmp_path / "state")
    assert journal.last is None and journal.epoch == 0 and list(journal.inputs_after(0)) == []
    first = inputs(1, 3)
    journal.commit(Batch(mark(3.0), first, [(1, '{"a":1}'), (2, '{"b":2}')], ["m f=1"],
                         [journal.outcome("r/operator/outcome", b"x")]))  # fmt: skip
    second = [Input(4.0, T0 + 4, "ticked", "", b"", False)]
    journal.commit(Batch(mark(4.0), second))
    instance = journal.instance
    journal.close()

    again = open_journal(tmp_path / "state")
    assert again.last == mark(4.0)
    assert list(again.inputs_after(0)) == list(enumerate(first + second, 1))
    assert list(again.inputs_after(3)) == [(4, second[0])]
    assert again.decisions_after(0) == [(2, '{"a":1}'), (3, '{"b":2}')]
    assert [one.payload for one in again.open_outcomes()] == [b"x"]
    assert again.instance == instance and again.seq == 4
    again.close()


def test_an_epoch_is_on_disk_before_it_is_used_and_never_goes_down(tmp_path: Path) -> None:
    epochs = []
    for above in (0, 0, 40, 7):
        journal = open_journal(tmp_path)
        epochs.append(journal.next_epoch(above))
        assert journal.epoch == epochs[-1]
        journal.close()
    assert epochs == [1, 2, 41, 42]


def test_ids_of_outcomes_and_rows_do_not_come_back_after_their_rows_are_gone(tmp_path: Path) -> None:
    journal = open_journal(tmp_path)
    one = journal.outcome("t", b"1")
    journal.commit(Batch(mark(1.0), lines=["m f=1", "m f=2"], outcomes=[one]))
    journal.commit(Batch(mark(2.0), outcomes_done=[one.id], history_done=[(1, 2)]))
    assert journal.outcome("t", b"2").id == one.id + 1
    journal.close()
    again = open_journal(tmp_path)
    again.commit(Batch(mark(3.0), lines=["m f=3"]))
    assert again.history_id == 3 and again.history_first_id == 3
    two = again.outcome("t", b"2")
    again.commit(Batch(mark(4.0), outcomes=[two]))
    again.close()
    third = open_journal(tmp_path)
    assert third.outcome("t", b"3").id > two.id  # an open one keeps its number
    third.close()


def test_a_failing_batch_leaves_nothing_behind(tmp_path: Path) -> None:
    journal = open_journal(tmp_path)
    journal.commit(Batch(mark(1.0), inputs(1, 1)))
    one = journal.outcome("t", b"1")
    with pytest.raises(JournalError, match="could not be written"):
        journal.commit(Batch(mark(9.0), inputs(2, 5), [(0, "x")], ["m f=1"], outcomes=[one, one]))  # one id twice
    assert journal.last == mark(1.0) and journal.seq == 1
    assert journal.open_outcomes() == [] and journal.decisions_after(0) == []
    journal.commit(Batch(mark(2.0), inputs(2, 1)))
    assert [seq for seq, _ in journal.inputs_after(0)] == [1, 2]
    journal.close()


def test_a_full_disk_ends_in_clear_words(tmp_path: Path) -> None:
    journal = open_journal(tmp_path)
    pages = journal._db.execute("PRAGMA page_count").fetchone()[0]
    journal._db.execute(f"PRAGMA max_page_count = {pages + 2}")
    with pytest.raises(JournalError, match="full.*Nothing leaves that is not on disk"):
        for n in range(100):
            journal.commit(Batch(mark(float(n)), inputs(1 + 100 * n, 100)))
    journal.close()


# ------------------------------------------------------------------------------------------------ who may use it


def test_a_second_process_is_kept_out_and_told_by_whom(tmp_path: Path) -> None:
    journal = open_journal(tmp_path)
    code = (
        "import sys; from pathlib import Path; from supervisor.shell.journal import Journal\n"
        "try: Journal.open(Path(sys.argv[1]), 'quillfen', 'boot')\n"
        "except Exception as error: print(type(error).__name__, error)\n"
    )
    said = subprocess.run([sys.executable, "-c", code, str(tmp_path)], cwd=TOP, capture_output=True, text=True).stdout
    assert said.startswith("JournalLocked") and f"process {os.getpid()}" in said
    with pytest.raises(JournalLocked):
        open_journal(tmp_path)
    journal.close()
    open_journal(tmp_path).close()  # a lock file alone keeps nobody out


def test_another_sites_journal_is_refused(tmp_path: Path) -> None:
    open_journal(tmp_path).close()
    with pytest.raises(JournalError, match="belongs to site 'quillfen'.*says 'elsewhere'"):
        Journal.open(tmp_path, "elsewhere", BOOT)


def test_a_newer_format_is_refused(tmp_path: Path) -> None:
    open_journal(tmp_path).close()
    with sqlite3.connect(tmp_path / "journal.sqlite") as db:
        db.execute(f"UPDATE meta SET value = '{FORMAT + 1}' WHERE key = 'format'")
    db.close()
    with pytest.raises(JournalError, match=f"has format {FORMAT + 1}, this version reads formats up to {FORMAT}"):
        open_journal(tmp_path)


def filled(folder: Path) -> Path:
    """A journal file of some hundred pages, cleanly closed."""
    journal = open_journal(folder)
    for n in range(20):
        journal.commit(Batch(mark(float(n)), inputs(1 + 100 * n, 100), snapshot=b"s" * 10_000))
    assert journal.checkpoint()
    journal.close()
    return folder / "journal.sqlite"


@pytest.mark.parametrize("where", ["header", "schema", "middle"])
def test_a_damaged_file_is_refused_with_the_way_back_and_left_as_it_is(tmp_path: Path, where: str) -> None:
    path = filled(tmp_path)
    content = bytearray(path.read_bytes())
    start = {"header": 0, "schema": 100, "middle": len(content) // 2 // 4096 * 4096}[where]
    content[start : start + 2000] = b"\xa5" * 2000
    path.write_bytes(content)
    with pytest.raises(JournalError, match="is damaged .* is not used.*The way back"):
        open_journal(tmp_path, boot="after a power cut")
    assert path.read_bytes() == content
    with pytest.raises(JournalError):  # and it let go of the lock
        open_journal(tmp_path, boot="after a power cut")


def test_a_cut_off_file_is_refused(tmp_path: Path) -> None:
    path = filled(tmp_path)
    os.truncate(path, path.stat().st_size // 2)
    with pytest.raises(JournalError, match="is damaged"):
        open_journal(tmp_path, boot="after a power cut")


def test_a_folder_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(JournalError, match="file/state: the state folder cannot be used"):
        open_journal(tmp_path / "file" / "state")


# ------------------------------------------------------------------------------------------------ housekeeping


def test_the_newest_snapshot_is_found_and_few_are_kept(tmp_path: Path) -> None:
    """The newest, and before them one for those who replay what was longer ago."""
    journal = open_journal(tmp_path)
    assert journal.newest_snapshot() is None
    for n in range(KEPT_NEWEST + 3):
        journal.commit(Batch(mark(float(n)), inputs(1 + 2 * n, 2), snapshot=b"%d" % n))
    newest = journal.newest_snapshot()
    assert newest is not None and newest.seq == journal.seq and newest.blob == b"%d" % (KEPT_NEWEST + 2)
    assert kept_snapshots(journal) == [2, *(2 * (n + 1) for n in range(3, 3 + KEPT_NEWEST))]
    journal.close()


def kept_snapshots(journal: Journal) -> list[int]:
    return [seq for (seq,) in journal._db.execute("SELECT seq FROM snapshots ORDER BY seq")]


def test_every_kept_input_can_be_replayed_from_a_snapshot_before_it(tmp_path: Path) -> None:
    """Over a season: inputs are kept for two weeks and can be begun to be replayed every few hours; the file does not grow."""
    journal, step_s = open_journal(tmp_path), 2 * 3600.0
    for n in range(24 * 12):
        one = Input(step_s * n, T0 + step_s * n, "ticked", "", b"", False)
        journal.commit(Batch(mark(step_s * n), [one], snapshot=b"s"))
        journal.prune(step_s * n - KEEP_S, 500)
        kept, first = kept_snapshots(journal), next(journal.inputs_after(0))[0]
        assert first <= kept[0] + 1, "nothing is gone that the oldest snapshot goes on with"
        assert journal.seq - kept[0] >= min(n - 1, KEEP_S / step_s), "two weeks can be replayed"
        assert all(b - a <= APART_S / step_s for a, b in zip(kept, kept[1:], strict=False))
    assert len(kept) <= KEEP_S / APART_S + 1 + KEPT_NEWEST + 1
    journal.close()


def test_pruning_goes_in_small_slices_and_never_past_a_kept_snapshot(tmp_path: Path) -> None:
    journal = open_journal(tmp_path)
    for n in range(10):
        batch = Batch(mark(10.0 * n + 9), inputs(1 + 10 * n, 10), [(0, "d")])
        batch.snapshot = b"s" if n in (4, 6, 8) else None
        journal.commit(batch)
    assert journal.prune(1e9, 20) == 20
    assert journal.prune(1e9, 20) == 20
    assert journal.prune(1e9, 20) == 10  # up to the oldest snapshot, after input 50
    assert journal.prune(1e9, 20) == 0
    assert [seq for seq, _ in journal.inputs_after(0)] == list(range(51, 101))
    assert {seq for seq, _ in journal.decisions_after(0)} == {51, 61, 71, 81, 91}
    journal.close()


def test_pruning_keeps_what_is_young_enough(tmp_path: Path) -> None:
    journal = open_journal(tmp_path)
    journal.commit(Batch(mark(9.0), inputs(1, 10), snapshot=b"s"))
    assert journal.prune(before_mono_s=4.0, count=100) == 3  # 1.0, 2.0 and 3.0
    journal.close()


def test_inputs_that_were_all_pruned_do_not_reset_the_numbers(tmp_path: Path) -> None:
    journal = open_journal(tmp_path)
    journal.commit(Batch(mark(9.0), inputs(1, 10), snapshot=b"s"))
    assert journal.prune(1e9, 100) == 10
    journal.close()
    again = open_journal(tmp_path)
    assert again.seq == 10
    again.close()


def test_the_checkpoint_empties_the_write_ahead_log(tmp_path: Path) -> None:
    journal = open_journal(tmp_path)
    journal.commit(Batch(mark(9.0), inputs(1, 1000)))
    log = tmp_path / "journal.sqlite-wal"
    assert log.stat().st_size > 0
    assert journal.checkpoint() and log.stat().st_size == 0
    journal.close()


def test_the_sync_is_full_and_the_log_is_written_ahead(tmp_path: Path) -> None:
    journal = open_journal(tmp_path)
    assert journal._db.execute("PRAGMA synchronous").fetchone()[0] == 2  # FULL, https://www.sqlite.org/pragma.html
    assert journal._db.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
    journal.close()
