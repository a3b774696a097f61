"""Everything the core remembers, as plain data: it is written to the journal as a snapshot and read back whole.

`mono_s` values may be None for "never". No value here is infinite or not a number, so JSON holds them all exactly.
"""

from dataclasses import dataclass, field
from typing import Literal

from supervisor.core.alarm_life import AlarmState
from supervisor.core.books import Books, Counted
from supervisor.core.calibration_state import Calibration
from supervisor.core.regulation import Loop
from supervisor.core.state_source import Source, Tally, Wait
from supervisor.values import Gas, State

Purpose = Literal["sample", "room_air", "calibration"]


@dataclass(slots=True)
class Unit:
    """A hardware unit: when it was last heard, and how far its clock is ahead of ours."""

    online: bool = False
    observed_wall_s: float | None = None
    boot: str = ""
    epoch_seen: int = 0
    heard_mono_s: float | None = None
    clock_offset_s: float = 0.0
    offsets_s: list[float] = field(default_factory=list)


@dataclass(slots=True)
class Sensor:
    """A room air sensor's last word. `seq` that does not move is not news; `observed_s` is by its unit's clock.
    `*_moved_mono_s` is when a digit of that gas last moved.
    """

    o2_pct: float = 0.0
    co2_pct: float = 0.0
    status: str = "never"
    seq: int = -1
    observed_s: float | None = None
    heard_mono_s: float | None = None
    o2_moved_mono_s: float | None = None
    co2_moved_mono_s: float | None = None


@dataclass(slots=True)
class Exposure:
    """CO2 in a room over time: the means of its closed minutes, oldest first, and the minute under way. Everything up to
    `counted_mono_s` is counted; `worst_pct` is the worst heard since.
    """

    minutes_pct: list[float] = field(default_factory=list)
    open_pct_s: float = 0.0
    open_s: float = 0.0
    worst_pct: float | None = None
    counted_mono_s: float | None = None


@dataclass(slots=True)
class AirMinute:
    """A minute of a room: the mean of its worst sensor, and at most how much CO2 came in and how much oxygen was pushed out
    by what was dosed into its enclosures.
    """

    o2_pct: float = 0.0
    co2_pct: float = 0.0
    co2_in_nl: float = 0.0
    o2_out_nl: float = 0.0
    lasted_s: float = 0.0


@dataclass(slots=True)
class Account:
    """What a room's air does and what dosing explains of it: closed minutes, oldest first, and sums of the one under way."""

    minutes: list[AirMinute] = field(default_factory=list)
    open: AirMinute = field(default_factory=AirMinute)
    counted_mono_s: float | None = None
    moving: str = ""


@dataclass(slots=True)
class Permit:
    """One person in a room: until when, who stands by outside, and what the air was when it was given."""

    standby: str = ""
    given_wall_s: float = 0.0
    air: str = ""


@dataclass(slots=True)
class Room:
    """What is known of a room's air, what was said of it, and who is in it until when (`people`, mono) by which `permits`.
    `at_door` are people whose entry was refused and who have not said since that they stayed outside. Both are bounded, see
    `people.py`. `door_open` is what its door switch last said, by the newest time that it said (`door_observed_s`).
    """

    sensors: dict[str, Sensor] = field(default_factory=dict)
    status: str = "forbidden"
    since_wall_s: float = 0.0
    reasons: list[str] = field(default_factory=lambda: ["no air measurement yet"])
    good_since_mono_s: float | None = None
    people: dict[str, float] = field(default_factory=dict)
    permits: dict[str, Permit] = field(default_factory=dict)
    at_door: dict[str, bool] = field(default_factory=dict)
    door_open: bool = False
    door_observed_s: float = 0.0
    exposure: Exposure = field(default_factory=Exposure)
    account: Account = field(default_factory=Account)
    shown_mono_s: float | None = None
    judged_wall_s: float | None = None
    permit_sent_mono_s: float | None = None
    permit_held_until_mono_s: float | None = None
    dosing_permitted: bool = False
    air_permitted: bool = False
    sounding: bool = False
    sounding_why: str = ""


@dataclass(slots=True)
class Sample:
    """A believed analyser reading of an enclosure, corrected; taken when its gas left the enclosure. `read_*` is what the
    analyser said before it was corrected, by which the guard judges.
    """

    analyser: str
    boot: str
    seq: int
    o2_pct: float
    co2_pct: float
    taken_mono_s: float
    taken_wall_s: float
    read_o2_pct: float | None = None
    read_co2_pct: float | None = None


@dataclass(slots=True)
class Visit:
    """The analyser was sent to a line: for a `sample` of an enclosure, for `room_air`, by which it is checked, or for
    `calibration`.
    """

    line: str
    asked_mono_s: float
    until_mono_s: float
    purpose: Purpose = "sample"


@dataclass(slots=True)
class Seen:
    """What an analyser read on a line, corrected, believed or not; taken when the gas left the line's far end."""

    line: str
    o2_pct: float
    co2_pct: float
    taken_mono_s: float


@dataclass(slots=True)
class Still:
    """A figure that has not moved by a digit for so many `readings`, since the first of them on `line`."""

    pct: float
    readings: int
    line: str
    since_mono_s: float
    flat: bool = False


@dataclass(slots=True)
class Candidate:
    """A doubtful figure that a second visit may confirm: its verdict, and what the line before it had read then."""

    analyser: str
    verdict: str
    seen: Seen
    before: Seen | None


@dataclass(slots=True)
class Analyser:
    """`run_*` is the unbroken run of readings from one line; `run_mono_s` when the first of them stood in the cell.
    `seen_mono_s` is when a settled reading of a line that is no enclosure's last stood in the cell, `tried_mono_s` when such
    a line was last drawn at all. `late_s` is how much longer than its line's times a visit has taken of late,
    `in_vain` how many visits to enclosures running brought no sample.

    `drawn` is the last complete reading of the line that is drawn, `before` that of the line before. `untrue` is why nothing
    that it says is believed (it does not read room air as air), `wrong` what its last readings show by themselves, as
    (verdict, text). `suspects` are the lines that read what their enclosures cannot hold, with what was measured. `air_mono_s`
    is when it last read room air right. `odd` counts its verdicts that were not good.
    """

    boot: str = ""
    seq: int = -1
    status: str = "never"
    heard_mono_s: float | None = None
    run_line: str = ""
    run_mono_s: float = 0.0
    run_heard_mono_s: float = 0.0
    run_observed_s: float = 0.0
    visit: Visit | None = None
    seen_mono_s: dict[str, float] = field(default_factory=dict)
    tried_mono_s: dict[str, float] = field(default_factory=dict)
    late_s: float = 10.0
    in_vain: int = 0
    calibration: Calibration = field(default_factory=Calibration)
    drawn: Seen | None = None
    before: Seen | None = None
    still: dict[str, Still] = field(default_factory=dict)
    untrue: str = ""
    wrong: tuple[str, str] = ("", "")
    air_misread: int = 0
    air_mono_s: float | None = None
    suspects: dict[str, str] = field(default_factory=dict)
    verdict: str = ""
    odd: dict[str, int] = field(default_factory=dict)

    @property
    def disbelieved(self) -> str:
        """Why nothing that it reads of an enclosure is believed: it misread room air, or calibration gas. Empty: it is."""
        return self.untrue or self.calibration.untrue

    def line_before(self, line: str) -> Seen | None:
        """What was drawn before this line was."""
        return self.before if self.drawn is None or self.drawn.line == line else self.drawn


@dataclass(slots=True)
class Dose:
    """One request in the ledger. `outcome` is the hardware's last word, `requested` before any, `unknown` when none came.

    While it is open its whole volume counts as given; once closed, `delivered_nl` does, except that `unknown` still
    counts whole. `stopped_mono_s`: when its valve was last told to stop.
    """

    request_id: str
    enclosure: str
    gas: Gas
    source: str
    volume_nl: float
    flow_nl_min: float
    asked_mono_s: float
    until_mono_s: float
    outcome: str = "requested"
    delivered_nl: float = 0.0
    closed_mono_s: float | None = None
    counted: Counted | None = None
    stopped_mono_s: float | None = None


@dataclass(slots=True)
class Enclosure:
    """`wanted_nl` is what was decided and not yet requested; `decided_mono_s` when the sample behind it was taken.
    `early_nl` is by hour what samples took from it beyond what its bound on their age needs.
    `hold_reason` is for people, until `hold_until_mono_s`; until `pauses_mono_s` a valve that failed or was refused rests.

    `doubt` is why its newest reading is not believed, in words, and `doubted` the verdict, `doubted_mono_s` since when;
    nothing is given while it stands. `candidate` is the reading that the next visit may confirm, `read_by` the last complete
    one of each analyser, `held_findings` what the watch made of readings that are not believed, and `misread_mono_s` when
    such readings turned out to be wrong. Nothing is known of its gas from before `gas_since_mono_s`; it was air then if it
    was `sealed_over_air`.
    """

    state: State = "filling"
    since_wall_s: float = 0.0
    since_mono_s: float = 0.0
    faulted_from: State = "filling"
    fault_reason: str = ""
    phase: str = ""
    sample: Sample | None = None
    before: Sample | None = None
    decided_mono_s: float | None = None
    interval_s: float = 1200.0
    visited_mono_s: float | None = None
    missed_visits: int = 0
    early_nl: dict[int, float] = field(default_factory=dict)
    wanted_nl: dict[Gas, float] = field(default_factory=dict)
    doses: dict[str, Dose] = field(default_factory=dict)
    running: dict[Gas, str] = field(default_factory=dict)
    why: str = ""
    hold_until_mono_s: float = 0.0
    hold_reason: str = ""
    pauses_mono_s: dict[Gas, float] = field(default_factory=dict)
    tallies: dict[Gas, Tally] = field(default_factory=dict)
    failures: int = 0
    breathable_samples: int = 0
    off_plan: int = 0
    in_band_since_mono_s: float | None = None
    doubt: str = ""
    doubted: str = ""
    doubted_mono_s: float | None = None
    candidate: Candidate | None = None
    read_by: dict[str, Seen] = field(default_factory=dict)
    held_findings: list[tuple[str, str, str]] = field(default_factory=list)
    misread_mono_s: float | None = None
    gas_since_mono_s: float = 0.0
    sealed_over_air: bool = False
    o2_loop: Loop = field(default_factory=Loop)
    co2_loop: Loop = field(default_factory=Loop)
    said: str = ""


@dataclass(slots=True)
class Alarm:
    """Condition, latch and state are three things and never merged. `pending_mono_s`: true since, waiting out the on-delay;
    `clearing_mono_s`: gone since, waiting out the off-delay. `trips` counts how often this occurrence has come; `cause` is
    the alarm that holds it back by design, and `back_mono_s` when it comes back although that one is over.
    `away_trips`: how often it has come in a row too fast to be said each time, while shelved, held back or out of service.
    """

    name: str
    subject: str
    occurrence: int = 0
    state: AlarmState = "normal"
    condition: bool = False
    latched: bool = False
    pending_mono_s: float | None = None
    pending_text: str = ""
    clearing_mono_s: float | None = None
    raised_wall_s: float | None = None
    cleared_wall_s: float | None = None
    acknowledged_wall_s: float | None = None
    acknowledged_by: str | None = None
    note: str | None = None
    shelved_until_mono_s: float | None = None
    shelved_until_wall_s: float | None = None
    shelved_by: str | None = None
    cause: str = ""
    back_mono_s: float | None = None
    first: bool = False
    trips: int = 0
    trips_mono_s: list[float] = field(default_factory=list)
    chattering: bool = False
    away_trips: int = 0
    away_trips_mono_s: list[float] = field(default_factory=list)
    text: str = ""


@dataclass(slots=True)
class SiteState:
    """`open_doses` are the requests that may still run, by the enclosure that holds them; the dose itself lies there. `waits`
    are the valves, `<enclosure>/<gas>`, whose gas is wanted and not all asked for.
    `gone_rooms` are the rooms that the site file has lost, with whoever was in them.
    `problems` are the alarms whose condition holds, by subject, worst first; `consequences` the worst of what follows from
    them. `alarm_timers` are the alarms that wait for a time, `announced` those of the last ten minutes (mono, alarm),
    `held_back` how many others an alarm explains.

    Nothing from before `trusted_mono_s` (the last start, or the last jump of the clock) is taken for known.
    """

    epoch: int = 0
    instance: str = ""
    started_mono_s: float = 0.0
    started_wall_s: float = 0.0
    trusted_mono_s: float = 0.0
    wall_minus_mono_s: float | None = None
    link_up: bool = False
    linked_mono_s: float = 0.0
    stopping: bool = False
    epoch_used: bool = False
    epoch_settled: bool = False
    overtaken: bool = False
    next_id: int = 1
    swept_mono_s: float | None = None
    barometer_pa: float | None = None
    barometer_mono_s: float | None = None
    units: dict[str, Unit] = field(default_factory=dict)
    rooms: dict[str, Room] = field(default_factory=dict)
    gone_rooms: dict[str, Room] = field(default_factory=dict)
    analysers: dict[str, Analyser] = field(default_factory=dict)
    sources: dict[str, Source] = field(default_factory=dict)
    enclosures: dict[str, Enclosure] = field(default_factory=dict)
    open_doses: dict[str, str] = field(default_factory=dict)
    books: Books = field(default_factory=Books)
    waits: dict[str, Wait] = field(default_factory=dict)
    alarms: dict[str, Alarm] = field(default_factory=dict)
    problems: dict[str, list[str]] = field(default_factory=dict)
    consequences: dict[str, str] = field(default_factory=dict)
    alarm_timers: dict[str, None] = field(default_factory=dict)
    announced: list[tuple[float, str]] = field(default_factory=list)
    held_back: dict[str, int] = field(default_factory=dict)
    commands: dict[str, str] = field(default_factory=dict)
    dirty: dict[str, bool] = field(default_factory=dict)
    dirty_rooms: dict[str, bool] = field(default_factory=dict)
