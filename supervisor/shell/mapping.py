"""Reads gateways that speak differently, as the site file's mappings say, into messages of the contract.

Only what a gateway sends is mapped. What comes out is still judged like any other message: a mapping can undo a slip
of unit or of naming, and cannot make a value valid. Nothing is guessed: a field that no mapping names is not taken
over, and a gateway that gives no time of observation cannot be mapped, as nothing could tell how old its word is.
"""

import json
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, NoReturn

from supervisor.messages import INBOUND, at, rfc3339
from supervisor.settings import Mapping, SiteFile

_NAME = re.compile(r"[a-z0-9][a-z0-9_-]{0,39}", re.ASCII)
_NOTHING = object()
_PAYLOAD_BYTES_MAX = 64 * 1024


class MappingError(ValueError):
    """A message that matches a mapping's topic and cannot be read by it. The text says why."""


class Mapper:
    """The mappings of one site, compiled."""

    def __init__(self, site: SiteFile) -> None:
        self._by_length: dict[int, list[_Compiled]] = {}
        for mapping in site.mapping:
            compiled = _compiled(mapping)
            self._by_length.setdefault(len(compiled.levels), []).append(compiled)
        self.subscriptions = tuple(
            "/".join("+" if level.startswith("{") else level for level in mapping.topic.split("/"))
            for mapping in site.mapping
        )

    def translate(self, topic: str, payload: bytes) -> tuple[str, bytes] | None:
        """The topic below the root and the payload, as the contract has them; None where no mapping reads `topic`.

        Raises `MappingError` where one does and the message is not what it says.
        """
        levels = topic.split("/")
        for compiled in self._by_length.get(len(levels), ()):
            names = compiled.match(levels)
            if names is not None:
                return compiled.topic_of(names), compiled.payload_of(payload)
        return None


@dataclass(frozen=True, slots=True)
class _Field:
    name: str
    path: tuple[str, ...]
    required: bool
    convert: Callable[[Any], Any] | None
    words: dict[str, Any] | None


@dataclass(frozen=True, slots=True)
class _Compiled:
    levels: tuple[str, ...]
    kind: tuple[str, ...]
    names: dict[str, str]
    fields: tuple[_Field, ...]
    fixed: dict[str, Any]

    def match(self, levels: list[str]) -> dict[str, str] | None:
        names = dict(self.names)
        for pattern, level in zip(self.levels, levels, strict=True):
            if pattern.startswith("{"):
                names[pattern[1:-1]] = level
            elif pattern != level:
                return None
        return names

    def topic_of(self, names: dict[str, str]) -> str:
        for level, name in names.items():
            if not _NAME.fullmatch(name):
                raise MappingError(f"topic: the level {level} is {name[:60]!r}, which is no legal name")
        return "/".join(names[level[1:-1]] if level.startswith("{") else level for level in self.kind)

    def payload_of(self, payload: bytes) -> bytes:
        body = _decoded(payload)
        message = dict(self.fixed)
        for field in self.fields:
            value = _found(body, field.path)
            if value is _NOTHING:
                if field.required:
                    raise MappingError(f"{field.name}: the payload has nothing at {'.'.join(field.path)}")
                continue
            message[field.name] = _converted(field, value)
        try:
            return json.dumps(message, allow_nan=False).encode()
        except (ValueError, RecursionError):
            raise MappingError("a number is not finite, or a value is nested too deep") from None


def _compiled(mapping: Mapping) -> _Compiled:
    model = next(one for one in INBOUND if mapping.kind == one.TOPIC)
    fields = tuple(
        _Field(
            name,
            tuple(path.split(".")),
            model.model_fields[name].is_required(),
            _CONVERSIONS[mapping.units[name]] if name in mapping.units else None,
            mapping.values.get(name),
        )
        for name, path in mapping.fields.items()
    )
    levels, kind = tuple(mapping.topic.split("/")), tuple(mapping.kind.split("/"))
    return _Compiled(levels, kind, mapping.names, fields, mapping.fixed)


# ------------------------------------------------------------------------------------------------ values


def _decoded(payload: bytes) -> Any:
    if len(payload) > _PAYLOAD_BYTES_MAX:
        raise MappingError(f"payload: {len(payload)} bytes, more than {_PAYLOAD_BYTES_MAX}")
    try:
        return json.loads(payload.decode("utf-8"), parse_constant=_no_constant)
    except RecursionError:
        raise MappingError("payload: nested too deep") from None
    except ValueError as failed:  # bad UTF-8, bad JSON, or a whole number of thousands of digits
        raise MappingError(f"payload: {str(failed)[:120]}") from None


def _no_constant(word: str) -> NoReturn:
    raise ValueError(f"{word} is no number of JSON")


def _found(body: Any, path: tuple[str, ...]) -> Any:
    here = body
    for step in path:
        if isinstance(here, dict):
            here = here.get(step, _NOTHING)
        elif isinstance(here, list) and step.isdecimal() and step.isascii() and len(step) < 6 and int(step) < len(here):
            here = here[int(step)]
        else:
            return _NOTHING
        if here is _NOTHING:
            return _NOTHING
    return here


def _converted(field: _Field, value: Any) -> Any:
    if field.words is not None:
        word = value if isinstance(value, str) else json.dumps(value) if isinstance(value, bool | int) else ""
        if word not in field.words:
            raise MappingError(f"{field.name}: {str(value)[:60]!r} is none of {', '.join(field.words)}")
        return field.words[word]
    if field.convert is None or value is None:
        return value
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise MappingError(f"{field.name}: {str(value)[:60]!r} is no number")
    try:
        return field.convert(value)
    except (OverflowError, ValueError, OSError):
        raise MappingError(f"{field.name}: {str(value)[:60]} is out of range") from None


_CONVERSIONS: dict[str, Callable[[Any], Any]] = {
    "ppm": lambda value: value / 10_000.0,
    "fraction": lambda value: value * 100.0,
    "fahrenheit": lambda value: (value - 32.0) * 5.0 / 9.0,
    "epoch_s": lambda value: rfc3339(at(value)),
    "epoch_ms": lambda value: rfc3339(at(value / 1000.0)),
}
