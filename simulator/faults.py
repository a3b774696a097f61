"""What can go wrong with the hardware: one list of `Fault`, each with a start, an end and a size.

A component asks the board whether a fault of a name stands on a target, and how large; nothing else knows of faults.
"""

import math
import tomllib
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from .scheduler import Scheduler
from .sitefile import SiteSpec

NONE = (0.0, 0.0)
# name: (kind of target, meaning of size, its smallest and largest)
KINDS = {
    "leak": ("enclosure", "leak as an exchange of the nominal volume per day, in place of its own", (0.0, 1000.0)),
    "hose_off": ("valve", "gas flows and is metered, into the room and not into the enclosure", NONE),
    "valve_stuck_open": ("valve", "flow that passes whatever is asked, nl/min; 0: the valve's largest", (0.0, 1e6)),
    "valve_stuck_shut": ("valve", "", NONE),
    "sensor_silent": ("sensor", "", NONE),
    "sensor_fault": ("sensor", "", NONE),
    "sensor_flat": ("sensor", "", NONE),
    "sensor_off": ("sensor", "percent that it reads too much, of oxygen and CO2 alike", (-20.0, 20.0)),
    "analyser_dead": ("analyser", "", NONE),
    "analyser_flat": ("analyser", "", NONE),
    "analyser_fault": ("analyser", "", NONE),
    "analyser_wrong_line": ("analyser line", "1 when the manifold's feedback shows it, 0 when not", (0.0, 1.0)),
    "analyser_drift": ("analyser", "percent of oxygen that it reads more each day; it stays", (-50.0, 50.0)),
    "analyser_drift_co2": ("analyser", "percent of CO2 that it reads more each day; it stays", (-50.0, 50.0)),
    "analyser_drift_gain": ("analyser", "percent of each reading that it reads more each day; it stays", (-50.0, 50.0)),
    "calibration_gas_empty": ("calibration gas", "0: its line draws room air, 1: nothing comes", (0.0, 1.0)),
    "calibration_gas_wrong": ("calibration gas", "oxygen in it in place of what its certificate says, percent", (0.0, 100.0)),
    "analyser_carry_over": ("analyser", "share of the line before in what is measured", (0.0, 1.0)),
    "analyser_selector_leak": ("analyser", "share of room air that the selector valve lets in on every line", (0.0, 1.0)),
    "line_leak": ("analyser line", "share of room air that this one line lets in", (0.0, 1.0)),
    "analyser_moisture": ("analyser", "water vapour in the cell, percent", (0.0, 20.0)),
    "analyser_offset": ("analyser gas", "percent that it reads too much", (-20.0, 20.0)),
    "analyser_scale": ("analyser gas", "factor by which its figure is off, as between units", (1e-4, 1e4)),
    "analyser_pegged": ("analyser gas", "percent that it reads whatever it measures", (-5.0, 105.0)),
    "clock_offset": ("unit", "s that the unit's clock is ahead", (-1e8, 1e8)),
    "unit_off": ("unit", "", NONE),
    "source_off": ("source", "", NONE),
    "source_weak": ("source", "share of its capacity that is left", (0.0, 1.0)),
    "compressor_weak": ("source", "share of what it says that is still made behind its buffer", (0.0, 1.0)),
    "vaporiser_cold": ("source", "share of its capacity that its vaporiser keeps up without icing", (0.01, 1.0)),
    "source_impure": ("source", "oxygen in what it gives, percent", (0.0, 100.0)),
    "ventilation_off": ("room", "", NONE),
    "nitrogen_release": ("room", "nitrogen flowing straight into the room, nl/min", (0.0, 1e6)),
    "co2_release": ("room", "CO2 flowing straight into the room, nl/min", (0.0, 1e6)),
}


class FaultError(ValueError):
    """A fault that this site cannot have; the text names the mend."""


@dataclass(frozen=True)
class Fault:
    """One thing wrong from `start_s` to `end_s`, in simulated seconds from the plant's start."""

    name: str
    target: str
    start_s: float = 0.0
    end_s: float = math.inf
    size: float = 0.0


def load_faults(path: Path) -> list[Fault]:
    """Faults from a TOML file of `[[fault]]` tables. Raises FaultError naming the file and table."""
    try:
        rows = tomllib.loads(path.read_text(encoding="utf-8")).get("fault", [])
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as why:
        raise FaultError(f"{path}: cannot be read as faults: {why}") from why
    faults = []
    for i, row in enumerate(rows):
        place = f"{path}: [[fault]] {i}"
        try:
            fault = Fault(**row)
        except TypeError as why:
            raise FaultError(f"{place}: {why}; allowed: name, target, start_s, end_s, size") from why
        for key in ("start_s", "end_s", "size"):
            value = getattr(fault, key)
            if isinstance(value, bool) or not isinstance(value, int | float):
                raise FaultError(f"{place}: {key} must be a number, found {value!r}")
        faults.append(fault)
    return faults


def targets_of(site: SiteSpec) -> dict[str, set[str]]:
    """What each kind of target may name on this site."""
    return {
        "enclosure": {one.id for one in site.enclosures},
        "valve": {f"{one.id}/{gas}" for one in site.enclosures for gas in one.sources},
        "sensor": {f"{room.id}/{sensor.id}" for room in site.rooms for sensor in room.sensors},
        "analyser": {one.id for one in site.analysers},
        "analyser line": {f"{one.id}/{line}" for one in site.analysers for line in one.lines},
        "calibration gas": {line.gas.id for one in site.analysers for line in one.lines.values() if line.gas is not None},
        "analyser gas": {f"{one.id}/{gas}" for one in site.analysers for gas in ("o2", "co2")},
        "unit": set(site.units),
        "source": {one.id for one in site.sources},
        "room": {one.id for one in site.rooms},
    }


class FaultBoard:
    """The faults that stand now."""

    def __init__(
        self,
        site: SiteSpec,
        faults: Iterable[Fault],
        scheduler: Scheduler,
        changed: Callable[[Fault], None],
    ) -> None:
        """`changed` is called after a fault began or ended. Raises FaultError for a name or target unknown here."""
        self._standing: dict[tuple[str, str], list[float]] = {}
        self._changed = changed
        self._targets = targets_of(site)
        self._scheduler = scheduler
        self._start_ms = scheduler.now_ms
        for fault in faults:
            self.add(fault)

    def add(self, fault: Fault) -> None:
        """Plan one more fault."""
        if fault.name not in KINDS:
            raise FaultError(f"fault {fault.name!r} is unknown; there are {', '.join(KINDS)}")
        kind, meaning, (smallest, largest) = KINDS[fault.name]
        if fault.target not in self._targets[kind]:
            allowed = ", ".join(sorted(self._targets[kind]))
            raise FaultError(f"fault {fault.name}: {fault.target!r} is no {kind} of this site; there are {allowed}")
        if not (math.isfinite(fault.start_s) and fault.end_s > fault.start_s):
            raise FaultError(f"fault {fault.name} on {fault.target}: start_s must lie before end_s")
        if not smallest <= fault.size <= largest:
            allowed = f"{smallest:g} to {largest:g}: {meaning}" if meaning and largest else "none is needed"
            raise FaultError(f"fault {fault.name} on {fault.target}: size is {fault.size}, allowed is {allowed}")
        self._scheduler.at(self._start_ms + round(fault.start_s * 1000), lambda: self._begin(fault))
        if math.isfinite(fault.end_s):
            self._scheduler.at(self._start_ms + round(fault.end_s * 1000), lambda: self._end(fault))

    def size(self, name: str, target: str) -> float | None:
        """The size of the fault that stands on a target (the latest, if several), or None."""
        sizes = self._standing.get((name, target))
        return sizes[-1] if sizes else None

    def stands(self, name: str, target: str) -> bool:
        """Whether a fault stands on a target."""
        return bool(self._standing) and bool(self._standing.get((name, target)))

    def _begin(self, fault: Fault) -> None:
        self._standing.setdefault((fault.name, fault.target), []).append(fault.size)
        self._changed(fault)

    def _end(self, fault: Fault) -> None:
        key = (fault.name, fault.target)
        self._standing[key].remove(fault.size)
        if not self._standing[key]:
            del self._standing[key]
        self._changed(fault)
