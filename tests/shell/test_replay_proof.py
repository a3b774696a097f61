"""`stillhold replay`: what a journal recorded follows from its inputs, and whatever does not is shown where it begins."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from replaykit import SITE, ask, copy_of, record, recording, runner

from supervisor.messages import AnalyserReading, at, rfc3339
from supervisor.shell.batch import EngineFailed
from supervisor.shell.journal_file import FORMAT
from supervisor.shell.retrace import proof, written
from supervisor.shell.retrace.record import opened
from supervisor.shell.retrace.replayer import Replayer
from supervisor.values import Arrived

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return record(tmp_path_factory.mktemp("record") / "state")


@pytest.fixture
def folder(original: Path, tmp_path: Path) -> Path:
    """A copy that a test may spoil."""
    return copy_of(original, tmp_path / "state")


@pytest.fixture
def stillhold(capsys: pytest.CaptureFixture[str]) -> Run:
    return runner(capsys)


@pytest.fixture
def site_file(tmp_path: Path) -> Path:
    path = tmp_path / "site.toml"
    path.write_text(SITE, encoding="utf-8")
    return path


def replayed(stillhold: Run, *words: object) -> tuple[int, dict]:
    status, out, _ = stillhold("replay", *words, "--json")
    return status, json.loads(out)


# ------------------------------------------------------------------------------------------------ the same


def test_a_run_that_was_killed_and_restored_is_the_same_bit_for_bit(stillhold: Run, original: Path, site_file: Path) -> None:
    for words in ((original,), (site_file, original), (site_file, original / "journal.sqlite")):
        status, told = replayed(stillhold, *words)
        assert status == 0 and told["same"] and told["difference"] is None
        assert told["inputs"] == ask(original, "SELECT count(*) FROM inputs")[0][0]
        assert told["decisions"] == ask(original, "SELECT count(*) FROM decisions WHERE own = 0")[0][0]
        assert told["snapshots"] == ask(original, "SELECT count(*) FROM snapshots")[0][0]
        assert [one["from_input"] for one in told["written_by"]] == [seq for (seq,) in ask(original, "SELECT seq FROM runs")]
    status, out, _ = stillhold("replay", original)
    assert status == 0 and "The same: " in out and "bit for bit" in out and "not a safety instrumented system" in out


def test_a_live_journal_is_replayed_and_its_writer_is_not_in_its_way(stillhold: Run, tmp_path: Path) -> None:
    """The writer commits and folds its log in between two slices of the reader."""
    running = recording(tmp_path / "state")
    running.run_to(600.0)
    with opened(tmp_path / "state") as read:
        steps = Replayer(read, None, 0, read.last_seq).steps()
        next(steps)
        before = running.journal.seq
        running.run_to(700.0)
        assert running.journal.seq > before and running.journal.checkpoint()
        rest = list(steps)
    assert [one.seq for one in rest] == list(range(2, before + 1)) and all(one.recorded == one.decided for one in rest)
    status, told = replayed(stillhold, tmp_path / "state")
    assert status == 0 and told["inputs"] == running.journal.seq
    assert running.end() == 0


def test_only_a_time_begins_at_the_snapshot_before_it(stillhold: Run, original: Path) -> None:
    snapshots = [seq for (seq,) in ask(original, "SELECT seq FROM snapshots ORDER BY seq")]
    status, told = replayed(stillhold, original, "--since", "2026-03-01T00:32", "--until", "2026-03-01T00:36")
    (since,), (until,) = ask(original, "SELECT min(seq) FROM inputs WHERE wall_s >= 1772325120"), ask(
        original, "SELECT min(seq) FROM inputs WHERE wall_s >= 1772325360")  # fmt: skip
    assert status == 0 and told["from_snapshot"]
    assert told["first_input"] == max(one for one in snapshots if one < since[0]) + 1 and told["last_input"] == until[0] - 1


def test_once_earlier_inputs_are_gone_it_begins_at_the_oldest_snapshot(stillhold: Run, folder: Path) -> None:
    oldest = ask(folder, "SELECT min(seq) FROM snapshots")[0][0]
    ask(folder, "DELETE FROM inputs WHERE seq <= ?", (oldest,))
    ask(folder, "DELETE FROM decisions WHERE seq <= ?", (oldest,))
    status, told = replayed(stillhold, folder)
    assert status == 0 and told["first_input"] == oldest + 1 and told["from_snapshot"] and told["decisions"] > 100
    ask(folder, "DELETE FROM snapshots")
    status, _, said = stillhold("replay", folder)
    assert status == 2 and "no snapshot is left to go on from" in said


def test_a_change_of_the_site_file_on_the_way_is_replayed_as_it_happened(stillhold: Run, tmp_path: Path) -> None:
    """The new settings take over from the snapshot before the kill, not from the kill: so did the start."""
    other = SITE.replace("o2_pct = 5.0", "o2_pct = 5.4")
    running = recording(tmp_path / "state")
    running.run_to(1010.0)
    running.site = recording(tmp_path / "other", other).site
    running.kill()
    running.run_to(1500.0)
    running.kill()
    running.run_to(1800.0)
    running.end()
    status, told = replayed(stillhold, tmp_path / "state")
    assert status == 0 and told["same"]
    assert len({one["settings_sha256"] for one in told["written_by"]}) == 2 and len(told["written_by"]) == 3
    base, seq = ask(tmp_path / "state", "SELECT base, seq FROM runs ORDER BY seq")[1]
    assert 0 < base < seq - 1, "there were inputs between the snapshot and the kill"
    path = tmp_path / "other.toml"
    path.write_text(other, encoding="utf-8")
    assert stillhold("replay", path, tmp_path / "state")[0] == 0, "the file that it was last written by"
    # Only where it took over has it the setting wrong: without the note of the change that would be called a difference.
    ask(tmp_path / "state", "UPDATE runs SET settings = (SELECT settings FROM runs ORDER BY seq LIMIT 1)")
    status, told = replayed(stillhold, tmp_path / "state")
    assert status == 1 and told["difference"]["input"] >= seq


def test_a_run_that_an_engine_failed_in_is_the_same_and_says_so(
    stillhold: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What the shell withdrew when it gave up follows from no input, and the message at fault was never one."""
    running = recording(tmp_path / "state")
    running.run_to(700.0)
    whole, failed_at_s = running.loop.engine, running.plant.now_s

    class Fails:
        def step(self, event: object) -> object:
            if isinstance(event, Arrived) and event.kind == AnalyserReading.TOPIC:
                raise ValueError("invented")
            return whole.step(event)  # type: ignore[arg-type]

        dump = whole.dump

    monkeypatch.setattr(running.loop, "engine", Fails())
    with pytest.raises(EngineFailed):
        running.run_to(800.0)
    running.kill()
    running.run_to(1200.0)
    running.end()
    assert ask(tmp_path / "state", "SELECT count(*) FROM decisions WHERE own = 1")[0][0] > 0, "something was withdrawn"
    status, told = replayed(stillhold, tmp_path / "state")
    assert status == 0 and told["same"] and len(told["failures"]) == 1
    assert told["failures"][0] >= rfc3339(at(failed_at_s))
    assert "the engine failed at" in stillhold("replay", tmp_path / "state")[1]


# ------------------------------------------------------------------------------------------------ the first difference


def test_a_changed_decision_is_shown_at_its_input_with_both_sides(stillhold: Run, folder: Path) -> None:
    number, seq, what = ask(folder, "SELECT id, seq, what FROM decisions WHERE what LIKE '%dosing/n2/nitrogen/request%'")[1]
    volume_nl = json.loads(what)["message"]["volume_nl"]
    flipped = what.replace(f'"volume_nl":{volume_nl}', f'"volume_nl":{volume_nl + 1.0}')
    ask(folder, "UPDATE decisions SET what = ? WHERE id = ?", (flipped, number))
    status, told = replayed(stillhold, folder)
    found = told["difference"]
    assert status == 1 and not told["same"] and (found["kind"], found["input"]) == ("decisions", seq)
    assert (found["recorded"], found["now"]) == ([flipped], [what])
    assert found["changed"] == [{"place": "message.volume_nl", "recorded": volume_nl + 1.0, "now": volume_nl}]
    assert found["state_before"]["enclosure n2"]["state"] == "pulling_down"
    assert found["at"] == "2026-03-01T00:08:40.000Z" and found["input_kind"] == "ticked"
    status, out, _ = stillhold("replay", folder)
    assert status == 1 and f"DIFFERENT at input {seq:,}, {found['at']}" in out
    assert f"message.volume_nl: {volume_nl + 1.0} recorded, {volume_nl} now" in out and "enclosure n2 before it: state" in out


@pytest.mark.parametrize("how", ["flipped bit", "gone", "one more"])
def test_any_other_decision_is_a_difference_too(stillhold: Run, folder: Path, how: str) -> None:
    number, seq, what = ask(folder, "SELECT id, seq, what FROM decisions WHERE what LIKE '%enclosure/n1/state%'")[7]
    if how == "flipped bit":
        ask(folder, "UPDATE decisions SET what = ? WHERE id = ?", (what[:-9] + chr(ord(what[-9]) ^ 1) + what[-8:], number))
    elif how == "gone":
        ask(folder, "DELETE FROM decisions WHERE id = ?", (number,))
    else:
        last = ask(folder, "SELECT max(id) FROM decisions WHERE seq = ?", (seq,))[0][0]
        ask(folder, "UPDATE decisions SET id = id + 100000 WHERE id > ?", (last,))
        ask(folder, "INSERT INTO decisions (id, seq, what) VALUES (?, ?, ?)", (last + 1, seq, what))
    status, told = replayed(stillhold, folder)
    assert status == 1 and told["difference"]["input"] == seq


def test_a_dropped_input_is_named(stillhold: Run, folder: Path) -> None:
    seq = ask(folder, "SELECT seq FROM inputs WHERE topic LIKE '%/reading' AND seq > 2000 LIMIT 1")[0][0]
    ask(folder, "DELETE FROM inputs WHERE seq = ?", (seq,))
    status, told = replayed(stillhold, folder)
    assert status == 1 and (told["difference"]["kind"], told["difference"]["input"]) == ("missing", seq)
    last = ask(folder, "SELECT max(seq) FROM inputs")[0][0]
    ask(folder, "DELETE FROM inputs WHERE seq = ?", (last,))
    status, told = replayed(stillhold, folder, "--since", "2026-03-01T00:39:30")
    assert status == 1 and (told["difference"]["kind"], told["difference"]["input"]) == ("missing", last)


def test_a_dropped_input_whose_numbers_were_closed_up_shows_in_what_follows(stillhold: Run, folder: Path) -> None:
    """As if it had never been: the first decision that rested on it is another."""
    decided = ask(folder, "SELECT seq FROM decisions WHERE what LIKE '%\"decided\"%' ORDER BY id")[3][0]
    seq = ask(folder, "SELECT max(seq) FROM inputs WHERE topic LIKE '%/reading' AND seq < ?", (decided,))[0][0]
    ask(folder, "DELETE FROM inputs WHERE seq = ?", (seq,))
    for table in ("inputs", "decisions", "snapshots", "runs"):
        ask(folder, f"UPDATE {table} SET seq = -seq WHERE seq > ?", (seq,))
        ask(folder, f"UPDATE {table} SET seq = -seq - 1 WHERE seq < 0")
    ask(folder, "UPDATE runs SET base = base - 1 WHERE base > ?", (seq,))
    status, told = replayed(stillhold, folder)
    assert status == 1 and told["difference"]["kind"] == "decisions" and told["difference"]["input"] == decided - 1


def test_a_changed_input_shows_in_the_first_decision_that_rests_on_it(stillhold: Run, folder: Path) -> None:
    decided = ask(folder, "SELECT seq FROM decisions WHERE what LIKE '%\"decided\"%' ORDER BY id")[3][0]
    query = "SELECT seq, payload FROM inputs WHERE topic LIKE '%/reading' AND seq < ? ORDER BY seq DESC LIMIT 1"
    seq, payload = ask(folder, query, (decided,))[0]
    body = json.loads(payload)
    body["o2_pct"] += 0.01
    ask(folder, "UPDATE inputs SET payload = ? WHERE seq = ?", (json.dumps(body).encode(), seq))
    status, told = replayed(stillhold, folder)
    assert status == 1 and seq < told["difference"]["input"] <= decided and told["difference"]["changed"]
    ask(folder, "UPDATE inputs SET payload = ? WHERE seq = ?", (payload[:-1], seq))
    status, told = replayed(stillhold, folder)
    assert status == 1 and (told["difference"]["kind"], told["difference"]["input"]) == ("refused", seq)


def test_a_changed_state_is_a_difference_though_every_decision_is_the_same(stillhold: Run, folder: Path) -> None:
    seq, blob = ask(folder, "SELECT seq, blob FROM snapshots ORDER BY seq")[2]
    engine = proof.Engine.load(written.site_of(written.settings_text(recording(folder.parent / "other").site)), blob)
    engine._core.state.enclosures["n1"].interval_s += 1e-9
    ask(folder, "UPDATE snapshots SET blob = ? WHERE seq = ?", (engine.dump(), seq))
    status, told = replayed(stillhold, folder)
    found = told["difference"]
    assert status == 1 and (found["kind"], found["input"]) == ("state", seq)
    assert [one["place"] for one in found["changed"]] == ["core.enclosures.n1.interval_s"]


# ------------------------------------------------------------------------------------------------ another site file, no journal


def test_another_site_file_is_called_that_and_not_different(stillhold: Run, original: Path, site_file: Path) -> None:
    site_file.write_text(SITE.replace("o2_pct = 5.0", "o2_pct = 5.1", 1), encoding="utf-8")
    status, out, said = stillhold("replay", site_file, original)
    assert status == 2 and out == "" and "recipe.blueberry.o2_pct: 5.0 in the journal, 5.1 in the file" in said
    # Other comments, another broker: nothing that decides.
    site_file.write_text("# the owner's copy\n" + SITE.replace('host = "127.0.0.1"', 'host = "10.0.0.9"'), encoding="utf-8")
    assert stillhold("replay", site_file, original)[0] == 0


def test_a_key_that_a_version_before_had_not_got_is_no_other_site_file(
    stillhold: Run, folder: Path, site_file: Path
) -> None:
    text = ask(folder, "SELECT site FROM settings")[0][0]
    older = text.replace('"start_grace_s":120.0,', "", 1)
    assert older != text
    ask(folder, "UPDATE settings SET site = ?, sha256 = ?", (older, written.sha256_of(older)))
    ask(folder, "UPDATE runs SET settings = ?", (written.sha256_of(older),))
    assert stillhold("replay", site_file, folder)[0] == 0 == stillhold("replay", folder)[0]
    site_file.write_text(SITE.replace("start_grace_s = 120", "start_grace_s = 110"), encoding="utf-8")
    status, _, said = stillhold("replay", site_file, folder)
    assert status == 2 and "timing.start_grace_s: 120.0 in the journal, 110.0 in the file" in said


def test_a_changed_setting_is_the_first_difference_where_nobody_noted_the_settings(
    stillhold: Run, folder: Path, site_file: Path
) -> None:
    """An older version's journal: the site file is taken for what it was written by."""
    ask(folder, "DELETE FROM runs")
    status, told = replayed(stillhold, site_file, folder)
    assert status == 0 and told["writer_unknown"]
    assert "give the site file" in stillhold("replay", folder)[2]
    site_file.write_text(SITE.replace("o2_pct = 5.0", "o2_pct = 5.1", 1), encoding="utf-8")
    status, told = replayed(stillhold, site_file, folder)
    first = ask(folder, "SELECT min(seq) FROM decisions WHERE what LIKE '%o2_setpoint_pct%'")[0][0]
    assert status == 1 and told["difference"]["input"] == first
    assert told["difference"]["changed"] == [{"place": "message.o2_setpoint_pct", "recorded": 5.0, "now": 5.1}]


def test_an_older_file_is_read_as_it_is(stillhold: Run, folder: Path, site_file: Path) -> None:
    """A journal of the format before runs and settings were noted. It is only read, so nothing brings it up to date."""
    for statement in ("DROP TABLE runs", "DROP TABLE settings", "ALTER TABLE decisions DROP COLUMN own",
                      "ALTER TABLE snapshots DROP COLUMN mono_s"):  # fmt: skip
        ask(folder, statement)
    ask(folder, "UPDATE meta SET value = '3' WHERE key = 'format'")
    status, told = replayed(stillhold, site_file, folder)
    assert status == 0 and told["writer_unknown"] and told["decisions"] > 500
    assert stillhold("replay", folder)[0] == 2 and ask(folder, "SELECT value FROM meta WHERE key = 'format'") == [("3",)]


def test_what_cannot_be_read_says_so(stillhold: Run, folder: Path, tmp_path: Path) -> None:
    (tmp_path / "no").write_bytes(b"no journal at all, and long enough to be looked at" * 100)
    for path, words in ((tmp_path / "nowhere", "there is no journal"), (tmp_path / "no", "no journal")):
        status, out, said = stillhold("replay", path)
        assert status == 2 and out == "" and words in said
    assert stillhold("replay", folder, "--since", "2030-01-01")[0] == 2
    assert stillhold("replay", folder, folder, folder)[0] == 2
    ask(folder, "UPDATE meta SET value = ? WHERE key = 'format'", (str(FORMAT + 1),))
    status, _, said = stillhold("replay", folder)
    assert status == 2 and f"reads formats up to {FORMAT}" in said


def test_the_settings_that_are_kept_hold_no_address_and_no_name_of_a_secret(original: Path) -> None:
    kept = ask(original, "SELECT site FROM settings")[0][0]
    assert '"recipe"' in kept and "127.0.0.1" not in kept and "operators.json" not in kept
    assert written.without_addresses("ask ada@quillfen.example or https://quillfen.example/x; 3 % O2") == (
        "ask (left out) or (left out) 3 % O2"
    )
