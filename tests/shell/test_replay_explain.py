"""`stillhold replay --explain`: every dose of an enclosure with its reason, every time without one with its reason, folded."""

import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from replaykit import ask, copy_of, record, runner

STEP_S = 10.0  # of the controller that was recorded: ticks are as far apart
Run = Callable[..., tuple[int, str, str]]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return record(tmp_path_factory.mktemp("record") / "state")


@pytest.fixture
def stillhold(capsys: pytest.CaptureFixture[str]) -> Run:
    return runner(capsys)


def explained(stillhold: Run, folder: Path, *words: object) -> list[dict]:
    status, out, _ = stillhold("replay", folder, "--explain", *words, "--json")
    assert status == 0
    return [json.loads(line) for line in out.splitlines()]


def test_every_dose_stands_there_with_its_reason_and_its_end(stillhold: Run, folder: Path) -> None:
    """Counted against what the journal says of requests and reports, however it is folded."""
    lines = explained(stillhold, folder, "n1")
    requests = [
        json.loads(what)["message"]
        for (what,) in ask(folder, "SELECT what FROM decisions WHERE what LIKE '%/dosing/n1/%/request%'")
    ]
    assert len(requests) > 5
    assert sum(one["times"] for one in lines if one["kind"] == "asked") == len(requests)
    asked_nl = sum(one["volume_nl"] for one in lines if one["kind"] == "asked")
    assert asked_nl == pytest.approx(sum(one["volume_nl"] for one in requests), abs=0.01 * len(requests))
    reports = [json.loads(one) for (one,) in ask(folder, "SELECT payload FROM inputs WHERE topic LIKE '%/dosing/n1/%/report'")]
    given = [one["delivered_nl"] for one in reports if one["outcome"] == "delivered"]
    assert sum(one["volume_nl"] for one in lines if one["kind"] == "delivered") == pytest.approx(sum(given))
    decided = ask(folder, "SELECT count(*) FROM decisions WHERE what LIKE '%\"decided\"%\"enclosure\": \"n1\"%'")[0][0]
    assert sum(one["kind"] == "decided" and one["code"] != "arrived" for one in lines) == decided >= 3
    assert [one["seq"] for one in lines] == sorted(one["seq"] for one in lines)
    codes = {one["code"] for one in lines}
    assert {"state", "no_sample", "before_start", "before_state", "nitrogen", "nitrogen_first", "arrived", "given"} <= codes


def test_no_moment_is_without_a_reason(stillhold: Run, folder: Path) -> None:
    """From its first line to its last, each tick falls into a stretch that says why nothing is given, or that a dose runs."""
    lines = explained(stillhold, folder, "n2")
    spans = [(one["at"], one["until"]) for one in lines if one["kind"] != "event"]
    gaps, reached = [], spans[0][1]
    for begin, end in sorted(spans):
        if seconds(begin) - seconds(reached) > STEP_S:
            gaps.append((reached, begin))
        reached = max(reached, end)
    running = [one for one in lines if one["kind"] == "asked"]
    for before, after in gaps:
        assert any(one["at"] <= before for one in running), (before, after)
        assert seconds(after) - seconds(before) <= 150.0, "no lease is longer"


def seconds(stamp: str) -> float:
    hours, minutes, rest = stamp[11:-1].split(":")
    return 3600.0 * int(hours) + 60.0 * int(minutes) + float(rest)


def test_it_is_told_in_words_that_people_read(stillhold: Run, folder: Path) -> None:
    status, out, _ = stillhold("replay", folder, "--explain", "n1")
    assert status == 0 and out.startswith("Why n1 was given gas or not") and "2026-03-01" in out
    for words in (
        r"00:00:\d\d  filling       nothing given: filling: it is open to people \(the same until 00:0\d:\d\d\)",
        r"pulling down  now pulling down, was filling: seal by simulated crew",
        r"pulling down  sample 20\.\d\d % O2, 0\.\d\d % CO2, \d+ s old, good; purge to 5\.88 % O2, \d+ nl left -> [\d.]+ nl n",
        r"nitrogen asked: [\d.]+ nl from generator at 50 nl/min, request 2-\d+.* \(the same until .*, \d+ times, [\d.]+ nl in",
        r"co2 nothing given: nitrogen first: CO2 before it would be blown away",
        r"pulling down  nothing given: its last sample is from before the start, or before the clock jumped",
        r"holding       now holding, was pulling down: at [\d.]+ % O2 and [\d.]+ % CO2",
    ):
        assert re.search(words, out), words
    assert "not a safety instrumented system" in out


def test_only_a_time_and_only_an_enclosure_that_there_is(stillhold: Run, folder: Path) -> None:
    whole = explained(stillhold, folder, "n1")
    part = explained(stillhold, folder, "n1", "--since", "2026-03-01T00:25", "--until", "2026-03-01T00:30")
    assert part and all("2026-03-01T00:25" <= one["at"] and one["until"] <= "2026-03-01T00:30" for one in part)
    known = {(one["seq"], one["words"]) for one in whole if one["kind"] == "decided"}
    assert {(one["seq"], one["words"]) for one in part if one["kind"] == "decided"} <= known
    status, out, said = stillhold("replay", folder, "--explain", "x9")
    assert status == 2 and out == "" and "no enclosure 'x9'; it has n1, n2" in said


def test_reasons_end_where_the_record_does_not_replay(stillhold: Run, folder: Path, tmp_path: Path) -> None:
    """A version that decides otherwise has other reasons than those of then."""
    spoilt = copy_of(folder, tmp_path / "state")
    number, seq, what = ask(spoilt, "SELECT id, seq, what FROM decisions WHERE what LIKE '%/request%'")[3]
    ask(spoilt, "UPDATE decisions SET what = ? WHERE id = ?", (what.replace('"volume_nl":', '"volume_nl":1'), number))
    status, out, _ = stillhold("replay", spoilt, "--explain", "n1", "--json")
    *lines, last = [json.loads(line) for line in out.splitlines()]
    assert status == 1 and last == {"does_not_replay_from": seq} and lines and all(one["seq"] < seq for one in lines)
    status, out, _ = stillhold("replay", spoilt, "--explain", "n1")
    assert status == 1 and f"From input {seq:,} on this version does not decide as recorded" in out
