"""A whole controller in one process: the real loop with its journal on disk, against the simulated plant, in simulated time.

Only broker and clock stand in: `PlantBus` carries messages between loop and plant and can be dead for a while, and time
moves with the plant. `kill` forgets the process and starts the next on the same journal, as after `kill -9`.
"""

import json
import tomllib
from collections.abc import Callable, Iterable
from io import StringIO
from pathlib import Path

from simulator.crew import Schedule
from simulator.faults import Fault
from simulator.site import Plant
from supervisor.messages import SupervisorStatus, at
from supervisor.settings import SiteFile
from supervisor.shell import logs
from supervisor.shell.bus import Received, Round
from supervisor.shell.clock import Mark
from supervisor.shell.engine import Engine
from supervisor.shell.journal import Journal
from supervisor.shell.loop import Loop, Parts
from supervisor.shell.replay import restore
from supervisor.shell.signals import Stop
from supervisor.shell.will import Will
from supervisor.shell.wire import Decoder
from supervisor.shell.wire_out import Encoder
from supervisor.values import Now

START_S = 1_772_323_200.0
ECHO_S = 15.0  # how long a dead broker is not noticed: the site file's echo_timeout_s
Heard = Callable[[float, str, dict], None]


class PlantClock:
    """The plant's time is everybody's; `real_s` too, so that whatever is done each so many real seconds is done."""

    speed = 1.0

    def __init__(self, plant: Plant) -> None:
        self._plant = plant

    def now(self) -> Now:
        return Now(self._plant.now_s - START_S + 1000.0, self._plant.now_s)

    def real_s(self) -> float:
        return self._plant.now_s - START_S

    def mark(self, now: Now) -> Mark:
        return Mark(now.mono_s, now.wall_s, self.real_s(), "boot")


class PlantBus:
    """Loop and plant, coupled. `heard` is told (plant time, topic, body) of everything that a console would hear."""

    def __init__(self, plant: Plant, root: str, step_s: float, heard: Heard, retained: dict[str, bytes]) -> None:
        self._plant, self._root, self._step_s, self._heard = plant, root, step_s, heard
        self.retained, self._mine = retained, {}
        self.dead_until_s, self._link = 0.0, False
        self._dead_since_s: float | None = None
        self._receipts: list[int] = []

    def poll(self, wait_s: float) -> Round:
        self._plant.advance(self._plant.now_s + self._step_s)
        now_s = self._plant.now_s - START_S
        said = self._plant.take()
        if now_s < self.dead_until_s:
            self._dead_since_s = now_s if self._dead_since_s is None else self._dead_since_s
            noticed = self._link and now_s - self._dead_since_s >= ECHO_S
            self._link = self._link and not noticed
            return Round(link=[False] if noticed else [])
        self._dead_since_s = None
        link, self._link = ([] if self._link else [True]), True
        if link:
            for topic, payload in self._mine.items():
                self._carry(topic, payload, True)
        for topic, body, _ in said:
            self._heard(now_s, topic, body)
        received = [Received(f"{self._root}/{topic}", json.dumps(body).encode(), False) for topic, body, _ in said]
        confirmed, self._receipts = self._receipts, []
        return Round(received=received, link=link, confirmed=confirmed)

    def publish(self, topic: str, payload: bytes, retain: bool, receipt: int | None = None) -> bool:
        if retain:
            self._mine[topic] = payload
        if not self._link or self._dead_since_s is not None:
            return False
        self._carry(topic, payload, retain)
        if receipt is not None:
            self._receipts.append(receipt)
        return True

    def _carry(self, topic: str, payload: bytes, retain: bool) -> None:
        tail = topic.removeprefix(self._root + "/")
        if retain:
            self.retained[tail] = payload
        self._heard(self._plant.now_s - START_S, tail, json.loads(payload))
        self._plant.deliver(tail, payload)

    def last_word(self, topic: str, payload: bytes) -> None:
        """The broker publishes the will of a client that is gone."""
        self._carry(topic, payload, True)

    def settle(self) -> None: ...

    def close(self, patience_s: float, goodbye: bool = True) -> bool:
        return True


class Controller:
    """`run_to` lets time pass; `kill` and `lose_broker` are what can happen to a controller meanwhile."""

    def __init__(self, folder: Path, site_text: str, *, crew: Schedule, faults: Iterable[Fault] = (), step_s: float = 5.0,
                 seed: int = 1, heard: Heard = lambda at_s, topic, body: None) -> None:  # fmt: skip
        raw = tomllib.loads(site_text)
        self.site = SiteFile.model_validate(raw)
        self.folder, self._step_s, self._heard = folder, step_s, heard
        self.plant = Plant(raw, seed, start_s=START_S, crew=crew, faults=faults)
        self.retained: dict[str, bytes] = {}
        self.log = StringIO()
        self._start()

    def _start(self) -> None:
        clock = PlantClock(self.plant)
        self.journal = Journal.open(self.folder, self.site.site.id, "boot")
        log = logs.make(False, lambda: clock.now().wall_s, self.log)
        decoder, encoder = Decoder(self.site), Encoder(self.site.root)
        epoch = self.journal.next_epoch()
        engine = restore(Engine, self.site, self.journal, decoder, log)
        status = SupervisorStatus(online=False, instance="test", epoch=epoch, started_at=at(clock.now().wall_s))
        self.bus = PlantBus(self.plant, self.site.root, self._step_s, self._heard, self.retained)
        self._stop = Stop()
        parts = Parts(engine, self.journal, self.bus, decoder, encoder, clock, log, self._stop, Will(encoder, status), None)
        self.loop = Loop(parts, self.site.timing.tick_s, epoch)
        self.loop.begin()

    @property
    def elapsed_s(self) -> float:
        return self.plant.now_s - START_S

    def run_to(self, seconds: float) -> None:
        """Plant time up to `seconds` after its start."""
        while self.elapsed_s < seconds - 1e-9:
            self.loop.turn()

    def kill(self, away_s: float = 20.0) -> None:
        """The process is gone, without a word; the plant goes on, and what it says meanwhile nobody hears."""
        self.journal.close()
        self._stop.close()
        topic, will = self.loop.will()
        self.bus.last_word(topic, will)
        self.plant.advance(self.plant.now_s + away_s)
        self.plant.take()
        self._start()

    def lose_broker(self, seconds: float) -> None:
        """No message passes for so long."""
        self.bus.dead_until_s = self.elapsed_s + seconds

    def end(self) -> int:
        """An end in order."""
        self._stop.ask()
        status = self.loop._end_in_order()
        self.journal.close()
        self._stop.close()
        return status

    def shown(self, topic: str) -> dict:
        """What the broker keeps for this topic."""
        return json.loads(self.retained[topic])

    def logged(self, event: str) -> list[dict]:
        lines = [json.loads(line) for line in self.log.getvalue().splitlines()]
        return [one for one in lines if one["event"] == event]
