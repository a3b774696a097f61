"""One turn's work on its way through the engine: events in, everything that has to leave out, ready for the journal."""

import json
from dataclasses import dataclass, field
from typing import Protocol

from supervisor.guard import Cleared
from supervisor.messages import AlarmStatus, CommandOutcome, SupervisorStatus
from supervisor.settings import SiteFile
from supervisor.shell import records
from supervisor.shell.audit.events import Auditor
from supervisor.shell.bus import Received
from supervisor.shell.lines import to_line
from supervisor.shell.records import Input
from supervisor.shell.wire import Decoded
from supervisor.shell.wire_out import Encoded, Encoder
from supervisor.values import Arrived, Event, Now, Publish, Row, Say

Outgoing = Cleared | Publish | Row | Say


class Engine(Protocol):
    """What the loop needs of the engine."""

    def step(self, event: Event) -> list[Outgoing]: ...

    def dump(self) -> bytes: ...


class EngineMaker(Protocol):
    """Makes an engine anew or from what `dump` wrote."""

    def __call__(self, site: SiteFile) -> Engine: ...

    def load(self, site: SiteFile, blob: bytes) -> Engine: ...


class EngineFailed(Exception):
    """The engine raised: an invariant is broken. `index` is the event at fault."""

    def __init__(self, index: int, error: Exception) -> None:
        super().__init__(f"{type(error).__name__}: {error}")
        self.index = index


@dataclass(slots=True)
class Turn:
    """What came in at `now`, in order, and what the engine made of it."""

    now: Now
    events: list[Event] = field(default_factory=list)
    inputs: list[Input] = field(default_factory=list)
    decisions: list[tuple[int, str]] = field(default_factory=list)
    own_decisions: list[tuple[int, str]] = field(default_factory=list)  # of `own`, which follows from no input
    messages: list[Encoded] = field(default_factory=list)
    answers: list[Encoded] = field(default_factory=list)
    refusals: list[Encoded] = field(default_factory=list)
    lines: list[str] = field(default_factory=list)
    said: list[Say] = field(default_factory=list)
    own: list[Publish | Say] = field(default_factory=list)  # what the shell itself has to say, with the last event
    audit: list[str] = field(default_factory=list)
    alarms: list[AlarmStatus] = field(default_factory=list)  # for the people who are told
    status: SupervisorStatus | None = None

    def add(self, event: Event) -> None:
        """An event that is no message."""
        self.events.append(event)
        self.inputs.append(records.of_event(event))

    def add_message(self, raw: Received, decoded: Decoded) -> None:
        """A message with the bytes it came as."""
        self.events.append(Arrived(self.now, *decoded))
        self.inputs.append(records.of_message(self.now, *raw))

    def run(self, engine: Engine, encoder: Encoder, auditor: Auditor) -> None:
        """Step the engine through the events. Raises EngineFailed; what came before the event at fault is kept."""
        for index, event in enumerate(self.events):
            before = [len(one) for one in self._outgoing()]
            try:
                made = engine.step(event)
                for outgoing in made:
                    self._take(index, outgoing, encoder, self.decisions)
                self.audit += auditor.entries(event, made)
            except Exception as error:
                for one, length in zip(self._outgoing(), before, strict=True):
                    del one[length:]
                raise EngineFailed(index, error) from error
        for one in self.own:
            self._take(len(self.events) - 1, one, encoder, self.own_decisions)
        self.audit += auditor.entries(self.events[-1], self.own) if self.own else []

    def cut(self, count: int) -> None:
        """Forget the events from `count` on; what they led to is gone already."""
        del self.events[count:], self.inputs[count:]

    def _outgoing(self) -> tuple[list, ...]:
        return self.decisions, self.messages, self.answers, self.lines, self.said, self.alarms

    def _take(self, index: int, outgoing: Outgoing, encoder: Encoder, decisions: list[tuple[int, str]]) -> None:
        if isinstance(outgoing, Row):
            line = to_line(outgoing)
            if line is not None:
                self.lines.append(line)
            return
        if isinstance(outgoing, Say):
            self.said.append(outgoing)
            decisions.append((index, said(outgoing)))
            return
        encoded = encoder.encode(outgoing)
        # An answer to an operator is kept until the broker has it: nobody asks twice for what was done.
        to_operator = isinstance(outgoing, Publish) and isinstance(outgoing.body, CommandOutcome)
        (self.answers if to_operator else self.messages).append(encoded)
        if isinstance(outgoing, Publish) and isinstance(outgoing.body, SupervisorStatus):
            self.status = outgoing.body
        if isinstance(outgoing, Publish) and isinstance(outgoing.body, AlarmStatus):
            self.alarms.append(outgoing.body)
        decisions.append((index, sent(encoded)))


def decision(outgoing: Outgoing, encoder: Encoder) -> str | None:
    """What the journal keeps of it; None for a row, which is the database's."""
    if isinstance(outgoing, Row):
        return None
    return said(outgoing) if isinstance(outgoing, Say) else sent(encoder.encode(outgoing))


def said(one: Say) -> str:
    return json.dumps({"say": one.event, "level": one.level, "figures": one.figures}, default=str)


def sent(one: Encoded) -> str:
    return f'{{"topic": "{one.topic}", "message": {one.payload.decode()}}}'
