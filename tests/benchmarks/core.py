"""Steps per second of the engine (guard, watch and core together) and of the core alone, by the size of the site.

A sweep is a tick that looks at everything, once each `tick_s`; between two sweeps every input is heard afresh, which is
not timed. A reading is one analyser reading that becomes a sample of a held enclosure, with the tick that closes its batch;
that tick looks only at what has news. Both should cost the same per enclosure and per reading at any size. Times are of the
processor (nothing here waits), so that what else runs on the machine counts little.
"""

import gc
import time
from collections.abc import Callable
from statistics import median

from supervisor.core.site import Core
from supervisor.settings import SiteFile
from supervisor.shell.engine import Engine
from supervisor.values import Event
from tests.benchmarks import sites
from tests.benchmarks.feed import Feed
from tests.benchmarks.figures import Aim, Figure

COPIES = (1, 10, 100)  # of the example's twelve enclosures
FLAT = 1.5  # cost per enclosure at the largest size over that at the smallest: common practice, no source
SWEEPS, SWEEPS_QUICK = 60, 15
READINGS, READINGS_QUICK = 6000, 1500


def run(quick: bool) -> list[Figure]:
    figures: list[Figure] = []
    for part, make in (("engine", lambda site: Engine(site).step), ("core alone", lambda site: Core(site).step)):
        sweep_us, reading_us = [], []
        for copies in COPIES:
            sweep, reading = _time(copies, make, quick)
            sweep_us.append(sweep / (12 * copies))
            reading_us.append(reading)
            figures += [
                Figure("core", f"{part}, {12 * copies} enclosures: sweeps per second", 1e6 / sweep, "/s",
                       note=f"{sweep_us[-1]:.1f} us per enclosure and sweep; {sweep / 1000:.2f} ms each second of control"),
                Figure("core", f"{part}, {12 * copies} enclosures: readings per second", 1e6 / reading, "/s",
                       note=f"{reading:.0f} us per reading with its tick"),
            ]  # fmt: skip
        for what, us in (("sweep, per enclosure", sweep_us), ("reading", reading_us)):
            words = ", ".join(f"{12 * copies}: {one:.1f} us" for copies, one in zip(COPIES, us, strict=True))
            figures.append(Figure("core", f"{part}: cost of a {what}, {12 * COPIES[-1]} over {12 * COPIES[0]} enclosures",
                                  us[-1] / us[0], "", Aim("<=", FLAT), words))  # fmt: skip
    return figures


def _time(copies: int, make: Callable[[SiteFile], Callable[[Event], object]], quick: bool) -> tuple[float, float]:
    """Microseconds of a sweep of the whole site, and of a reading with its tick; medians."""
    site = SiteFile.model_validate(sites.without_delay(sites.times(copies)))
    feed = Feed(site, make(site))
    feed.begin()
    gc.collect()
    gc.freeze()
    sweeps = []
    for _ in range(SWEEPS_QUICK if quick else SWEEPS):
        feed.keep_fresh()
        began = time.process_time_ns()
        feed.tick(site.timing.tick_s)
        sweeps.append((time.process_time_ns() - began) / 1000.0)
    readings = []
    while len(readings) < (READINGS_QUICK if quick else READINGS):
        feed.keep_fresh()
        feed.tick(site.timing.tick_s)
        for reading, analyser in list(feed.readings()):
            began = time.process_time_ns()
            feed.arrive(reading, analyser)
            feed.tick(0.0)
            readings.append((time.process_time_ns() - began) / 1000.0)
        feed.go(site.timing.tick_s)
    gc.unfreeze()
    return median(sweeps), median(readings)
