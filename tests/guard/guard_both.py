"""The core and the guard side by side: they are written apart on purpose, and must agree to the message."""

from supervisor.core.site import Core
from supervisor.guard import Cleared, Guard
from supervisor.settings import SiteFile
from supervisor.values import Event, PermitRoom, RequestDose


class Both:
    """The core beside the guard: whatever the one asks for, the other must allow."""

    def __init__(self, site: SiteFile, before: "Both | None" = None) -> None:
        """`before` is what there was until now, perhaps by another site file."""
        self.core = Core(site) if before is None else Core.load(site, before.core.dump())
        self.guard = Guard(site) if before is None else Guard.load(site, before.guard.dump())
        self.allowed, self.refused, self.reasons = 0, [], []

    def observe(self, event: Event) -> None:
        self.guard.observe(event)
        for effect in self.core.step(event):
            if isinstance(effect, PermitRoom | RequestDose):
                answer = self.guard.judge(effect, event.now)
                self.allowed += isinstance(answer, Cleared) and isinstance(effect, PermitRoom) and effect.air_permitted
                self.refused += [] if isinstance(answer, Cleared) else [(event.now.mono_s, effect, answer)]
        self.reasons += [reason for room in self.core.state.rooms.values() for reason in room.reasons]
