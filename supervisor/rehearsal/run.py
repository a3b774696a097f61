"""One season of one site by one seed: runs it, and returns what came of it. Same task, same outcome, to the last bit."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from simulator.crew import Schedule
from simulator.sitefile import read_site
from supervisor.core import sample_bound
from supervisor.core.desk import Desk
from supervisor.messages import AlarmStatus, DoseReport, EnclosureState, RoomEntry, at, rfc3339
from supervisor.rehearsal.cadence import pace_of
from supervisor.rehearsal.coupled import BEGIN_MONO_S, Coupled
from supervisor.rehearsal.fault_watch import FaultWatch
from supervisor.rehearsal.journalled import JournalWriter
from supervisor.rehearsal.outcome import AlarmSeen, Broken, Point, Season
from supervisor.rehearsal.schedules import scheduled
from supervisor.rehearsal.season import DAY_S, HOUR_S, plan
from supervisor.rehearsal.staff import ACKNOWLEDGE_S, Staff
from supervisor.rehearsal.truth import SEALED, Truth
from supervisor.rehearsal.witness import RuleBroken, Witness
from supervisor.settings import SiteFile
from supervisor.shell.audit.file import Told
from supervisor.shell.audit.report import Performance, Span, measure
from supervisor.shell.engine import Outgoing
from supervisor.shell.wire import Refused
from supervisor.shell.wire_out import Encoded
from supervisor.values import Arrived, Event, Publish, Say

LOOK_S = 120.0
BOUND_EVERY_S = 600.0
PROGRESS_EVERY_S = HOUR_S
BROKEN_KEPT = 20
FINAL = ("delivered", "refused", "aborted")
REPORTS_KEPT = 4096  # by which a report that comes twice is known
_TOLD = {"alarm_raised": "raised", "alarm_cleared": "gone", "alarm_acknowledged": "acknowledged"}

Progress = Callable[[float], bool]
"""Told how many seconds of the season are done; says whether to go on."""


class Interrupted(Exception):
    """Told to stop before the season's end."""


@dataclass(frozen=True)
class Task:
    """`raw` is the site file as a dict, `name` what the report calls it, `schedule` one of `SCHEDULES` or a file's name."""

    name: str
    raw: Mapping[str, Any]
    seed: int
    days: float
    schedule: str
    start_s: float
    journal: Path | None = None


def rehearse(task: Task, progress: Progress = lambda at_s: True) -> Season:
    """Runs one season. Raises Interrupted when `progress` says so, and FaultError for faults that this site cannot have."""
    season = Rehearsed(task)
    told_s, done = 0.0, False
    try:
        while season.elapsed_s < season.end_s - 1e-6:
            season.run_to(min(season.elapsed_s + season.look_s, season.end_s))
            season.look()
            if season.elapsed_s - told_s >= PROGRESS_EVERY_S:
                told_s = season.elapsed_s
                if not progress(told_s):
                    raise Interrupted
        done = True
    finally:
        if season.journal is not None:
            season.journal.close() if done else season.journal.abandon()
    return season.close()


class Rehearsed(Coupled):
    """The coupled site with its people and its faults, under the eyes of everything that measures."""

    def __init__(self, task: Task) -> None:
        site, pace = SiteFile.model_validate(task.raw), pace_of(SiteFile.model_validate(task.raw))
        self.end_s = task.days * DAY_S
        self.look_s = pace.step_s * round(LOOK_S / pace.step_s)
        faults = scheduled(task.schedule, read_site(task.raw), task.seed, task.days)
        nothing = Performance(Span(task.start_s, task.start_s + self.end_s))
        self.outcome = Season(task.name, task.seed, task.days, self.look_s, task.start_s, [], nothing)
        self.faults = FaultWatch(site, faults, self.look_s, pace.step_s)
        self.truth = Truth(site, self.outcome)
        self.witness = Witness(site, self._broken)
        self._plans = plan(site, task.seed, task.days)
        self._sealed_mono_s: dict[str, float] = {}
        self._states, self._rooms = self.faults.states, self.faults.rooms
        self._reached: tuple[set[str], set[str]] = (set(), set())
        self._bounds_s: dict[str, float] = {}
        self._bounded_s = -BOUND_EVERY_S
        self._told: list[Told] = []
        self._reports: dict[str, None] = {}
        self._deliveries: dict[str, float] = {}
        self.outcome.gas_nl = {name: {} for name in site.enclosures}
        self.staff: Staff | None = None
        self.journal = None if task.journal is None else JournalWriter(task.journal, site)
        super().__init__(
            task.raw, seed=task.seed, crew=Schedule((), ACKNOWLEDGE_S), faults=faults, start_s=task.start_s,
            step_s=pace.step_s, hear_s=pace.hear_s, cadence=pace.cadence, tap=self._tap,
        )  # fmt: skip
        self.staff = Staff(site, self._plans, faults, self.plant.crew.plan, self._adjust, self.end_s)

    @property
    def season_s(self) -> float:
        """Where the season is, between two messages too."""
        return self.mono_s - BEGIN_MONO_S

    # ---- what is heard and said

    def _tap(self, event: Event, outgoing: list[Outgoing]) -> None:
        self.witness.see(event, outgoing)
        if outgoing:
            self.faults.see(self.season_s, outgoing)
        if self.journal is not None:
            self.journal.take(event, outgoing, self.heard if isinstance(event, Arrived) else None)
        if isinstance(event, Arrived) and isinstance(event.body, DoseReport) and event.body.outcome in FINAL:
            self._reported(event.names[0], event.names[1], event.body)

    def _reported(self, enclosure: str, gas: str, body: DoseReport) -> None:
        """Each dose once, by its first last word."""
        key = f"{enclosure}/{gas}/{body.request_id}"
        if key in self._reports:
            return
        self._reports[key] = None
        if len(self._reports) > REPORTS_KEPT:
            del self._reports[next(iter(self._reports))]
        given = self.outcome.gas_nl[enclosure]
        which = f"{gas}, pull-down" if self._states[enclosure] == "pulling_down" else gas
        given[which] = given.get(which, 0.0) + body.delivered_nl

    def on_say(self, said: Say) -> None:
        figures = said.figures
        if said.event.startswith("alarm_"):
            self._told.append(Told(len(self._told), rfc3339(at(self.plant.now_s)), said.event, dict(figures)))
            if said.event in _TOLD:
                words = str(figures.get("text", figures.get("note") or ""))
                seen = AlarmSeen(
                    self.season_s, _TOLD[said.event], str(figures["alarm"]), str(figures.get("priority", "")), words
                )
                if not self.faults.alarm(seen) and seen.what == "raised":
                    self.outcome.calm_alarms[seen.alarm] += 1
        elif said.event == "guard_refused":
            self._guard_refused(str(figures["rule"]), str(figures["enclosure"]) in self._reached[0])
        elif said.event == "permit_refused_by_guard":
            self._guard_refused(f"{figures['rule']} (permit)", str(figures["room"]) in self._reached[1])

    def _guard_refused(self, rule: str, reached: bool) -> None:
        self.outcome.refusals[rule] += 1
        if not reached:
            self.outcome.calm_refusals[rule] += 1

    def on_sent(self, one: Outgoing, sent: Encoded) -> None:
        if isinstance(one, Publish):
            body = one.body
            if isinstance(body, EnclosureState):
                self._shown(one.names[0], body)
            elif isinstance(body, RoomEntry):
                self._rooms[one.names[0]] = body.status
            elif isinstance(body, AlarmStatus):
                self._alarm(one.names[0], body)

    def _shown(self, name: str, body: EnclosureState) -> None:
        was = self._states[name]
        if body.state != was:
            self._states[name] = body.state
            if body.state == "pulling_down" and was == "filling":
                self._sealed_mono_s[name] = self.mono_s
            lot = "" if self.staff is None else self.staff.lot(name)
            self.truth.changed(self.season_s, name, was, body.state, lot, name in self._reached[0])
            if body.state == "faulted":
                self.outcome.faulted[name] += 1
                self.outcome.calm_faulted[name] += name not in self._reached[0]
        if self.staff is not None:
            self.staff.see_state(name, body, self.season_s)

    def _alarm(self, key: str, body: AlarmStatus) -> None:
        if self.staff is not None:
            self.staff.see_alarm(key, body, self.season_s)
        if body.condition and body.alarm.partition("-")[0] in ("co2_order_due", "co2_stock_low"):
            days = self.site.gas_sources[body.subject].order_lead_days or 0.0
            self._deliveries.setdefault(body.subject, self.season_s + days * DAY_S)

    def on_refused(self, refused: Refused) -> None:
        self.outcome.rejected += 1

    def _broken(self, broken: RuleBroken) -> None:
        self.outcome.broken_count[broken.rule] += 1
        if len(self.outcome.broken) < BROKEN_KEPT:
            self.outcome.broken.append(Broken(broken.rule, broken.at_s - BEGIN_MONO_S, str(broken)))

    # ---- what is looked at

    def look(self) -> None:
        """Measures the plant's truth and lets people see to what is due."""
        at_s = self.season_s
        self.faults.begin(at_s)
        self._reached = self.faults.reached()
        self.truth.touch(self._reached[0])
        look: dict[str, Point] = {}
        well: dict[str, bool] = {}
        for name in self.site.enclosures:
            gas, state = self.plant.gas(name), self._states[name]
            look[name] = (at_s, round(gas[0], 3), round(gas[1], 3), state)
            well[name] = self._is_well(name, gas, state)
            if self.truth.look(at_s, name, gas, state, name in self._reached[0]):
                self.faults.harmed(name, self.look_s / 60.0)
        for name, room in self.plant.rooms.items():
            look[f"room/{name}"] = (at_s, round(room.o2_pct, 3), round(room.co2_pct, 4), self._rooms[name])
            inside = bool(self.engine.core_state.rooms[name].people)
            well[f"room/{name}"] = self._rooms[name] == "clear" or inside
        self.faults.look(at_s, look, well)
        self.truth.hour(at_s)
        self._ages(at_s)
        self._deliver(at_s)
        if self.staff is not None:
            self.staff.look(at_s)

    def _is_well(self, name: str, gas: tuple[float, float], state: str) -> bool:
        """Whether all is as it should be with an enclosure: held in its band, or on its way with samples to go by."""
        if state == "holding":
            recipe = self.site.recipe_of(name)
            o2_in = abs(gas[0] - recipe.o2_pct) <= recipe.o2_band_pct
            return o2_in and abs(gas[1] - recipe.co2_pct) <= recipe.co2_band_pct
        kept = self.engine.core_state.enclosures[name]
        if state in ("pulling_down", "venting"):
            young = kept.sample is not None and self.mono_s - kept.sample.taken_mono_s <= self.site.timing.sample_age_s_max
            return young and (state == "venting" or self._rooms[self.site.enclosures[name].room] == "clear")
        return state == "filling"

    def _ages(self, at_s: float) -> None:
        """How old samples are, against the bound that the supervisor keeps for each enclosure; a bound that sinks counts from
        the next time that it is asked for on."""
        now, state = self.now, self.engine.core_state
        if at_s - self._bounded_s >= BOUND_EVERY_S:
            self._bounded_s = at_s
            desk, found = Desk(self.site, state, now), {}
            for analyser in sample_bound.shares(desk):
                jobs, bound_s = sample_bound.jobs(desk, analyser)
                found |= {job.enclosure: sample_bound.bound_of_s(desk, job.enclosure, bound_s) for job in jobs}
            before = self._bounds_s
            self._bounds_s = {name: max(bound_s, before.get(name, bound_s)) for name, bound_s in found.items()}
            if int(at_s) % int(HOUR_S) < BOUND_EVERY_S:
                self._bounds_s = found
        for name, kept in state.enclosures.items():
            if self._states[name] not in SEALED:
                continue
            seen_mono_s = self._sealed_mono_s.get(name, BEGIN_MONO_S)
            if kept.sample is not None:
                seen_mono_s = max(seen_mono_s, kept.sample.taken_mono_s)
            age_s = now.mono_s - seen_mono_s
            if age_s > self.outcome.worst_age_s:
                self.outcome.worst_age_s = age_s
                self.outcome.worst_age = f"{name} on day {at_s / DAY_S:.1f}"
            bound_s = self._bounds_s.get(name)
            if bound_s and self._states[name] == "holding" and name not in self._reached[0]:
                if age_s / bound_s > self.outcome.worst_calm_age_share:
                    self.outcome.worst_calm_age_share = age_s / bound_s
                    self.outcome.worst_calm_age = (
                        f"{name} on day {at_s / DAY_S:.1f}: {age_s / 60.0:.1f} of {bound_s / 60.0:.1f} min"
                    )

    def _adjust(self, analyser: str) -> None:
        """People have set the instrument right with known gas."""
        drift = self.plant.analysers[analyser].drift
        drift.o2_pct = drift.co2_pct = drift.gain_pct = 0.0

    def _deliver(self, at_s: float) -> None:
        """What was ordered comes, and fills the stock to what the site file says."""
        for source, due_s in list(self._deliveries.items()):
            if at_s >= due_s:
                del self._deliveries[source]
                self.plant.sources[source].stock_kg = self.site.gas_sources[source].stock_kg

    def close(self) -> Season:
        """What came of it."""
        made, outcome = measure(self._told, self.outcome.performance.period), self.outcome
        outcome.performance = made
        outcome.faults = self.faults.close(self.season_s)
        outcome.witnessed = self.witness.requests + self.witness.permits
        outcome.calm_faulted = +outcome.calm_faulted
        outcome.stock_kg = {name: one.stock_kg for name, one in self.plant.sources.items() if one.stock_kg is not None}
        return outcome
