"""The nine safety rules as a witness: it watches what came in and what left, keeps its own books, and objects.

Written from the rules alone, with limits read from the site file and nothing taken from guard, watch or core. Rules that
only a bench can show (a disk, a broker) are checked elsewhere; the rest are all here. Its books are bounded but for the ids
of requests, none of which may ever come again.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

from supervisor.guard import Cleared
from supervisor.messages import (
    AlarmStatus,
    AnalyserReading,
    CommandOutcome,
    DoseReport,
    EnclosureState,
    OperatorCommand,
    RoomAir,
    RoomEntry,
    UnitStatus,
)  # fmt: skip
from supervisor.settings import SiteFile
from supervisor.shell.engine import Outgoing
from supervisor.values import Arrived, Event, LinkChanged, PermitRoom, Publish, RequestDose, Started

PERSONNEL = (
    "room_air_dangerous", "room_air_unsafe", "room_air_unknown", "room_air_exposure", "people_overdue", "people_missing",
)  # fmt: skip


DAY_S = 86_400.0
_READINGS_KEPT_S = 2 * DAY_S  # well beyond any age that a site file may allow a sample
_READINGS_BETWEEN = 20_000
_COMMANDS_KEPT = 1000
_HEARTBEATS = 5  # a late one makes a clock look slow, so the least late of so many counts
_RUNNING = 64  # of one valve's requests, how many of the last are looked at for what still runs: a lease is minutes


class RuleBroken(AssertionError):
    """A rule was broken; the text says which, by what, when. `rule` is its number, `at_s` monotonic."""

    def __init__(self, rule: int, words: str, at_s: float) -> None:
        super().__init__(f"rule {rule}: {words}")
        self.rule, self.at_s = rule, at_s


def objecting(broken: RuleBroken) -> None:
    """What a witness does unless told otherwise: it ends the run."""
    raise broken


@dataclass
class Books:
    air: dict[tuple[str, str], tuple[float, RoomAir]] = field(default_factory=dict)
    inside: dict[str, set[str]] = field(default_factory=dict)
    asked: dict[str, tuple[str, set[str]]] = field(default_factory=dict)
    heard: dict[str, None] = field(default_factory=dict)
    readings: dict[tuple[str, str, int], tuple[float, AnalyserReading]] = field(default_factory=dict)
    newest: dict[str, AnalyserReading] = field(default_factory=dict)
    drawn: dict[str, tuple[str, float, int]] = field(default_factory=dict)  # by analyser, its line and since when
    states: dict[str, str] = field(default_factory=dict)
    given: dict[tuple[str, str], list[list]] = field(default_factory=dict)
    alarms: dict[str, AlarmStatus] = field(default_factory=dict)
    acknowledged: set[tuple[str, int]] = field(default_factory=set)
    ids: set[str] = field(default_factory=set)
    epoch: int = 0
    started_s: float = 0.0
    link_up: bool = False
    units: dict[str, float] = field(default_factory=dict)
    ahead_s: dict[str, list[float]] = field(default_factory=dict)


def _judged_now(body: RoomEntry, event: Event) -> bool:
    """A judgement that is shown again, as after a new link, says when it was made, and is worth what its age is."""
    return body.judged_at is None or body.judged_at.timestamp() > event.now.wall_s - 0.01


class Witness:
    """Give `see` every event with everything that left on it, in order. `on_broken` is told of each request, permit or
    message that breaks a rule, by the first that it breaks; unless it raises, the books go on."""

    def __init__(self, site: SiteFile, on_broken: Callable[[RuleBroken], None] = objecting) -> None:
        self.site, self.books, self.on_broken = site, Books(), on_broken
        self.requests = self.permits = 0
        self._at_s = 0.0

    def see(self, event: Event, outgoing: list[Outgoing]) -> None:
        self._at_s = event.now.mono_s
        self._hear(event)
        for one in outgoing:
            try:
                if isinstance(one, Cleared) and isinstance(one.effect, RequestDose):
                    self._request(event, one.effect)
                elif isinstance(one, Cleared) and isinstance(one.effect, PermitRoom):
                    self._permit(event, one.effect)
                elif isinstance(one, Publish):
                    self._publish(event, one)
            except RuleBroken as broken:
                self.on_broken(broken)

    # ---- what came in

    def _hear(self, event: Event) -> None:
        books = self.books
        if isinstance(event, Started):
            books.started_s, books.link_up, books.ahead_s = event.now.mono_s, False, {}
        elif isinstance(event, LinkChanged):
            books.link_up = event.up
        elif isinstance(event, Arrived):
            self._hear_message(event)

    def _hear_message(self, event: Arrived) -> None:
        books, body, mono_s = self.books, event.body, event.now.mono_s
        if isinstance(body, RoomAir):
            books.air[event.names] = (mono_s, body)
        elif isinstance(body, AnalyserReading):
            books.readings[(event.names[0], body.boot, body.seq)] = (mono_s, body)
            self._draw(event.names[0], body, mono_s)
            if len(books.readings) >= 2 * _READINGS_BETWEEN:
                self._forget_readings(mono_s)
            if body.status == "ok" and body.settled and body.line_confirmed is not False:
                if self._complete(event.names[0], body.line, mono_s):
                    books.newest[body.line] = body
        elif isinstance(body, UnitStatus):
            books.units[event.names[0]] = mono_s
            ahead_s = body.observed_at.timestamp() - event.now.wall_s
            heard_s = [*books.ahead_s.get(event.names[0], []), ahead_s][-_HEARTBEATS:]
            if max(heard_s) - ahead_s > self.site.timing.clock_offset_s_max:
                heard_s = [ahead_s]  # no delay explains that: a clock that was set back
            books.ahead_s[event.names[0]] = heard_s if body.online else []
        elif isinstance(body, DoseReport):
            for entry in reversed(books.given.get((event.names[0], event.names[1]), [])):
                if entry[0] == body.request_id and body.outcome in ("delivered", "refused", "aborted"):
                    entry[2], entry[3] = max(body.delivered_nl, 0.0), True
        elif isinstance(body, OperatorCommand):
            people = set(body.people or ())
            if body.action == "enter" and body.command_id not in books.heard:  # one that comes again is answered again, no more
                books.asked[body.command_id] = (body.target, people)
                books.heard[body.command_id] = None
                if len(books.heard) > _COMMANDS_KEPT:
                    del books.heard[next(iter(books.heard))]
            if body.action == "leave":
                books.inside[body.target] = books.inside.get(body.target, set()) - people
            if body.action == "acknowledge" and body.occurrence is not None:
                books.acknowledged.add((body.target, body.occurrence))

    def _complete(self, analyser: str, line: str, mono_s: float) -> bool:
        """Whether the line's own gas has had the time to come through: `settled` is the gateway's word, and is checked."""
        since_s, known = self.books.drawn[analyser][1], self.site.lines.get(line)
        return known is not None and mono_s - since_s >= known.transport_s + known.settling_s

    def _draw(self, analyser: str, body: AnalyserReading, mono_s: float) -> None:
        """Since when this line has been drawn, in sound readings without a gap and of known time."""
        line, _, seq = self.books.drawn.get(analyser, ("", 0.0, 0))
        sound = body.status == "ok" and body.line_confirmed is not False and self._timed(analyser, mono_s)
        if line != body.line or seq + 1 != body.seq or not sound:
            self.books.drawn[analyser] = (body.line if sound else "", mono_s, body.seq)
        else:
            self.books.drawn[analyser] = (line, self.books.drawn[analyser][1], body.seq)

    def _timed(self, analyser: str, mono_s: float) -> bool:
        """Whether the time of its readings is known: its unit was heard more than once of late, and its clock is near ours."""
        unit = self.site.analysers[analyser].unit
        ahead_s, timing = self.books.ahead_s.get(unit, []), self.site.timing
        silent = mono_s - self.books.units.get(unit, self.books.started_s) > timing.unit_silence_s_max
        return len(ahead_s) > 1 and not silent and abs(max(ahead_s)) <= timing.clock_offset_s_max

    def _forget_readings(self, mono_s: float) -> None:
        """What is so old that no request may rest on it; the newest are kept however old they are."""
        kept = list(self.books.readings.items())
        old = [(key, one) for key, one in kept[:-_READINGS_BETWEEN] if one[0] >= mono_s - _READINGS_KEPT_S]
        self.books.readings = dict([*old, *kept[-_READINGS_BETWEEN:]])

    # ---- what left

    def _request(self, event: Event, effect: RequestDose) -> None:
        self.requests += 1
        books, mono_s, wall_s = self.books, event.now.mono_s, event.now.wall_s
        where = f"{effect.request_id} {effect.gas} to {effect.enclosure} at {mono_s:.1f} s"
        repeated, epoch_before = effect.request_id in books.ids, books.epoch
        books.ids.add(effect.request_id)
        books.epoch = max(books.epoch, effect.epoch)
        entries = self._book(effect, mono_s)
        state = books.states.get(effect.enclosure, "filling")
        allowed = ("pulling_down", "holding", "venting") if effect.gas == "air" else ("pulling_down", "holding")
        self._hold(state in allowed, 1, f"{where} while {state}")
        self._room(self.site.enclosures[effect.enclosure].room, effect.gas != "air", mono_s, where)
        self._basis(effect, mono_s, wall_s, where)
        self._volumes(effect, entries, mono_s, where)
        recipe, line = self.site.recipe_of(effect.enclosure), self.site.enclosures[effect.enclosure].line
        newest = books.newest.get(line)
        if newest is not None and effect.gas != "air":
            self._hold(newest.o2_pct >= recipe.o2_floor_pct, 5, f"{where} at {newest.o2_pct} % O2")
        if newest is not None and effect.gas == "co2":
            self._hold(newest.co2_pct <= recipe.co2_ceiling_pct, 5, f"{where} at {newest.co2_pct} % CO2")
        ahead_s = effect.valid_until_wall_s - wall_s
        self._hold(0.0 < ahead_s <= self.site.timing.lease_s, 6, f"{where} expires {ahead_s:.0f} s ahead")
        self._hold(not repeated, 6, f"{where} was used before")
        self._hold(effect.epoch >= epoch_before, 6, f"{where} with epoch {effect.epoch} after {epoch_before}")
        self._hold(books.link_up, 7, f"{where} without a link")
        unit_heard_s = books.units.get(self.site.enclosures[effect.enclosure].unit)
        silent = unit_heard_s is None or mono_s - unit_heard_s > self.site.timing.unit_silence_s_max
        self._hold(not silent, 7, f"{where} through a unit that is silent")

    def _room(self, room: str, clear: bool, mono_s: float, where: str) -> None:
        books, limits = self.books, self.site.rooms[room].limits
        self._hold(not books.inside.get(room), 2, f"{where} with {books.inside.get(room)} inside {room}")
        for sensor in self.site.rooms[room].sensor:
            heard = books.air.get((room, sensor.id))
            self._hold(heard is not None and heard[0] >= books.started_s, 2, f"{where}: {sensor.id} not heard since the start")
            heard_s, air = heard  # type: ignore[misc]
            age_s = mono_s - heard_s
            self._hold(age_s <= self.site.timing.air_age_s_max, 2, f"{where}: {sensor.id} {age_s:.0f} s old")
            self._hold(air.status == "ok", 2, f"{where}: {sensor.id} says {air.status}")
            o2_min, co2_max = (
                (limits.o2_clear_min.pct, limits.co2_clear_max.pct)
                if clear
                else (limits.o2_danger_min.pct, limits.co2_danger_max.pct)
            )
            good = air.o2_pct >= o2_min and air.co2_pct <= co2_max
            self._hold(good, 2, f"{where}: {sensor.id} reads {air.o2_pct} % O2, {air.co2_pct} % CO2")

    def _basis(self, effect: RequestDose, mono_s: float, wall_s: float, where: str) -> None:
        heard = self.books.readings.get(tuple(effect.basis))
        self._hold(heard is not None, 3, f"{where} rests on a reading that never came: {effect.basis}")
        heard_s, reading = heard  # type: ignore[misc]
        self._hold(heard_s >= self.books.started_s, 7, f"{where} rests on a reading from before the start")
        self._hold(mono_s - heard_s <= self.site.timing.sample_age_s_max, 3, f"{where} rests on a stale reading")
        sound = reading.status == "ok" and reading.settled
        self._hold(sound, 3, f"{where} rests on {reading.status}, settled {reading.settled}")
        self._hold(reading.line == self.site.enclosures[effect.enclosure].line, 3, f"{where} rests on line {reading.line}")
        self._hold(reading.o2_pct + reading.co2_pct <= 100.5, 3, f"{where} rests on impossible figures")

    def _book(self, effect: RequestDose, mono_s: float) -> list[list]:
        """What was requested of this valve within a day, this one too: id, when, volume, over or not, expiry, request."""
        entries = self.books.given.setdefault((effect.enclosure, effect.gas), [])
        while entries and entries[0][1] <= mono_s - DAY_S and entries[0][4] <= mono_s:
            del entries[0]
        entries.append([effect.request_id, mono_s, effect.volume_nl, False, mono_s + self.site.timing.lease_s, effect])
        return entries

    def _volumes(self, effect: RequestDose, entries: list[list], mono_s: float, where: str) -> None:
        limits = self.site.limits.of(effect.gas)
        for span_s, most_nl, what in ((3600.0, limits.per_hour_nl, "hour"), (DAY_S, limits.per_day_nl, "day")):
            sum_nl = sum(one[2] for one in entries if one[1] > mono_s - span_s)
            self._hold(sum_nl <= most_nl + 1e-6, 4, f"{where}: {sum_nl:.1f} nl in an {what}, at most {most_nl:g}")
        self._hold(effect.volume_nl <= limits.per_request_nl + 1e-9, 4, f"{where}: {effect.volume_nl:.1f} nl")
        running = [
            one for all_ in self.books.given.values() for one in all_[-_RUNNING:]
            if not one[3] and one[4] > mono_s and one[5].source == effect.source
        ]  # fmt: skip
        flow_nl_min = sum(one[5].max_flow_nl_min for one in running)
        source = self.site.gas_sources[effect.source]
        most_nl_min, at_once = source.capacity_nl_min, source.valves_at_once
        self._hold(at_once is None or len(running) <= at_once, 4, f"{where}: {len(running)} valves on {effect.source}")
        self._hold(flow_nl_min <= most_nl_min + 1e-6, 4, f"{where}: {flow_nl_min} nl/min of {effect.source}")

    def _permit(self, event: Event, effect: PermitRoom) -> None:
        self.permits += 1
        where = f"permit of {effect.room} at {event.now.mono_s:.1f} s"
        if effect.dosing_permitted:
            self._room(effect.room, True, event.now.mono_s, where)
        if effect.dosing_permitted or effect.air_permitted:
            self._hold(effect.epoch >= self.books.epoch, 6, f"{where} with epoch {effect.epoch}")
            self.books.epoch = effect.epoch
            ahead_s = effect.valid_until_wall_s - event.now.wall_s
            self._hold(ahead_s <= 60.0, 6, f"{where} for {ahead_s:.0f} s")

    def _publish(self, event: Event, one: Publish) -> None:
        body = one.body
        if isinstance(body, EnclosureState):
            self.books.states[one.names[0]] = body.state
        elif isinstance(body, CommandOutcome) and body.accepted and body.command_id in self.books.asked:
            room, people = self.books.asked.pop(body.command_id)
            self.books.inside[room] = self.books.inside.get(room, set()) | people
        elif isinstance(body, RoomEntry) and body.status == "clear" and _judged_now(body, event):
            self._room(one.names[0], True, event.now.mono_s, f"{one.names[0]} shown clear at {event.now.mono_s:.1f} s")
        elif isinstance(body, AlarmStatus):
            self._alarm(one.names[0], body)

    def _alarm(self, key: str, body: AlarmStatus) -> None:
        before = self.books.alarms.get(key)
        self.books.alarms[key] = body
        if before is None:
            return
        self._hold(body.occurrence >= before.occurrence, 8, f"{key} went back from {before.occurrence} to {body.occurrence}")
        personnel = key.startswith(PERSONNEL)
        if before.state != "normal" and body.state == "normal" and personnel:
            named = (key, before.occurrence) in self.books.acknowledged
            self._hold(named and not body.condition, 8, f"{key} ended without an acknowledgement of {before.occurrence}")
        if personnel:
            self._hold(body.state not in ("shelved", "suppressed_by_design", "out_of_service"), 8, f"{key} is {body.state}")

    def _hold(self, holds: bool, rule: int, words: str) -> None:
        if not holds:
            raise RuleBroken(rule, words, self._at_s)
