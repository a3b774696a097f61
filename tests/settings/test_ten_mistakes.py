"""The hard test of the site file: ten mistakes of every kind in one file, and all ten named in one go."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from supervisor.sitefile import SiteFileError, load

HERE = Path(__file__).parent
ROOT = HERE.parent.parent
FILE = HERE / "ten_mistakes.toml"

# key, value as shown, a word of what is allowed, a word of the mend
TEN = [
    ("site.id", '"Bramble Hithe"', "lower-case", "rename"),
    ("timing.permit_valid_s", "90", "at most 60", "lower it"),
    ("recipe[black-currant].o2_band_pct", "nan", "above 0", "finite"),
    ("recipe[elderberry].o2_pct", "19 with 15 % CO2", "17.81", "lower"),
    ("room[cellar].limits.o2_clear_min.pct", "16", "at least 19.5 (29 CFR 1910.146(b))", "publication"),
    ("source[generator].o2_pct", "4", "below 3", "no purge ever arrives"),
    ("enclosure[e2].line", '"line-1"', "enclosure[e1]", "each enclosure"),
    ("enclosure[e3].recipe", '"black-current"', "the id of a recipe: black-currant, elderberry", "write black-currant"),
    ("enclosure[e3].free_volum_nl", "1100", "free_volume_nl", "write free_volume_nl"),
    ("enclosure[e4].line", '"line-4"', "that an analyser reaches: line-1, line-2, line-3", "line-4 as a line of"),
]


def run_check(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "supervisor", "check", *words], cwd=ROOT, capture_output=True, text=True, timeout=60
    )


def test_all_ten_are_named_and_nothing_else() -> None:
    with pytest.raises(SiteFileError) as refused:
        load(FILE)
    problems = {one.key: one for one in refused.value.problems}
    assert sorted(one.key for one in refused.value.problems) == sorted(key for key, *_ in TEN)
    for key, value, allowed, mend in TEN:
        one = problems[key]
        assert one.file == str(FILE) and one.level == "error"
        assert one.value == value
        assert allowed in one.allowed
        assert mend in one.mend


def test_the_command_prints_all_ten_and_exits_2() -> None:
    done = run_check(str(FILE))
    assert done.returncode == 2
    for key, value, _, _ in TEN:
        block = next(text for text in done.stdout.split("\n\n") if text.startswith(f"error: {key}\n"))
        assert f"value   {value}" in block and "allowed " in block and "mend    " in block
    assert "10 errors, 0 warnings" in done.stdout
    assert done.stderr == ""


def test_the_command_says_the_same_as_json() -> None:
    done = run_check(str(FILE), "--json")
    said = json.loads(done.stdout)
    assert done.returncode == 2
    assert (said["errors"], said["warnings"], said["site"]) == (10, 0, None)
    assert {one["key"] for one in said["problems"]} == {key for key, *_ in TEN}
