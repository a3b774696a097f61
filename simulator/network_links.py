"""Who speaks on which topic and who hears it: the links between a site's broker and its hardware."""

from collections.abc import Sequence

from .network_faults import CREW
from .sitefile import SiteSpec


class Links:
    """The hardware units of a site and its crew, by topic below the root. Raises StopIteration for a name that it has not."""

    def __init__(self, spec: SiteSpec) -> None:
        self._spec = spec
        self._sender: dict[str, str] = {}
        self._hearers: dict[str, Sequence[str]] = {}

    def sender(self, topic: str) -> str:
        """The unit that sends on a topic, or the crew."""
        if topic not in self._sender:
            self._sender[topic] = self._find_sender(topic.split("/"))
        return self._sender[topic]

    def hearers(self, topic: str) -> Sequence[str]:
        """The units that hear what a supervisor sends on a topic, or the crew; nobody for what only consoles read."""
        if topic not in self._hearers:
            self._hearers[topic] = self._find_hearers(topic.split("/"))
        return self._hearers[topic]

    def _find_hearers(self, topic: list[str]) -> Sequence[str]:
        spec = self._spec
        match topic:
            case ["dosing", enclosure, _, "request" | "stop"]:
                return (next(one.unit for one in spec.enclosures if one.id == enclosure),)
            case ["room", room, "permit"]:
                return tuple(dict.fromkeys(one.unit for one in spec.enclosures if one.room == room))
            case ["sampling", analyser, "select"]:
                return (next(one.unit for one in spec.analysers if one.id == analyser),)
            case ["operator", "outcome"] | ["alarm", _]:
                return (CREW,)
            case _:
                return ()

    def _find_sender(self, topic: list[str]) -> str:
        spec = self._spec
        match topic:
            case ["hardware", unit, _]:
                return unit
            case ["dosing" | "enclosure", enclosure, *_]:
                return next(one.unit for one in spec.enclosures if one.id == enclosure)
            case ["analyser", analyser, _]:
                return next(one.unit for one in spec.analysers if one.id == analyser)
            case ["source", source, _]:
                return next(one.unit for one in spec.sources if one.id == source)
            case ["room", room, "air", sensor]:
                sensors = next(one.sensors for one in spec.rooms if one.id == room)
                return next(one.unit for one in sensors if one.id == sensor)
            case ["room", room, *_]:
                sensors = next(one.sensors for one in spec.rooms if one.id == room)
                return sensors[0].unit if sensors else spec.units[0]
            case _:
                return CREW
