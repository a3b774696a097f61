"""How the alarm system itself did over a period, from the audit: the performance figures of ISA-18.2-2016 / IEC 62682.

An alarm here is one that was announced to people: a new occurrence. What was shelved, held back by another alarm that
explains it, or out of service is counted apart, and the alarm that announces a flood is no alarm of the flood.

Times are the controller's wall clock, as the audit has them. While the supervisor did not run nothing was announced, and
that time counts as quiet; the number of starts in the period tells how often.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import NamedTuple

from supervisor.shell.audit.file import Told

TEN_MIN_S = 600.0
HOUR_S = 3600.0
DAY_S = 86_400.0
FLOOD_ABOVE = 10  # in ten minutes: it begins with the eleventh
FLOOD_ENDS_UNDER = 5
HOUR_ABOVE = 30
STALE_S = DAY_S
TOP = 10
PRIORITIES = ("low", "medium", "high", "critical")
NOT_COUNTED = "alarm_flood-"
_STANDING = ("unacknowledged", "acknowledged")
_AWAY = {"alarm_shelved": "shelved", "alarm_suppressed": "suppressed_by_design", "alarm_out_of_service": "out_of_service"}


class Span(NamedTuple):
    """From `begin_s` to `end_s`, both included, wall seconds since 1970."""

    begin_s: float
    end_s: float

    @property
    def duration_s(self) -> float:
        return max(0.0, self.end_s - self.begin_s)

    def within(self, other: "Span") -> "Span":
        return Span(max(self.begin_s, other.begin_s), min(self.end_s, other.end_s))


class Stale(NamedTuple):
    """An alarm that stood for longer than a day without a break."""

    alarm: str
    span: Span


@dataclass(slots=True)
class Performance:
    """The figures of one period. Shares are percent; `per_*` are averages over the period."""

    period: Span
    alarms: int = 0
    per_ten_min: float = 0.0
    per_hour: float = 0.0
    per_day: float = 0.0
    most_in_ten_min: int = 0
    most_in_an_hour: int = 0
    most_in_a_day: int = 0
    ten_min_above_pct: float = 0.0
    hours_above_pct: float = 0.0
    flood_pct: float = 0.0
    floods: list[Span] = field(default_factory=list)
    top: list[tuple[str, int]] = field(default_factory=list)
    top_pct: float = 0.0
    stale: list[Stale] = field(default_factory=list)
    most_stale_in_a_day: int = 0
    chattering: dict[str, int] = field(default_factory=dict)
    priorities: dict[str, int] = field(default_factory=dict)
    away: dict[str, int] = field(default_factory=dict)
    starts: int = 0
    times_s: list[float] = field(default_factory=list)

    def priority_pct(self, priority: str) -> float:
        return 100.0 * self.priorities.get(priority, 0) / self.alarms if self.alarms else 0.0


def measure(entries: Iterable[Told], period: Span) -> Performance:
    """The figures of `period` from all the audit's entries up to its end: what stood or flooded before it counts into it.
    Raises ValueError when the period is empty."""
    if period.duration_s <= 0.0:
        raise ValueError("the period is empty")
    read = _Reading()
    for one in entries:
        at_s = datetime.fromisoformat(one.at).timestamp()
        if at_s <= period.end_s:
            read.take(one, at_s, at_s >= period.begin_s)
    made = Performance(period, chattering=dict(read.chattering), away=dict(read.away), starts=read.starts)
    every_s = sorted(at_s for at_s, _ in read.raised)
    made.times_s = [at_s for at_s in every_s if at_s >= period.begin_s]
    _rates(made)
    made.floods = [part for one in floods(every_s, period.end_s) if (part := one.within(period)).duration_s > 0.0]
    made.flood_pct = 100.0 * sum(one.duration_s for one in made.floods) / period.duration_s
    inside = [alarm for at_s, alarm in read.raised if at_s >= period.begin_s]
    made.top = sorted(Counter(inside).items(), key=lambda one: (-one[1], one[0]))[:TOP]
    made.top_pct = 100.0 * sum(count for _, count in made.top) / made.alarms if made.alarms else 0.0
    made.priorities = {name: read.priorities[name] for name in PRIORITIES}
    made.stale = [one for one in read.stale_until(period.end_s) if one.span.end_s > period.begin_s]
    made.most_stale_in_a_day = _most_stale(made.stale, period)
    return made


class _Reading:
    """What is gathered entry by entry."""

    def __init__(self) -> None:
        self.raised: list[tuple[float, str]] = []
        self.priorities: Counter[str] = Counter()
        self.chattering: Counter[str] = Counter()
        self.away: Counter[str] = Counter()
        self.starts = 0
        self._stands_since_s: dict[str, float] = {}
        self._stood: list[Stale] = []

    def take(self, one: Told, at_s: float, inside: bool) -> None:
        alarm = str(one.figures.get("alarm", ""))
        if one.event == "started":
            self.starts += inside
            return
        if not one.event.startswith("alarm_") or alarm.startswith(NOT_COUNTED):
            return
        if one.event == "alarm_raised":
            self.raised.append((at_s, alarm))
            self.priorities[str(one.figures.get("priority"))] += inside
        elif one.event == "alarm_chattering":
            self.chattering.update([alarm] if inside else [])
        elif one.event in _AWAY:
            self.away.update([_AWAY[one.event]] if inside else [])
        if "state" in one.figures:
            self._stands(alarm, one.figures["state"] in _STANDING, at_s)

    def _stands(self, alarm: str, stands: bool, at_s: float) -> None:
        if stands:
            self._stands_since_s.setdefault(alarm, at_s)
        elif alarm in self._stands_since_s:
            self._stood.append(Stale(alarm, Span(self._stands_since_s.pop(alarm), at_s)))

    def stale_until(self, end_s: float) -> list[Stale]:
        """Every alarm that has stood for more than a day, by its time; one that still stands does so until `end_s`."""
        still = [Stale(alarm, Span(since_s, end_s)) for alarm, since_s in self._stands_since_s.items()]
        return sorted((one for one in self._stood + still if one.span.duration_s > STALE_S), key=lambda one: one.span)


def _rates(made: Performance) -> None:
    made.alarms = len(made.times_s)
    for name, length_s in (("per_ten_min", TEN_MIN_S), ("per_hour", HOUR_S), ("per_day", DAY_S)):
        setattr(made, name, made.alarms * length_s / made.period.duration_s)
    tens, hours, days = (binned(made.times_s, made.period, one_s) for one_s in (TEN_MIN_S, HOUR_S, DAY_S))
    made.most_in_ten_min, made.most_in_an_hour, made.most_in_a_day = max(tens), max(hours), max(days)
    made.ten_min_above_pct = 100.0 * sum(count > FLOOD_ABOVE for count in tens) / len(tens)
    made.hours_above_pct = 100.0 * sum(count > HOUR_ABOVE for count in hours) / len(hours)


def binned(times_s: Sequence[float], period: Span, length_s: float) -> list[int]:
    """How many fall into each stretch of `length_s` of the period, from its begin; the last one may be shorter, and
    the period's end belongs to it."""
    counts = [0] * max(1, -int(-period.duration_s // length_s))
    for at_s in times_s:
        counts[min(int((at_s - period.begin_s) // length_s), len(counts) - 1)] += 1
    return counts


def floods(times_s: Sequence[float], end_s: float) -> list[Span]:
    """When more than ten alarms came within ten minutes, until fewer than five did. `times_s` are sorted. The ten minutes
    slide: a flood begins with the alarm that is the eleventh, and ends when the fifth last is ten minutes old."""
    changes: Counter[float] = Counter()
    for at_s in times_s:
        changes[at_s] += 1
        changes[at_s + TEN_MIN_S] -= 1
    found: list[Span] = []
    begin_s, count = None, 0
    for at_s in sorted(changes):  # one that grows old in the instant in which another comes changes nothing
        count += changes[at_s]
        if begin_s is None and count > FLOOD_ABOVE:
            begin_s = at_s
        elif begin_s is not None and count < FLOOD_ENDS_UNDER:
            found.append(Span(begin_s, at_s))
            begin_s = None
    return [one for one in found if one.begin_s < end_s]


def _most_stale(stale: Sequence[Stale], period: Span) -> int:
    """The most alarms that were stale at some time of one day of the period."""
    days = -int(-period.duration_s // DAY_S)
    most = 0
    for number in range(days):
        day = Span(period.begin_s + number * DAY_S, period.begin_s + (number + 1) * DAY_S)
        most = max(most, sum(Span(one.span.begin_s + STALE_S, one.span.end_s).within(day).duration_s > 0.0 for one in stale))
    return most
