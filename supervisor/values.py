"""What the parts say to each other: time, events in, effects out. Plain frozen values; nothing here does anything.

Time has two faces and they are never mixed. `mono_s` only ever grows and measures intervals: ages, leases, totals.
`wall_s` is UTC seconds since 1970 and is for people, records and the hardware's `valid_until`; it may jump.
"""

from dataclasses import dataclass, field
from typing import Literal, NamedTuple

from supervisor.messages import Inbound, Outbound

Gas = Literal["nitrogen", "co2", "air"]
GASES: tuple[Gas, ...] = ("nitrogen", "co2", "air")

State = Literal["filling", "pulling_down", "holding", "venting", "faulted"]


class Now(NamedTuple):
    """One instant: `mono_s` seconds on a clock that never goes back, `wall_s` UTC seconds since 1970."""

    mono_s: float
    wall_s: float


class SampleRef(NamedTuple):
    """Names one analyser reading for good: which instrument, which of its boots, which number since then."""

    analyser: str
    boot: str
    seq: int


# ------------------------------------------------------------------------------------------------ events


@dataclass(frozen=True, slots=True)
class Started:
    """The process began. Every input counts as never seen from here on."""

    now: Now
    epoch: int
    instance: str


@dataclass(frozen=True, slots=True)
class Arrived:
    """A message of the contract came in. `names` are the variable levels of its topic, in the topic's order."""

    now: Now
    kind: str
    names: tuple[str, ...]
    body: Inbound


@dataclass(frozen=True, slots=True)
class Ticked:
    """Time to decide."""

    now: Now


@dataclass(frozen=True, slots=True)
class LinkChanged:
    """The broker link was proved alive (`up`) or found dead."""

    now: Now
    up: bool


@dataclass(frozen=True, slots=True)
class RequestRefused:
    """The guard said no to a request of the core."""

    now: Now
    request_id: str
    enclosure: str
    gas: Gas
    rule: str
    measured: str
    limit: str


@dataclass(frozen=True, slots=True)
class PermitRefused:
    """The guard said no to the renewal of a room's permit."""

    now: Now
    room: str
    rule: str
    measured: str
    limit: str


@dataclass(frozen=True, slots=True)
class PlantFinding:
    """The watch saw the plant answer wrongly. `finding` is a catalogue name; figures carry their units in words."""

    now: Now
    enclosure: str
    finding: str
    gas: Gas | None
    measured: str
    limit: str


@dataclass(frozen=True, slots=True)
class ShellTrouble:
    """Something around the core failed or recovered: `trouble` is a catalogue name such as `history_unreachable`."""

    now: Now
    trouble: str
    active: bool
    detail: str


@dataclass(frozen=True, slots=True)
class Stopping:
    """The process was asked to end."""

    now: Now


Event = Started | Arrived | Ticked | LinkChanged | RequestRefused | PermitRefused | PlantFinding | ShellTrouble | Stopping

# ------------------------------------------------------------------------------------------------ effects


@dataclass(frozen=True, slots=True)
class RequestDose:
    """Ask a valve for gas. Only the guard can turn this into something the publisher takes.

    `valid_until_wall_s` is in the supervisor's time; `clock_offset_s` (unit clock minus ours) is added on the wire.
    `basis` is the sample that the decision rests on.
    """

    enclosure: str
    gas: Gas
    source: str
    request_id: str
    epoch: int
    volume_nl: float
    max_flow_nl_min: float
    valid_until_wall_s: float
    clock_offset_s: float
    basis: SampleRef
    reason: str


@dataclass(frozen=True, slots=True)
class StopDose:
    """Shut a valve. Always passes."""

    enclosure: str
    gas: Gas
    request_id: str | None
    epoch: int
    reason: str


@dataclass(frozen=True, slots=True)
class PermitRoom:
    """Renew or withdraw a room's permit. A renewal must pass the guard; a withdrawal always does."""

    room: str
    dosing_permitted: bool
    air_permitted: bool
    epoch: int
    valid_until_wall_s: float


@dataclass(frozen=True, slots=True)
class Publish:
    """Any other message of the contract. `names` fill the variable levels of the topic of `body`'s class."""

    names: tuple[str, ...]
    body: Outbound


@dataclass(frozen=True, slots=True)
class Row:
    """One row for the time-series database. Fields are floats, strings or booleans and never change their type."""

    measurement: str
    tags: tuple[tuple[str, str], ...]
    fields: tuple[tuple[str, float | str | bool], ...]
    wall_s: float


@dataclass(frozen=True, slots=True)
class Say:
    """One line for the log: `event` is a short name, `figures` carry units in their keys."""

    level: Literal["info", "warning", "error"]
    event: str
    figures: dict[str, float | int | str | bool | None] = field(default_factory=dict)


Effect = RequestDose | StopDose | PermitRoom | Publish | Row | Say
