"""The faults of one plant: read from a file, held against what the site has, begun and ended at their times.

A component asks the board whether a fault of a name stands on a target, and how large; nothing else knows of faults. The
kinds stand in `library.py`.
"""

import math
import tomllib
from collections.abc import Callable, Iterable
from pathlib import Path

from .kinds import Fault, FaultError
from .library import kind_of
from .scheduler import Scheduler
from .sitefile import SiteSpec

__all__ = ["Fault", "FaultBoard", "FaultError", "load_faults", "targets_of"]


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
        "stock": {one.id for one in site.sources if one.stock_kg is not None},
        "room": {one.id for one in site.rooms},
        "enclosure pair": {
            f"{one.id}+{other.id}"
            for i, one in enumerate(site.enclosures)
            for other in site.enclosures[i + 1 :]
            if one.room == other.room
        },
        "site": {site.id},
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
        self._since_ms: dict[tuple[str, str], int] = {}
        self._site = site
        self._changed = changed
        self._targets = targets_of(site)
        self._scheduler = scheduler
        self._start_ms = scheduler.now_ms
        for fault in faults:
            self.add(fault)

    def add(self, fault: Fault) -> None:
        """Plan one more fault."""
        kind = kind_of(fault.name)
        kind.refuse(fault, self._targets.get(kind.on, ()))
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

    def lasted_s(self, name: str, target: str) -> float:
        """How long the fault that stands on a target has stood, the longest if several."""
        return (self._scheduler.now_ms - self._since_ms[name, target]) / 1000.0

    def _parts(self, fault: Fault) -> list[Fault]:
        parts = kind_of(fault.name).parts
        return [] if parts is None else [Fault(name, target) for name, target in parts(self._site, fault.target)]

    def _begin(self, fault: Fault) -> None:
        key = (fault.name, fault.target)
        self._standing.setdefault(key, []).append(fault.size)
        self._since_ms.setdefault(key, self._scheduler.now_ms)
        for part in self._parts(fault):
            self._begin(part)
        self._changed(fault)

    def _end(self, fault: Fault) -> None:
        key = (fault.name, fault.target)
        self._standing[key].remove(fault.size)
        if not self._standing[key]:
            del self._standing[key], self._since_ms[key]
        for part in self._parts(fault):
            self._end(part)
        self._changed(fault)
