"""The site file: what may stand in it. Strict, frozen, unknown keys refused; reading it is `sitefile/`.

Absolute ceilings stand here as constants. A site may be stricter and never laxer: they are the last line before
people and fruit, so moving one is a change to the program that someone reviews, not a line in a file.
"""

from collections.abc import Callable
from functools import cached_property
from typing import Annotated, Literal

from pydantic import AfterValidator, Field
from pydantic_core import PydanticCustomError

from supervisor.settings_analyser import Analyser, Line, Sampling
from supervisor.settings_calibration import CalibrationGas
from supervisor.settings_notify import Notify
from supervisor.settings_table import Name
from supervisor.settings_table import Table as _Table
from supervisor.values import Gas

AIR_O2_PCT = 20.95  # US Standard Atmosphere 1976 and ISO 2533: 20.9476 % of dry air
AIR_CO2_PCT = 0.04  # today's air (from memory)

PERMIT_VALID_S_CEILING = 60.0  # the contract: hardware believes no permit for longer
LEASE_S_CEILING = 300.0
SAMPLE_AGE_S_CEILING = 7200.0
AIR_AGE_S_CEILING = 60.0
UNIT_SILENCE_S_CEILING = 120.0
CLOCK_OFFSET_S_CEILING = 15.0
START_GRACE_S_CEILING = 600.0
O2_CLEAR_PCT_FLOOR = 19.5  # 29 CFR 1910.146(b)
O2_CLEAR_PCT_CEILING = 23.5  # 29 CFR 1910.146(b)
O2_DANGER_PCT_FLOOR = 17.0  # common practice, no source: fixed detectors' second set point stands at 18 or 17 %
CO2_CLEAR_PCT_CEILING = 0.5  # 29 CFR 1910.1000 Table Z-1, 5,000 ppm
CO2_DANGER_PCT_CEILING = 3.0  # under the 4 % that is immediately dangerous to life (NIOSH)
CO2_TWA_PCT_CEILING = 0.5  # 29 CFR 1910.1000 Table Z-1, 5,000 ppm over 8 hours
CO2_STEL_PCT_CEILING = 3.0  # NIOSH and ACGIH, 30,000 ppm over 15 minutes; UK EH40 has 15,000
SPREAD_O2_PCT_CEILING = 2.0  # common practice, no source: beyond it two sensors of one room do not measure one air
SPREAD_CO2_PCT_CEILING = 0.5
MOVING_O2_PCT_CEILING = 0.5
MOVING_CO2_PCT_CEILING = 0.1
MISSING_AFTER_S_CEILING = 1800.0
VOLUME_NL_PER_REQUEST_CEILING = 2_000.0
VOLUME_NL_PER_HOUR_CEILING = 20_000.0
VOLUME_NL_PER_DAY_CEILING = 200_000.0
O2_FLOOR_PCT_LOWEST = 0.5
CO2_CEILING_PCT_HIGHEST = 30.0

TopicRoot = Annotated[
    str,
    Field(
        pattern=r"^[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*$",
        max_length=200,
        description="topic levels of letters, digits, - and _ with / between them",
    ),
]
Positive = Annotated[float, Field(gt=0)]
NonNegative = Annotated[float, Field(ge=0)]
PctValue = Annotated[float, Field(ge=0, le=100)]


class SiteName(_Table):
    id: Name
    name: str = ""
    topic_root: TopicRoot | None = None
    season: Annotated[str, Field(max_length=40)] = ""
    currency: Annotated[str, Field(pattern=r"^[A-Z]{3}$", description="three capital letters of ISO 4217")] | None = None


class Broker(_Table):
    host: str = "127.0.0.1"
    port: Annotated[int, Field(ge=1, le=65535)] = 1883
    keepalive_s: Annotated[int, Field(ge=5, le=60)] = 15
    username: str | None = None
    password_file: str | None = None
    identities: Annotated[
        str | None, Field(min_length=1, description="the folder of certificates beside this file; without it there is no TLS")
    ] = None
    echo_timeout_s: Annotated[float, Field(ge=2, le=60)] = 15.0


class History(_Table):
    url: Annotated[
        str, Field(pattern=r"^https?://[^\s/]+\S*$", description="an address that begins with http:// or https://")
    ]
    org: Annotated[str, Field(min_length=1)]
    bucket: Annotated[str, Field(min_length=1)]
    token_file: str | None = None


class OperatorsTable(_Table):
    """Where it stands who may command; without it commands are taken from anybody, unsigned."""

    file: Annotated[str, Field(min_length=1, description="the operators file, beside this one")]


class Timing(_Table):
    tick_s: Annotated[float, Field(ge=0.1, le=10)] = 1.0
    permit_interval_s: Annotated[float, Field(ge=1, le=30)] = 10.0
    permit_valid_s: Annotated[float, Field(ge=5, le=PERMIT_VALID_S_CEILING)] = 45.0
    lease_s: Annotated[float, Field(ge=5, le=LEASE_S_CEILING)] = 120.0
    sample_age_s_max: Annotated[float, Field(gt=0, le=SAMPLE_AGE_S_CEILING)] = 2700.0
    air_age_s_max: Annotated[float, Field(gt=0, le=AIR_AGE_S_CEILING)] = 30.0
    unit_silence_s_max: Annotated[float, Field(gt=0, le=UNIT_SILENCE_S_CEILING)] = 45.0
    clock_offset_s_max: Annotated[float, Field(gt=0, le=CLOCK_OFFSET_S_CEILING)] = 10.0
    start_grace_s: Annotated[float, Field(ge=0, le=START_GRACE_S_CEILING)] = 120.0
    clear_after_s: Annotated[float, Field(ge=0, le=3600)] = 60.0
    missing_after_s: Annotated[float, Field(ge=0, le=MISSING_AFTER_S_CEILING)] = 300.0


class GasLimits(_Table):
    per_request_nl: Annotated[float, Field(gt=0, le=VOLUME_NL_PER_REQUEST_CEILING)]
    per_hour_nl: Annotated[float, Field(gt=0, le=VOLUME_NL_PER_HOUR_CEILING)]
    per_day_nl: Annotated[float, Field(gt=0, le=VOLUME_NL_PER_DAY_CEILING)]


class Limits(_Table):
    nitrogen: GasLimits
    co2: GasLimits
    air: GasLimits

    def of(self, gas: Gas) -> GasLimits:
        return getattr(self, gas)


class Recipe(_Table):
    id: Name
    crop: str
    o2_pct: Annotated[float, Field(gt=0, le=21)]
    co2_pct: Annotated[float, Field(ge=0, le=CO2_CEILING_PCT_HIGHEST)]
    o2_band_pct: Annotated[float, Field(gt=0, le=5)]
    co2_band_pct: Annotated[float, Field(gt=0, le=5)]
    o2_floor_pct: Annotated[float, Field(ge=O2_FLOOR_PCT_LOWEST, le=21)]
    co2_ceiling_pct: Annotated[float, Field(ge=0, le=CO2_CEILING_PCT_HIGHEST)]
    source: Annotated[str, Field(min_length=3)]


class SourcedLimit(_Table):
    """A limit with the publication it comes from, so that the next person can check it."""

    pct: PctValue
    source: Annotated[str, Field(min_length=3)]


def _at_least(lowest_pct: float, why: str) -> Callable[[SourcedLimit], SourcedLimit]:
    def check(limit: SourcedLimit) -> SourcedLimit:
        if limit.pct < lowest_pct:
            raise PydanticCustomError("too_lax", f"at least {lowest_pct:g} ({why})")
        return limit

    return check


def _at_most(highest_pct: float, why: str) -> Callable[[SourcedLimit], SourcedLimit]:
    def check(limit: SourcedLimit) -> SourcedLimit:
        if limit.pct > highest_pct:
            raise PydanticCustomError("too_lax", f"at most {highest_pct:g} ({why})")
        return limit

    return check


class RoomLimits(_Table):
    """Inside the clear limits the room may be entered and dosed in; beyond a danger limit everybody leaves.

    `co2_twa_max` is a mean over 8 hours, `co2_stel_max` one over 15 minutes; the others hold for every single word.
    """

    o2_clear_min: Annotated[SourcedLimit, AfterValidator(_at_least(O2_CLEAR_PCT_FLOOR, "29 CFR 1910.146(b)"))]
    o2_clear_max: Annotated[SourcedLimit, AfterValidator(_at_most(O2_CLEAR_PCT_CEILING, "29 CFR 1910.146(b)"))]
    o2_danger_min: Annotated[SourcedLimit, AfterValidator(_at_least(O2_DANGER_PCT_FLOOR, "common practice"))]
    co2_clear_max: Annotated[
        SourcedLimit, AfterValidator(_at_most(CO2_CLEAR_PCT_CEILING, "29 CFR 1910.1000 Table Z-1: 5,000 ppm"))
    ]
    co2_danger_max: Annotated[
        SourcedLimit,
        AfterValidator(_at_most(CO2_DANGER_PCT_CEILING, "NIOSH: 4 % is immediately dangerous to life")),
    ]
    co2_twa_max: Annotated[
        SourcedLimit, AfterValidator(_at_most(CO2_TWA_PCT_CEILING, "29 CFR 1910.1000 Table Z-1: 5,000 ppm over 8 hours"))
    ] = SourcedLimit(pct=CO2_TWA_PCT_CEILING, source="29 CFR 1910.1000 Table Z-1: 5,000 ppm over 8 hours")
    co2_stel_max: Annotated[
        SourcedLimit, AfterValidator(_at_most(CO2_STEL_PCT_CEILING, "NIOSH: 30,000 ppm over 15 minutes"))
    ] = SourcedLimit(pct=CO2_STEL_PCT_CEILING, source="NIOSH: 30,000 ppm over 15 minutes")


class RoomSensor(_Table):
    """One that reads the same to the last digit for longer than `flat_line_s_max` is dead. 0 is for sensors that round so
    coarsely that they do."""

    id: Name
    unit: Name
    flat_line_s_max: NonNegative = 1800.0


class Room(_Table):
    """`spread_*` is how far its sensors may differ, `moving_*` how far its air may move beyond what dosing explains."""

    id: Name
    name: str = ""
    volume_m3: Positive
    ventilation_m3_h: NonNegative = 0.0
    spread_o2_pct_max: Annotated[float, Field(gt=0, le=SPREAD_O2_PCT_CEILING)] = 1.0
    spread_co2_pct_max: Annotated[float, Field(gt=0, le=SPREAD_CO2_PCT_CEILING)] = 0.3
    moving_o2_pct_max: Annotated[float, Field(gt=0, le=MOVING_O2_PCT_CEILING)] = 0.1
    moving_co2_pct_max: Annotated[float, Field(gt=0, le=MOVING_CO2_PCT_CEILING)] = 0.03
    limits: RoomLimits
    sensor: Annotated[tuple[RoomSensor, ...], Field(min_length=1, strict=False)]


class Purity(_Table):
    """One point of a generator's data sheet: its residual oxygen while it gives this flow."""

    flow_nl_min: Positive
    o2_pct: PctValue


class Source(_Table):
    """Where a gas comes from. `capacity_nl_min` is a flow that may be drawn for as long as one likes: a generator's rated
    flow, what a bank's vaporiser keeps up without icing. `o2_pct` is a nitrogen generator's residual oxygen at that flow and
    `purity` its data sheet, where residual oxygen depends on flow. A price is by mass or by volume; `order_lead_days` is how
    long a delivery takes from the order on.

    Nothing is asked of a source whose own meter reads more than `o2_pct_max` or less than `pressure_kpa_min`; where a limit is
    given, a reading that is missing is one beyond it. `valves_at_once` is how many valves may stand open on it.
    """

    id: Name
    gas: Gas
    unit: Name
    capacity_nl_min: Positive
    o2_pct: PctValue = 0.0
    o2_pct_max: PctValue | None = None
    purity: Annotated[tuple[Purity, ...], Field(strict=False)] = ()
    pressure_kpa_min: Positive | None = None
    valves_at_once: Annotated[int, Field(ge=1)] | None = None
    stock_kg: NonNegative | None = None
    reserve_kg: NonNegative = 0.0
    order_lead_days: Annotated[int, Field(ge=0, le=365)] | None = None
    price_per_kg: NonNegative | None = None
    price_per_1000_nl: NonNegative | None = None


class GasSources(_Table):
    nitrogen: Name | None = None
    co2: Name | None = None
    air: Name | None = None

    def of(self, gas: Gas) -> str | None:
        return getattr(self, gas)


class GasFlows(_Table):
    """The most that one enclosure's inlet takes, normal litres a minute."""

    nitrogen: Positive = 50.0
    co2: Positive = 20.0
    air: Positive = 50.0

    def of(self, gas: Gas) -> float:
        return getattr(self, gas)


class Enclosure(_Table):
    id: Name
    room: Name
    line: Name
    unit: Name
    recipe: Name
    free_volume_nl: Annotated[float, Field(ge=10, le=1_000_000)]
    fruit_kg: NonNegative
    lot: Annotated[str, Field(max_length=64)] = ""
    sources: GasSources
    flow_nl_min_max: GasFlows = GasFlows()


class OutOfService(_Table):
    """An alarm that an administrator has taken out of service, for a reason that whoever reads this file can check."""

    alarm: Annotated[str, Field(pattern=r"^[a-z0-9_]+-[a-z0-9_-]+$", description="an alarm's name, - and what it is about")]
    reason: Annotated[str, Field(min_length=3)]


class Mapping(_Table):
    """How a gateway that speaks differently is read: its topic, and where in its payload each field lies.

    `topic` is the gateway's own topic (absolute), `{name}` standing for a variable level; `kind` is the contract's
    topic below the root. `names` gives the variable levels of `kind` that the gateway's topic does not hold. `fields`
    maps a contract field to a dotted path in the payload, whole numbers counting list entries from 0. `units` names a
    unit slip to undo (`ppm`: parts per million to percent, `fraction`: 0..1 to percent, `fahrenheit`: to degC,
    `epoch_s`, `epoch_ms`: to RFC 3339). `values` translates the gateway's words or codes; one that is not listed is
    refused. `fixed` gives fields that the gateway does not send. A field in none of them is not taken over.
    """

    topic: Annotated[str, Field(min_length=1, max_length=200)]
    kind: str
    names: dict[str, Name] = {}
    fields: dict[str, Annotated[str, Field(min_length=1)]] = {}
    units: dict[str, Literal["ppm", "fraction", "fahrenheit", "epoch_s", "epoch_ms"]] = {}
    values: dict[str, dict[str, str | int | float | bool]] = {}
    fixed: dict[str, str | int | float | bool] = {}


class SiteFile(_Table):
    format: Literal[1]
    site: SiteName
    broker: Broker = Broker()
    history: History | None = None
    operators: OperatorsTable | None = None
    timing: Timing = Timing()
    sampling: Sampling = Sampling()
    limits: Limits
    recipe: Annotated[tuple[Recipe, ...], Field(min_length=1, strict=False)]
    room: Annotated[tuple[Room, ...], Field(min_length=1, strict=False)]
    source: Annotated[tuple[Source, ...], Field(min_length=1, strict=False)]
    analyser: Annotated[tuple[Analyser, ...], Field(min_length=1, strict=False)]
    calibration_gas: Annotated[tuple[CalibrationGas, ...], Field(strict=False)] = ()
    enclosure: Annotated[tuple[Enclosure, ...], Field(min_length=1, strict=False)]
    mapping: Annotated[tuple[Mapping, ...], Field(strict=False)] = ()
    out_of_service: Annotated[tuple[OutOfService, ...], Field(strict=False)] = ()
    notify: Notify | None = None

    @property
    def root(self) -> str:
        """The topic root that everything of this site stands under."""
        return self.site.topic_root or f"stillhold/{self.site.id}"

    @cached_property
    def recipes(self) -> dict[str, Recipe]:
        return {one.id: one for one in self.recipe}

    @cached_property
    def rooms(self) -> dict[str, Room]:
        return {one.id: one for one in self.room}

    @cached_property
    def gas_sources(self) -> dict[str, Source]:
        return {one.id: one for one in self.source}

    @cached_property
    def analysers(self) -> dict[str, Analyser]:
        return {one.id: one for one in self.analyser}

    @cached_property
    def calibration_gases(self) -> dict[str, CalibrationGas]:
        return {one.id: one for one in self.calibration_gas}

    @cached_property
    def enclosures(self) -> dict[str, Enclosure]:
        return {one.id: one for one in self.enclosure}

    @cached_property
    def lines(self) -> dict[str, Line]:
        """Every line by its id; two analysers that reach the same line agree on it (checked)."""
        return {line.id: line for one in self.analyser for line in one.lines}

    @cached_property
    def analysers_of_line(self) -> dict[str, tuple[str, ...]]:
        """Which analysers reach each line, in the order of the file."""
        return {name: tuple(one.id for one in self.analyser if name in [line.id for line in one.lines]) for name in self.lines}

    @cached_property
    def enclosure_of_line(self) -> dict[str, str]:
        return {one.line: one.id for one in self.enclosure}

    @cached_property
    def enclosures_of_room(self) -> dict[str, tuple[str, ...]]:
        return {room.id: tuple(one.id for one in self.enclosure if one.room == room.id) for room in self.room}

    def recipe_of(self, enclosure: str) -> Recipe:
        return self.recipes[self.enclosures[enclosure].recipe]

    def source_of(self, enclosure: str, gas: Gas) -> Source | None:
        """The source piped to this enclosure for this gas, or None where there is none."""
        source = self.enclosures[enclosure].sources.of(gas)
        return None if source is None else self.gas_sources[source]
