"""`stillhold check`, `schema`, `version` and the rest of the command line."""

import json
import subprocess
import sys
from copy import deepcopy
from pathlib import Path

import jsonschema
import pytest
from test_site_anything import EXAMPLES

from supervisor import __main__ as cli
from supervisor import settings

ROOT = Path(__file__).parents[2]
QUILLFEN = str(ROOT / "config" / "quillfen.toml")


@pytest.mark.parametrize("name", sorted(path.name for path in (ROOT / "config").glob("*.toml")))
def test_the_example_sites_are_fine(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["check", str(ROOT / "config" / name)]) == 0
    assert "0 errors, 0 warnings" in capsys.readouterr().out


def test_the_summary_gives_the_figures_of_the_site(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["check", QUILLFEN]) == 0
    said = " ".join(capsys.readouterr().out.split())
    # Counted by hand in the file: 14.61 m3; 12 times 62 s and 336 s of transport make 18 min.
    for words in (
        "2 rooms (800 m3)", "12 enclosures with 14.6 m3", "6520 kg", "5 recipes", "visits 12 lines in 18 min",
    ):  # fmt: skip
        assert words in said


def test_the_summary_as_json(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["check", QUILLFEN, "--json"]) == 0
    said = json.loads(capsys.readouterr().out)["site"]
    assert said["free_volume_m3"] == pytest.approx(14.61)
    assert said["rotation_s"] == {"analyser-1": 12 * 62 + 336}
    # n5: 1150 nl at 3 % O2 and 18 % CO2 from nitrogen with 0.5 %: 1.8679 V and 0.1984 V (computed from the purge law).
    assert said["pulldown_nl"]["n5"]["nitrogen"] == pytest.approx(1150 * 1.8679, abs=0.2)
    assert said["pulldown_nl"]["n5"]["co2"] == pytest.approx(1150 * 0.1984, abs=0.2)


def test_an_alarm_that_cannot_be_taken_out_of_service_is_warned_of(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "site.toml"
    alarms = ("sample_overdue-n1", "room_air_unsafe-north", "sample_overdue-nowhere", "no_such-n1")
    tables = "".join(f'[[out_of_service]]\nalarm = "{alarm}"\nreason = "being rebuilt"\n' for alarm in alarms)
    path.write_text(Path(QUILLFEN).read_text(encoding="utf-8") + tables, encoding="utf-8")
    assert cli.main(["check", str(path), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)["problems"]
    assert [(one["key"], one["value"], one["level"]) for one in told] == [
        (f"out_of_service[{number}].alarm", f'"{alarms[number]}"', "warning") for number in (1, 2, 3)
    ]
    assert "not about people" in told[0]["allowed"]


def test_the_schema_takes_the_examples_and_refuses_mistakes(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["schema"]) == 0
    schema = json.loads(capsys.readouterr().out)
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    for data in EXAMPLES.values():
        validator.validate(data)
    for path, value in (("port", 0), ("hots", "x"), ("keepalive_s", 61)):
        data = deepcopy(EXAMPLES["quillfen"])
        data["broker"][path] = value
        assert not validator.is_valid(data), path


def test_the_absolute_limits_stand_where_they_were_reviewed() -> None:
    """Typed by hand: 29 CFR 1910.146(b), 29 CFR 1910.1000 Table Z-1, NIOSH (4 % IDLH), the contract's 60 s."""
    have = {name: value for name, value in vars(settings).items() if name.isupper() and name != "NAME"}
    assert have == {
        "AIR_O2_PCT": 20.95, "AIR_CO2_PCT": 0.04,
        "PERMIT_VALID_S_CEILING": 60.0, "LEASE_S_CEILING": 300.0, "SAMPLE_AGE_S_CEILING": 7200.0,
        "AIR_AGE_S_CEILING": 60.0, "UNIT_SILENCE_S_CEILING": 120.0, "CLOCK_OFFSET_S_CEILING": 15.0,
        "START_GRACE_S_CEILING": 600.0,
        "O2_CLEAR_PCT_FLOOR": 19.5, "O2_CLEAR_PCT_CEILING": 23.5, "O2_DANGER_PCT_FLOOR": 17.0,
        "CO2_CLEAR_PCT_CEILING": 0.5, "CO2_DANGER_PCT_CEILING": 3.0,
        "CO2_TWA_PCT_CEILING": 0.5, "CO2_STEL_PCT_CEILING": 3.0, "MISSING_AFTER_S_CEILING": 1800.0,
        "SPREAD_O2_PCT_CEILING": 2.0, "SPREAD_CO2_PCT_CEILING": 0.5, "MOVING_O2_PCT_CEILING": 0.5,
        "MOVING_CO2_PCT_CEILING": 0.1,
        "VOLUME_NL_PER_REQUEST_CEILING": 2000.0, "VOLUME_NL_PER_HOUR_CEILING": 20000.0,
        "VOLUME_NL_PER_DAY_CEILING": 200000.0, "O2_FLOOR_PCT_LOWEST": 0.5, "CO2_CEILING_PCT_HIGHEST": 30.0,
    }  # fmt: skip


def test_a_site_is_frozen_in_all_its_tables() -> None:
    site = settings.SiteFile.model_validate(EXAMPLES["quillfen"])
    for table in (site, site.timing, site.limits.nitrogen, site.recipe[0], site.room[0].limits.o2_clear_min):
        field = next(iter(type(table).model_fields))
        with pytest.raises(ValueError, match="frozen"):
            setattr(table, field, getattr(table, field))


@pytest.mark.parametrize(
    "words",
    [
        [], ["dose"], ["run", QUILLFEN], ["run", QUILLFEN, "--state", "x", "--speed", "0"],
        ["run", QUILLFEN, "--state", "x", "--speed", "nan"], ["run", QUILLFEN, "--state", "x", "--port", "0"],
        ["run", QUILLFEN, "--state", "x", "--start", "soon"], ["check"],
    ],
)  # fmt: skip
def test_a_wrong_command_line_exits_2(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        cli.main(words)
    assert ended.value.code == 2
    assert "usage: stillhold" in capsys.readouterr().err


def test_help_tells_the_exit_status_and_the_caution(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        cli.main(["--help"])
    assert ended.value.code == 0
    said = capsys.readouterr().out
    assert "exit status" in said and "not a safety instrumented system" in said
    for command in ("run", "check", "schema", "contract", "simulate", "version"):
        assert f"\n    {command} " in said


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["version"]) == 0
    assert capsys.readouterr().out.startswith("stillhold ")


def test_simulate_hands_all_its_words_to_the_simulator() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "supervisor", "simulate", "--help"], cwd=ROOT, capture_output=True, text=True, timeout=60
    )
    direct = subprocess.run(
        [sys.executable, "-m", "simulator", "--help"], cwd=ROOT, capture_output=True, text=True, timeout=60
    )
    assert (done.returncode, done.stdout, done.stderr) == (direct.returncode, direct.stdout, direct.stderr)


def test_a_reader_that_goes_away_is_no_failure() -> None:
    done = subprocess.run(
        ["bash", "-c", f"set -o pipefail; {sys.executable} -m supervisor schema | head -n 1"],
        cwd=ROOT, capture_output=True, text=True, timeout=60,
    )  # fmt: skip
    assert (done.returncode, done.stdout, done.stderr) == (0, "{\n", "")
