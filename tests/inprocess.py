"""A whole site in one process: the production engine against the simulated plant, through the real wire format.

Everything the plant says is written to bytes, decoded, judged and decided on as in live operation; everything the engine
sends is written to bytes and handed to the plant. No clock, no network: `run_to` moves simulated time. A `Tap` sees every
event and everything that left, which is where properties are checked.
"""

import json
import re
import tomllib
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path

from simulator.crew import Act, Schedule
from simulator.faults import Fault
from simulator.site import Plant
from supervisor.guard import Cleared
from supervisor.settings import SiteFile
from supervisor.shell.engine import Engine, Outgoing
from supervisor.shell.wire import Decoder, Refused
from supervisor.shell.wire_out import Encoder
from supervisor.values import Arrived, Event, LinkChanged, Now, Publish, Row, Say, Started, Ticked

EXAMPLE = Path(__file__).resolve().parents[1] / "config" / "quillfen.toml"
START_S = 1_772_323_200.0  # an arbitrary spring morning
Tap = Callable[[Event, list[Outgoing]], None]


def example(*names: str) -> str:
    """The example site's text with only these enclosures: what looks at one or two need not simulate a dozen."""
    head, *blocks = re.split(r"(?m)^(?=\[\[enclosure\]\]\n)", EXAMPLE.read_text(encoding="utf-8"))
    kept = [one for one in blocks if re.search(r'(?m)^id = "(\w+)"', one)[1] in names]  # type: ignore[index]
    if len(kept) != len(names):
        raise ValueError(f"the example site does not have all of {names}")
    return "".join([head, *kept])


@dataclass
class Doses:
    """What was requested, by enclosure and gas, in normal litres."""

    requested_nl: dict[tuple[str, str], float] = field(default_factory=dict)


class InProcess:
    """Engine and plant, coupled. `step_s` is how far simulated time moves between two ticks."""

    def __init__(
        self, site_text: str | None = None, *, seed: int = 1, crew: Schedule | None = None, faults: Iterable[Fault] = (),
        step_s: float = 5.0, tap: Tap | None = None, **plant_options,
    ) -> None:  # fmt: skip
        raw = tomllib.loads(site_text if site_text is not None else EXAMPLE.read_text(encoding="utf-8"))
        self.site = SiteFile.model_validate(raw)
        self.plant = Plant(raw, seed, start_s=START_S, crew=crew, faults=faults, **plant_options)
        self.engine = Engine(self.site)
        self.decoder, self.encoder = Decoder(self.site), Encoder(self.site.root)
        self.step_s, self.tap = step_s, tap
        self.mono_s, self.wall_jump_s, self.epoch = 1000.0, 0.0, 0
        self.said: list[Say] = []
        self.rows: list[Row] = []
        self.retained: dict[str, dict] = {}
        self.requested_nl: dict[tuple[str, str], float] = {}
        self.requests: list[tuple[float, object]] = []
        self.refused: list[Refused] = []
        self.muted: Callable[[str], bool] = lambda topic: False
        self.start()

    @property
    def now(self) -> Now:
        return Now(self.mono_s, self.plant.now_s + self.wall_jump_s)

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
            self._leave(one)
        if self.tap is not None:
            self.tap(event, outgoing)
        return outgoing

    def _leave(self, one: Outgoing) -> None:
        if isinstance(one, Say):
            self.said.append(one)
        elif isinstance(one, Row):
            self.rows.append(one)
        else:
            sent = self.encoder.encode(one)
            tail = sent.topic.removeprefix(self.site.root + "/")
            if sent.retain and isinstance(one, Publish):
                self.retained[tail] = json.loads(sent.payload)
            if isinstance(one, Cleared) and hasattr(one.effect, "volume_nl"):
                key = (one.effect.enclosure, one.effect.gas)
                self.requested_nl[key] = self.requested_nl.get(key, 0.0) + one.effect.volume_nl
                self.requests.append((self.mono_s, one.effect))
            self.plant.deliver(tail, sent.payload)

    def hear(self, tail: str, payload: bytes, retained: bool = False) -> list[Outgoing]:
        """A message reaches the supervisor."""
        decoded = self.decoder.decode(f"{self.site.root}/{tail}", payload, retained)
        if isinstance(decoded, Refused):
            self.refused.append(decoded)
            return []
        return self.step(Arrived(self.now, *decoded))

    def run_to(self, seconds: float) -> None:
        """Simulated time up to `seconds` after the plant's start."""
        while self.plant.now_s < START_S + seconds - 1e-9:
            before_s = self.plant.now_s
            self.plant.advance(min(before_s + self.step_s, START_S + seconds))
            self.mono_s += self.plant.now_s - before_s
            for topic, payload, _ in self.plant.take():
                if not self.muted(topic):
                    self.hear(topic, json.dumps(payload).encode())
            self.step(Ticked(self.now))

    def state(self, enclosure: str) -> dict:
        """The enclosure's retained state message."""
        return self.retained[f"enclosure/{enclosure}/state"]

    def events(self, name: str) -> list[Say]:
        return [one for one in self.said if one.event == name]

    def alarms(self) -> dict[str, dict]:
        """Alarm messages by alarm, those in the normal state left out."""
        return {
            topic.removeprefix("alarm/"): body
            for topic, body in self.retained.items()
            if topic.startswith("alarm/") and body["state"] != "normal"
        }


def acts(*rows: tuple[float, str, str]) -> Schedule:
    """A crew that does these things: (seconds after the start, action, target)."""
    return Schedule(tuple(Act(*row) for row in rows))
