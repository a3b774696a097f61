"""What a fault can reach: the enclosures whose gas it may move or stop, and the rooms whose air it may change."""

from typing import NamedTuple

from simulator.kinds import Fault
from simulator.library import LIBRARY
from supervisor.settings import SiteFile


class Reach(NamedTuple):
    """By id, in the site file's order."""

    enclosures: tuple[str, ...]
    rooms: tuple[str, ...]


def reach(site: SiteFile, fault: Fault) -> Reach:
    """By the kind of target; one that is unknown here reaches everything."""
    owner, _, part = fault.target.partition("/")
    match LIBRARY[fault.name].on:
        case "enclosure" | "valve":
            found = {owner}
        case "enclosure pair":
            found = set(fault.target.split("+"))
        case "analyser line":
            found = {site.enclosure_of_line[part]} if part in site.enclosure_of_line else set()
            if fault.name == "analyser_wrong_line":  # whatever it is told to draw
                found = _by_analyser(site, owner)
        case "analyser" | "analyser gas":
            found = _by_analyser(site, owner)
        case "calibration gas":
            found = {
                name for one in site.analyser if any(line.gas == owner for line in one.lines)
                for name in _by_analyser(site, one.id)
            }  # fmt: skip
        case "source" | "stock":
            found = {one.id for one in site.enclosure if owner in one.sources.model_dump().values()}
        case "sensor" | "room":
            found = {one.id for one in site.enclosure if one.room == owner}
        case "unit":
            found = _by_unit(site, owner)
        case _:
            found = set(site.enclosures)
    enclosures = tuple(name for name in site.enclosures if name in found)
    rooms = {site.enclosures[name].room for name in enclosures} | ({owner} & set(site.rooms))
    return Reach(enclosures, tuple(name for name in site.rooms if name in rooms))


def _by_analyser(site: SiteFile, analyser: str) -> set[str]:
    lines = {line.id for line in site.analysers[analyser].lines}
    return {one.id for one in site.enclosure if one.line in lines}


def _by_unit(site: SiteFile, unit: str) -> set[str]:
    """What stands on it itself, in a room with a sensor on it, on its sources, or is seen by its analysers alone."""
    rooms = {room.id for room in site.room if any(sensor.unit == unit for sensor in room.sensor)}
    sources = {one.id for one in site.source if one.unit == unit}
    found = {name for one in site.analyser if one.unit == unit for name in _by_analyser(site, one.id)}
    for one in site.enclosure:
        if one.unit == unit or one.room in rooms or sources & set(one.sources.model_dump().values()):
            found.add(one.id)
    return found
