"""Fits what is remembered to the site file: what that has gained begins as never seen, what it has lost is let go.

A site file changes between two runs: a sensor is exchanged, an enclosure taken out. What is gone must neither hold up the
rest (a sensor that never speaks again would forbid its room for ever) nor break the start.
"""

from collections.abc import Callable, Iterable
from typing import TypeVar

from supervisor.core import accounts
from supervisor.core.state import Analyser, Enclosure, Room, Sensor, SiteState, Source, Unit
from supervisor.settings import SiteFile

Point = TypeVar("Point")


def fit(site: SiteFile, state: SiteState) -> None:
    """Every point of the site file has its place in the state, and no other has one."""
    accounts.turn_season(site.site.season, state)
    for name, kept in state.enclosures.items():
        if name not in site.enclosures:
            accounts.let_go(state, kept.doses.values())
    _keep(state.enclosures, site.enclosures, Enclosure)
    _set_aside(site, state)
    _keep(state.rooms, site.rooms, Room)
    for room in site.room:
        _keep(state.rooms[room.id].sensors, [one.id for one in room.sensor], Sensor)
    _keep(state.analysers, site.analysers, Analyser)
    _keep(state.sources, site.gas_sources, Source)
    named = (*site.analyser, *site.source, *site.enclosure, *(one for room in site.room for one in room.sensor))
    _keep(state.units, dict.fromkeys(one.unit for one in named), Unit)
    state.open_doses = {request_id: where for request_id, where in state.open_doses.items() if where in site.enclosures}
    state.waits = {valve: wait for valve, wait in state.waits.items() if valve.split("/")[0] in site.enclosures}
    for alarm in state.alarms.values():  # a snapshot of a version that kept no latch by itself
        alarm.latched = alarm.latched or alarm.state.startswith("latched")
    for analyser in state.analysers.values():
        if analyser.visit is not None and analyser.visit.line not in site.lines:
            analyser.visit = None


def _set_aside(site: SiteFile, state: SiteState) -> None:
    """A room that the site file has lost is kept with its people: somebody may be in it, whatever the file calls it now.
    `people.py` lets it go when nobody is; when the site file knows it again, they are where they were.
    """
    for name in [one for one in state.rooms if one not in site.rooms]:
        state.gone_rooms[name] = state.rooms.pop(name)
    for name in [one for one in state.gone_rooms if one in site.rooms]:
        state.rooms[name] = state.gone_rooms.pop(name)


def _keep(kept: dict[str, Point], wanted: Iterable[str], make: Callable[[], Point]) -> None:
    names = list(wanted)
    for gone in [name for name in kept if name not in names]:
        del kept[gone]
    for name in names:
        kept.setdefault(name, make())
