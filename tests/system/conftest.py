"""Fixtures of the tests with real processes: drills that are ended after the test whatever happened in it."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from system_drill import Drill
from system_killed import FAULTS, SITE, SPEED, Killed, begin, finish, kill, moments, sealing, start


@pytest.fixture
def make_drill(tmp_path: Path) -> Iterator[Callable[..., Drill]]:
    """Call it with a site's text and options of `Drill`; not started yet."""
    made: list[Drill] = []

    def make(site_text: str, **options) -> Drill:
        made.append(Drill(tmp_path / f"drill-{len(made)}", site_text, **options))
        return made[-1]

    yield make
    for drill in made:
        drill.end()


@pytest.fixture(scope="session")
def killed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Killed]:
    """One pull-down with a kill at each moment that might matter. Its processes have ended; its records are here."""
    drill = Drill(tmp_path_factory.mktemp("killed"), SITE, speed=SPEED, crew=sealing("n1"), faults=FAULTS)
    run = Killed(drill, ("n1",))
    try:
        begin(run)
        for moment, is_now in moments(run):
            drill.await_(moment, is_now)
            kill(run, moment)
            start(run)
        finish(run)
    finally:
        drill.end()
    yield run
