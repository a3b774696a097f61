"""Why each dose of one enclosure was or was not given: the core's own reasons of each step, put in order and folded.

The reasons come out of the code that decides (`core/reasons.py`), while it is stepped through the recorded inputs once more.
"""

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from supervisor.core.reasons import Told
from supervisor.messages import DoseReport
from supervisor.settings import SiteFile
from supervisor.shell.engine import snapshot_of_core
from supervisor.shell.retrace.proof import Window, check_settings
from supervisor.shell.retrace.record import Record, RecordUnreadable
from supervisor.shell.retrace.replayer import Replayer, Stepped
from supervisor.values import Arrived, Say

SILENT = {"running"}  # a dose that runs was told when it was asked for
HEADS = {"not_given": "nothing given", "refused": "nothing given", "asked": "asked", "stopped": "stopped", "decided": ""}
EVENTS = {
    "transition": lambda f: f"now {_state(f['state'])}, was {_state(f['was'])}: {f['reason']}",
    "reading_doubted": lambda f: f"a reading is not believed: {_rest(f)}",
    "reading_confirmed": lambda f: f"a second visit confirms the reading: {_rest(f)}",
    "dose_not_delivered": lambda f: (
        f"{f['gas']} {f['outcome']} ({f['code'] or 'no code'}): {f['delivered_nl']} of {f['requested_nl']} nl"
    ),
    "dose_unknown": lambda f: f"{f['gas']}: no last word, {f['counted_as_given_nl']} nl count as given",
    "alarm_raised": lambda f: f"alarm {f['alarm']}: {f.get('text', '')}",
    "alarm_cleared": lambda f: f"alarm {f['alarm']} has lost its cause",
}
"""What else happened to the enclosure, by what the core says of it, in words."""


@dataclass(slots=True)
class Line:
    """One thing told. `until_wall_s` is when it was last told again, `times` how often, `volume_nl` what was asked, in all."""

    wall_s: float
    seq: int
    state: str
    kind: str
    gas: str | None
    code: str
    words: str
    until_wall_s: float
    times: int = 1
    volume_nl: float = 0.0


def explain(record: Record, given: SiteFile | None, window: Window, enclosure: str) -> tuple[list[Line], int | None]:
    """What the core told of `enclosure` from the input `window.first` on, repeats folded; and the input from which on this
    version does not decide as recorded, so that its reasons are not those of then. Raises RecordUnreadable, and OtherSettings
    when `given` is not what it was written by."""
    if given is not None:
        check_settings(record, given, window.last)
    replayer = Replayer(record, given, window.base, window.last)
    if enclosure not in replayer.site.enclosures:
        there = ", ".join(replayer.site.enclosures)
        raise RecordUnreadable(f"{record.path}: the site has no enclosure {enclosure!r}; it has {there}")
    folded = _Folded()
    state = _state_of(replayer, enclosure)
    for one, told in _listened(replayer):
        if one.gap or one.trouble or one.recorded != one.decided:
            return folded.lines, one.seq
        state = next(
            (out.figures["state"] for out in one.outgoing if _is(out, "transition", enclosure)), state
        )  # fmt: skip
        if one.seq < window.first:
            continue
        for line in _lines(one, told, enclosure, replayer.site.enclosures[enclosure].line, state):
            folded.add(line)
    return folded.lines, None


def _listened(replayer: Replayer) -> Iterator[tuple[Stepped, list[Told]]]:
    """Each step with the reasons given out in it."""
    told: list[Told] = []
    replayer.listen(told)
    for one in replayer.steps():
        yield one, list(told)
        told.clear()


def _state_of(replayer: Replayer, enclosure: str) -> str:
    return json.loads(snapshot_of_core(replayer.engine.dump()))["enclosures"][enclosure]["state"]


def _is(out: object, event: str, enclosure: str) -> bool:
    return isinstance(out, Say) and out.event == event and out.figures.get("enclosure") == enclosure


def _lines(one: Stepped, told: list[Told], enclosure: str, sampled_by: str, state: str) -> Iterator[Line]:
    """What one step told of the enclosure, in the order in which it happened."""
    wall_s = one.row.wall_s

    def line(kind: str, gas: str | None, code: str, words: str, volume_nl: float = 0.0) -> Line:
        return Line(wall_s, one.seq, state, kind, gas, code, words, wall_s, volume_nl=volume_nl)

    if isinstance(one.event, Arrived) and isinstance(one.event.body, DoseReport) and one.event.names[0] == enclosure:
        body = one.event.body
        if body.outcome == "delivered":
            yield line("delivered", one.event.names[1], "delivered", f"{body.delivered_nl:.1f} nl", body.delivered_nl)
    for out in one.outgoing:
        if isinstance(out, Say) and out.event in EVENTS and _concerns(out.figures, enclosure, sampled_by):
            yield line("event", None, out.event, EVENTS[out.event](out.figures))
    refused = {why.gas for why in told if why.kind == "refused" and why.enclosure == enclosure}
    for why in told:
        if why.enclosure != enclosure or why.code in SILENT or (why.kind == "asked" and why.gas in refused):
            continue
        yield line(why.kind, why.gas, why.code, why.words, why.volume_nl)


def _concerns(figures: dict[str, Any], enclosure: str, line: str) -> bool:
    if "line" in figures:
        return figures["line"] == line
    return figures.get("enclosure") == enclosure or str(figures.get("alarm", "")).endswith(f"-{enclosure}")


def _state(name: object) -> str:
    return str(name).replace("_", " ")


def _rest(figures: dict[str, Any]) -> str:
    return ", ".join(f"{key} {value}" for key, value in figures.items() if key != "enclosure" and value not in (None, ""))


class _Folded:
    """Lines, of which one that says the same as the last one of its gas is only counted. Numbers that move are not news."""

    def __init__(self) -> None:
        self.lines: list[Line] = []
        self._last: dict[tuple[str | None, str], Line] = {}

    def add(self, line: Line) -> None:
        slot = (line.gas, line.kind if line.kind in ("asked", "delivered") else "")
        last = self._last.get(slot)
        if last is not None and line.kind not in ("decided", "event") and _key(last) == _key(line):
            last.until_wall_s, last.times, last.volume_nl = line.wall_s, last.times + 1, last.volume_nl + line.volume_nl
            return
        if line.kind in ("decided", "event"):
            self._last.clear()  # what is the same after it is told again, once
        self._last[slot] = line
        self.lines.append(line)


def _key(line: Line) -> tuple[str, ...]:
    return line.kind, line.code, re.sub(r"[-+]?\d+(\.\d+)?", "#", line.words), line.state
