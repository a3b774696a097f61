"""What the guard has seen with its own eyes. Raw events in; nothing here says yes or no (that is `guard.py`).

Three clocks: `observed_s` is a unit's own UTC time, `taken_s` the same corrected to ours by the offset that the unit's
heartbeats show, `arrived_s` and `until_s` stand on our monotonic clock. A start, and a wall clock that parts from the
monotonic one, throw away whatever was seen (`Seen`); latches, people, doses and epochs stay, because forgetting them
would open something.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from itertools import takewhile
from math import isfinite

from pydantic import TypeAdapter

from supervisor import messages
from supervisor.settings import Line, SiteFile
from supervisor.values import GASES, Arrived, Event, LinkChanged, Now, SampleRef, Started, State

NEVER = Now(0.0, 0.0)  # any real instant has parted from it
DAY_S = 86_400.0
HEARTBEATS = 5  # a late one makes a clock look slow, so the least late of so many counts
FLOW_WORD_S = 120.0  # a flow word is believed for two of its minutes; a unit silent for longer gets no requests anyway
COMMAND_AGE_S_MAX = 3600.0  # an older wish to open something is somebody's past
COMMAND_KEPT_S = 7200.0  # spans an hour old to an hour ahead, so that no repeat is ever taken for new
O2_CO2_SUM_PCT_MAX = 100.5  # everything there is, and half a percent for the instrument
ROOM_CO2_PCT_MIN = -0.1  # a sensor's zero may drift a little below nothing; -1 is a usual fault code
NAMES_MAX = 50  # so many are known by name in one room; the core counts alike
OTHERS = "others"  # whoever else wanted to go in, as one, until they are signed out by this name
FINAL = ("delivered", "refused", "aborted")


@dataclass
class Unit:
    boot: str
    observed_s: float
    arrived_s: float
    offsets_s: list[float]  # the unit's clock minus ours, at its last few heartbeats
    online: bool

    @property
    def offset_s(self) -> float:
        """By the heartbeat that was least delayed."""
        return max(self.offsets_s)


@dataclass
class Air:
    seq: int
    observed_s: float
    taken_s: float
    arrived_s: float
    bearable: bool  # a sound word, within the danger limits
    clear_since_s: float | None  # mono; within the clear limits without a gap since then


@dataclass
class Word:
    """A sensor's last word to the last digit, and when (mono) each of its gases last moved."""

    o2_pct: float
    co2_pct: float
    o2_moved_s: float
    co2_moved_s: float

    @property
    def still_since_s(self) -> float:
        return min(self.o2_moved_s, self.co2_moved_s)


@dataclass
class Run:
    """Unbroken sound readings of one line, dated by the first of them."""

    boot: str
    seq: int
    line: str
    observed_s: float
    arrived_s: float


@dataclass
class Sample:
    ref: SampleRef
    taken_s: float
    arrived_s: float
    o2_pct: float
    co2_pct: float


@dataclass
class Supply:
    observed_s: float
    taken_s: float
    arrived_s: float
    available: bool
    capacity_nl_min: float | None
    stock_kg: float | None


@dataclass
class Dose:
    """Gas that was let through, or that flowed unasked (no id, nothing requested). It runs until `until_s`."""

    request_id: str
    flow_nl_min: float
    requested_nl: float
    delivered_nl: float
    until_s: float
    final: bool

    @property
    def given_nl(self) -> float:
        """The whole request until a final report says less; more where more came."""
        return self.delivered_nl if self.final else max(self.requested_nl, self.delivered_nl)


@dataclass
class Flow:
    nl_min: float
    since_s: float  # mono
    believed_s: float  # mono; not believed beyond


@dataclass
class Seen:
    """Whatever must be seen again after a start or a clock jump, and the instant of that."""

    since: Now
    units: dict[str, Unit] = field(default_factory=dict)
    air: dict[str, Air] = field(default_factory=dict)
    runs: dict[str, Run] = field(default_factory=dict)
    samples: dict[str, Sample] = field(default_factory=dict)
    supplies: dict[str, Supply] = field(default_factory=dict)


@dataclass
class Kept:
    """Everything the guard knows. `doses` and `flows` go by valve, `<enclosure>/<gas>`."""

    seen: Seen = field(default_factory=lambda: Seen(NEVER))
    started: bool = False
    link_up: bool = False
    announced: dict[str, State] = field(default_factory=dict)
    sealed: dict[str, bool] = field(default_factory=dict)
    stopped: dict[str, bool] = field(default_factory=dict)
    inside: dict[str, list[str]] = field(default_factory=dict)
    doors: dict[str, tuple[bool, float]] = field(default_factory=dict)  # by room: open, and when by its own time
    words: dict[str, Word] = field(default_factory=dict)  # by sensor; a start brings no dead cell to life
    commands: dict[str, float] = field(default_factory=dict)  # id -> mono of its first coming
    doses: dict[str, list[Dose]] = field(default_factory=dict)  # in order; only the last can be running
    flows: dict[str, Flow] = field(default_factory=dict)
    epoch: int = 0
    epoch_seen: int = -1  # the highest that any unit has reported
    epoch_passed: int = -1  # the highest that went out since the start
    last_id: tuple[int, ...] = ()  # epoch and number


_KEPT = TypeAdapter(Kept)


class Memory:
    """Follows the raw events of one site."""

    def __init__(self, site: SiteFile, blob: bytes | None = None) -> None:
        """`blob` is what `dump` wrote. Raises `pydantic.ValidationError` when it is something else."""
        self._site, self._time = site, site.timing
        self.kept = Kept() if blob is None else _KEPT.validate_json(blob)
        self._sensors = {f"{room.id}/{one.id}": (room, one) for room in site.room for one in room.sensor}
        self.kept.words = {name: word for name, word in self.kept.words.items() if name in self._sensors}
        self._valves = {f"{one.id}/{gas}" for one in site.enclosure for gas in GASES}
        asked = {one.unit for one in (*site.enclosure, *site.source, *site.analyser)}
        self._units = asked | {sensor.unit for _, sensor in self._sensors.values()}

    def dump(self) -> bytes:
        return _KEPT.dump_json(self.kept)

    def observe(self, event: Event) -> None:
        if not self.follow_clock(event.now):
            return
        if isinstance(event, Started):
            self.kept.seen, self.kept.started = Seen(event.now), True
            self.kept.link_up, self.kept.announced = False, {}
            self.kept.epoch, self.kept.epoch_passed = max(self.kept.epoch, event.epoch), -1
        elif isinstance(event, LinkChanged):
            self.kept.link_up = event.up
        elif isinstance(event, Arrived) and type(event.body) in _HANDLERS:
            _HANDLERS[type(event.body)](self, event.now, "/".join(event.names), event.body)

    def follow_clock(self, now: Now) -> bool:
        """When wall and monotonic clock have parted by more than a unit may be off, nothing dated can be trusted.

        False when `now` is no time at all: then nothing may come of it.
        """
        since, is_time = self.kept.seen.since, isfinite(now.mono_s) and isfinite(now.wall_s)
        parted_s = (now.wall_s - since.wall_s) - (now.mono_s - since.mono_s)
        if not is_time or abs(parted_s) > self._time.clock_offset_s_max:
            self.kept.seen = Seen(now if is_time else NEVER)
        return is_time

    def fit(self, name: str, now: Now) -> bool:
        """Whether this unit was heard lately, is online, and has its clock near enough to ours."""
        unit = self.kept.seen.units.get(name)
        return (
            unit is not None
            and unit.online
            and abs(unit.offset_s) <= self._time.clock_offset_s_max
            and 0 <= now.mono_s - unit.arrived_s <= self._time.unit_silence_s_max
        )

    def fresh(self, taken_s: float, arrived_s: float, now: Now, age_s_max: float) -> bool:
        """Whether something is young by its own time and by its arrival, and not from the future."""
        young = -self._time.clock_offset_s_max <= now.wall_s - taken_s <= age_s_max
        return young and 0 <= now.mono_s - arrived_s <= age_s_max

    def count_unasked(self, valve: str, now: Now) -> None:
        """Enters what flowed while no request was running: what is metered, whatever the valve says of itself."""
        doses, flow = self.kept.doses.get(valve, []), self.kept.flows.get(valve)
        if flow is None:
            return
        begin_s = max(flow.since_s, doses[-1].until_s) if doses else flow.since_s  # what was entered ends where this begins
        end_s = min(now.mono_s, flow.believed_s)
        if end_s > begin_s and flow.nl_min > 0:
            self.enter(valve, Dose("", 0.0, 0.0, flow.nl_min * (end_s - begin_s) / 60.0, end_s, True), now)

    def recent(self, valves: Iterable[str], since_s: float) -> list[Dose]:
        """What ran at `since_s` (mono) or later on these valves. Each valve's doses end in the order they began."""
        return [
            one
            for valve in valves
            for one in takewhile(lambda dose: dose.until_s >= since_s, reversed(self.kept.doses.get(valve, [])))
        ]

    def enter(self, valve: str, dose: Dose, now: Now) -> None:
        kept = [one for one in self.kept.doses.get(valve, ()) if one.until_s >= now.mono_s - DAY_S]
        self.kept.doses[valve] = [*kept, dose]

    def inside(self, room: str) -> list[str]:
        """Who is in this room, or in one that the site file has lost: that may be any room by another name. Behind a door
        that stands open somebody may be."""
        named = [one for name, people in self.kept.inside.items() if name == room or name not in self._site.rooms
                 for one in people]  # fmt: skip
        return named or (["whoever left its door open"] if self.kept.doors.get(room, (False, 0.0))[0] else [])

    def _door(self, now: Now, room: str, body: messages.RoomDoor) -> None:
        """Open counts however late it comes; shut only when it is the newest word."""
        was_open, before_s = self.kept.doors.get(room, (False, 0.0))
        observed_s = min(body.observed_at.timestamp(), now.wall_s)  # no time to come: all that follow would be of before
        is_open = body.open or (was_open and observed_s < before_s)
        self.kept.doors[room] = (is_open, max(before_s, observed_s))

    def _taken_s(self, unit: str, observed_s: float, now: Now) -> float | None:
        """A time by the unit's clock as one by ours; None when that clock is not known well enough."""
        return observed_s - self.kept.seen.units[unit].offset_s if self.fit(unit, now) else None

    def _from_the_future(self, taken_s: float, now: Now) -> bool:
        """A slip in a time, which would make latecomers of all that follow."""
        return taken_s - now.wall_s > self._time.clock_offset_s_max

    def _unit_status(self, now: Now, name: str, body: messages.UnitStatus) -> None:
        old, observed_s = self.kept.seen.units.get(name), body.observed_at.timestamp()
        if name not in self._units:
            return
        self.kept.epoch_seen = max(self.kept.epoch_seen, body.epoch_seen)
        if old is not None and body.online and (old.boot, old.observed_s) == (body.boot, observed_s):
            return  # the retained copy once more is no sign of life; a will always counts
        before = old.offsets_s if old is not None and old.boot == body.boot else []
        offsets_s = [*before, observed_s - now.wall_s][-HEARTBEATS:]
        if max(offsets_s) - offsets_s[-1] > self._time.clock_offset_s_max:
            offsets_s = offsets_s[-1:]  # no delay explains that: the clock was set back
        self.kept.seen.units[name] = Unit(body.boot, observed_s, now.mono_s, offsets_s, body.online)

    def _room_air(self, now: Now, name: str, body: messages.RoomAir) -> None:
        observed_s, age_s_max = body.observed_at.timestamp(), self._time.air_age_s_max
        if name not in self._sensors:
            return
        (room, sensor), old = self._sensors[name], self.kept.seen.air.get(name)
        if old is not None and body.status == "ok" and (observed_s <= old.observed_s or body.seq == old.seq):
            return  # a repeat or a latecomer refreshes nothing; bad news always counts
        taken_s = self._taken_s(sensor.unit, observed_s, now)
        if taken_s is None or self._from_the_future(taken_s, now):
            self.kept.seen.air.pop(name, None)
            return
        self._follow_word(name, body, now)
        o2_pct, co2_pct, limits = body.o2_pct, body.co2_pct, room.limits
        sound = body.status == "ok" and self.fresh(taken_s, now.mono_s, now, age_s_max)
        possible = sound and o2_pct <= limits.o2_clear_max.pct and co2_pct >= ROOM_CO2_PCT_MIN
        bearable = possible and o2_pct >= limits.o2_danger_min.pct and co2_pct <= limits.co2_danger_max.pct
        clear = bearable and o2_pct >= limits.o2_clear_min.pct and co2_pct <= limits.co2_clear_max.pct
        clear_since_s = now.mono_s if clear else None
        if clear and old is not None and old.clear_since_s is not None and now.mono_s - old.arrived_s <= age_s_max:
            clear_since_s = old.clear_since_s
        self.kept.seen.air[name] = Air(body.seq, observed_s, taken_s, now.mono_s, bearable, clear_since_s)

    def _follow_word(self, name: str, body: messages.RoomAir, now: Now) -> None:
        word = self.kept.words.setdefault(name, Word(body.o2_pct, body.co2_pct, now.mono_s, now.mono_s))
        if body.o2_pct != word.o2_pct:
            word.o2_pct, word.o2_moved_s = body.o2_pct, now.mono_s
        if body.co2_pct != word.co2_pct:
            word.co2_pct, word.co2_moved_s = body.co2_pct, now.mono_s

    def _reading(self, now: Now, name: str, body: messages.AnalyserReading) -> None:
        analyser, run = self._site.analysers.get(name), self.kept.seen.runs.get(name)
        if analyser is None or (run is not None and run.boot == body.boot and body.seq <= run.seq):
            return
        observed_s = body.observed_at.timestamp()
        in_cell_s = self._taken_s(analyser.unit, observed_s, now)
        line = next((one for one in analyser.lines if one.id == body.line), None)
        if body.status != "ok" or body.line_confirmed is False or in_cell_s is None or line is None:
            return  # its number is missing from the run now, which ends that
        if run is None or (run.boot, run.line, run.seq + 1) != (body.boot, body.line, body.seq):
            run = Run(body.boot, body.seq, body.line, observed_s, now.mono_s)
        run.seq, self.kept.seen.runs[name] = body.seq, run
        drawn_s = min(observed_s - run.observed_s, now.mono_s - run.arrived_s)
        if body.settled and _possible(body):
            ref = SampleRef(name, body.boot, body.seq)
            sample = Sample(ref, in_cell_s - line.transport_s, now.mono_s, body.o2_pct, body.co2_pct)
            self._take(line, sample, drawn_s, now)

    def _take(self, line: Line, sample: Sample, drawn_s: float, now: Now) -> None:
        """Believes a sample once the line's gas has come all the way and has driven the other line's from the cell."""
        enclosure, since = self._site.enclosure_of_line.get(line.id), self.kept.seen.since
        if enclosure is None or drawn_s < line.transport_s + line.settling_s or sample.taken_s < since.wall_s:
            return
        if self.fresh(sample.taken_s + line.transport_s, now.mono_s, now, self._time.sample_age_s_max):
            self.kept.seen.samples[enclosure] = sample

    def _source_status(self, now: Now, name: str, body: messages.SourceStatus) -> None:
        source, old = self._site.gas_sources.get(name), self.kept.seen.supplies.get(name)
        observed_s = body.observed_at.timestamp()
        if source is None or (old is not None and observed_s <= old.observed_s):
            return
        taken_s = self._taken_s(source.unit, observed_s, now)
        if taken_s is None or self._from_the_future(taken_s, now):
            self.kept.seen.supplies.pop(name, None)
            return
        self.kept.seen.supplies[name] = Supply(
            observed_s, taken_s, now.mono_s, body.available, body.capacity_nl_min, body.stock_kg
        )

    def _report(self, now: Now, name: str, body: messages.DoseReport) -> None:
        for dose in self.kept.doses.get(name, ()):
            if dose.request_id == body.request_id:
                dose.delivered_nl = max(dose.delivered_nl, body.delivered_nl)
                if body.outcome in FINAL:
                    dose.final, dose.until_s = True, min(dose.until_s, now.mono_s)

    def _flow(self, now: Now, name: str, body: messages.DoseFlow) -> None:
        if name in self._valves:
            self.count_unasked(name, now)
            self.kept.flows[name] = Flow(body.flow_nl_min, now.mono_s, now.mono_s + FLOW_WORD_S)

    def _command(self, now: Now, name: str, body: messages.OperatorCommand) -> None:
        """Latches. Each command counts once; what opens something only when it was issued lately."""
        known, action, target = self.kept.commands, body.action, body.target
        for old in [one for one, came_s in known.items() if now.mono_s - came_s > COMMAND_KEPT_S]:
            del known[old]
        if body.command_id in known:
            return
        known[body.command_id] = now.mono_s
        lately = abs(now.wall_s - body.issued_at.timestamp()) <= COMMAND_AGE_S_MAX
        if target in self._site.enclosures:
            if action in ("vent", "open"):
                self.kept.sealed[target] = False
            elif action == "seal" and lately:
                self.kept.sealed[target] = True
            if action == "stop":
                self.kept.stopped[target] = True
            elif action in ("resume", "vent") and lately:
                self.kept.stopped[target] = False
        elif action == "enter" and target in self._site.rooms:
            inside = self.kept.inside.setdefault(target, [])
            for one in body.people or [body.operator]:
                name = one if one in inside or len(inside) < NAMES_MAX else OTHERS
                inside += [name] if name not in inside else []
        elif action == "leave" and lately and target in self.kept.inside:
            self.kept.inside[target] = [one for one in self.kept.inside[target] if one not in (body.people or [])]


def _possible(body: messages.AnalyserReading) -> bool:
    in_range = 0 <= body.o2_pct <= 100 and 0 <= body.co2_pct <= 100
    return in_range and body.o2_pct + body.co2_pct <= O2_CO2_SUM_PCT_MAX


_HANDLERS = {
    messages.UnitStatus: Memory._unit_status,
    messages.RoomAir: Memory._room_air,
    messages.RoomDoor: Memory._door,
    messages.AnalyserReading: Memory._reading,
    messages.SourceStatus: Memory._source_status,
    messages.DoseReport: Memory._report,
    messages.DoseFlow: Memory._flow,
    messages.OperatorCommand: Memory._command,
}
