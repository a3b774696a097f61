"""What the hardware hears, retyped from the contract: requests, stops, permits, selects. Unknown keys are ignored."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from .stamp import to_ms

# What JSON numbers carry exactly everywhere.
LARGEST_COUNT = 2**53
# No valve gives less or more: nl, nl/min.
SMALLEST, LARGEST = 1e-6, 1e9


class WireError(ValueError):
    """A payload that is not what its topic carries; the text names the key."""


@dataclass(frozen=True, slots=True)
class Request:
    request_id: str
    epoch: int
    volume_nl: float
    max_flow_nl_min: float
    valid_until_ms: int
    source: str | None


@dataclass(frozen=True, slots=True)
class Stop:
    request_id: str | None
    epoch: int


@dataclass(frozen=True, slots=True)
class Permit:
    dosing: bool
    air: bool
    epoch: int
    valid_until_ms: int


@dataclass(frozen=True, slots=True)
class Select:
    line: str
    valid_until_ms: int


def parse(payload: bytes | str) -> dict[str, Any]:
    """A JSON object. Raises WireError for anything else, NaN and infinities included."""
    try:
        body = json.loads(payload, parse_constant=_no_constant)
    except (ValueError, RecursionError) as why:
        raise WireError(f"no JSON: {why}") from why
    if not isinstance(body, dict):
        raise WireError("not a JSON object")
    return body


def request(body: Mapping[str, Any]) -> Request:
    source = body.get("source")
    return Request(
        _text(body, "request_id"),
        _count(body, "epoch"),
        _amount(body, "volume_nl"),
        _amount(body, "max_flow_nl_min"),
        _instant(body, "valid_until"),
        None if source is None else _text(body, "source"),
    )


def stop(body: Mapping[str, Any]) -> Stop:
    """A stop passes whatever else is wrong with it: without a readable id it stops what runs."""
    asked, epoch = body.get("request_id"), body.get("epoch")
    whole = isinstance(epoch, int) and not isinstance(epoch, bool) and 0 <= epoch <= LARGEST_COUNT
    return Stop(asked if isinstance(asked, str) and asked else None, epoch if whole else 0)


def permit(body: Mapping[str, Any]) -> Permit:
    return Permit(
        _truth(body, "dosing_permitted"), _truth(body, "air_permitted"), _count(body, "epoch"), _instant(body, "valid_until")
    )


def select(body: Mapping[str, Any]) -> Select:
    _text(body, "request_id")
    return Select(_text(body, "line"), _instant(body, "valid_until"))


def _no_constant(name: str) -> float:
    raise ValueError(f"{name} is no number")


def _text(body: Mapping[str, Any], key: str) -> str:
    value = body.get(key)
    if not isinstance(value, str) or not value:
        raise WireError(f"{key} must be text, found {value!r}")
    return value


def _truth(body: Mapping[str, Any], key: str) -> bool:
    value = body.get(key)
    if not isinstance(value, bool):
        raise WireError(f"{key} must be true or false, found {value!r}")
    return value


def _count(body: Mapping[str, Any], key: str) -> int:
    value = body.get(key)
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= LARGEST_COUNT:
        raise WireError(f"{key} must be a whole number from 0 to 2^53, found {str(value)[:40]}")
    return value


def _amount(body: Mapping[str, Any], key: str) -> float:
    value = body.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float) or not SMALLEST <= value <= LARGEST:
        raise WireError(f"{key} must be a number from {SMALLEST:g} to {LARGEST:g}, found {str(value)[:40]}")
    return float(value)


def _instant(body: Mapping[str, Any], key: str) -> int:
    try:
        return to_ms(body.get(key))
    except ValueError as why:
        raise WireError(f"{key}: {why}") from why
