"""`python -m simulator SITE`: the hardware of a site, on its broker, in scaled time."""

import argparse
import logging
import os
import signal
import sys
import threading
import time
from collections.abc import Sequence
from pathlib import Path

from .clock import ScaledClock
from .crew import CrewError, Schedule, load_schedule
from .faults import Fault, FaultError, load_faults, targets_of
from .identities import identities_of
from .library import LIBRARY, sentence
from .mqtt import PlantOnMqtt
from .network import Network
from .network_faults import NETWORK, network_targets
from .signing import KeyFileError, load_key
from .site import Plant
from .sitefile import SiteFileError, SiteSpec, load_site, read_site

LOG = logging.getLogger("simulator")
# How long to wait for a message before time is moved on, real seconds.
STEP_S = 0.01


def run(argv: Sequence[str]) -> int:
    """Run until told to stop or `--for` is over. Returns 0, or 2 when what was asked for cannot be."""
    given = _parser().parse_args(argv)
    logging.basicConfig(stream=sys.stderr, level=logging.INFO, format="%(asctime)s %(name)s %(message)s")
    stop = threading.Event()
    for one in (signal.SIGINT, signal.SIGTERM):
        signal.signal(one, lambda *_: stop.set())
    try:
        if given.list_faults:
            print(listed(read_site(load_site(Path(given.site)))))
            return 0
        clock = ScaledClock(time.time() if given.start is None else given.start, given.speed)
        faults = load_faults(Path(given.faults)) if given.faults else []
        plant = _plant(given, clock, [one for one in faults if one.name not in NETWORK])
        of_network = [one for one in faults if one.name in NETWORK]
        network = Network(plant.spec.units, of_network, given.seed, plant.now_s)
    except (SiteFileError, FaultError, CrewError, KeyFileError, ValueError) as why:
        print(f"simulator: {why}", file=sys.stderr)
        return 2
    identities = identities_of(Path(given.site))
    try:
        bus = PlantOnMqtt(plant, given.host or plant.spec.host, given.port or plant.spec.port, network, identities)
    except (OSError, ValueError) as why:
        print(f"simulator: {identities}: {why}; deploy/certificates makes what is in there", file=sys.stderr)
        return 2
    _live(bus, clock, stop, given.seconds)
    if plant.dropped:
        LOG.info("messages dropped: %s", dict(plant.dropped))
    return 0


def _plant(given: argparse.Namespace, clock: ScaledClock, faults: Sequence[Fault]) -> Plant:
    crew = None
    if given.crew == "none":
        crew = Schedule()
    elif given.crew is not None:
        crew = load_schedule(Path(given.crew))
    # A simulator that was started again is another boot of the hardware.
    boot = f"b{int(time.time() * 1000):x}-{os.getpid():x}"
    key = load_key(Path(given.keys)) if given.keys else None
    site = load_site(Path(given.site))
    return Plant(site, given.seed, start_s=clock.now_s(), boot=boot, crew=crew, crew_key=key, faults=faults, tell=_tell)


def _tell(fault: Fault, stands: bool) -> None:
    LOG.info("%s: %s", "fault" if stands else "no longer", sentence(fault))


def listed(site: SiteSpec) -> str:
    """What can go wrong at a site, as a file for `--faults` names it."""
    rows, targets = [], {**targets_of(site), **network_targets(site.units)}
    for name, kind in {**LIBRARY, **NETWORK}.items():
        if not targets[kind.on]:
            continue
        there = sorted(targets[kind.on])
        more = f" and {len(there) - 3} more" if len(there) > 3 else ""
        rows.append(f"{name}\n    {kind.words.format(target='TARGET', owner='OWNER', part='PART', size='SIZE')}")
        rows.append(f"    target: {kind.on}: {', '.join(there[:3])}{more}")
        if kind.size is not None:
            usual = ", ".join(f"{one:g}" for one in kind.size.usual)
            rows.append(f"    size: {kind.size.means}; {kind.size.least:g} to {kind.size.greatest:g}, usually {usual}")
    return "\n".join(rows)


def _live(bus: PlantOnMqtt, clock: ScaledClock, stop: threading.Event, seconds: float | None) -> None:
    end = None if seconds is None else time.monotonic() + seconds
    bus.start()
    try:
        while not stop.is_set() and (end is None or time.monotonic() < end):
            bus.step(clock.now_s())
            bus.wait(STEP_S)
    finally:
        bus.close()


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="stillhold simulate", description="Stand in for all hardware of a site over MQTT, for demos and tests."
    )
    parser.add_argument("site", metavar="SITE", help="the site file")
    parser.add_argument("--speed", type=float, default=1.0, metavar="N", help="times real time (default 1)")
    parser.add_argument(
        "--start", type=float, metavar="UNIX_S", help="the real instant at which simulated and real time agree (default: now)"
    )
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="seed of noise and leaks (default 1)")
    parser.add_argument("--host", help="the broker (default: as the site file says)")
    parser.add_argument("--port", type=int, help="its port (default: as the site file says)")
    parser.add_argument("--crew", metavar="FILE|none", help="what the crew does (default: seal one bag after another)")
    parser.add_argument("--keys", metavar="FILE", help="an operator's key file, by which the crew signs its commands")
    parser.add_argument("--faults", metavar="FILE", help="what goes wrong: [[fault]] name, target, start_s, end_s, size")
    parser.add_argument("--list-faults", action="store_true", help="say what can go wrong at this site, and end")
    parser.add_argument("--for", dest="seconds", type=float, metavar="REAL_SECONDS", help="end by itself after this")
    return parser
