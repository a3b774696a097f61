"""What the tests of the rehearsal share: a small site, its file, and one season of it."""

import tomllib
from collections.abc import Sequence
from pathlib import Path

from inprocess import START_S, example

from simulator.faults import Fault
from supervisor.rehearsal.outcome import Season
from supervisor.rehearsal.report import About, Rehearsal, report
from supervisor.rehearsal.run import Task, rehearse
from supervisor.rehearsal.verdict import Criterion, criteria
from supervisor.settings import SiteFile

SITE = example("n1", "s1")
ABOUT = About("0.0.0", "ab" * 32, "faults.toml", 0.5, "2026-01-02 03:04 UTC")


def faults_file(folder: Path, *faults: Fault) -> Path:
    path = folder / "faults.toml"
    tables = [
        f'[[fault]]\nname = "{one.name}"\ntarget = "{one.target}"\n'
        f"start_s = {one.start_s}\nend_s = {one.end_s}\nsize = {one.size}\n"
        for one in faults
    ]
    path.write_text("\n".join(tables), encoding="utf-8")
    return path


def task(schedule: str | Path, days: float, seed: int = 1, text: str = SITE, journal: Path | None = None) -> Task:
    return Task("small.toml", tomllib.loads(text), seed, days, str(schedule), START_S, journal)


def season(schedule: str | Path, days: float, seed: int = 1, text: str = SITE, journal: Path | None = None) -> Season:
    return rehearse(task(schedule, days, seed, text, journal))


def judged(seasons: Sequence[Season], text: str = SITE, schedule: str = "file") -> list[Criterion]:
    return criteria(SiteFile.model_validate(tomllib.loads(text)), seasons, schedule)


def reported(seasons: Sequence[Season], text: str = SITE) -> str:
    site = SiteFile.model_validate(tomllib.loads(text))
    return report(Rehearsal("small.toml", "cd" * 32, site, seasons, judged(seasons, text)), ABOUT)


def named(found: Sequence[Criterion], beginning: str) -> Criterion:
    return next(one for one in found if one.name.startswith(beginning))
