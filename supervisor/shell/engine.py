"""The guard, the watch and the core put together: one pure function from outside events to what leaves the process.

Live control, the rehearsal, replay and the tests all run this and nothing else. What the parts say to each other (a
refusal of the guard, a finding of the watch) follows from the outside events alone, so only those need a journal.
"""

from pydantic import Base64Bytes, BaseModel

from supervisor.core.reasons import Told
from supervisor.core.site import Core
from supervisor.core.state import SiteState
from supervisor.guard import Cleared, Guard, Refusal
from supervisor.messages import EnclosureState
from supervisor.settings import SiteFile
from supervisor.values import (
    Effect,
    Event,
    Now,
    PermitRefused,
    PermitRoom,
    Publish,
    RequestDose,
    RequestRefused,
    Row,
    Say,
    StopDose,
)  # fmt: skip
from supervisor.watch import Watch

Outgoing = Cleared | Publish | Row | Say


class _Snapshot(BaseModel):
    core: Base64Bytes
    guard: Base64Bytes
    watch: Base64Bytes


def snapshot_of_core(blob: bytes) -> bytes:
    """The core's part of what `Engine.dump` wrote, as JSON. Raises `pydantic.ValidationError` when `blob` is something else."""
    return _Snapshot.model_validate_json(blob).core


class Engine:
    """One site's control. `step` takes an outside event and returns what has to leave, in order."""

    def __init__(self, site: SiteFile) -> None:
        self._core, self._guard, self._watch = Core(site), Guard(site), Watch(site)

    @classmethod
    def load(cls, site: SiteFile, blob: bytes) -> "Engine":
        """The engine that `dump` wrote down. Raises `pydantic.ValidationError` when `blob` is something else."""
        kept = _Snapshot.model_validate_json(blob)
        engine = cls(site)
        engine._core = Core.load(site, kept.core)
        engine._guard = Guard.load(site, kept.guard)
        engine._watch = Watch.load(site, kept.watch)
        return engine

    @property
    def core_state(self) -> SiteState:
        """What the core remembers, to be looked at and never changed."""
        return self._core.state

    def dump(self) -> bytes:
        """Everything the three remember, as JSON."""
        import base64

        parts = {"core": self._core.dump(), "guard": self._guard.dump(), "watch": self._watch.dump()}
        return _Snapshot(**{name: base64.b64encode(blob) for name, blob in parts.items()}).model_dump_json().encode()

    def listen(self, told: list[Told] | None) -> None:
        """The core's reasons go into `told` from now on. It changes no decision."""
        self._core.told = told

    def step(self, event: Event) -> list[Outgoing]:
        """The guard sees every event first, then the watch, then the core; what the core asks goes back to the guard."""
        self._guard.observe(event)
        findings = self._watch.observe(event)
        outgoing: list[Outgoing] = []
        self._carry(self._core.step(event), event.now, outgoing)
        for finding in findings:
            self._carry(self._core.step(finding), event.now, outgoing)
        return outgoing

    def _carry(self, effects: list[Effect], now: Now, outgoing: list[Outgoing]) -> None:
        for effect in effects:
            if isinstance(effect, RequestDose | PermitRoom | StopDose):
                self._judge(effect, now, outgoing)
                continue
            if isinstance(effect, Publish) and isinstance(effect.body, EnclosureState):
                self._guard.announce(effect.names[0], effect.body.state, now)
                self._watch.announce(effect.names[0], effect.body.verdict in ("good", "none"))
            outgoing.append(effect)

    def _judge(self, effect: RequestDose | PermitRoom | StopDose, now: Now, outgoing: list[Outgoing]) -> None:
        verdict = self._guard.judge(effect, now)
        if isinstance(verdict, Cleared):
            if isinstance(effect, RequestDose):
                self._watch.observe_request(effect, now)
            outgoing.append(verdict)
            return
        self._carry(self._core.step(_no(effect, verdict, now)), now, outgoing)


def _no(effect: RequestDose | PermitRoom | StopDose, why: Refusal, now: Now) -> RequestRefused | PermitRefused:
    if isinstance(effect, PermitRoom):
        return PermitRefused(now, effect.room, why.rule, why.measured, why.limit)
    return RequestRefused(
        now, effect.request_id or "", effect.enclosure, effect.gas, why.rule, why.measured, why.limit
    )
