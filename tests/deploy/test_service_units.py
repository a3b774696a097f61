"""The units for systemd: understood by it, hardened to a score that is kept, and what the deploy scripts write fits them."""

import configparser
import re
import shutil
import subprocess
from pathlib import Path

import pytest

TOP = Path(__file__).resolve().parents[2]
UNITS = sorted((TOP / "deploy" / "units").glob("*.service"))
EXPOSURE_MAX = 1.2  # of 10; `systemd-analyze security` calls anything up to 2 safe. What is left is the network.


def read(path: Path) -> dict[str, dict[str, list[str]]]:
    """By section and key, every value; a key may come again."""

    class Lists(dict):
        def __setitem__(self, key, value):
            super().__setitem__(key, self[key] + value if key in self and isinstance(value, list) else value)

    parser = configparser.RawConfigParser(dict_type=Lists, strict=False, interpolation=None)
    parser.optionxform = str  # type: ignore[assignment, method-assign]
    parser.read_string(path.read_text())
    return {name: {key: value.splitlines() for key, value in parser[name].items()} for name in parser.sections()}


@pytest.mark.parametrize("unit", UNITS, ids=lambda path: path.stem)
def test_systemd_understands_every_line(unit: Path, tmp_path: Path) -> None:
    """Its program is not installed here; everything else is taken as it stands."""
    there = re.sub(r"^ExecStart=\S+", f"ExecStart={shutil.which('true')}", unit.read_text(), flags=re.MULTILINE)
    for other in UNITS:
        (tmp_path / other.name).write_text(there if other == unit else other.read_text().replace("/opt/", "/nowhere/"))
    done = subprocess.run(["systemd-analyze", "verify", "--man=no", tmp_path / unit.name], capture_output=True, text=True)
    said = [line for line in done.stderr.splitlines() if line.startswith((unit.name, str(tmp_path / unit.name)))]
    assert said == []
    broken = tmp_path / "broken.service"
    broken.write_text(there.replace("[Service]\n", "[Service]\nRestrat=always\n"))
    told = subprocess.run(["systemd-analyze", "verify", "--man=no", broken], capture_output=True, text=True).stderr
    assert "Restrat" in told, "it would notice"


@pytest.mark.parametrize("unit", UNITS, ids=lambda path: path.stem)
def test_what_each_may_do_stays_as_little_as_it_is(unit: Path, tmp_path: Path) -> None:
    words = ["systemd-analyze", "security", "--offline=true", f"--threshold={EXPOSURE_MAX * 10:.0f}"]
    done = subprocess.run([*words, str(unit)], capture_output=True, text=True)
    level = re.search(r"Overall exposure level for .*: ([\d.]+)", done.stdout)
    assert level is not None and float(level[1]) <= EXPOSURE_MAX and done.returncode == 0, done.stdout[-400:]
    opened = tmp_path / unit.name
    opened.write_text(unit.read_text().replace("ProtectSystem=strict\n", "").replace("NoNewPrivileges=yes\n", "").replace(
        "CapabilityBoundingSet=\n", ""))  # fmt: skip
    assert subprocess.run([*words, str(opened)], capture_output=True).returncode != 0, "it would notice"


@pytest.mark.parametrize("unit", UNITS, ids=lambda path: path.stem)
def test_each_comes_back_for_ever_and_as_nobody_in_particular(unit: Path) -> None:
    told = read(unit)
    service = told["Service"]
    assert service["Restart"] == ["always"] and told["Unit"]["StartLimitIntervalSec"] == ["0"]
    assert service["User"] != ["root"] and service["User"] == service["Group"] and service["UMask"] == ["0077"]
    assert int(service["WatchdogSec"][0]) >= 30 if unit.stem == "stillhold" else "WatchdogSec" not in service


def test_the_supervisor_waits_for_no_broker_and_is_given_time_to_withdraw_its_permits() -> None:
    told = read(next(path for path in UNITS if path.stem == "stillhold"))
    assert "stillhold-broker.service" in told["Unit"]["Wants"][0] and "Requires" not in told["Unit"]
    assert told["Service"]["Type"] == ["notify"] and int(told["Service"]["TimeoutStopSec"][0]) >= 30
