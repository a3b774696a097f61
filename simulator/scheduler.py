"""The order in which things happen inside the plant: by simulated time, then as they were planned."""

from collections.abc import Callable
from heapq import heappop, heappush

Act = Callable[[], None]


class Scheduler:
    """A queue of acts over simulated time in whole milliseconds. It reads no clock; `run_until` moves time."""

    def __init__(self, start_ms: int) -> None:
        self.now_ms = start_ms
        self._queue: list[tuple[int, int, Act]] = []
        self._order = 0

    def at(self, when_ms: int, act: Act) -> None:
        """Plan an act; one planned for the past happens at the next opportunity, never before now."""
        self._order += 1
        heappush(self._queue, (when_ms if when_ms > self.now_ms else self.now_ms, self._order, act))

    def every(self, first_ms: int, period_ms: int, act: Act) -> None:
        """Plan an act again and again, drifting never."""

        def beat() -> None:
            act()
            self.at(self.now_ms + period_ms, beat)

        self.at(first_ms, beat)

    def run_until(self, to_ms: int) -> None:
        """Do everything planned up to and including an instant, then stand at that instant; never goes back."""
        queue = self._queue
        while queue and queue[0][0] <= to_ms:
            self.now_ms, _, act = heappop(queue)
            act()
        self.now_ms = max(self.now_ms, to_ms)
