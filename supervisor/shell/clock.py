"""The clock: the only place that asks the machine what time it is.

Three times, never mixed. `Now.mono_s` never goes back, also not over a restart or a reboot: it resumes from the mark
that the journal kept. `Now.wall_s` is UTC and may jump. `real_s` is the machine's own time since boot, for what happens
outside the site's time: the broker link, retries, how long to wait. At a pace (demo, drills) the first two run faster
than the third, and every process that is given the same pace agrees on the wall time.
"""

import time
from pathlib import Path
from typing import NamedTuple, Protocol

from supervisor.values import Now

_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


class Mark(NamedTuple):
    """Where the clock stood at a commit: enough to resume from, whatever the machine did since."""

    mono_s: float
    wall_s: float
    boot_s: float
    boot_id: str


class Pace(NamedTuple):
    """Scaled time: at the real instant `start_s` (UTC seconds since 1970) all clocks agree, then run `speed` times.

    Without a start it is the instant at which the clock is made, and only that one clock goes by it.
    """

    start_s: float | None
    speed: float


class Machine:
    """What the clock reads of the machine."""

    def steady_s(self) -> float:
        # CLOCK_BOOTTIME rather than CLOCK_MONOTONIC: it goes on while the machine is suspended, and gas goes on too.
        return time.clock_gettime(time.CLOCK_BOOTTIME)

    def wall_s(self) -> float:
        return time.time()

    def boot_id(self) -> str:
        return boot_id()


class Clock(Protocol):
    """What the shell asks of a clock."""

    speed: float

    def now(self) -> Now:
        """The site's time."""
        ...

    def real_s(self) -> float:
        """Seconds of the machine's own time since its boot; never goes back while the machine is up."""
        ...

    def mark(self, now: Now) -> Mark:
        """`now` with what is needed to resume from it."""
        ...


class SystemClock:
    """The machine's clock, at `pace` if given, resumed from `last` if there is one. `machine` stands in for it in simulations.

    Raises ValueError when the speed is not a positive finite number.
    """

    def __init__(self, last: Mark | None = None, pace: Pace | None = None, machine: Machine | None = None) -> None:
        if pace is not None and not 0 < pace.speed <= 1e6:
            raise ValueError(f"speed is {pace.speed:g}, allowed is above 0 and up to 1000000")
        self.speed = 1.0 if pace is None else pace.speed
        self._machine = machine or Machine()
        self.boot_id = self._machine.boot_id()
        self._boot_0 = self.real_s()
        self._real_wall_0 = self._machine.wall_s()
        self._scaled_from_s = None if pace is None else self._real_wall_0 if pace.start_s is None else pace.start_s
        self._mono_0 = 0.0 if last is None else last.mono_s + self._away_s(last)

    def now(self) -> Now:
        real = self.real_s()
        return Now(self._mono_0 + (real - self._boot_0) * self.speed, self._wall_s(real))

    def real_s(self) -> float:
        return self._machine.steady_s()

    def mark(self, now: Now) -> Mark:
        return Mark(now.mono_s, now.wall_s, self.real_s(), self.boot_id)

    def _wall_s(self, real: float) -> float:
        if self._scaled_from_s is None:
            return self._machine.wall_s()
        # From the time since boot, so that a step of the machine's wall clock does not become a step times speed.
        real_wall = self._real_wall_0 + (real - self._boot_0)
        return self._scaled_from_s + (real_wall - self._scaled_from_s) * self.speed

    def _away_s(self, last: Mark) -> float:
        """Site seconds since `last`. Without the same boot only the wall clock can tell, and it may stand wrong."""
        if last.boot_id == self.boot_id and self.boot_id:
            return max(0.0, self._boot_0 - last.boot_s) * self.speed
        return max(0.0, self._wall_s(self._boot_0) - last.wall_s)


def boot_id() -> str:
    """Names this boot of the machine; empty where the system does not tell."""
    try:
        return _BOOT_ID.read_text(encoding="ascii").strip()
    except OSError:
        return ""
