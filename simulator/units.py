"""Hardware units: gateways with a clock, a boot and a voice; and the one epoch that a site's units share."""

from collections.abc import Callable
from typing import Any

from .faults import FaultBoard
from .scheduler import Scheduler
from .stamp import to_text

Send = Callable[[str, dict[str, Any], bool], None]


class Epoch:
    """The highest epoch that any unit of the site has seen."""

    __slots__ = ("seen",)

    def __init__(self, seen: int = 0) -> None:
        self.seen = seen

    def see(self, epoch: int) -> None:
        self.seen = max(self.seen, epoch)


class Unit:
    """One gateway. What it sends bears its own clock's time; when it is off it sends and hears nothing."""

    def __init__(
        self,
        unit_id: str,
        boot: str,
        epoch: Epoch,
        scheduler: Scheduler,
        faults: FaultBoard,
        send: Send,
    ) -> None:
        self.id, self.boot, self.epoch = unit_id, boot, epoch
        self._scheduler, self._faults, self._send = scheduler, faults, send
        self._boots = 1
        self.offset_ms = 0
        self._drift = 0.0  # ms that its clock gains in one
        self._drift_from_ms = 0
        self._stands_at_ms: int | None = None
        self.off = False
        self._stamped_ms, self._stamped = -1, ""

    @property
    def now_ms(self) -> int:
        """The unit's own clock."""
        if self._stands_at_ms is not None:
            return self._stands_at_ms
        gained_ms = round((self._scheduler.now_ms - self._drift_from_ms) * self._drift) if self._drift else 0
        return self._scheduler.now_ms + self.offset_ms + gained_ms

    def stamp(self) -> str:
        """The unit's own clock as it goes on the wire."""
        now_ms = self.now_ms
        if now_ms != self._stamped_ms:
            self._stamped_ms, self._stamped = now_ms, to_text(now_ms)
        return self._stamped

    def send(self, topic: str, payload: dict[str, Any], retain: bool = False) -> None:
        if not self.off:
            self._send(topic, payload, retain)

    def heartbeat(self) -> None:
        """`hardware/<unit>/status`, retained."""
        self.send(f"hardware/{self.id}/status", self.status(online=True), True)

    def status(self, *, online: bool) -> dict[str, Any]:
        """The payload of the unit's status; the will is the one with `online` false."""
        return {"observed_at": self.stamp(), "online": online, "boot": self.boot, "epoch_seen": self.epoch.seen}

    def refresh(self) -> None:
        """Look at the faults again. A unit that dies leaves its will, one that comes back has a new boot."""
        self.offset_ms = round((self._faults.size("clock_offset", self.id) or 0.0) * 1000)
        drift = (self._faults.size("clock_drift", self.id) or 0.0) / 3600.0
        if drift != self._drift:
            self._drift, self._drift_from_ms = drift, self._scheduler.now_ms
        frozen = self._faults.stands("clock_frozen", self.id)
        if frozen != (self._stands_at_ms is not None):
            self._stands_at_ms = self.now_ms if frozen else None
        off = self._faults.stands("unit_off", self.id)
        if off and not self.off:
            self.send(f"hardware/{self.id}/status", self.status(online=False), True)
            self.off = True
        elif self.off and not off:
            self.off = False
            self._boots += 1
            self.boot = f"{self.boot.rsplit('-', 1)[0]}-{self._boots}"
            self.heartbeat()
