"""`stillhold replay --with`: what would have been decided under other settings, and exactly until when that can be said."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from replaykit import SITE, ask, copy_of, record, runner

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return record(tmp_path_factory.mktemp("record") / "state")


@pytest.fixture
def stillhold(capsys: pytest.CaptureFixture[str]) -> Run:
    return runner(capsys)


@pytest.fixture
def other(stillhold: Run, folder: Path, tmp_path: Path) -> Callable[..., dict]:
    """What is told of the journal under the site file with one text in it replaced."""

    def told(old: str = "", new: str = "", count: int = -1, *words: str) -> dict:
        assert old in SITE
        path = tmp_path / "other.toml"
        path.write_text(SITE.replace(old, new, count) if old else SITE, encoding="utf-8")
        status, out, said = stillhold("replay", folder, "--with", path, *words, "--json")
        assert status == 0, said
        return json.loads(out)

    return told


def requests(folder: Path, enclosure: str, gas: str = "%") -> list[tuple[int, dict]]:
    """The recorded requests, by input."""
    query = f"SELECT seq, what FROM decisions WHERE what LIKE '%/dosing/{enclosure}/{gas}/request%' ORDER BY id"
    return [(seq, json.loads(what)["message"]) for seq, what in ask(folder, query)]


def test_under_its_own_settings_nothing_would_have_been_otherwise(other: Callable[..., dict], folder: Path) -> None:
    told = other()
    assert told["changed"] == told["otherwise"] == [] and told["messages_left_out"] == 0
    assert told["enclosures"] == {
        name: {"same_doses": len(requests(folder, name)), "holds_until": None, "end": None} for name in ("n1", "n2")
    }


def test_an_answer_ends_with_the_first_dose_that_would_have_been_another(other: Callable[..., dict], folder: Path) -> None:
    """CO2 comes late in a pull-down: with a smaller limit per request all is the same until the first that passes it."""
    limit_nl = 20.0
    told = other("per_request_nl = 60", f"per_request_nl = {limit_nl:g}")
    assert told["changed"] == [{"place": "limits.co2.per_request_nl", "then": 60.0, "now": limit_nl}]
    firsts = {}
    for name in ("n1", "n2"):
        asked = requests(folder, name)
        firsts[name] = next(seq for seq, one in requests(folder, name, "co2") if one["volume_nl"] > limit_nl)
        end = told["enclosures"][name]["end"]
        if (end["kind"], end["doubt"]) == ("dose", ""):
            assert end["seq"] == firsts[name] and f"would have been: {limit_nl:.1f} nl co2" in end["why"]
            assert told["enclosures"][name]["same_doses"] == len([seq for seq, _ in asked if seq < firsts[name]]) > 5
        else:
            assert end["doubt"] and end["seq"] <= firsts[name]
    ends = [told["enclosures"][name]["end"] for name in firsts]
    assert min(ends, key=lambda end: end["seq"])["seq"] == min(firsts.values())


def test_one_enclosure_s_end_leaves_the_others_standing_until_their_own(other: Callable[..., dict], folder: Path) -> None:
    """After n1 has ended the other run's request ids are others, and n2's reports still find their requests."""
    block, rest = SITE[SITE.index('id = "n1"') :].split("[[enclosure]]", 1)
    assert "flow_nl_min_max" in block and rest
    told = other(block, block.replace("nitrogen = 50", "nitrogen = 48"))
    first, second = told["enclosures"]["n1"], told["enclosures"]["n2"]
    assert first["end"]["seq"] == requests(folder, "n1", "nitrogen")[0][0] and first["same_doses"] == 0
    assert "90.0 nl nitrogen at 50 nl/min; would have been: 86.4 nl nitrogen at 48 nl/min" in first["end"]["why"]
    assert second["same_doses"] >= 1, "n2's doses went on being the same"
    if second["end"] is not None:
        assert second["end"]["seq"] > first["end"]["seq"] and second["end"]["doubt"].startswith("n1 ended before")
    ids = [one["request_id"] for seq, one in requests(folder, "n2") if seq > first["end"]["seq"]]
    assert ids, "and some of them came after n1's end"


def test_what_is_said_otherwise_before_that_is_listed_with_both_times(other: Callable[..., dict], folder: Path) -> None:
    """A limit of room air that this air does not meet: no room is ever clear, so the first dose of each is not asked for."""
    told = other("o2_clear_min = { pct = 19.5", "o2_clear_min = { pct = 20.94")
    clear = [one for one in told["otherwise"] if one["what"] == "is clear"]
    assert {one["subject"] for one in clear} == {"north", "south"}
    assert all(one["was_at"] and one["would_be_at"] is None for one in clear)
    raised = [one for one in told["otherwise"] if one["what"].startswith("alarm room_air") and "raised" in one["what"]]
    assert raised and all(one["was_at"] is None and one["would_be_at"] for one in raised)
    for name in ("n1", "n2"):
        end = told["enclosures"][name]["end"]
        assert end["seq"] <= requests(folder, name)[0][0] and told["enclosures"][name]["same_doses"] == 0


def test_it_is_told_in_words(stillhold: Run, folder: Path, tmp_path: Path) -> None:
    path = tmp_path / "other.toml"
    path.write_text(SITE.replace("per_request_nl = 60", "per_request_nl = 20"), encoding="utf-8")
    status, out, _ = stillhold("replay", folder, "--with", path)
    assert status == 0 and "limits.co2.per_request_nl: 60.0 then, 20.0 now" in out
    assert "where its answer ends: " in out and "nobody knows what it would have been" in out
    assert "not a safety instrumented system" in out
    path.write_text(SITE, encoding="utf-8")
    status, out, _ = stillhold("replay", path, folder, "--with", path)
    assert status == 0 and "These settings are those that it was written by." in out and "to the end; its answer holds" in out


def test_from_a_snapshot_it_goes_on_as_a_start_with_these_settings_would(other: Callable[..., dict]) -> None:
    told = other("per_request_nl = 60", "per_request_nl = 20", -1, "--since", "2026-03-01T00:35")
    assert told["from_snapshot"] and told["from"] > "2026-03-01T00:25"
    assert other("", "", -1, "--since", "2026-03-01T00:35")["otherwise"] == []


def test_what_the_other_site_has_not_got_is_left_out_and_told(other: Callable[..., dict]) -> None:
    block = "[[enclosure]]\n" + SITE[SITE.index('id = "n2"') :].split("[[enclosure]]", 1)[0]
    told = other(block, block[block.index("\n[[") :] if "\n[[" in block else "")
    assert list(told["enclosures"]) == ["n1"] and told["messages_left_out"] > 0


def test_where_the_record_itself_does_not_replay_nothing_is_told_beyond(stillhold: Run, folder: Path, tmp_path: Path) -> None:
    spoilt = copy_of(folder, tmp_path / "state")
    number, seq, what = ask(spoilt, "SELECT id, seq, what FROM decisions WHERE what LIKE '%/request%'")[3]
    ask(spoilt, "UPDATE decisions SET what = ? WHERE id = ?", (what.replace('"volume_nl":', '"volume_nl":1'), number))
    path = tmp_path / "other.toml"
    path.write_text(SITE, encoding="utf-8")
    told = json.loads(stillhold("replay", spoilt, "--with", path, "--json")[1])
    assert told["does_not_replay_from"] == seq
    path.write_text(SITE.replace('id = "quillfen"', 'id = "elsewhere"', 1), encoding="utf-8")
    status, _, said = stillhold("replay", folder, "--with", path)
    assert status == 2 and "it is another site" in said
    assert stillhold("replay", folder, "--with", path, "--explain", "n1")[0] == 2
