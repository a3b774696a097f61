"""What came of one rehearsed season, as plain data: it goes from the process that ran it to the one that reports it.

Times are seconds since the season began; gas contents are the plant's truth, volume percent of dry gas.
"""

from collections import Counter
from dataclasses import dataclass, field

from simulator.kinds import Fault
from supervisor.shell.audit.report import Performance

Point = tuple[float, float, float, str]
"""When, oxygen, CO2, and the state's name (of an enclosure) or the entry status (of a room)."""


@dataclass
class AlarmSeen:
    """A line of what an operator saw: `what` is raised, gone, acknowledged."""

    at_s: float
    what: str
    alarm: str
    priority: str
    text: str


@dataclass
class FaultSeen:
    """One fault and what came of it.

    `shows_s` is from when it could be found, None: it never showed. `bound_s` is how long that may take, None: it need not be
    found, and `why` says why; `slack_s` is what the rehearsal's own pace may add. `must`: it could show, and stood for as long
    as finding it may take. `found_s`: when an alarm named it rightly, by `found_by`. `others`: what else was raised about what
    it reaches while it stood. `taken`: whether its consequence was there in time and stayed, None: none was due.
    `recovered_s`: when everything in its reach was well again after its end, None: not by the season's end.
    """

    number: int
    fault: Fault
    words: str
    reach: tuple[str, ...]
    rooms: tuple[str, ...]
    alarms: tuple[str, ...] = ()
    shows_s: float | None = None
    bound_s: float | None = None
    slack_s: float = 0.0
    must: bool = False
    bound: str = ""
    why: str = ""
    found_s: float | None = None
    found_by: str = ""
    stood_before: bool = False
    others: list[str] = field(default_factory=list)
    consequence: str = ""
    taken: bool | None = None
    recovered_s: float | None = None
    worst: str = ""
    seen: list[AlarmSeen] = field(default_factory=list)
    more_seen: int = 0
    courses: dict[str, list[Point]] = field(default_factory=dict)
    harm_min: dict[str, float] = field(default_factory=dict)


@dataclass
class PullDown:
    """From sealed to held; `began_s` is when it was sealed. `touched`: a fault reached it meanwhile, or people were inside."""

    enclosure: str
    lot: str
    began_s: float
    took_s: float | None
    touched: bool


@dataclass
class Broken:
    """A rule that was broken, by the witness."""

    rule: int
    at_s: float
    words: str


@dataclass
class Hourly:
    """An enclosure hour by hour: least and greatest of each gas in it, NaN while it stood open, and the state at its end."""

    o2_min: list[float] = field(default_factory=list)
    o2_max: list[float] = field(default_factory=list)
    co2_min: list[float] = field(default_factory=list)
    co2_max: list[float] = field(default_factory=list)
    state: list[str] = field(default_factory=list)


@dataclass
class Held:
    """Looks at an enclosure in the state holding: all, in its band, and those of both while no fault reached it."""

    looks: int = 0
    in_band: int = 0
    calm_looks: int = 0
    calm_in_band: int = 0


@dataclass
class Harm:
    """Minutes that the fruit of an enclosure spent below its floor or above its ceiling; `first_s` is when that first began."""

    enclosure: str
    below_floor_min: float = 0.0
    above_ceiling_min: float = 0.0
    lowest_o2_pct: float = 100.0
    highest_co2_pct: float = 0.0
    first_s: float | None = None
    calm_min: float = 0.0


@dataclass
class Season:
    """One seed's season."""

    site: str
    seed: int
    days: float
    look_s: float
    start_s: float
    faults: list[FaultSeen]
    performance: Performance
    witnessed: int = 0
    broken: list[Broken] = field(default_factory=list)
    broken_count: Counter[int] = field(default_factory=Counter)
    refusals: Counter[str] = field(default_factory=Counter)
    calm_refusals: Counter[str] = field(default_factory=Counter)
    held: dict[str, Held] = field(default_factory=dict)
    harm: dict[str, Harm] = field(default_factory=dict)
    pull_downs: list[PullDown] = field(default_factory=list)
    openings: int = 0
    gas_nl: dict[str, dict[str, float]] = field(default_factory=dict)
    sealed_s: dict[str, float] = field(default_factory=dict)
    stock_kg: dict[str, float] = field(default_factory=dict)
    worst_age_s: float = 0.0
    worst_age: str = ""
    worst_calm_age_share: float = 0.0
    worst_calm_age: str = ""
    faulted: Counter[str] = field(default_factory=Counter)
    calm_faulted: Counter[str] = field(default_factory=Counter)
    calm_alarms: Counter[str] = field(default_factory=Counter)
    rejected: int = 0
    courses: dict[str, Hourly] = field(default_factory=dict)
