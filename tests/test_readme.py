"""The README says what the program does: its diagram is drawn from the table, its commands exist, its cautions stand."""

import re
import subprocess
import sys
from pathlib import Path

from supervisor.core.catalogue import CATALOGUE
from supervisor.core.enclosure import TRANSITIONS, diagram

TOP = Path(__file__).resolve().parents[1]
README = (TOP / "README.md").read_text(encoding="utf-8")


def test_the_state_diagram_is_the_one_drawn_from_the_table():
    drawn = re.search(r"```mermaid\n(.*?)\n```", README, re.DOTALL)
    assert drawn is not None
    assert drawn.group(1) == diagram()
    assert all(state in drawn.group(1) for pair in TRANSITIONS for state in (pair[0], TRANSITIONS[pair]))


def test_the_cautions_come_before_the_commands():
    assert README.index("## Cautions") < README.index("## Two commands")
    for words in ("not a safety instrumented system", "local code", "Rescuers die too", "no detector for people"):
        assert words in README


def test_every_command_that_it_names_is_there():
    named = set(re.findall(r"^ {4}stillhold (\w+)", README, re.MULTILINE))
    told = subprocess.run([sys.executable, "-m", "supervisor", "--help"], cwd=TOP, capture_output=True, text=True, check=True)
    there = set(re.findall(r"^ {4}(\w+)\b", told.stdout, re.MULTILINE))
    assert named and named <= there
    for path in re.findall(r"`((?:deploy|config|tests)/[\w./-]+)`", README) + ["deploy/demo", "deploy/test"]:
        assert (TOP / path).exists(), path


def test_the_alarms_that_it_explains_are_in_the_catalogue():
    table = README.split("### When something is wrong")[1].split("##")[0]
    names = {name for row in table.splitlines()[3:] if "|" in row for name in re.findall(r"`(\w+_\w+)`", row.split("|")[1])}
    assert names and names <= CATALOGUE.keys()
