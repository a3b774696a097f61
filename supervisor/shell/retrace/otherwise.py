"""The recorded inputs under other settings: what would have been decided otherwise, and until when that can be said.

What the plant said is what it said to the doses that were given and the lines that were drawn. An enclosure's answer ends with
the first dose or visit of its own that would have been another: from there on its readings answer what was not asked. Until
then the two runs ask for the same gas, so the recorded reports are handed on under the ids of the other run's requests.
What shares a source or an analyser with an enclosure that has ended is told so.
"""

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from supervisor.guard import Cleared
from supervisor.messages import DoseReport, SelectLine
from supervisor.settings import SiteFile
from supervisor.shell.engine import Engine, Outgoing
from supervisor.shell.records import to_event
from supervisor.shell.retrace.proof import Window
from supervisor.shell.retrace.record import Record, RecordUnreadable
from supervisor.shell.retrace.replayer import Replayer, Stepped
from supervisor.shell.wire import Decoder, Refused
from supervisor.shell.wire_out import Encoder
from supervisor.values import Arrived, Publish, RequestDose, Say, StopDose

TOLD = ("alarm_raised", "alarm_cleared", "transition", "room_status", "guard_refused")
"""What is set side by side, beside doses and visits: the events that the core says of alarms, states and refusals."""

FINAL = ("delivered", "refused", "aborted")


class Dose(NamedTuple):
    """A request or a stop as the hardware would have it. `volume_nl` is 0 for a stop."""

    enclosure: str
    gas: str
    volume_nl: float
    flow_nl_min: float
    until: str
    source: str


@dataclass(slots=True)
class End:
    """Where an enclosure's answer ends. `why` says what was and what would have been; `doubt` whether that may follow from
    another enclosure whose answer had ended before."""

    wall_s: float
    seq: int
    kind: str
    why: str
    doubt: str = ""


class Event(NamedTuple):
    """Something said of a subject, on one side or both; a time of None: not before the answer ends."""

    subject: str
    what: str
    was_wall_s: float | None
    other_wall_s: float | None


@dataclass(slots=True)
class Otherwise:
    """`ends` by enclosure, None where nothing of its own would have been another. `doses` is how many requests were the same,
    by enclosure; `events` what differs before that; `unknown` counts messages of what the other site has not got. `broken` is
    the input from which on the journal does not replay by its own settings, so that nothing can be set beside it."""

    first_wall_s: float = 0.0
    last_wall_s: float = 0.0
    from_snapshot: bool = False
    ends: dict[str, End | None] = field(default_factory=dict)
    doses: dict[str, int] = field(default_factory=dict)
    events: list[Event] = field(default_factory=list)
    unknown: int = 0
    broken: int | None = None


def otherwise(record: Record, given: SiteFile | None, other: SiteFile, window: Window) -> Otherwise:
    """Raises RecordUnreadable."""
    replayer = Replayer(record, given, window.base, window.last)
    if replayer.site.root != other.root:
        roots = f"{other.root}, the journal's under {replayer.site.root}"
        raise RecordUnreadable(f"the other site file's topics stand under {roots}: it is another site")
    blob = record.blob(window.base) if window.base else None
    other_run = _Other(other, blob)
    both = _SideBySide(replayer.site, other)
    told = Otherwise(from_snapshot=window.base > 0)
    for one in replayer.steps():
        if one.trouble or one.gap or one.recorded != one.decided:
            told.broken = one.seq
            break
        told.first_wall_s, told.last_wall_s = told.first_wall_s or one.row.wall_s, one.row.wall_s
        made = other_run.step(one, both)
        both.compare(one, made)
    told.ends = {name: both.ends.get(name) for name in both.enclosures}
    told.doses, told.events, told.unknown = both.doses, both.events(), other_run.unknown
    return told


class _Other:
    """The engine under the other settings."""

    def __init__(self, site: SiteFile, blob: bytes | None) -> None:
        try:
            self._engine = Engine(site) if blob is None else Engine.load(site, blob)
        except ValueError as error:
            raise RecordUnreadable(f"the snapshot is not read under the other settings ({error})") from error
        self._decoder = Decoder(site)
        self.unknown = 0

    def step(self, one: Stepped, both: "_SideBySide") -> list[Outgoing]:
        event = to_event(one.row, self._decoder)
        if isinstance(event, Refused):
            self.unknown += 1
            return []
        if isinstance(event, Arrived) and event.kind.startswith("dosing/"):
            if event.names[0] in both.ends:
                return []  # what its valves say is about doses that this run has not asked for
            if isinstance(event.body, DoseReport):
                event = both.translated(event, event.body)
        return self._engine.step(event)


class _SideBySide:
    """What was decided and what would have been, input by input."""

    def __init__(self, site: SiteFile, other: SiteFile) -> None:
        self._site = site
        self._encoder = Encoder(other.root)
        self.enclosures = [name for name in site.enclosures if name in other.enclosures]
        self.ends: dict[str, End] = {}
        self.doses: dict[str, int] = dict.fromkeys(self.enclosures, 0)
        self._ids: dict[str, str] = {}
        self._running: dict[str, tuple[str, str]] = {}  # the valves of requests that were the same, by their recorded id
        self._analysers_ended: dict[str, float] = {}
        self._said: dict[tuple[str, str], tuple[list[float], list[float]]] = {}
        self._subjects = sorted(
            [*site.enclosures, *site.rooms, *site.gas_sources, *site.analysers], key=len, reverse=True
        )  # fmt: skip

    def translated(self, event: Arrived, report: DoseReport) -> Arrived:
        """A report under the id that the other run gave to the same request."""
        request_id = self._ids.get(report.request_id, report.request_id)
        if report.outcome in FINAL:
            self._running.pop(report.request_id, None)
        return Arrived(event.now, event.kind, event.names, report.model_copy(update={"request_id": request_id}))

    # ---- comparing

    def compare(self, one: Stepped, made: list[Outgoing]) -> None:
        for side, outgoing in enumerate((one.outgoing, made)):
            for out in outgoing:
                if isinstance(out, Say) and out.event in TOLD:
                    self._note(one.row.wall_s, side, out)
        was, now = (
            [x for x in _doses(outgoing, self._encoder) if x[0].volume_nl or x[0][:2] in self._running.values()]
            for outgoing in (one.outgoing, made)
        )  # a stop counts where something runs
        for name in [name for name in self.enclosures if name not in self.ends] if was or now else ():
            self._compare_doses(one, name, *([x for x in side if x[0].enclosure == name] for side in (was, now)))
        self._compare_visits(one, list(_visits(one.outgoing)), list(_visits(made)))

    def _compare_doses(self, one: Stepped, name: str, was: list[tuple[Dose, str]], now: list[tuple[Dose, str]]) -> None:
        for (mine, my_id), (others, other_id) in zip(was, now, strict=False):
            if mine != others:
                break
            if mine.volume_nl:
                self._ids[my_id] = other_id
                self._running[my_id] = mine[:2]
                self.doses[name] += 1
        else:
            if len(was) == len(now):
                return
        place = next((n for n, (a, b) in enumerate(zip(was, now, strict=False)) if a[0] != b[0]), min(len(was), len(now)))
        mine, others = _told(was[place:]), _told(now[place:])
        gases = {dose.source for dose, _ in (*was, *now) if dose.source}
        shares = [
            other for other in self.ends
            if self.ends[other].kind == "dose" and gases & {self._site.enclosures[other].sources.of(gas) for gas in _GASES}
        ]  # fmt: skip
        doubt = f"{_some(shares)} ended before, on the same source" if shares else ""
        self.ends[name] = End(one.row.wall_s, one.seq, "dose", f"{mine}; would have been: {others}", doubt)

    def _compare_visits(self, one: Stepped, was: list[tuple[str, str]], now: list[tuple[str, str]]) -> None:
        """A line that is drawn on one side only: what it reads there comes, or does not come, although nobody asked."""
        if was == now:
            return
        for analyser, line in dict.fromkeys([*was, *now]):
            if ((analyser, line) in was) == ((analyser, line) in now):
                continue
            self._analysers_ended.setdefault(analyser, one.row.wall_s)
            name = self._site.enclosure_of_line.get(line)
            if name is None or name not in self.enclosures or name in self.ends:
                continue
            drawn = (analyser, line) in was
            instead = ", ".join(other for by, other in (now if drawn else was) if by == analyser) or "nothing new"
            words = f"{analyser} was sent to its line; would have been sent to: {instead}"
            if not drawn:
                words = f"{analyser} was sent to: {instead}; would have been sent to its line"
            before = [other for other in self.ends if self.ends[other].wall_s < one.row.wall_s]
            doubt = f"{_some(before)} ended before, which the analyser looks at too" if before else ""
            self.ends[name] = End(one.row.wall_s, one.seq, "visit", words, doubt)

    # ---- what is said

    def _note(self, wall_s: float, side: int, said: Say) -> None:
        subject = self._subject(said.figures)
        if not self._stands(subject):
            return
        what = _WORDS[said.event](said.figures)
        self._said.setdefault((subject, what), ([], []))[side].append(wall_s)

    def _subject(self, figures: dict[str, Any]) -> str:
        for key in ("enclosure", "room"):
            if key in figures:
                return str(figures[key])
        alarm = str(figures.get("alarm", ""))
        return next((one for one in self._subjects if alarm.endswith(f"-{one}")), "site")

    def _stands(self, subject: str) -> bool:
        """Whether what is said of this subject can still be set side by side: nothing that it rests on has ended."""
        if subject in self._site.enclosures:
            return subject in self.enclosures and subject not in self.ends
        if subject in self._site.analysers:
            return subject not in self._analysers_ended
        given = [name for name, end in self.ends.items() if end.kind == "dose"]
        if subject in self._site.rooms:
            return not any(self._site.enclosures[name].room == subject for name in given)
        if subject in self._site.gas_sources:
            return not any(subject in {self._site.enclosures[name].sources.of(gas) for gas in _GASES} for name in given)
        return not given

    def events(self) -> list[Event]:
        """What was said on one side only, or at another time, in order."""
        found = []
        for (subject, what), (was, now) in self._said.items():
            for number in range(max(len(was), len(now))):
                a = was[number] if number < len(was) else None
                b = now[number] if number < len(now) else None
                if a != b:
                    found.append(Event(subject, what, a, b))
        return sorted(found, key=lambda one: min(at for at in one[2:] if at is not None))


_GASES = ("nitrogen", "co2", "air")
_WORDS: dict[str, Callable[[dict[str, Any]], str]] = {
    "alarm_raised": lambda f: f"alarm {f['alarm']} is raised",
    "alarm_cleared": lambda f: f"alarm {f['alarm']} loses its cause",
    "transition": lambda f: f"is {str(f['state']).replace('_', ' ')} after {str(f['was']).replace('_', ' ')}",
    "room_status": lambda f: f"is {f['status']}",
    "guard_refused": lambda f: f"the guard refuses {f['gas']}: {f['rule']}",
}


def _doses(outgoing: list[Outgoing], encoder: Encoder) -> Iterator[tuple[Dose, str]]:
    """Requests, and stops of what runs, as they leave, with their ids."""
    for one in outgoing:
        if not isinstance(one, Cleared):
            continue
        effect = one.effect
        if isinstance(effect, RequestDose):
            sent = json.loads(encoder.encode(one).payload)
            how = sent["volume_nl"], sent["max_flow_nl_min"], sent["valid_until"], effect.source
            yield Dose(effect.enclosure, effect.gas, *how), effect.request_id
        elif isinstance(effect, StopDose):
            yield Dose(effect.enclosure, effect.gas, 0.0, 0.0, "", ""), ""


def _visits(outgoing: list[Outgoing]) -> Iterator[tuple[str, str]]:
    for one in outgoing:
        if isinstance(one, Publish) and isinstance(one.body, SelectLine):
            yield one.names[0], one.body.line


def _some(names: list[str]) -> str:
    return ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")


def _told(doses: list[tuple[Dose, str]]) -> str:
    if not doses:
        return "nothing"
    dose = doses[0][0]
    return f"{dose.volume_nl:.1f} nl {dose.gas} at {dose.flow_nl_min:g} nl/min" if dose.volume_nl else f"{dose.gas} is stopped"
