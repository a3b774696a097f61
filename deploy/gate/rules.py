"""What each identity of a site may publish and subscribe to: one table, from the contract and the site file.

    unit-<unit>   a hardware unit: only its own readings, reports and status; hears only what is for it
    supervisor    everything that the contract has it send; hears everything that it takes
    console       a person's commands, each signed besides; sees what the supervisor publishes
    screen        sees what the supervisor publishes, and says nothing

Topics are MQTT filters. What is in no row is forbidden.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from supervisor.messages import (
    INBOUND,
    OUTBOUND,
    AnalyserReading,
    Bag,
    Closure,
    DoseFlow,
    DoseReport,
    DoseRequest,
    DoseStop,
    Inbound,
    OperatorCommand,
    Outbound,
    PulpTemperature,
    RoomAir,
    RoomClimate,
    RoomDoor,
    RoomEntry,
    RoomPermit,
    RoomSounder,
    SelectLine,
    SourceStatus,
    UnitStatus,
)
from supervisor.settings import SiteFile
from supervisor.values import GASES

SUPERVISOR, CONSOLE, SCREEN = "supervisor", "console", "screen"
ECHO = "supervisor/echo/+"  # the supervisor hears itself, by which it knows that its link is alive
CANARY = "canary/+"  # nobody may publish there: what comes back from it shows a broker that holds no rules
Model = type[Inbound] | type[Outbound]
Names = Iterable[tuple[str, ...]]


@dataclass(frozen=True)
class Rules:
    """Topic filters from the broker's root on."""

    publish: tuple[str, ...]
    subscribe: tuple[str, ...]


def rules(site: SiteFile) -> dict[str, Rules]:
    """By identity."""
    shown = tuple(f"{site.root}/{_any(model)}" for model in OUTBOUND)
    heard = tuple(f"{site.root}/{_any(model)}" for model in INBOUND)
    echo, canary = f"{site.root}/{ECHO}", f"{site.root}/{CANARY}"
    return {
        SUPERVISOR: Rules((*shown, echo), (*heard, *(_filter(one.topic) for one in site.mapping), echo, canary)),
        CONSOLE: Rules((f"{site.root}/{OperatorCommand.TOPIC}",), shown),
        SCREEN: Rules((), shown),
        **{f"unit-{unit}": _of_unit(site, unit) for unit in _units(site)},
    }


def _of_unit(site: SiteFile, unit: str) -> Rules:
    says = {model: [_filled(model, names) for names in of(site, unit)] for model, of in SAYS.items()}
    own = [f"{site.root}/{topic}" for topics in says.values() for topic in topics]
    # A gateway that speaks differently may use the topics that are mapped to what it may say.
    foreign = [
        _filter(one.topic) for one in site.mapping
        if any(_meet(_named(one.kind, one.names), topic) for topics in says.values() for topic in topics)
    ]  # fmt: skip
    hears = [f"{site.root}/{_filled(model, names)}" for model, of in HEARS.items() for names in of(site, unit)]
    return Rules((*own, *foreign), tuple(hears))


# ------------------------------------------------------------------------------------------------ what belongs to a unit


def _units(site: SiteFile) -> list[str]:
    named = [one.unit for table in (site.source, site.analyser, site.enclosure) for one in table]
    return sorted({*named, *(sensor.unit for room in site.room for sensor in room.sensor)})


def _enclosures(site: SiteFile, unit: str) -> Names:
    return [(one.id,) for one in site.enclosure if one.unit == unit]


def _valves(site: SiteFile, unit: str) -> Names:
    return [(one.id, gas) for one in site.enclosure if one.unit == unit for gas in GASES if one.sources.of(gas) is not None]


def _any_valve(site: SiteFile, unit: str) -> Names:
    """By one filter for each enclosure: nats-server refuses a wildcard that is wider than what is allowed."""
    return [(one.id, "+") for one in site.enclosure if one.unit == unit]


def _rooms(site: SiteFile, unit: str) -> Names:
    """Those in which a unit has an enclosure or a sensor."""
    theirs = {one.room for one in site.enclosure if one.unit == unit}
    return [(one.id,) for one in site.room if one.id in theirs or any(sensor.unit == unit for sensor in one.sensor)]


def _sensors(site: SiteFile, unit: str) -> Names:
    return [(room.id, one.id) for room in site.room for one in room.sensor if one.unit == unit]


def _sources(site: SiteFile, unit: str) -> Names:
    return [(one.id,) for one in site.source if one.unit == unit]


def _analysers(site: SiteFile, unit: str) -> Names:
    return [(one.id,) for one in site.analyser if one.unit == unit]


SAYS: dict[Model, Callable[[SiteFile, str], Names]] = {
    UnitStatus: lambda site, unit: [(unit,)],
    AnalyserReading: _analysers,
    RoomAir: _sensors,
    RoomClimate: _rooms,
    RoomDoor: _rooms,
    Closure: _enclosures,
    PulpTemperature: _enclosures,
    Bag: _enclosures,
    SourceStatus: _sources,
    DoseReport: _valves,
    DoseFlow: _valves,
}
HEARS: dict[Model, Callable[[SiteFile, str], Names]] = {
    SelectLine: _analysers,
    DoseRequest: _any_valve,
    DoseStop: _any_valve,
    RoomPermit: _rooms,
    RoomEntry: _rooms,
    RoomSounder: _rooms,
}


# ------------------------------------------------------------------------------------------------ filters


def _any(model: Model) -> str:
    return _filter(model.TOPIC)


def _filter(topic: str) -> str:
    """Each variable level as any one level."""
    return "/".join("+" if level.startswith("{") else level for level in topic.split("/"))


def _filled(model: Model, names: tuple[str, ...]) -> str:
    left = iter(names)
    return "/".join(next(left) if level.startswith("{") else level for level in model.TOPIC.split("/"))


def _named(kind: str, names: dict[str, str]) -> str:
    """The contract's topic of a mapping, with what it names filled in and any one level for the rest."""
    return "/".join(names.get(level[1:-1], "+") if level.startswith("{") else level for level in kind.split("/"))


def _meet(pattern: str, topic: str) -> bool:
    """Whether a topic is one of a filter's without `#`."""
    levels, others = pattern.split("/"), topic.split("/")
    return len(levels) == len(others) and all(one in ("+", other) for one, other in zip(levels, others, strict=True))
