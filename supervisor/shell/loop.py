"""The loop: what came in is decided on, written down, and only then sent and acknowledged. One thread, in bounded batches.

    poll the bus -> engine, event by event, a tick at the end -> one commit -> publish -> acknowledge

A tick closes every batch, so a reading is decided on at once, and one comes at least every `tick_s`. A process that dies
at any point loses nothing: what was not committed was not acknowledged and comes again; what was committed and not yet
sent counts as given.
"""

import traceback
from typing import NamedTuple

from supervisor.guard import Cleared
from supervisor.messages import OperatorCommand
from supervisor.shell.audit.events import Auditor, set_aside
from supervisor.shell.authority.judge import Authority
from supervisor.shell.authority.refusals import CommandRefusals
from supervisor.shell.batch import Engine, EngineFailed, Turn
from supervisor.shell.bus import Bus, BusStopped, Received
from supervisor.shell.canary import Canary
from supervisor.shell.clock import Clock
from supervisor.shell.history import History
from supervisor.shell.housekeeping import Housekeeping
from supervisor.shell.journal import Batch, Journal
from supervisor.shell.journal_file import JournalError
from supervisor.shell.logs import Log, say
from supervisor.shell.manager import Manager
from supervisor.shell.notify.desk import Notifying, Silent
from supervisor.shell.outbox import Outbox
from supervisor.shell.rejections import Rejections
from supervisor.shell.signals import Stop
from supervisor.shell.troubles import Troubles
from supervisor.shell.will import Will
from supervisor.shell.wire import Decoded, Decoder, Refused
from supervisor.shell.wire_out import Encoder
from supervisor.values import Event, LinkChanged, PermitRoom, Say, Started, StopDose, Stopping, Ticked

EXIT_DONE = 0
EXIT_FAILED = 1
WAIT_S_MIN = 0.005
GOODBYE_S = 3.0
OVERFLOW_AFTER_S = 10.0
AUDIT_HEAD_EVERY_S = 3600.0  # of real time


class Parts(NamedTuple):
    """What the loop runs on."""

    engine: Engine
    journal: Journal
    bus: Bus
    decoder: Decoder
    encoder: Encoder
    clock: Clock
    log: Log
    stop: Stop
    will: Will
    history: History | None
    authority: Authority | None = None  # None: commands are taken unsigned
    notify: Notifying | None = None
    canary: Canary | None = None  # None: the broker is no gate


class Loop:
    """`run` until told to stop."""

    def __init__(self, parts: Parts, tick_s: float, epoch: int) -> None:
        self.engine, self.journal, self.bus, self.decoder, self.encoder, self.clock, self.log, self.stop = parts[:8]
        self.will = parts.will
        self.authority = parts.authority
        self.command_refusals = CommandRefusals()
        self.tick_s = tick_s
        self.epoch = epoch
        self.auditor = Auditor()
        self.notify = parts.notify or Silent()
        self.canary = parts.canary
        self.manager = Manager(self.clock.real_s)
        self.rejections = Rejections()
        self.troubles = Troubles()
        self.outbox = Outbox(self.journal, self.bus, self.log, self.clock)
        self.housekeeping = Housekeeping(self.journal, parts.history, self.clock, self.troubles)
        self._set_aside = self.journal.faulty_messages()
        self._next_tick_s = 0.0
        self._full_since_s: float | None = None
        self._up = False
        self._head_told_s = self.clock.real_s()

    # -------------------------------------------------------------------------------------------- running

    def run(self) -> int:
        """The exit status. Everything that ends the loop is logged here."""
        try:
            self.begin()
            while not self.stop.asked:
                self.turn()
            return self._end_in_order()
        except EngineFailed as failed:
            self.log.critical("engine_failed", error=str(failed), exit_status=EXIT_FAILED)
        except JournalError as error:
            self.log.critical("journal_failed", error=str(error), exit_status=EXIT_FAILED)
        except BusStopped as error:
            self.log.critical("bus_stopped", error=str(error), exit_status=EXIT_FAILED)
        except Exception as error:
            where = traceback.format_exc(limit=-5)
            self.log.critical("loop_failed", error=f"{type(error).__name__}: {error}", where=where, exit_status=EXIT_FAILED)
        self.manager.ending("ended by a failure, which the log names")
        self._tell_audit_head()
        self.bus.close(GOODBYE_S, goodbye=False)  # the broker publishes the will, and the permits run out
        return EXIT_FAILED

    def begin(self) -> None:
        """The first event of this run, on disk before anything is sent."""
        self.housekeeping.start()
        self.notify.start()
        words = "it does not end where it was left; see stillhold audit verify"
        self.troubles.put("audit_broken", self.journal.audit_broken, words)
        if self.journal.audit_broken:
            self.log.error("audit_found_broken", detail=words)
        self._act(self._turn_with(Started(self.clock.now(), self.epoch, self.journal.instance)))
        self._tell_audit_head()

    def turn(self) -> None:
        """Wait for what comes or for the next tick, and deal with it."""
        came = self.bus.poll(self._wait_s())
        turn = Turn(self.clock.now())
        for notice in came.notices:
            self.log.warning(notice.event, detail=notice.detail)
        for up in came.link:
            turn.add(LinkChanged(turn.now, up))
            self.outbox.link(up)
            self._up = up
            if up and self.canary is not None:
                self.canary.send(self.bus, self.troubles)
        turn.own += self.authority.look(self.clock.real_s()) if self.authority is not None else []
        for raw in came.received:
            self._read(raw, turn)
        self.outbox.confirmed(came.confirmed)
        self._note_overflow(came.full)
        if turn.events or turn.own or turn.now.mono_s >= self._next_tick_s:
            self._note_troubles(turn)
            turn.add(Ticked(turn.now))
            self._next_tick_s = turn.now.mono_s + self.tick_s
            self._act(turn)
            self.manager.turned(self._up)
        self.outbox.refuse(turn.refusals)
        self.bus.settle()
        if self.clock.real_s() - self._head_told_s >= AUDIT_HEAD_EVERY_S:
            self._tell_audit_head()

    def _tell_audit_head(self) -> None:
        """A chain that is written anew from its beginning is sound in itself: only a head that was noted elsewhere shows it."""
        self._head_told_s = self.clock.real_s()
        self.log.info("audit_head", number=self.journal.audit_head.number, hash=self.journal.audit_head.hash)

    def _wait_s(self) -> float:
        return max(WAIT_S_MIN, (self._next_tick_s - self.clock.now().mono_s) / self.clock.speed)

    def _read(self, raw: Received, turn: Turn) -> None:
        if self.canary is not None and self.canary.came_back(raw, self.troubles):
            return
        if (raw.topic, raw.payload) in self._set_aside:
            read = Refused("any", "set_aside", "this message made the engine fail before")
        else:
            read = self.decoder.decode(*raw)
        if not isinstance(read, Refused):
            if self._may(raw, read, turn):
                turn.add_message(raw, read)
            return
        if (read.kind, read.why) == (OperatorCommand.TOPIC, "not_valid"):
            turn.own += self.command_refusals.unreadable(raw.payload, read.reason, turn.now)
        for one in self.rejections.note(read, self.decoder.tail(raw.topic), raw.payload, turn.now):
            if isinstance(one, Say):
                say(self.log, one)
            else:
                turn.refusals.append(self.encoder.encode(one))

    def _may(self, raw: Received, read: Decoded, turn: Turn) -> bool:
        """Whether a message may become an event: a command only when it is its operator's to say."""
        if self.authority is None or not isinstance(read.body, OperatorCommand):
            return True
        refusal = self.authority.judge(raw.payload, read.body, turn.now)
        if refusal is not None:
            turn.own += self.command_refusals.note(refusal, read.body, turn.now)
        return refusal is None

    def _note_overflow(self, full: bool) -> None:
        now_s = self.clock.real_s()
        self._full_since_s = (self._full_since_s or now_s) if full else None
        overflow = self._full_since_s is not None and now_s - self._full_since_s > OVERFLOW_AFTER_S
        words = f"for {OVERFLOW_AFTER_S:g} s more came than was read; the broker may drop messages"
        self.troubles.put("inbound_overflow", overflow, words if overflow else "")

    def _note_troubles(self, turn: Turn) -> None:
        self.housekeeping.tell()
        self.notify.tell(self.troubles)
        words = self.rejections.recent(turn.now)
        self.troubles.put("rejected_messages", words is not None, words or "")
        self.command_refusals.tell(self.troubles, self.authority, turn.now)
        for event in self.troubles.take(turn.now):
            turn.add(event)

    # -------------------------------------------------------------------------------------------- acting

    def _turn_with(self, event: Event) -> Turn:
        turn = Turn(event.now)
        turn.add(event)
        return turn

    def _act(self, turn: Turn, last: bool = False) -> None:
        """Decide, write down, send. Raises EngineFailed after having done what is still safe."""
        try:
            turn.run(self.engine, self.encoder, self.auditor)
        except EngineFailed as failed:
            self._give_up(turn, failed)
            raise
        batch = self._batch(turn)
        self.housekeeping.add_to(batch, turn, self.engine, snapshot=last)
        answers = self.outbox.write(batch, turn.answers)
        self.journal.commit(batch)
        self.housekeeping.committed(batch)
        self.notify.committed()
        if turn.status is not None:
            self.will.status = turn.status
        self.outbox.send(turn.messages)
        self.outbox.answer(answers)
        for one in turn.said:
            say(self.log, one)

    def _batch(self, turn: Turn) -> Batch:
        batch = Batch(self.clock.mark(turn.now), turn.inputs, turn.decisions, turn.lines, audit=turn.audit)
        batch.own = turn.own_decisions
        batch.notify = self.notify.decide(turn.alarms, turn.now)
        return batch

    def _give_up(self, turn: Turn, failed: EngineFailed) -> None:
        """The engine cannot be trusted any more. Keep what it did before, set the event at fault aside so that it does
        not come again, and send nothing but stops and withdrawals, which can do no harm."""
        fault = (turn.inputs[failed.index], str(failed))
        turn.cut(failed.index)
        withdrawals = Turn(turn.now, events=[Stopping(turn.now)])
        try:
            withdrawals.run(_OnlyWithdrawals(self.engine), self.encoder, self.auditor)
        except EngineFailed:
            self.log.error("no_withdrawal", detail="permits and leases run out by themselves")
        batch = self._batch(turn)
        batch.fault = fault
        batch.own += [(max(0, failed.index - 1), what) for _, what in withdrawals.decisions]
        batch.audit += [set_aside(*fault), *withdrawals.audit]
        self.outbox.write(batch, turn.answers)
        self.journal.commit(batch)
        self.outbox.send(withdrawals.messages)

    def _end_in_order(self) -> int:
        self.manager.ending("withdrawing every permit")
        self._act(self._turn_with(Stopping(self.clock.now())), last=True)
        said = self.bus.close(GOODBYE_S)
        now = self.clock.now()
        self.journal.commit(Batch(self.clock.mark(now), notify=self.notify.stop(GOODBYE_S, now)))
        self.housekeeping.stop()
        self._tell_audit_head()
        self.log.info("stopped", state_saved=True, broker_told=said, inputs=self.journal.seq, exit_status=EXIT_DONE)
        return EXIT_DONE


class _OnlyWithdrawals:
    """An engine of which only stops and withdrawn permits come through."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    def step(self, event: Event) -> list[Cleared]:
        return [one for one in self._engine.step(event) if isinstance(one, Cleared) and _harmless(one)]

    def dump(self) -> bytes:
        return self._engine.dump()


def _harmless(cleared: Cleared) -> bool:
    effect = cleared.effect
    if isinstance(effect, PermitRoom):
        return not effect.dosing_permitted and not effect.air_permitted
    return isinstance(effect, StopDose)
