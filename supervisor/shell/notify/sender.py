"""Sends messages in threads of its own: a dead server never slows the loop, and never keeps others from being told.

Each way of each person is a queue of its own that one thread at a time works at, with a growing pause after a failure.
What came of it the loop takes with `take` and writes down. Times are real seconds.
"""

import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, NamedTuple

from supervisor.shell.notify.addresses import AddressError
from supervisor.shell.notify.packing import PRIORITIES
from supervisor.shell.notify.store import Message
from supervisor.shell.notify.transport import Transport

THREADS = 4
BACKOFF_S_MIN = 2.0
BACKOFF_S_MAX = 60.0
STUCK_S = 30.0
FAILING_AFTER_S = 60.0
TAKEN_ELSEWHERE_S = 3600.0  # a way that fails for so long is let go when another way has the message
GIVE_UP_S = 86_400.0
LOOK_S = 1.0

AddressBook = Callable[[str], dict[str, str]]


class Ended(NamedTuple):
    """For the journal: one way of a message, or the whole of it where `way` is None."""

    message: Message
    way: str | None
    how: Literal["sent", "dropped", "given_up"]


@dataclass(slots=True)
class _Job:
    """One message by one way; `way` None until the address book was read."""

    message: Message
    way: str | None
    address: str
    born_s: float
    attempts: int = 0


@dataclass(slots=True)
class _Line:
    """How one way of one person does. `failing_s` is since when, None while it works."""

    busy: bool = False
    next_s: float = 0.0
    pause_s: float = 0.0
    failing_s: float | None = None
    why: str = ""


class Sender:
    """`put` messages that are in the journal as begun; `take` what became of them."""

    def __init__(self, book: AddressBook, transport: Transport, real_s: Callable[[], float]) -> None:
        self._book, self._transport, self._real_s = book, transport, real_s
        self._turn = threading.Condition()
        self._jobs: list[_Job] = []
        self._lines: dict[tuple[str, str | None], _Line] = {}
        self._ended: list[Ended] = []
        self._has: dict[int, set[str]] = {}
        self._succeeded = False
        self._stop = False
        self._threads = [threading.Thread(target=self._work, name=f"notify-{n}", daemon=True) for n in range(THREADS)]

    def start(self) -> None:
        for thread in self._threads:
            thread.start()

    def stop(self, patience_s: float) -> None:
        """End after the attempts under way; what they do not settle is sent again after the next start."""
        with self._turn:
            self._stop = True
            self._turn.notify_all()
        deadline_s = self._real_s() + patience_s
        for thread in self._threads:
            if thread.is_alive():
                thread.join(max(0.0, deadline_s - self._real_s()))

    # -------------------------------------------------------------------------------------------- the loop's calls

    def put(self, messages: list[Message]) -> None:
        now_s = self._real_s()
        with self._turn:
            for message in messages:
                self._has[message.id] = set(message.done)
                self._jobs.append(_Job(message, None, "", now_s))
            self._turn.notify_all()

    def take(self) -> list[Ended]:
        """What ended since the last call."""
        with self._turn:
            ended, self._ended = self._ended, []
        return ended

    def stuck(self) -> set[str]:
        """People with a message that for a while no server has taken."""
        now_s = self._real_s()
        with self._turn:
            return {
                job.message.person
                for job in self._jobs
                if now_s - job.born_s >= STUCK_S and not self._has[job.message.id]
            }

    def failing(self) -> str | None:
        """In words, which ways have failed for a minute; empty when all work, None when nothing was tried yet."""
        now_s = self._real_s()
        with self._turn:
            words = [
                f"{person} by {way or 'any way'}: {line.why}, for {(now_s - line.failing_s) / 60:.0f} min"
                for (person, way), line in sorted(self._lines.items(), key=lambda one: (one[0][0], one[0][1] or ""))
                if line.failing_s is not None and now_s - line.failing_s >= FAILING_AFTER_S
            ]
            waiting = len({job.message.id for job in self._jobs})
            if words:
                return f"{'; '.join(words)[:600]}; {waiting} messages wait"
            return "" if self._succeeded else None

    # -------------------------------------------------------------------------------------------- the threads

    def _work(self) -> None:
        while True:
            with self._turn:
                job = self._next()
                while job is None and not self._stop:
                    self._turn.wait(LOOK_S)
                    job = self._next()
                if self._stop or job is None:
                    return
                line = self._line(job)
                line.busy = True
                job.attempts += 1
            why, spread = self._try(job)
            with self._turn:
                line.busy = False
                self._settle(job, line, why, spread)
                self._turn.notify_all()

    def _try(self, job: _Job) -> tuple[str | None, list[_Job]]:
        try:
            if job.way is None:
                ways = self._book(job.message.person)
                return None, [_Job(job.message, way, address, job.born_s) for way, address in ways.items()]
            # The address may have been mended since the last attempt.
            address = self._book(job.message.person).get(job.way) if job.attempts > 1 else job.address
            if address is None:
                return None, [_Job(job.message, None, "", job.born_s)]
            again = job.attempts > 1 or job.message.again
            return self._transport(address, job.message, again), []
        except AddressError as error:
            return str(error), []
        except Exception as error:
            return f"the attempt failed ({type(error).__name__})", []

    def _settle(self, job: _Job, line: _Line, why: str | None, spread: list[_Job]) -> None:
        now_s = self._real_s()
        if why is None:
            line.failing_s, line.pause_s, line.next_s, line.why = None, 0.0, now_s, ""
            self._jobs.remove(job)
            self._jobs += [one for one in spread if one.way is None or not self._is_known(one)]
            if job.way is None:
                self._forget_ways(job.message.person, {one.way for one in spread})
            elif not spread:
                self._succeeded = True
                self._has[job.message.id].add(job.way)
                self._ended.append(Ended(job.message, job.way, "sent"))
        else:
            line.failing_s = now_s if line.failing_s is None else line.failing_s
            line.why = why
            line.pause_s = min(BACKOFF_S_MAX, max(BACKOFF_S_MIN, 2 * line.pause_s))
            line.next_s = now_s + line.pause_s
            age_s = now_s - job.born_s
            if age_s >= GIVE_UP_S or (age_s >= TAKEN_ELSEWHERE_S and self._has[job.message.id]):
                self._jobs.remove(job)
                if job.way is not None:
                    self._ended.append(Ended(job.message, job.way, "dropped"))
        if not any(other.message.id == job.message.id for other in self._jobs):
            self._ended.append(Ended(job.message, None, "sent" if self._has.pop(job.message.id) else "given_up"))

    def _is_known(self, job: _Job) -> bool:
        """Whether this way has the message, or is being tried."""
        same = (one.way == job.way and one.message.id == job.message.id for one in self._jobs)
        return job.way in self._has[job.message.id] or any(same)

    def _forget_ways(self, person: str, there: set[str | None]) -> None:
        """What is not in the address book any more does not fail any more."""
        for key in [key for key in self._lines if key[0] == person and key[1] is not None and key[1] not in there]:
            if not self._lines[key].busy:
                del self._lines[key]

    def _next(self) -> _Job | None:
        """Ways that work come first, then what was tried least, then the worst; one thread is always kept for these."""
        now_s = self._real_s()
        hoping = sum(line.busy and line.failing_s is not None for line in self._lines.values())

        def may(job: _Job) -> bool:
            line = self._line(job)
            return not line.busy and line.next_s <= now_s and (line.failing_s is None or hoping < THREADS - 1)

        def rank(job: _Job) -> tuple[bool, int, int, int]:
            failing = self._line(job).failing_s is not None
            return failing, job.attempts, PRIORITIES.index(job.message.priority), job.message.id

        return min(filter(may, self._jobs), key=rank, default=None)

    def _line(self, job: _Job) -> _Line:
        return self._lines.setdefault((job.message.person, job.way), _Line())
