"""The permit of one room as one hardware unit believes it: a heartbeat without which its valves stand shut."""

from collections.abc import Callable

from .scheduler import Scheduler
from .units import Unit
from .wire import Permit

# No permit is believed for longer than this ahead (message contract).
BELIEVED_MS = 60_000


class RoomPermit:
    """Holds the permit in force; tells `cut` when valves must shut. Starts with none: shut."""

    def __init__(self, unit: Unit, scheduler: Scheduler, cut: Callable[[], None]) -> None:
        self._unit, self._scheduler, self._cut = unit, scheduler, cut
        self._dosing = self._air = False
        self._until_ms = 0
        self._epoch = self._valid_until_ms = 0  # of the permit in force, in its own words

    def covers(self, gas: str) -> bool:
        """Whether a valve for this gas may stand open now."""
        if self._scheduler.now_ms >= self._until_ms:
            return False
        return self._air if gas == "air" else self._dosing

    def receive(self, permit: Permit, retained: bool) -> str | None:
        """Believe a permit, or why not (`unit off`, `retained`, `old_epoch`, `expired`, `older`); the one before stays then.

        Every permit ends later than the ones before it, so one that ends earlier is an old one delivered late or twice.
        It may still forbid, and may not allow.
        """
        if self._unit.off:
            return "unit off"
        if retained:
            return "retained"
        if permit.epoch < self._unit.epoch.seen:
            return "old_epoch"
        left_ms = permit.valid_until_ms - self._unit.now_ms
        if left_ms <= 0:
            return "expired"
        in_force = permit.epoch == self._epoch and self._scheduler.now_ms < self._until_ms
        older = in_force and permit.valid_until_ms < self._valid_until_ms
        if older and (permit.dosing or permit.air):
            return "older"
        self._dosing, self._air = permit.dosing, permit.air
        if not older:
            self._hold(permit, left_ms)
        self._cut()
        return None

    def _hold(self, permit: Permit, left_ms: int) -> None:
        self._unit.epoch.see(permit.epoch)
        self._epoch, self._valid_until_ms = permit.epoch, permit.valid_until_ms
        self._until_ms = self._scheduler.now_ms + min(left_ms, BELIEVED_MS)
        self._scheduler.at(self._until_ms, self._cut)

    def forget(self) -> None:
        """A unit that lost its power believes nothing."""
        self._until_ms = 0
