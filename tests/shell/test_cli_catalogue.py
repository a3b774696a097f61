"""`stillhold alarms catalogue`: every alarm, every word, for people and for programs."""

import json

import pytest

from supervisor.__main__ import main
from supervisor.core.catalogue import CATALOGUE


def test_every_alarm_is_told_with_all_its_words(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["alarms", "catalogue"]) == 0
    out = capsys.readouterr().out
    blocks = {block.split(" (")[0]: " ".join(block.split()) for block in out.split("\n\n")}
    assert set(blocks) == set(CATALOGUE)
    for name, row in CATALOGUE.items():
        for words in (row.priority, row.text, row.ends, row.cause, row.ignored, row.advice):
            assert " ".join(words.split()) in blocks[name], f"{name} lacks {words!r}"
        assert ("never shelved" in blocks[name]) == row.personnel
    assert max(map(len, out.splitlines())) <= 100
    assert list(blocks)[0] in [row.name for row in CATALOGUE.values() if row.priority == "critical"], "worst first"


def test_the_same_as_json(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["alarms", "catalogue", "--json"]) == 0
    rows = {row["name"]: row for row in json.loads(capsys.readouterr().out)}
    assert set(rows) == set(CATALOGUE)
    assert rows["sample_overdue"]["explained_by"] == ["analyser_unit", "analyser", "analyser_untrue", "own_readings"]
    assert rows["room_air_dangerous"]["personnel"] and rows["room_air_dangerous"]["consequence"] == "close_room"
    assert rows["analyser_silent"]["on_delay_s"] == 60.0 and "30 s" in rows["analyser_silent"]["ends"]
