"""From the wire: a topic and its bytes become a contract message with checked names, or a refusal that says why.

Every topic that this site can legally receive is spelled out once at the start, so that decoding is one look-up and
one validation. A refusal changes nothing; counting and telling it is `rejections.py`.
"""

import json
from collections.abc import Callable, Iterator
from typing import NamedTuple

from pydantic import ValidationError

from supervisor.messages import INBOUND, Inbound
from supervisor.settings import SiteFile
from supervisor.shell.mapping import Mapper, MappingError
from supervisor.values import GASES

PAYLOAD_BYTES_MAX = 64 * 1024
UNKNOWN = "unknown"
MAPPED = "mapped"
_ERRORS_TOLD = 3


class Decoded(NamedTuple):
    """A valid message: `kind` is its model's TOPIC, `names` its variable levels in the topic's order."""

    kind: str
    names: tuple[str, ...]
    body: Inbound


class Refused(NamedTuple):
    """Not a valid message. `kind` as far as known, `why` a short class for counting, `reason` in words."""

    kind: str
    why: str
    reason: str


class _Route(NamedTuple):
    kind: str
    names: tuple[str, ...]
    retained_allowed: bool
    validate: Callable[[bytes], Inbound]


class Decoder:
    """Reads what arrives below the root of `site`."""

    def __init__(self, site: SiteFile) -> None:
        self._root = site.root + "/"
        self._domains = Domains(site)
        self._mapper = Mapper(site)
        self._routes = {self._root + topic: route for topic, route in self._spell_out()}

    @property
    def filters(self) -> list[str]:
        """The topic filters to subscribe to."""
        return [*(self._root + _as_filter(model.TOPIC) for model in INBOUND), *self._mapper.subscriptions]

    def decode(self, topic: str, payload: bytes, retained: bool) -> Decoded | Refused:
        """The message, or why it is none. `retained`: the broker kept it from before, nobody says it now."""
        route = self._routes.get(topic)
        if route is None:
            return self._mapped(topic, payload, retained)
        return _judged(route, payload, retained)

    def tail(self, topic: str) -> str:
        """`topic` below the root, or whole when it is not below it."""
        return topic.removeprefix(self._root)

    def _spell_out(self) -> Iterator[tuple[str, _Route]]:
        for model in INBOUND:
            for names in self._domains.legal(variables(model.TOPIC)):
                route = _Route(model.TOPIC, names, model.RETAINED, model.__pydantic_validator__.validate_json)
                yield fill(model.TOPIC, names), route

    def _mapped(self, topic: str, payload: bytes, retained: bool) -> Decoded | Refused:
        try:
            translated = self._mapper.translate(topic, payload)
        except MappingError as error:
            return Refused(MAPPED, "not_valid", str(error))
        if translated is None:
            return self._unknown(topic)
        route = self._routes.get(self._root + translated[0])
        return self._unknown(self._root + translated[0]) if route is None else _judged(route, translated[1], retained)

    def _unknown(self, topic: str) -> Refused:
        if not topic.startswith(self._root):
            return Refused(UNKNOWN, "unknown_topic", f"the topic does not begin with {self._root}")
        levels = self.tail(topic).split("/")
        for model in INBOUND:
            names = match(model.TOPIC, levels)
            if names is not None:
                return Refused(model.TOPIC, "unknown_name", self._domains.fault(variables(model.TOPIC), names))
        return Refused(UNKNOWN, "unknown_topic", "no message of the contract has this topic")


def _judged(route: _Route, payload: bytes, retained: bool) -> Decoded | Refused:
    """The body of a message whose topic is understood."""
    kind, names, retained_allowed, validate = route
    if retained and not retained_allowed:
        return Refused(kind, "retained", "this message must not be retained: an old one would pass for a new one")
    if len(payload) > PAYLOAD_BYTES_MAX:
        return Refused(kind, "too_large", f"{len(payload)} bytes, at most {PAYLOAD_BYTES_MAX} are read")
    try:
        # The JSON reader takes NaN and Infinity, which are no JSON: no field lets them in, but an ignored key would.
        if (b"NaN" in payload or b"Infinity" in payload) and (word := _no_json_constant(payload)) is not None:
            return Refused(kind, "not_json", f"{word} is not JSON; leave the key out when there is no value")
        return Decoded(kind, names, validate(payload))
    except ValidationError as error:
        not_json = any(one["type"] == "json_invalid" for one in error.errors(include_url=False, include_input=False))
        return Refused(kind, "not_json" if not_json else "not_valid", explain(error))
    except json.JSONDecodeError as error:
        return Refused(kind, "not_json", str(error))
    except (ValueError, ArithmeticError, RecursionError) as error:
        # A time at the very edge of the calendar leaves it when it is turned to UTC.
        return Refused(kind, "not_valid", f"{type(error).__name__}: {error}")


def explain(error: ValidationError) -> str:
    """Which field, what is wrong with it; the first few."""
    told = [
        f"{'.'.join(str(part) for part in one['loc']) or 'payload'}: {one['msg']}"
        for one in error.errors(include_url=False, include_context=False, include_input=False)[:_ERRORS_TOLD]
    ]
    more = error.error_count() - len(told)
    return "; ".join(told) + (f"; and {more} more" if more else "")


def _no_json_constant(payload: bytes) -> str | None:
    """The first NaN or Infinity that stands as a value, None when the word is only part of a text."""
    found: list[str] = []
    json.loads(payload, parse_constant=found.append)
    return found[0] if found else None


# ------------------------------------------------------------------------------------------------ topics and names


def variables(template: str) -> tuple[str, ...]:
    """The names in braces of a topic template, in order."""
    return tuple(level[1:-1] for level in template.split("/") if level.startswith("{"))


def fill(template: str, names: tuple[str, ...]) -> str:
    """`template` with its variable levels filled in. Raises ValueError when the count does not fit."""
    wanted = variables(template)
    if len(wanted) != len(names):
        raise ValueError(f"{template} takes {len(wanted)} names, was given {len(names)}: {names}")
    return template.format(**dict(zip(wanted, names, strict=True)))


def match(template: str, levels: list[str]) -> tuple[str, ...] | None:
    """The variable levels when `levels` fit the template, else None."""
    parts = template.split("/")
    if len(parts) != len(levels):
        return None
    if any(part != level for part, level in zip(parts, levels, strict=True) if not part.startswith("{")):
        return None
    return tuple(level for part, level in zip(parts, levels, strict=True) if part.startswith("{"))


def _as_filter(template: str) -> str:
    return "/".join("+" if level.startswith("{") else level for level in template.split("/"))


class Domains:
    """Which names a site has for each variable of a topic."""

    def __init__(self, site: SiteFile) -> None:
        self._sensors = {room.id: [sensor.id for sensor in room.sensor] for room in site.room}
        self._plain = {
            "unit": sorted(_units(site)),
            "analyser": list(site.analysers),
            "room": list(site.rooms),
            "enclosure": list(site.enclosures),
            "source": list(site.gas_sources),
            "gas": list(GASES),
        }

    def legal(self, wanted: tuple[str, ...]) -> Iterator[tuple[str, ...]]:
        """Every combination of names that the variables `wanted` can take."""
        done: list[tuple[str, ...]] = [()]
        for place, variable in enumerate(wanted):
            done = [(*before, name) for before in done for name in self._of(variable, wanted[:place], before)]
        yield from done

    def fault(self, wanted: tuple[str, ...], names: tuple[str, ...]) -> str:
        """Which of `names` this site does not have, in words."""
        for place, (variable, name) in enumerate(zip(wanted, names, strict=True)):
            if name not in self._of(variable, wanted[:place], names[:place]):
                return f"the site file has no {variable} {name[:60]!r} here"
        return "the site file does not have this combination of names"

    def _of(self, variable: str, wanted: tuple[str, ...], before: tuple[str, ...]) -> list[str]:
        if variable == "sensor":
            return self._sensors.get(before[wanted.index("room")], [])
        return self._plain[variable]


def _units(site: SiteFile) -> set[str]:
    sensors = {sensor.unit for room in site.room for sensor in room.sensor}
    return sensors | {one.unit for one in (*site.source, *site.analyser, *site.enclosure)}
