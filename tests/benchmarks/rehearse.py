"""A rehearsed season: how many times real time one core does, for the example's twelve enclosures and for forty.

The site is rehearsed as `stillhold rehearse` does it, witness, truth, people and faults of the usual schedule included. What is
measured is the processor's time, the sealing of everything at the start left out: a season is long.
"""

import time

from supervisor.rehearsal.run import Rehearsed, Task
from tests.benchmarks import sites
from tests.benchmarks.figures import Aim, Figure
from tests.inprocess import START_S

SEALED_S, HOUR_S, DAY_S = 6 * 3600.0, 3600.0, 86_400.0
HOURS, HOURS_QUICK = 24.0, 3.0
SEASON_D, ENCLOSURES = 100.0, 40


def run(quick: bool) -> list[Figure]:
    hours = HOURS_QUICK if quick else HOURS
    dozen = _times_real(sites.example(), hours)
    forty = sites.times(4)
    forty["enclosure"] = forty["enclosure"][:ENCLOSURES]
    many = _times_real(forty, hours)
    about = f"one core, {hours:g} h after everything was sealed"
    return [
        Figure("rehearse", "a rehearsal over real time, 12 enclosures", dozen, "x", note=about),
        Figure("rehearse", f"a rehearsal over real time, {ENCLOSURES} enclosures", many, "x",
               note=f"{about}; 8 rooms, 4 analysers, 12 sources"),
        Figure("rehearse", f"{SEASON_D:g} days of {ENCLOSURES} enclosures, one seed, one core", SEASON_D * DAY_S / many / 60.0,
               "min", Aim("<=", 1.0), note="reckoned from the line above"),
    ]  # fmt: skip


def _times_real(site: sites.Site, hours: float) -> float:
    season = Rehearsed(Task("benchmark", site, 1, 3.0, "usual", START_S))
    _go(season, SEALED_S)
    began_s = time.process_time()
    _go(season, SEALED_S + hours * HOUR_S)
    return hours * HOUR_S / (time.process_time() - began_s)


def _go(season: Rehearsed, to_s: float) -> None:
    while season.elapsed_s < to_s - 1e-6:
        season.run_to(season.elapsed_s + season.look_s)
        season.look()
