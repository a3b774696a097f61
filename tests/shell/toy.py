"""A toy engine and a broker in memory, for what no real broker can be made to do at a given instant: die there.

What these show of the loop is shown again with the real engine and real brokers in `test_run.py`.
"""

import json
from collections.abc import Callable
from pathlib import Path

from shellkit import T0, StillClock, cleared, example_site, reading

from supervisor.messages import AnalyserReading, CommandOutcome, OperatorCommand, RoomEntry, SupervisorStatus, at
from supervisor.shell import logs
from supervisor.shell.authority.judge import Authority
from supervisor.shell.batch import Outgoing
from supervisor.shell.bus import Received, Round
from supervisor.shell.history import History
from supervisor.shell.journal import Journal
from supervisor.shell.loop import Loop, Parts
from supervisor.shell.notify.desk import Notifying
from supervisor.shell.replay import restore
from supervisor.shell.signals import Stop
from supervisor.shell.will import Will
from supervisor.shell.wire import Decoder
from supervisor.shell.wire_out import Encoder
from supervisor.values import (
    Arrived,
    Event,
    LinkChanged,
    PermitRoom,
    Publish,
    RequestDose,
    Row,
    SampleRef,
    Say,
    Started,
    Stopping,
    Ticked,
)  # fmt: skip

SITE = example_site()
ROOT = SITE.root
READING = f"{ROOT}/analyser/analyser-1/reading"
COMMAND = f"{ROOT}/operator/command"


class Toy:
    """Doses once for each reading that it has not seen, by number; counts everything else."""

    def __init__(self, _site: object = None) -> None:
        self.epoch = 0
        self.next_id = 1
        self.seen: list[int] = []
        self.commands: list[str] = []
        self.ticks = 0
        self.link: list[bool] = []
        self.troubles: list[tuple[str, bool]] = []

    @classmethod
    def load(cls, _site: object, blob: bytes) -> "Toy":
        toy = cls()
        for name, value in json.loads(blob).items():
            setattr(toy, name, value)
        toy.troubles = [tuple(one) for one in toy.troubles]
        return toy

    def dump(self) -> bytes:
        return json.dumps(vars(self)).encode()

    def step(self, event: Event) -> list[Outgoing]:
        match event:
            case Started():
                self.epoch, self.next_id = event.epoch, 1
                status = SupervisorStatus(online=True, instance=event.instance, epoch=self.epoch, started_at=at(T0))
                return [Publish((), status), Say("info", "started", {"epoch": self.epoch})]
            case Ticked():
                self.ticks += 1
            case LinkChanged():
                self.link.append(event.up)
            case Stopping():
                return [cleared(PermitRoom("north", False, False, self.epoch, T0)), Say("info", "stopping")]
            case Arrived(body=AnalyserReading() as body):
                return self._reading(body)
            case Arrived(body=OperatorCommand() as body):
                if body.command_id in self.commands:
                    return []
                self.commands.append(body.command_id)
                answer = CommandOutcome(command_id=body.command_id, accepted=True, reason="")
                return [Say("info", "command", {"target": body.target}), Publish((), answer)]
            case _ if hasattr(event, "trouble"):
                self.troubles.append((event.trouble, event.active))
        return []

    def _reading(self, body: AnalyserReading) -> list[Outgoing]:
        if body.boot == "poison":
            raise ZeroDivisionError("poison")
        if body.seq in self.seen:
            return []
        self.seen.append(body.seq)
        request_id = f"{self.epoch}-{self.next_id}"
        self.next_id += 1
        basis = SampleRef("analyser-1", body.boot, body.seq)
        dose = RequestDose("n1", "nitrogen", "generator", request_id, self.epoch, 1.0 + body.seq, 50.0, T0 + 60, 0.0,
                           basis, "toy")  # fmt: skip
        return [
            cleared(dose),
            Publish(("north",), RoomEntry(status="clear", since=at(T0), reasons=[str(body.seq)])),
            Row("sample", (("enclosure", "n1"),), (("o2_pct", body.o2_pct),), T0 + body.seq),
        ]


class MemoryBroker:
    """Gives again what was not acknowledged, keeps what is retained, remembers what was published."""

    def __init__(self) -> None:
        self.inbox: list[Received] = []
        self.unacknowledged: list[Received] = []
        self.published: list[tuple[str, bytes, bool]] = []

    def say(self, topic: str, payload: bytes, retained: bool = False) -> None:
        self.inbox.append(Received(topic, payload, retained))

    def bodies(self, tail: str) -> list[dict]:
        return [json.loads(payload) for topic, payload, _ in self.published if topic == f"{ROOT}/{tail}"]


class MemoryBus:
    """One connection to a MemoryBroker; up from its first poll unless `down`."""

    def __init__(self, broker: MemoryBroker, clock: StillClock, at_once: int = 3, down: bool = False) -> None:
        self.broker = broker
        self.clock = clock
        self.at_once = at_once
        self.up = False
        self.down = down
        self.closed: bool | None = None
        self.kept: dict[str, bytes] = {}
        self._handed: list[Received] = []
        self._confirmed: list[int] = []
        broker.inbox[:0] = broker.unacknowledged
        broker.unacknowledged.clear()

    def poll(self, wait_s: float) -> Round:
        self.clock.go(wait_s)
        came = Round()
        if self.up is self.down:
            self.up = not self.down
            came.link.append(self.up)
        if self.up:
            for topic, payload in self.kept.items():
                self.broker.published.append((topic, payload, True))
            self.kept.clear()
            came.received = self.broker.inbox[: self.at_once]
            del self.broker.inbox[: self.at_once]
            self.broker.unacknowledged += came.received
            came.full = bool(self.broker.inbox)
        came.confirmed, self._confirmed = self._confirmed, []
        return came

    def publish(self, topic: str, payload: bytes, retain: bool, receipt: int | None = None) -> bool:
        if not self.up:
            if retain:
                self.kept[topic] = payload
            return False
        self.broker.published.append((topic, payload, retain))
        if receipt is not None:
            self._confirmed.append(receipt)
        return True

    def settle(self) -> None:
        self.broker.unacknowledged.clear()

    def close(self, patience_s: float, goodbye: bool = True) -> bool:
        self.closed = goodbye
        self.up = False
        return True


class Rig:
    """One run of the loop on a state folder; `Rig` again on the same folder is a restart."""

    def __init__(
        self,
        folder: Path,
        broker: MemoryBroker,
        clock: StillClock,
        log: Callable[..., None] | None = None,
        history: Callable[[Journal], History] | None = None,
        authority: Authority | None = None,
        notify: "Callable[[Rig], Notifying] | None" = None,
        **bus: object,
    ) -> None:
        self.clock = clock
        self.broker = broker
        self.journal = Journal.open(folder, "quillfen", "boot")
        epoch = self.journal.next_epoch()
        self.lines: list[str] = []
        self.log = logs.make(False, lambda: clock.wall_s, self)
        decoder, encoder = Decoder(SITE), Encoder(ROOT)
        self.engine = restore(Toy, SITE, self.journal, decoder, self.log)
        self.bus = MemoryBus(broker, clock, **bus)
        self.stop = Stop()
        status = SupervisorStatus(online=False, instance=self.journal.instance, epoch=epoch, started_at=at(T0))
        will = Will(encoder, status)
        parts = Parts(self.engine, self.journal, self.bus, decoder, encoder, clock, self.log, self.stop, will,
                      history(self.journal) if history else None, authority, notify(self) if notify else None)  # fmt: skip
        self.loop = Loop(parts, 1.0, epoch)

    def write(self, text: str) -> None:
        self.lines += text.splitlines()

    def flush(self) -> None:
        """For the log, which writes to us."""

    def logged(self, event: str) -> list[dict]:
        return [one for one in map(json.loads, self.lines) if one["event"] == event]

    def die(self) -> None:
        """As a kill does: nothing more is written, the lock goes, the connection goes."""
        self.journal.close()
        self.stop.close()

    def run_until_quiet(self) -> None:
        """Start, and turn until nothing is left to do; then die."""
        self.loop.begin()
        while self.broker.inbox or self.broker.unacknowledged or self.loop.outbox.waiting:
            self.loop.turn()
        self.loop.turn()


def command(command_id: str) -> bytes:
    body = {"command_id": command_id, "issued_at": "2026-08-29T10:40:00Z", "operator": "ada", "action": "vent", "target": "n1"}
    return json.dumps(body).encode()


def fill(broker: MemoryBroker) -> None:
    """Three batches and a bit: readings, two commands, one thing that is no message."""
    for seq in range(1, 10):
        broker.say(READING, reading(seq))
        if seq in (2, 7):
            broker.say(COMMAND, command(f"c{seq}"))
        if seq == 5:
            broker.say(READING, b"rubbish")


def decided(journal: Journal) -> list[str]:
    """The ids of the dosing requests in the journal."""
    whats = [json.loads(what) for _, what in journal.decisions_after(0)]
    return [what["message"]["request_id"] for what in whats if what.get("topic", "").endswith("/request")]
