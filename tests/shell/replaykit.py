"""A journal as a controller leaves it: two enclosures pulled down in the real loop on disk, killed once and ended in order."""

import re
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path

from controller import Controller
from inprocess import acts, example

from supervisor import __main__ as cli

ENDS_S = 2400.0
KILLED_S = 1010.0  # not at a snapshot


def small_site(*names: str) -> str:
    """The example with these enclosures, each so small that its pull-down is over within the hour."""
    text = example(*names)
    return re.sub(r"(?m)^(free_volume_nl|fruit_kg) = (\d+)", lambda m: f"{m[1]} = {float(m[2]) * 0.25:.0f}", text)


SITE = small_site("n1", "n2")


def recording(folder: Path, site: str = SITE, **how) -> Controller:
    """A controller that has begun, its crew sealing both."""
    return Controller(folder, site, crew=acts((180, "seal", "n1"), (200, "seal", "n2")), step_s=10.0, **how)


def record(folder: Path) -> Path:
    """The journal's folder after a run that was killed in the middle of doses."""
    running = recording(folder)
    running.run_to(KILLED_S)
    running.kill()
    running.run_to(ENDS_S)
    running.end()
    return folder


def copy_of(folder: Path, to: Path) -> Path:
    """A copy that may be tampered with."""
    shutil.copytree(folder, to)
    return to


def ask(folder: Path, query: str, values: tuple = ()) -> list[tuple]:
    """What the journal answers, or what it becomes: nobody else has it open."""
    db = sqlite3.connect(folder / "journal.sqlite")
    try:
        with db:
            return db.execute(query, values).fetchall()
    finally:
        db.close()


def runner(capsys) -> Callable[..., tuple[int, str, str]]:
    """Runs `stillhold` and gives its exit status and what it printed."""

    def run(*words: object) -> tuple[int, str, str]:
        try:
            status = cli.main([str(one) for one in words])
        except SystemExit as ended:
            status = ended.code
        said = capsys.readouterr()
        return status, said.out, said.err

    return run
