"""Does the plant answer? Judges what happens after gas was given, and what happens when none was.

It shares nothing with the controller or the guard: its own reading of the raw events, its own small gas balance. It
commands nothing; it reports findings. Each is said once, and again only after it was over:

    no_response       gas was reported as delivered and the composition hardly moved
    unexplained_move  every valve of a sealed enclosure is shut and the composition moves faster than fruit or a
                      usual leak can make it
    unrequested_flow  a valve passes gas that nobody asked for
    late_report       a valve does not answer a request
    short_delivery    a valve gives less than it is asked for, again and again, and its source is not the cause
    over_delivery     a valve gives more than it is asked for, again and again
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from math import exp
from typing import Self

from pydantic import TypeAdapter

from supervisor import messages
from supervisor import watch_deliveries as deliveries
from supervisor.settings import SiteFile
from supervisor.values import GASES, Arrived, Event, Gas, LinkChanged, Now, PlantFinding, RequestDose, Started, Ticked
from supervisor.watch_moves import ANSWER_SHARE_MIN, MOVE_PCT_MIN, Point, moves, too_little

# One pair of samples suffices when so much was expected, otherwise two in a row.
PLAIN_MOVE_PCT = 1.5
WEAK_PAIRS = 2
# Gas needs this long to mix. What was given later counts neither for nor against. Common practice, no source.
MIXING_S = 300.0
# Without any gas given, percent an hour. Oxygen rises by leaks only: 1 %/h is a hundredth of the volume in ten minutes.
# The others are what fruit can do at its worst, and half as much again.
REST_PCT_H = {("o2", True): 1.0, ("o2", False): 3.0, ("co2", True): 4.0, ("co2", False): 4.0}
REST_S_MIN = 600.0  # two samples nearer to each other than that show noise
REST_S = 1800.0  # so far apart 1 %/h is more than a move that must count
PAIR_S_MAX = 5400.0  # small doses are added up for as long; after that fruit has done more than gas
STRAY_NL_MIN = 0.5  # a meter's zero is not quite nothing
STRAY_S = 5.0  # flow, report and request of one dose are told by different messages
FLOW_LATE_S_MAX = 10.0  # a word on a flow that was on its way for longer is not about now
FLOW_BACK_S_MAX = 600.0  # one that is older than the last by more is no latecomer: the unit's clock was set back
# What ran before a start or while there was no link is stopped then, or its lease ends; it was asked for by someone.
INHERITED_S = 30.0
ANSWER_S_MAX = 15.0  # three times what hardware is allowed for its `accepted`
SAMPLE_LATE_S_MAX = 60.0  # a reading that waited somewhere cannot be set against what was given
STILL_READINGS = 6  # so many in a row without a digit moving, and from one line into the next, measure nothing
FEEDS: dict[Gas, tuple[float, float]] = {"co2": (0.0, 100.0), "air": (20.95, 0.04)}  # O2 and CO2 in them, percent


@dataclass
class Asked:
    """The latest request on a valve. All times are mono."""

    request_id: str
    at_s: float
    until_s: float  # gas may flow until then
    counted_s: float  # what was delivered is known up to then
    counted_nl: float = 0.0
    volume_nl: float = 0.0
    ended: bool = False


@dataclass
class Let:
    """Gas that was reported to have gone in between two instants."""

    gas: Gas
    from_s: float
    to_s: float
    volume_nl: float


@dataclass
class Plot:
    """What is known of one enclosure. A sample is compared with `base` for what gas did, with `rest` for what none did."""

    sealed: bool = False
    base: Point | None = None
    rest: Point | None = None
    let: list[Let] = field(default_factory=list)  # since `base`, and a little before
    gas_until_s: float = 0.0  # some valve may have passed gas until then
    weak_pairs: int = 0
    believed: bool = True  # by the core

    def upset(self) -> None:
        """Something went in or out that nobody can put a figure to: what follows is compared with what follows."""
        self.base = self.rest = None


@dataclass
class Run:
    boot: str
    seq: int
    line: str
    since_s: float
    readings: int = 0  # in this run
    figures: tuple[float, float] = (-1.0, -1.0)  # of the last reading
    alike: int = 0  # how many in a row, this run's and those before it, have had them


@dataclass
class Open:
    """A valve that passes gas, and the last word on it (mono)."""

    since_s: float
    heard_s: float
    flow_nl_min: float


@dataclass
class Memory:
    plots: dict[str, Plot] = field(default_factory=dict)
    asked: dict[str, Asked] = field(default_factory=dict)  # by valve, `<enclosure>/<gas>`
    unanswered: dict[str, bool] = field(default_factory=dict)  # by valve, those whose latest request has no word yet
    opened: dict[str, Open] = field(default_factory=dict)  # by valve, those that pass gas
    runs: dict[str, Run] = field(default_factory=dict)  # by analyser
    said: dict[str, bool] = field(default_factory=dict)  # findings that are not over
    flow_told_s: dict[str, float] = field(default_factory=dict)  # by valve, the unit's time of its last word
    offset_s: dict[str, float] = field(default_factory=dict)  # by unit, its clock minus ours at its last heartbeat
    delivery: deliveries.Delivery = field(default_factory=deliveries.Delivery)
    link_since_s: float | None = None


_MEMORY = TypeAdapter(Memory)


class Watch:
    """One per site. `observe` every event and `observe_request` every request that goes out."""

    def __init__(self, site: SiteFile, blob: bytes | None = None) -> None:
        self._site = site
        self._memory = Memory() if blob is None else _MEMORY.validate_json(blob)
        self._units = {one.unit for one in site.enclosure}
        self._feeds = {
            f"{one.id}/{gas}": FEEDS.get(gas, (source.o2_pct, 0.0))
            for one in site.enclosure
            for gas in GASES
            if (source := site.source_of(one.id, gas)) is not None
        }
        for one in site.enclosure:
            self._memory.plots.setdefault(one.id, Plot())

    def dump(self) -> bytes:
        """Everything the watch remembers, as JSON."""
        return _MEMORY.dump_json(self._memory)

    @classmethod
    def load(cls, site: SiteFile, blob: bytes) -> Self:
        """The watch that `dump` wrote down. Raises `pydantic.ValidationError` when `blob` is something else."""
        return cls(site, blob)

    def observe_request(self, request: RequestDose, now: Now) -> None:
        """This request goes out now."""
        until_s = now.mono_s + (request.valid_until_wall_s - now.wall_s)
        asked = Asked(request.request_id, now.mono_s, until_s, now.mono_s, volume_nl=request.volume_nl)
        self._memory.asked[f"{request.enclosure}/{request.gas}"] = asked
        self._memory.unanswered[f"{request.enclosure}/{request.gas}"] = True
        plot = self._memory.plots[request.enclosure]
        plot.gas_until_s = max(plot.gas_until_s, until_s)

    def announce(self, enclosure: str, believed: bool) -> None:
        """The core has published whether it believes what is read of this enclosure. What it does not believe is compared
        with nothing: a lying analyser would make every hose look as if it were off. Valves and flows are judged all the same.
        """
        plot = self._memory.plots[enclosure]
        plot.believed = believed
        if not believed:
            plot.upset()

    def observe(self, event: Event) -> list[PlantFinding]:
        """What this event shows to be wrong; on a tick, what has gone on for too long by now."""
        now, findings = event.now, []
        if isinstance(event, Started) or (isinstance(event, LinkChanged) and not event.up):
            self._lose_sight()
        elif isinstance(event, LinkChanged):
            self._memory.link_since_s = now.mono_s
        elif isinstance(event, Arrived):
            findings += self._arrived(event)
        elif isinstance(event, Ticked):  # the end of a batch: what belongs together has come
            findings += [*self._stray_flows(now), *self._late_reports(now)]
        return findings

    def _lose_sight(self) -> None:
        """Words may have been missed: nothing that was heard before is held against what comes."""
        self._memory.link_since_s, self._memory.opened, self._memory.runs = None, {}, {}
        for plot in self._memory.plots.values():
            plot.upset()
        self._memory.unanswered = {}

    def _arrived(self, event: Arrived) -> Iterator[PlantFinding]:
        names, body, now = event.names, event.body, event.now
        plot = self._memory.plots.get(names[0]) if names else None
        if isinstance(body, messages.UnitStatus):
            if names[0] in self._units:
                self._memory.offset_s[names[0]] = body.observed_at.timestamp() - now.wall_s
        elif isinstance(body, messages.AnalyserReading):
            yield from self._reading(now, names[0], body)
        elif isinstance(body, messages.OperatorCommand) and body.target in self._memory.plots:
            self._command(body)
        elif plot is not None and isinstance(body, messages.DoseReport) and names[1] in GASES:
            yield from self._report(now, plot, f"{names[0]}/{names[1]}", body)
        elif plot is not None and isinstance(body, messages.DoseFlow) and names[1] in GASES:
            self._flow(now, plot, f"{names[0]}/{names[1]}", body)

    def _command(self, command: messages.OperatorCommand) -> None:
        """A person has been at it: what was wrong may be mended, and is said again if it is not."""
        plot, enclosure = self._memory.plots[command.target], command.target
        if command.action in ("seal", "vent", "open"):
            plot.sealed = command.action == "seal"
        if command.action in ("seal", "vent", "open", "resume"):
            plot.upset()
            plot.weak_pairs = 0
            for subject in (enclosure, *(f"{enclosure}/{gas}" for gas in GASES)):
                for finding in ("no_response", "unexplained_move", "unrequested_flow", *deliveries.FINDINGS):
                    self._memory.said.pop(f"{finding} {subject}", None)

    # -------------------------------------------------------------------------------------------- valves

    def _report(self, now: Now, plot: Plot, valve: str, report: messages.DoseReport) -> Iterator[PlantFinding]:
        asked = self._memory.asked.get(valve)
        plot.gas_until_s = max(plot.gas_until_s, now.mono_s)
        if asked is None or asked.request_id != report.request_id:
            if report.delivered_nl > 0:
                plot.upset()
            return
        self._memory.unanswered.pop(valve, None)
        self._memory.said.pop(f"late_report {valve}", None)
        if report.delivered_nl > asked.counted_nl and valve in self._feeds:
            gas: Gas = valve.split("/")[1]  # type: ignore[assignment]
            plot.let.append(Let(gas, asked.counted_s, now.mono_s, report.delivered_nl - asked.counted_nl))
            asked.counted_nl = report.delivered_nl
        asked.counted_s = now.mono_s
        if report.outcome not in ("accepted", "progress"):
            asked.until_s = min(asked.until_s, now.mono_s)
            if not asked.ended:
                asked.ended = True
                yield from self._settled(now, valve, report, asked.volume_nl)

    def _settled(self, now: Now, valve: str, report: messages.DoseReport, asked_nl: float) -> Iterator[PlantFinding]:
        """What a request came to."""
        enclosure, gas = valve.split("/")
        source = self._site.enclosures[enclosure].sources.of(gas)  # type: ignore[arg-type]
        if source is None:
            return
        judged = deliveries.settled(self._memory.delivery, valve, source, report, asked_nl, now.mono_s)
        if judged == "well":
            for finding in deliveries.FINDINGS:
                self._memory.said.pop(f"{finding} {valve}", None)
        elif judged is not None:
            yield from self._say(judged.finding, valve, now, gas, judged.measured, judged.limit)  # type: ignore[arg-type]

    def _flow(self, now: Now, plot: Plot, valve: str, flow: messages.DoseFlow) -> None:
        opened, observed_s = self._memory.opened, flow.observed_at.timestamp()
        unit = self._site.enclosures[valve.split("/")[0]].unit
        offset_s, before_s = self._memory.offset_s.get(unit), self._memory.flow_told_s.get(valve, observed_s)
        waited = offset_s is not None and now.wall_s + offset_s - observed_s > FLOW_LATE_S_MAX
        if waited or 0.0 < before_s - observed_s < FLOW_BACK_S_MAX:
            return  # it waited somewhere, as after a broker's restart; what the valve does now a younger word tells
        self._memory.flow_told_s[valve] = observed_s
        if flow.valve_open and flow.flow_nl_min > STRAY_NL_MIN:
            since_s = opened[valve].since_s if valve in opened else now.mono_s
            opened[valve] = Open(since_s, now.mono_s, flow.flow_nl_min)
            plot.gas_until_s = max(plot.gas_until_s, now.mono_s)
        elif opened.pop(valve, None) is not None:
            self._memory.said.pop(f"unrequested_flow {valve}", None)
            plot.gas_until_s = max(plot.gas_until_s, now.mono_s)

    def _stray_flows(self, now: Now) -> Iterator[PlantFinding]:
        """Flow that began after the last request had ended, or that was told again after it should have ended."""
        for valve, opened in self._memory.opened.items():
            asked, (enclosure, gas) = self._memory.asked.get(valve), valve.split("/")
            ended_s = opened.since_s if asked is None else asked.until_s
            linked_s = now.mono_s if self._memory.link_since_s is None else self._memory.link_since_s + INHERITED_S
            stray_s = now.mono_s - max(opened.since_s, ended_s, linked_s)
            if stray_s <= STRAY_S or (opened.since_s < ended_s and opened.heard_s <= ended_s + STRAY_S):
                continue
            self._memory.plots[enclosure].upset()
            measured = f"{opened.flow_nl_min:.1f} nl/min of {gas} for {stray_s:.0f} s with no request running"
            yield from self._say("unrequested_flow", valve, now, gas, measured, f"at most {STRAY_NL_MIN} nl/min")

    def _late_reports(self, now: Now) -> Iterator[PlantFinding]:
        link_since_s = self._memory.link_since_s
        for valve in list(self._memory.unanswered) if link_since_s is not None else ():
            asked = self._memory.asked[valve]
            waited_s = now.mono_s - max(asked.at_s, link_since_s)
            if waited_s > ANSWER_S_MAX:
                del self._memory.unanswered[valve]
                measured = f"no word on request {asked.request_id} for {waited_s:.0f} s"
                yield from self._say("late_report", valve, now, valve.split("/")[1], measured, f"{ANSWER_S_MAX:.0f} s")

    def _say(
        self, finding: str, subject: str, now: Now, gas: Gas | None, measured: str, limit: str
    ) -> Iterator[PlantFinding]:
        """The finding, unless it was said and is not over."""
        if not self._memory.said.get(f"{finding} {subject}", False):
            self._memory.said[f"{finding} {subject}"] = True
            yield PlantFinding(now, subject.split("/")[0], finding, gas, measured, limit)

    # -------------------------------------------------------------------------------------------- composition

    def _reading(self, now: Now, name: str, reading: messages.AnalyserReading) -> Iterator[PlantFinding]:
        run, site = self._memory.runs.get(name), self._site
        if run is not None and run.boot == reading.boot and reading.seq <= run.seq:
            return
        sound = reading.status == "ok" and reading.line_confirmed is not False
        figures, before = (reading.o2_pct, reading.co2_pct), run
        if run is None or not sound or (run.boot, run.line) != (reading.boot, reading.line):
            run = Run(reading.boot, reading.seq, reading.line if sound else "", now.mono_s)
        run.alike = before.alike + 1 if before is not None and before.figures == figures else 1
        run.seq, run.readings, run.figures, self._memory.runs[name] = reading.seq, run.readings + 1, figures, run
        if run.alike >= max(STILL_READINGS, run.readings + 1):
            return  # an instrument that stands still would make every hose look as if it were off
        enclosure, line = site.enclosure_of_line.get(run.line), site.lines.get(run.line)
        late_s = abs(now.wall_s - reading.observed_at.timestamp())
        if enclosure is None or line is None or not reading.settled or late_s > SAMPLE_LATE_S_MAX:
            return
        if now.mono_s - run.since_s >= line.transport_s + line.settling_s:
            point = Point(now.mono_s - line.transport_s, reading.o2_pct, reading.co2_pct)
            yield from self._sample(now, enclosure, point)

    def _sample(self, now: Now, enclosure: str, point: Point) -> Iterator[PlantFinding]:
        plot = self._memory.plots[enclosure]
        if not plot.believed:
            return
        quiet_from_s = plot.gas_until_s + MIXING_S
        if plot.rest is None or plot.rest.at_s < quiet_from_s:
            plot.rest = point
        elif point.at_s - plot.rest.at_s >= REST_S_MIN:
            yield from self._rested(now, enclosure, plot.rest, point)
        base = plot.base
        if base is not None and any(one.to_s > base.at_s for one in plot.let) and point.at_s - base.at_s <= PAIR_S_MAX:
            findings = self._answered(now, enclosure, base, point)
            if findings is None:
                return
            yield from findings
        plot.base, plot.let = point, [one for one in plot.let if one.to_s + MIXING_S > point.at_s]

    def _rested(self, now: Now, enclosure: str, rest: Point, point: Point) -> Iterator[PlantFinding]:
        """No gas was given between these two. What moves fast is told at once, what does not only after `REST_S`."""
        plot, hours, moved_fast = self._memory.plots[enclosure], (point.at_s - rest.at_s) / 3600.0, False
        for gas, moved_pct in moves(rest, point):
            limit_pct_h = REST_PCT_H[gas, moved_pct > 0]
            if plot.sealed and abs(moved_pct) > max(MOVE_PCT_MIN, limit_pct_h * hours):
                moved_fast = True
                measured = f"{gas.upper()} moved by {moved_pct:+.2f} % in {hours:.2f} h with every valve shut"
                yield from self._say("unexplained_move", enclosure, now, None, measured, f"at most {limit_pct_h:g} %/h")
        if moved_fast or point.at_s - rest.at_s >= REST_S:
            plot.rest = point
            if not moved_fast:
                self._memory.said.pop(f"unexplained_move {enclosure}", None)

    def _answered(self, now: Now, enclosure: str, base: Point, point: Point) -> list[PlantFinding] | None:
        """Gas was given. None while too little surely went in between the samples, or what else went in has not mixed."""
        plot, hours = self._memory.plots[enclosure], (point.at_s - base.at_s) / 3600.0
        sure = [one for one in plot.let if one.from_s >= base.at_s and one.to_s + MIXING_S <= point.at_s]
        # Nothing holds more oxygen than air: an analyser that reads more has drifted, and no air brings that down.
        held = Point(base.at_s, min(base.o2_pct, FEEDS["air"][0]), base.co2_pct)
        expected = dict(moves(held, self._swept(enclosure, held, sure)))
        judged = [gas for gas, pct in expected.items() if abs(pct) > MOVE_PCT_MIN]
        # Another gas that does not count yet may have moved the composition back.
        doubtful = {one.gas for one in plot.let if one not in sure} - {one.gas for one in sure}
        if not judged or doubtful:
            return None
        moved = dict(moves(base, point))
        weak = [gas for gas in judged if too_little(gas, moved[gas], expected[gas], hours)]
        plot.weak_pairs = plot.weak_pairs + 1 if weak else 0
        if not weak:
            self._memory.said.pop(f"no_response {enclosure}", None)
        elif plot.weak_pairs >= WEAK_PAIRS or max(abs(expected[gas]) for gas in weak) > PLAIN_MOVE_PCT:
            most, given_nl = max(sure, key=lambda one: one.volume_nl).gas, sum(one.volume_nl for one in sure)
            measured = ", ".join(f"{gas.upper()} moved by {moved[gas]:+.2f} %" for gas in weak)
            limit = ", ".join(f"{expected[gas]:+.2f} % {gas.upper()}" for gas in weak)
            limit = f"{limit} expected from {given_nl:.0f} nl in {hours:.2f} h, at least {ANSWER_SHARE_MIN:.0%} of it"
            return list(self._say("no_response", enclosure, now, most, measured, limit))
        return []

    def _swept(self, enclosure: str, base: Point, let: list[Let]) -> Point:
        """The well-mixed balance: each volume v of a feed f moves c to f + (c - f) exp(-v / V)."""
        o2_pct, co2_pct = base.o2_pct, base.co2_pct
        for one in let:
            left = exp(-one.volume_nl / self._site.enclosures[enclosure].free_volume_nl)
            feed_o2_pct, feed_co2_pct = self._feeds[f"{enclosure}/{one.gas}"]
            o2_pct = feed_o2_pct + (o2_pct - feed_o2_pct) * left
            co2_pct = feed_co2_pct + (co2_pct - feed_co2_pct) * left
        return Point(base.at_s, o2_pct, co2_pct)
