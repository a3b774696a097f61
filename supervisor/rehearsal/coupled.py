"""A whole site in one process: the production engine against the simulated plant, through the real wire format.

Everything the plant says is written to bytes, decoded, judged and decided on as in live operation; everything the engine
sends is written to bytes and handed to the plant. No clock, no network: `run_to` moves simulated time. A `Tap` sees every
event and everything that left, which is where properties are checked. Nothing is kept here that grows with time.
"""

import json
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from simulator.crew import Schedule
from simulator.faults import Fault
from simulator.site import Plant
from supervisor.settings import SiteFile
from supervisor.shell.bus import Received
from supervisor.shell.engine import Engine, Outgoing
from supervisor.shell.wire import Decoder, Refused
from supervisor.shell.wire_out import Encoded, Encoder
from supervisor.values import Arrived, Event, LinkChanged, Now, Row, Say, Started, Ticked

START_S = 1_772_323_200.0  # an arbitrary spring morning
BEGIN_MONO_S = 1000.0
Tap = Callable[[Event, list[Outgoing]], None]


class Coupled:
    """Engine and plant, coupled. `step_s` is how far simulated time moves between two ticks; messages reach the engine each
    `hear_s` in between, or with the tick."""

    def __init__(
        self, raw: Mapping[str, Any], *, seed: int = 1, crew: Schedule | None = None, faults: Iterable[Fault] = (),
        start_s: float = START_S, step_s: float = 5.0, hear_s: float | None = None, tap: Tap | None = None,
        **plant_options: Any,
    ) -> None:  # fmt: skip
        """`raw` is the site file as a dict. `plant_options` go to `Plant`. Raises what the site file's model and the plant
        raise for a site or a fault that cannot be."""
        self.site = SiteFile.model_validate(raw)
        self.plant = Plant(raw, seed, start_s=start_s, crew=crew, faults=faults, **plant_options)
        self.engine = Engine(self.site)
        self.decoder, self.encoder = Decoder(self.site), Encoder(self.site.root)
        self.start_s, self.step_s, self.tap = start_s, step_s, tap
        self._hear_s = step_s if hear_s is None else hear_s
        self.mono_s, self.wall_jump_s, self.epoch = BEGIN_MONO_S, 0.0, 0
        self.heard: Received | None = None
        """The message that came last, as it came."""
        self.muted: Callable[[str], bool] = lambda topic: False
        self.start()

    @property
    def now(self) -> Now:
        return Now(self.mono_s, self.plant.now_s + self.wall_jump_s)

    @property
    def elapsed_s(self) -> float:
        """Simulated seconds since the plant's start."""
        return self.plant.now_s - self.start_s

    def start(self) -> None:
        """A (re)start of the supervisor, with the link coming up at once."""
        self.epoch += 1
        self.step(Started(self.now, self.epoch, "in-process"))
        self.step(LinkChanged(self.now, True))

    def crash(self) -> None:
        """The process dies and comes back from its snapshot; what was under way in the plant goes on meanwhile."""
        self.engine = Engine.load(self.site, self.engine.dump())
        self.start()

    def step(self, event: Event) -> list[Outgoing]:
        outgoing = self.engine.step(event)
        for one in outgoing:
            self.leave(one)
        if self.tap is not None:
            self.tap(event, outgoing)
        return outgoing

    def leave(self, one: Outgoing) -> None:
        """Something leaves the engine: to whoever looks at it, and a message to the plant."""
        if isinstance(one, Say):
            self.on_say(one)
        elif isinstance(one, Row):
            self.on_row(one)
        else:
            sent = self.encoder.encode(one)
            self.on_sent(one, sent)
            self.plant.deliver(sent.topic.removeprefix(self.site.root + "/"), sent.payload)

    def on_say(self, said: Say) -> None:
        """The engine said something for the log."""

    def on_row(self, row: Row) -> None:
        """The engine wrote a row for the history."""

    def on_sent(self, one: Outgoing, sent: Encoded) -> None:
        """A message is about to reach the plant."""

    def on_refused(self, refused: Refused) -> None:
        """A message could not be decoded."""

    def hear(self, tail: str, payload: bytes, retained: bool = False) -> list[Outgoing]:
        """A message reaches the supervisor."""
        self.heard = Received(f"{self.site.root}/{tail}", payload, retained)
        decoded = self.decoder.decode(*self.heard)
        if isinstance(decoded, Refused):
            self.on_refused(decoded)
            return []
        return self.step(Arrived(self.now, *decoded))

    def run_to(self, seconds: float) -> None:
        """Simulated time up to `seconds` after the plant's start."""
        end_s = self.start_s + seconds
        while self.plant.now_s < end_s - 1e-9:
            tick_s = min(self.plant.now_s + self.step_s, end_s)
            while self.plant.now_s < tick_s - 1e-9:
                before_s = self.plant.now_s
                self.plant.advance(min(before_s + self._hear_s, tick_s))
                self.mono_s += self.plant.now_s - before_s
                for topic, payload, _ in self.plant.take():
                    if not self.muted(topic):
                        self.hear(topic, json.dumps(payload).encode())
            self.step(Ticked(self.now))
