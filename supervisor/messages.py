"""The message contract, version 1: one frozen model per topic, in and out.

Every model carries its topic below the root (`TOPIC`, `{name}` for each variable level) and whether it is retained.
The AsyncAPI document, the subscriptions and the decoder are all made from these classes, so they cannot drift apart.
Unknown keys are ignored; numbers must be finite; times are RFC 3339 in UTC.
"""

import re
from datetime import UTC, datetime
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator, AwareDatetime, BaseModel, BeforeValidator, ConfigDict, Field, PlainSerializer

Pct = Annotated[float, Field(ge=-5.0, le=105.0, description="volume percent of dry gas")]
# An analyser with offset may read a little below zero or above a hundred; judging that is not the decoder's work.
NonNegative = Annotated[float, Field(ge=0.0)]
Identifier = Annotated[str, Field(min_length=1, max_length=128)]
Count = Annotated[int, Field(ge=0, le=2**53)]
Words = Annotated[str, Field(max_length=2000)]


_RFC3339 = re.compile(r"\d{4}-\d\d-\d\d[Tt]\d\d:\d\d:\d\d(\.\d{1,9})?([Zz]|[+-]\d\d:\d\d)", re.ASCII)


def _parsed(value: object) -> object:
    # pydantic alone would take "1700000000" for a time, and the contract has no such form.
    if not isinstance(value, str):
        return value
    if not _RFC3339.fullmatch(value):
        raise ValueError("not an RFC 3339 time such as 2026-07-01T05:00:00.000Z")
    return datetime.fromisoformat(value.upper())


def _utc(moment: datetime) -> datetime:
    try:
        return moment.astimezone(UTC)
    except OverflowError:  # year 1 or 9999 with an offset: not a ValueError, so it would pass through the decoder
        raise ValueError("a time outside the years 1 to 9999") from None


def rfc3339(moment: datetime) -> str:
    """UTC with milliseconds and a `Z`, the contract's form of a time."""
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def at(wall_s: float) -> datetime:
    """`wall_s` seconds since 1970 as the UTC time that goes on the wire, cut to milliseconds."""
    return datetime.fromtimestamp(round(wall_s, 3), UTC)


Moment = Annotated[
    AwareDatetime,
    BeforeValidator(_parsed),
    AfterValidator(_utc),
    PlainSerializer(rfc3339, return_type=str, when_used="json"),
]


class _Message(BaseModel):
    model_config = ConfigDict(frozen=True, strict=True, extra="ignore", allow_inf_nan=False)

    TOPIC: ClassVar[str]
    RETAINED: ClassVar[bool] = False


class Inbound(_Message):
    """A message to the supervisor."""


class Outbound(_Message):
    """A message from the supervisor."""


# ------------------------------------------------------------------------------------------------ to the supervisor


class UnitStatus(Inbound):
    """A hardware unit's heartbeat; retained, and the unit's will with `online` false."""

    TOPIC: ClassVar[str] = "hardware/{unit}/status"
    RETAINED: ClassVar[bool] = True
    observed_at: Moment
    online: bool
    boot: Identifier
    epoch_seen: Count


class AnalyserReading(Inbound):
    """What stood in the analyser's cell at `observed_at`; `settled` is the gateway's word."""

    TOPIC: ClassVar[str] = "analyser/{analyser}/reading"
    observed_at: Moment
    boot: Identifier
    seq: Count
    line: Identifier
    o2_pct: Pct
    co2_pct: Pct
    settled: bool
    status: Literal["ok", "warming_up", "calibrating", "fault"]
    line_confirmed: bool | None = None
    corrected: bool = False
    sample_flow_nl_min: NonNegative | None = None


class RoomAir(Inbound):
    """A room sensor's word. Never from the process analyser."""

    TOPIC: ClassVar[str] = "room/{room}/air/{sensor}"
    observed_at: Moment
    seq: Count
    o2_pct: Pct
    co2_pct: Pct
    status: Literal["ok", "warming_up", "calibrating", "fault"]


class RoomClimate(Inbound):
    TOPIC: ClassVar[str] = "room/{room}/climate"
    observed_at: Moment
    temperature_c: float
    rh_pct: Annotated[float, Field(ge=0, le=100)]
    barometer_pa: NonNegative | None = None
    ventilation_m3_h: NonNegative | None = None


class RoomDoor(Inbound):
    TOPIC: ClassVar[str] = "room/{room}/door"
    observed_at: Moment
    open: bool


class Closure(Inbound):
    """The enclosure's own opening, where a switch tells."""

    TOPIC: ClassVar[str] = "enclosure/{enclosure}/closure"
    observed_at: Moment
    open: bool


class PulpTemperature(Inbound):
    TOPIC: ClassVar[str] = "enclosure/{enclosure}/pulp"
    observed_at: Moment
    temperature_c: float


class Bag(Inbound):
    TOPIC: ClassVar[str] = "enclosure/{enclosure}/bag"
    observed_at: Moment
    pressure_pa: float | None = None
    fill_pct: NonNegative | None = None


class SourceStatus(Inbound):
    """What a source can give now; what is missing is unknown."""

    TOPIC: ClassVar[str] = "source/{source}/status"
    observed_at: Moment
    available: bool
    capacity_nl_min: NonNegative | None = None
    o2_pct: Pct | None = None
    pressure_kpa: NonNegative | None = None
    stock_kg: NonNegative | None = None


class DoseReport(Inbound):
    """What became of a request; `delivered_nl` is so far."""

    TOPIC: ClassVar[str] = "dosing/{enclosure}/{gas}/report"
    observed_at: Moment
    request_id: Identifier
    outcome: Literal["accepted", "progress", "delivered", "refused", "aborted"]
    delivered_nl: NonNegative
    metered: bool
    code: (
        Literal["expired", "repeated", "old_epoch", "no_permit", "busy", "no_source", "no_flow", "stopped"] | None
    ) = None
    source: Identifier | None = None


class DoseFlow(Inbound):
    """What a valve does, asked for or not."""

    TOPIC: ClassVar[str] = "dosing/{enclosure}/{gas}/flow"
    observed_at: Moment
    valve_open: bool
    flow_nl_min: NonNegative


class OperatorCommand(Inbound):
    """A person's wish. What each action needs beyond its target is checked where it is carried out."""

    TOPIC: ClassVar[str] = "operator/command"
    command_id: Identifier
    issued_at: Moment
    operator: Identifier
    action: Literal[
        "seal", "vent", "open", "resume", "stop",
        "acknowledge", "shelve", "unshelve", "enter", "leave", "calibrate", "test",
    ]  # fmt: skip
    target: Identifier
    occurrence: Count | None = None
    note: Words | None = None
    until: Moment | None = None
    people: Annotated[list[Identifier], Field(max_length=50)] | None = None
    standby: Identifier | None = None
    minutes: Annotated[int, Field(ge=1, le=720)] | None = None
    lot: Annotated[str, Field(min_length=1, max_length=64, description="with `seal`: what was loaded")] | None = None
    gas: Annotated[Identifier, Field(description="with `calibrate`: draw only this calibration gas")] | None = None
    decision: Annotated[
        Literal["accept", "refuse"], Field(description="with `calibrate`: about what was read beyond the action limit")
    ] | None = None
    signature: Annotated[str, Field(max_length=128, description="HMAC-SHA-256, 64 hexadecimal digits")] | None = None


# ------------------------------------------------------------------------------------------------ from the supervisor


class SelectLine(Outbound):
    TOPIC: ClassVar[str] = "sampling/{analyser}/select"
    request_id: Identifier
    line: Identifier
    valid_until: Moment


class DoseRequest(Outbound):
    TOPIC: ClassVar[str] = "dosing/{enclosure}/{gas}/request"
    request_id: Identifier
    epoch: Count
    volume_nl: Annotated[float, Field(gt=0)]
    max_flow_nl_min: Annotated[float, Field(gt=0)]
    valid_until: Moment
    reason: Words
    source: Identifier | None = None


class DoseStop(Outbound):
    """`request_id` null stops whatever runs."""

    TOPIC: ClassVar[str] = "dosing/{enclosure}/{gas}/stop"
    request_id: Identifier | None
    epoch: Count
    reason: Words


class RoomPermit(Outbound):
    TOPIC: ClassVar[str] = "room/{room}/permit"
    dosing_permitted: bool
    air_permitted: bool
    epoch: Count
    valid_until: Moment


class RoomEntry(Outbound):
    """Said again at least every 60 s: one whose `judged_at` is older is no word at all, and its room is not clear.
    `venting` are the enclosures that may blow air now, the forecasts what the room's air can become while they do.
    """

    TOPIC: ClassVar[str] = "room/{room}/entry"
    RETAINED: ClassVar[bool] = True
    status: Literal["clear", "restricted", "forbidden"]
    since: Moment
    reasons: list[str]
    judged_at: Moment | None = None
    people: list[str] = []
    venting: list[str] = []
    forecast_o2_pct: float | None = None
    forecast_co2_pct: float | None = None


class RoomSounder(Outbound):
    TOPIC: ClassVar[str] = "room/{room}/sounder"
    RETAINED: ClassVar[bool] = True
    on: bool
    reason: str


class EnclosureState(Outbound):
    TOPIC: ClassVar[str] = "enclosure/{enclosure}/state"
    RETAINED: ClassVar[bool] = True
    state: Literal["filling", "pulling_down", "holding", "venting", "faulted"]
    since: Moment
    recipe: Identifier
    o2_setpoint_pct: float
    co2_setpoint_pct: float
    o2_pct: float | None
    co2_pct: float | None
    sampled_at: Moment | None
    sample_age_s: float | None
    verdict: Literal["good", "uncertain", "bad", "none"]
    problems: list[str]


class AlarmStatus(Outbound):
    """`state` is one of the names of ISA-18.2 / IEC 62682."""

    TOPIC: ClassVar[str] = "alarm/{alarm}"
    RETAINED: ClassVar[bool] = True
    alarm: Identifier
    subject: str
    occurrence: Count
    state: Literal[
        "normal", "unacknowledged", "acknowledged", "returned_unacknowledged",
        "latched_unacknowledged", "latched_acknowledged", "shelved", "suppressed_by_design", "out_of_service",
    ]  # fmt: skip
    priority: Literal["low", "medium", "high", "critical"]
    condition: bool
    latched: bool
    raised_at: Moment | None
    cleared_at: Moment | None
    acknowledged_at: Moment | None
    acknowledged_by: str | None
    shelved_until: Moment | None
    text: str
    advice: str
    note: str | None = None
    first: Annotated[bool, Field(description="nothing else had been raised in the minute before: it may be the cause")] = False
    trips: Annotated[Count, Field(description="how often it has come within this occurrence")] = 1
    cause: Annotated[str | None, Field(description="the alarm that explains it and holds it back by design")] = None
    holds_back: Annotated[Count, Field(description="how many alarms this one explains and holds back")] = 0


class CommandOutcome(Outbound):
    TOPIC: ClassVar[str] = "operator/outcome"
    command_id: Identifier
    accepted: bool
    reason: str


class SupervisorStatus(Outbound):
    TOPIC: ClassVar[str] = "supervisor/status"
    RETAINED: ClassVar[bool] = True
    online: bool
    instance: Identifier
    epoch: Count
    started_at: Moment


class Rejected(Outbound):
    """A message that did not validate, with the reason; `topic` is below the root, `sample` its first bytes."""

    TOPIC: ClassVar[str] = "rejected"
    topic: str
    reason: str
    sample: str
    count: Count
    rejected_at: Moment


INBOUND: tuple[type[Inbound], ...] = tuple(Inbound.__subclasses__())
OUTBOUND: tuple[type[Outbound], ...] = tuple(Outbound.__subclasses__())
