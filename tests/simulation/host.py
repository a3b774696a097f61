"""The supervisor as its machine runs it: the real loop on a real journal, to be killed at any point and started again."""

import copy
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

from simulator.kinds import Fault
from supervisor.messages import SupervisorStatus, at
from supervisor.settings import SiteFile
from supervisor.shell import history
from supervisor.shell.authority.judge import Authority
from supervisor.shell.batch import EngineFailed, Outgoing
from supervisor.shell.bus import BusStopped
from supervisor.shell.clock import Machine, SystemClock
from supervisor.shell.engine import Engine
from supervisor.shell.history import Answer, History
from supervisor.shell.journal import Batch, Journal
from supervisor.shell.journal_file import JournalError
from supervisor.shell.loop import Loop, Parts
from supervisor.shell.replay import restore
from supervisor.shell.signals import Stop
from supervisor.shell.will import Will
from supervisor.shell.wire import Decoder
from supervisor.shell.wire_out import Encoder
from supervisor.values import Event
from tests.simulation.broker import Broker, SimBus
from tests.simulation.rules import Broken, Rules

AGAIN_S = 10.0  # a service manager starts a process that has ended again after so long: assumed
BOOTED_S = 5000.0  # the machine had been up for so long


class Killed(BaseException):
    """Nothing catches it, as nothing catches a kill."""


class SimMachine(Machine):
    """The controller's clocks: `steady_s` since its boot, `wall_s` with whatever step stands."""

    def __init__(self, now_s: Callable[[], float], start_s: float, step_s: Callable[[], float]) -> None:
        self._now_s, self._start_s, self._step_s = now_s, start_s, step_s
        self._booted_at_s, self._boots = -BOOTED_S, 1

    def steady_s(self) -> float:
        return self._now_s() - self._booted_at_s

    def wall_s(self) -> float:
        return self._start_s + self._now_s() + self._step_s()

    def boot_id(self) -> str:
        return f"boot-{self._boots}"

    def reboot(self) -> None:
        self._booted_at_s, self._boots = self._now_s(), self._boots + 1


class Quiet:
    """A log that nobody reads, unless somebody does."""

    def __init__(self, told: Callable[[str, dict[str, Any]], None] | None) -> None:
        self._told = told

    def info(self, event: str, **figures: Any) -> None:
        if self._told is not None:
            self._told(event, figures)

    debug = warning = error = critical = info


class Seen:
    """An engine that keeps what it was given and what it made of it, until that is on disk."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self.pending: list[tuple[Event, list[Outgoing]]] = []

    def step(self, event: Event) -> list[Outgoing]:
        out = self.engine.step(event)
        self.pending.append((event, out))
        return out

    def dump(self) -> bytes:
        return self.engine.dump()


class SimHistory(History):
    """Without its thread: it works when the loop asks what is settled and the next look is due."""

    _due_s = 0.0

    def start(self) -> None: ...

    def take(self) -> history.Settled:
        if self._real_s() >= self._due_s:
            self._due_s = self._real_s() + max(self.once(), 60.0)
        return super().take()


class Host:
    """One controller. `down_until_s` is when its process is started again, None while it runs, never: inf."""

    def __init__(self, name: str, folder: Path, site: SiteFile, broker: Broker, machine: SimMachine, rules: Rules,
                 operators: Path, pass_s: Callable[[float], None], told: Callable[[str, dict[str, Any]], None] | None,
                 history_away: Callable[[], bool] | None) -> None:  # fmt: skip
        self.name, self.folder, self.site, self.broker, self.machine, self.rules = name, folder, site, broker, machine, rules
        self.log = Quiet(told)
        self.down_until_s: float = 0.0
        self.loop: Loop | None = None
        self.fuse = 0
        self.commit_s = 0.0
        self.full = False
        self.starts = 0
        self.ended: list[str] = []
        self._operators, self._pass_s, self._history_away = operators, pass_s, history_away
        self._expected: bytes | None = None

    # ---- the process

    @property
    def running(self) -> bool:
        return self.loop is not None

    def turn(self) -> None:
        """One turn of the loop, or the start of the process when it is due."""
        try:
            if self.loop is not None:
                self.loop.turn()
            elif self.broker.now_s() >= self.down_until_s:
                self._start()
        except Killed:
            self.die(self.down_until_s)
        except EngineFailed as failed:
            raise Broken("the engine fails", str(failed)) from failed
        except (JournalError, BusStopped) as error:
            self.ended.append(f"{type(error).__name__}: {error}")
            self._forget(self.broker.now_s() + AGAIN_S)

    def kill_at(self, point: int, until_s: float) -> None:
        """The process dies at the n-th point from now, and is started again later."""
        self.fuse, self.down_until_s = point, until_s

    def die(self, until_s: float) -> None:
        """The process is gone, at once."""
        if self.loop is not None and not self.seen.pending:
            self._expected = self.seen.dump()  # all that it did is on disk: the next must come to the same
        self._forget(until_s)

    def end_in_order(self, again_s: float) -> None:
        if self.loop is not None:
            self.fuse = 0
            try:
                self.loop._end_in_order()
            except JournalError:
                pass
            self._forget(again_s, goodbye=True)
        self.down_until_s = again_s

    def _forget(self, until_s: float, goodbye: bool = False) -> None:
        if self.loop is not None:
            self.bus.gone(goodbye)
            self.stop.close()
        self._close()
        self.loop, self.fuse, self.down_until_s = None, 0, until_s

    def _close(self) -> None:
        journal = getattr(self, "journal", None)
        if journal is not None:
            journal.close()
        self.journal = None

    def _start(self) -> None:
        self.starts += 1
        self.fuse = 0
        journal = self.journal = Journal.open(self.folder, self.site.site.id, self.machine.boot_id())
        self._wire(journal)
        clock = SystemClock(journal.last, None, self.machine)
        epoch = journal.next_epoch()
        decoder, encoder = Decoder(self.site), Encoder(self.site.root)
        engine = restore(Engine, self.site, journal, decoder, self.log)
        if self._expected is not None and engine.dump() != self._expected:
            raise Broken("restart", "the journal does not lead to the state that the process died in")
        self._expected = None
        self.seen = Seen(engine)
        started_at = at(clock.now().wall_s)
        will = Will(encoder, SupervisorStatus(online=False, instance=journal.instance, epoch=epoch, started_at=started_at))
        self.bus = SimBus(self.broker, f"supervisor-{journal.instance}", self.site.broker.echo_timeout_s, will)
        self.bus.publish = self._checked(self.bus.publish)  # type: ignore[method-assign]
        self.bus.settle = self._fused(self._settled(self.bus.settle))  # type: ignore[method-assign]
        self.stop = Stop()
        authority = Authority(self._operators, self.site.site.id)
        inputs = (row for _, row in journal.inputs_after(max(0, journal.seq - 20_000)))
        authority.remember(inputs, f"{self.site.root}/operator/command")
        parts = Parts(self.seen, journal, self.bus, decoder, encoder, clock, self.log, self.stop, will, self._history(journal),
                      authority)  # fmt: skip
        self.loop = Loop(parts, self.site.timing.tick_s, epoch)
        self.loop.begin()

    def _history(self, journal: Journal) -> History | None:
        if self._history_away is None:
            return None

        def post(lines: str) -> Answer:
            if self._history_away():
                raise OSError("no route to the database")
            return Answer(history.WRITTEN, "")

        return SimHistory(journal.path, post, self.machine.steady_s, journal.history_first_id - 1)

    # ---- the disk, and the points at which a process can die

    def _point(self) -> None:
        if self.fuse:
            self.fuse -= 1
            if self.fuse == 0:
                raise Killed

    def _fused(self, call: Callable) -> Callable:
        def wired(*args: Any, **options: Any) -> Any:
            self._point()
            answer = call(*args, **options)
            self._point()
            return answer

        return wired

    def _settled(self, settle: Callable[[], None]) -> Callable[[], None]:
        def settled() -> None:
            self.rules.acknowledges(self.name, self.bus.handed)
            settle()

        return settled

    def _checked(self, publish: Callable) -> Callable:
        fused = self._fused(publish)

        def checked(topic: str, payload: bytes, retain: bool, receipt: int | None = None) -> bool:
            self.rules.leaves(self.name, topic, payload)
            return fused(topic, payload, retain, receipt)

        return checked

    def _wire(self, journal: Journal) -> None:
        if self.starts == 1:  # a name that is the same each time
            journal._db.execute("UPDATE meta SET value = ? WHERE key = 'instance' AND ? != 'copy'", (self.name, self.name))
        commit, write = journal.commit, journal._write
        self.set_full(self.full)

        def committed(batch: Batch) -> None:
            self._point()
            commit(batch)
            pending, self.seen.pending = self.seen.pending, []
            self.rules.on_disk(self.name, pending, batch)
            if self.commit_s:
                self._pass_s(self.commit_s)
            self._point()

        def written(batch: Batch) -> None:
            write(batch)
            self._point()  # within the transaction

        journal.commit = committed  # type: ignore[method-assign]
        journal._write = written  # type: ignore[method-assign]

    def set_full(self, full: bool) -> None:
        """No page more: SQLite itself says that the disk is full."""
        self.full = full
        if getattr(self, "journal", None) is not None:
            pages = self.journal._db.execute("PRAGMA page_count").fetchone()[0] if full else 2**31
            self.journal._db.execute(f"PRAGMA max_page_count = {pages}")

    # ---- the second one

    def copied_to(self, folder: Path) -> None:
        """A copy of the state folder, as somebody makes one of a live one: between two commits."""
        folder.mkdir()
        for name in ("journal.sqlite", "journal.sqlite-wal"):
            if (self.folder / name).exists():
                shutil.copy(self.folder / name, folder / name)

    def witness_copy(self) -> Any:
        return copy.deepcopy(self.rules.witness(self.name).books)


def steps(faults: list[Fault], now_s: float) -> float:
    """How far the wall clock is off."""
    return sum(one.size for one in faults if one.start_s <= now_s < one.end_s)
