"""What leaves: sent when the link is proved, and not kept for later but where it says so.

A request or a permit that could not be sent is old news by the time the link is back. Retained state is the bus's to
send again then; and all of it is said again now and then, because a broker that lost a word of it would keep an old one, an
alarm that nobody sees, for as long as nothing changes. An answer to an operator waits in the journal until the broker has
it. A few refusals wait in memory: what is wrong at a gateway is often heard first while the link is not yet proved.
"""

from collections import deque
from collections.abc import Iterable

from supervisor.shell.bus import Bus
from supervisor.shell.clock import Clock
from supervisor.shell.journal import Batch, Journal, Outcome
from supervisor.shell.logs import Log
from supervisor.shell.wire_out import Encoded

TOLD_EVERY_S = 60.0
REFUSALS_HELD_MAX = 50
PICTURE_EVERY_S = 600.0  # of real time


class Outbox:
    """Between the loop and the bus."""

    def __init__(self, journal: Journal, bus: Bus, log: Log, clock: Clock) -> None:
        self._journal = journal
        self._bus = bus
        self._log = log
        self._clock = clock
        self.waiting: dict[int, Outcome] = {one.id: one for one in journal.open_outcomes()}
        self._done: list[int] = []
        self._refusals: deque[Encoded] = deque(maxlen=REFUSALS_HELD_MAX)
        self._had_link = False
        self._unsent = 0
        self._told_s: float | None = None
        self._picture: dict[str, Encoded] = {}
        self._picture_s = clock.real_s()

    def send(self, messages: Iterable[Encoded]) -> None:
        """Send what is on disk, or what need not be."""
        for one in messages:
            topic, payload, retain = one
            if retain:
                self._picture[topic] = one
            # Before the first link there is nobody yet whom it could have reached.
            if not self._bus.publish(topic, payload, retain) and not retain and self._had_link:
                self._unsent += 1
        self._say_again()
        self._tell()

    def refuse(self, messages: Iterable[Encoded]) -> None:
        """Publish refusals, now or when the link is there."""
        self._refusals.extend(messages)
        while self._refusals and self._bus.publish(*self._refusals[0]):
            self._refusals.popleft()

    def write(self, batch: Batch, answers: Iterable[Encoded]) -> list[Outcome]:
        """Put answers, and the end of those that the broker has, into `batch`."""
        batch.outcomes = [self._journal.outcome(one.topic, one.payload) for one in answers]
        batch.outcomes_done, self._done = self._done, []
        return batch.outcomes

    def answer(self, answers: Iterable[Outcome]) -> None:
        """Send answers that are on disk."""
        for one in answers:
            self.waiting[one.id] = one
            self._bus.publish(one.topic, one.payload, False, receipt=one.id)

    def link(self, up: bool) -> None:
        """Whenever the link comes up, what was not confirmed goes out again."""
        if up:
            self._had_link = True
            self.answer(list(self.waiting.values()))
            self.refuse(())

    def confirmed(self, receipts: Iterable[int]) -> None:
        for receipt in receipts:
            if self.waiting.pop(receipt, None) is not None:
                self._done.append(receipt)

    def _say_again(self) -> None:
        if self._clock.real_s() - self._picture_s >= PICTURE_EVERY_S:
            self._picture_s = self._clock.real_s()
            for one in self._picture.values():
                self._bus.publish(*one)

    def _tell(self) -> None:
        now_s = self._clock.real_s()
        if self._unsent and (self._told_s is None or now_s - self._told_s >= TOLD_EVERY_S):
            self._log.warning("not_sent", messages=self._unsent, detail="no link to the broker, or its queue is full")
            self._told_s, self._unsent = now_s, 0
