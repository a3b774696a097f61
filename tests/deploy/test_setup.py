"""What setting up rests on: the pins, and the messages of the scripts when something is missing."""

import os
import re
import subprocess
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

TOP = Path(__file__).resolve().parents[2]
PINS = (TOP / "constraints.txt").read_text(encoding="utf-8")
BLOCKS = re.findall(r"^([a-z0-9][a-z0-9._-]*)==(\S+)((?: \\\n    --hash=sha256:[0-9a-f]{64})+)$", PINS, re.MULTILINE)


def test_everything_that_the_project_asks_for_is_pinned_within_what_it_allows() -> None:
    project = tomllib.loads((TOP / "pyproject.toml").read_text(encoding="utf-8"))
    asked = [*project["build-system"]["requires"], *project["project"]["dependencies"]]
    for extra in project["project"]["optional-dependencies"].values():
        asked += extra
    pinned = {name: version for name, version, _ in BLOCKS}
    for text in asked:
        requirement = Requirement(text)
        version = pinned.get(canonicalize_name(requirement.name))
        assert version is not None, f"{text} is not pinned: run deploy/pin"
        assert requirement.specifier.contains(version), f"{text} is pinned at {version}: run deploy/pin"


def test_every_line_of_the_pins_is_a_version_with_hashes_and_none_an_address() -> None:
    left = re.sub(r"^#.*\n", "", PINS, flags=re.MULTILINE)
    for name, version, hashes in BLOCKS:
        left = left.replace(f"{name}=={version}{hashes}\n", "")
    assert left.strip() == ""
    assert len(BLOCKS) > 30
    assert "://" not in PINS


def run(command: list[str], **env: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        command, cwd=TOP, env=os.environ | env, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=60
    )


def test_an_old_python_is_refused_in_words_and_nothing_is_made(tmp_path: Path) -> None:
    venv = tmp_path / "venv"
    done = run(["deploy/setup"], STILLHOLD_PYTHON="/bin/false", STILLHOLD_VENV=str(venv))
    assert done.returncode == 1
    assert done.stderr.startswith("setup: needs Python 3.11 or newer, and found none (tried /bin/false)")
    assert not venv.exists()


@pytest.mark.parametrize(
    ("has_apt", "words"),
    [
        (True, "testing needs the Debian package frobnicator; as root, install it with 'apt-get install frobnicator'"),
        (False, "testing needs the package frobnicator, and this system has no apt-get"),
    ],
)
def test_a_missing_package_is_named_with_the_mend(tmp_path: Path, has_apt: bool, words: str) -> None:
    def program(name: str, does: str) -> None:
        (tmp_path / name).write_text(f"#!/bin/sh\n{does}\n")
        (tmp_path / name).chmod(0o755)

    program("id", "echo 1000")  # not root
    program("dirname", 'exec /usr/bin/dirname "$@"')
    if has_apt:
        program("apt-get", f"touch {tmp_path}/was-called")
    script = f"source {TOP}/deploy/common.sh; debian_package frobnicator testing; echo went on"
    done = run(["/bin/bash", "-c", script], PATH=str(tmp_path))
    assert done.returncode == 1
    assert words in done.stderr
    assert "went on" not in done.stdout
    assert not (tmp_path / "was-called").exists()


@pytest.mark.parametrize("script", ["deploy/setup", "deploy/test", "deploy/demo", "deploy/pin", ".ci/run"])
def test_the_scripts_can_be_run_and_are_sound_bash(script: str) -> None:
    assert os.access(TOP / script, os.X_OK)
    assert run(["bash", "-n", script]).stderr == ""
