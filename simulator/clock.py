"""Scaled time: every process that is given the same start and speed agrees on the simulated time.

simulated = start + (real - start) * speed. The machine's wall clock is asked once; from then on a clock that does not
step carries on, so that setting the machine's time does not become a jump times speed.
"""

import time
from collections.abc import Callable


def _since_boot_s() -> float:
    # It goes on while the machine is suspended: gas goes on too.
    return time.clock_gettime(time.CLOCK_BOOTTIME)


class ScaledClock:
    """Simulated Unix seconds. Raises ValueError when the speed is not above 0 and at most a million."""

    def __init__(
        self,
        start_s: float,
        speed: float,
        *,
        steady: Callable[[], float] = _since_boot_s,
        wall: Callable[[], float] = time.time,
    ) -> None:
        if not 0.0 < speed <= 1e6:
            raise ValueError(f"--speed is {speed:g}, allowed is above 0 and up to 1000000")
        self.start_s, self.speed, self._steady = start_s, speed, steady
        self._steady_at_start_s = steady() - (wall() - start_s)

    def now_s(self) -> float:
        return self.start_s + (self._steady() - self._steady_at_start_s) * self.speed
