"""Was a fault found, rightly named, in time, and was done what has to be done? Judged by what a run said and asked for."""

from collections.abc import Iterable
from dataclasses import dataclass, field

from simulator.kinds import Fault
from simulator.library import kind_of
from supervisor.guard import Cleared
from supervisor.messages import EnclosureState, RoomEntry, SelectLine
from supervisor.rehearsal.expected import Expected, expected, gas_of, touched
from supervisor.settings import SiteFile
from supervisor.shell.engine import Outgoing
from supervisor.values import Publish, RequestDose, Say

DOSED = ("nitrogen", "co2")


@dataclass
class Course:
    """What of a run the judgement needs, in order. Times are seconds since the plant's start, as a fault's are."""

    raised: list[tuple[float, str]] = field(default_factory=list)  # alarms, `<name>-<subject>`
    requests: list[tuple[float, str, str]] = field(default_factory=list)  # enclosure, gas
    entries: dict[str, list[tuple[float, str]]] = field(default_factory=dict)  # by room, status when it changed
    states: dict[str, list[tuple[float, str]]] = field(default_factory=dict)  # by enclosure, state when it changed
    drawn: list[tuple[float, str]] = field(default_factory=list)  # lines, when they were selected

    def see(self, at_s: float, outgoing: Iterable[Outgoing]) -> None:
        """What left at an instant."""
        for one in outgoing:
            if isinstance(one, Say):
                if one.event == "alarm_raised":
                    self.raised.append((at_s, str(one.figures["alarm"])))
            elif isinstance(one, Cleared):
                if isinstance(one.effect, RequestDose):
                    self.requests.append((at_s, one.effect.enclosure, one.effect.gas))
            elif isinstance(one, Publish):
                self._published(at_s, one)

    def _published(self, at_s: float, one: Publish) -> None:
        body = one.body
        if isinstance(body, RoomEntry):
            _changed(self.entries.setdefault(one.names[0], []), at_s, body.status)
        elif isinstance(body, EnclosureState):
            _changed(self.states.setdefault(one.names[0], []), at_s, body.state)
        elif isinstance(body, SelectLine):
            self.drawn.append((at_s, body.line))


@dataclass(frozen=True)
class Judged:
    """What came of a fault. `since_s` None: it was never called for. `taken` None: there was no time for a consequence."""

    fault: Fault
    row: Expected
    since_s: float | None
    bound_s: float | None
    found_s: float | None = None
    alarm: str = ""
    taken: bool | None = None
    others: tuple[str, ...] = ()  # raised between start and end, and about something else or by another name

    @property
    def must(self) -> bool:
        """Whether it had to be found: called for, and its bound over before it ended."""
        return self.bound_s is not None and self.since_s is not None and self.fault.end_s >= self.since_s + self.bound_s

    @property
    def well(self) -> bool:
        """Found in time with its consequence taken, or harmless, or honestly not to be found."""
        if self.found_s is None:
            return not self.must
        late = self.must and self.found_s > self.since_s + self.bound_s  # type: ignore[operator]
        return not late and (self.bound_s is None or self.taken is not False)


def judge(site: SiteFile, fault: Fault, course: Course, end_s: float) -> Judged:
    """`end_s` is when the run ended. Raises KeyError for a kind without a row in `expected.py`."""
    kind = kind_of(fault.name)
    row = expected(fault.name, gas_of(site, kind.on, fault.target))
    until_s, about = min(fault.end_s, end_s), touched(site, kind.on, fault.target, row.wide)
    fault = Fault(fault.name, fault.target, fault.start_s, until_s, fault.size)
    since_s = _since(site, fault, row, kind.on, course)
    bound_s = None if row.within_s is None or abs(fault.size) < row.least else row.within_s(site, abs(fault.size))
    told = [(at_s, key) for at_s, key in course.raised if fault.start_s <= at_s <= until_s]
    right = [one for one in told if _about(one[1], row.alarms, about)]
    others = tuple(dict.fromkeys(key for at_s, key in told if (at_s, key) not in right))
    if not right:
        return Judged(fault, row, since_s, bound_s, others=others)
    found_s, alarm = right[0]
    return Judged(fault, row, since_s, bound_s, found_s, alarm, _taken(site, fault, row, kind.on, course, found_s), others)


def _since(site: SiteFile, fault: Fault, row: Expected, on: str, course: Course) -> float | None:
    if row.counts_from == "dose":
        owner, _, gas = fault.target.partition("/")
        called = [at_s for at_s, *valve in course.requests if valve == [owner, gas]]
    elif row.counts_from == "drawn":
        lines = {line.id for one in site.analyser for line in one.lines if line.gas == fault.target}
        called = [at_s for at_s, line in course.drawn if line in lines]
    else:
        return fault.start_s
    return next((at_s for at_s in called if fault.start_s <= at_s <= fault.end_s), None)


def _about(key: str, alarms: tuple[str, ...], about: frozenset[str]) -> bool:
    return any(key == f"{name}-{subject}" for name in alarms for subject in about)


def _taken(site: SiteFile, fault: Fault, row: Expected, on: str, course: Course, found_s: float) -> bool | None:
    from_s = found_s + row.takes_s(site, abs(fault.size))
    owner, _, part = fault.target.partition("/")
    if row.consequence == "told":
        return True
    if row.consequence == "faulted":
        changes = [one for name in touched(site, on, fault.target) for one in course.states.get(name, [])]
        return any(state == "faulted" and found_s - 1.0 <= at_s <= from_s for at_s, state in changes)
    if from_s >= fault.end_s:
        return None
    asked = [(enclosure, gas) for at_s, enclosure, gas in course.requests if from_s < at_s < fault.end_s]
    if row.consequence == "room_closed":
        shut = all(status != "clear" for status in _within(course.entries.get(owner, []), from_s, fault.end_s))
        return shut and not any(gas in DOSED and site.enclosures[one].room == owner for one, gas in asked)
    if row.consequence == "source_rests":
        return not any(site.enclosures[one].sources.of(gas) == owner for one, gas in asked)  # type: ignore[arg-type]
    if row.consequence == "unit_rests":
        units = touched(site, on, fault.target)
        return not any(site.enclosures[one].unit in units for one, _ in asked)
    if row.consequence == "analyser_rests":
        alone = {name for name in site.enclosures if _only(site, name, owner)}
    else:
        alone = touched(site, on, fault.target)
    return not any(gas in DOSED and one in alone for one, gas in asked)


def _only(site: SiteFile, enclosure: str, analyser: str) -> bool:
    line = site.enclosures[enclosure].line
    return [one.id for one in site.analyser if any(drawn.id == line for drawn in one.lines)] == [analyser]


def _within(changes: list[tuple[float, str]], from_s: float, to_s: float) -> list[str]:
    """What stood at any time between two instants."""
    before = [what for at_s, what in changes if at_s <= from_s]
    return before[-1:] + [what for at_s, what in changes if from_s < at_s < to_s]


def _changed(changes: list[tuple[float, str]], at_s: float, what: str) -> None:
    if not changes or changes[-1][1] != what:
        changes.append((at_s, what))
