"""What the shell's tests share: the example site, a clock that stands still until it is told, good payloads."""

import json
from pathlib import Path

from supervisor.guard import Cleared
from supervisor.settings import SiteFile
from supervisor.shell.clock import Mark
from supervisor.sitefile import load
from supervisor.values import Now, PermitRoom, RequestDose, StopDose

TOP = Path(__file__).resolve().parents[2]
EXAMPLE = TOP / "config" / "quillfen.toml"
T0 = 1_788_000_000.0  # 2026-08-29T10:40:00Z


def example_site(**broker: object) -> SiteFile:
    site = load(EXAMPLE)
    return site.model_copy(update={"broker": site.broker.model_copy(update=broker)}) if broker else site


class StillClock:
    """Stands still; `go` moves all three times."""

    def __init__(self, mono_s: float = 0.0, wall_s: float = T0) -> None:
        self.speed = 1.0
        self.mono_s = mono_s
        self.wall_s = wall_s
        self.boot_s = 1000.0

    def go(self, seconds: float) -> None:
        self.mono_s += seconds
        self.wall_s += seconds
        self.boot_s += seconds

    def now(self) -> Now:
        return Now(self.mono_s, self.wall_s)

    def real_s(self) -> float:
        return self.boot_s

    def mark(self, now: Now) -> Mark:
        return Mark(now.mono_s, now.wall_s, self.boot_s, "boot")


def reading(seq: int = 1, **changed: object) -> bytes:
    body: dict[str, object] = {
        "observed_at": "2026-08-29T10:40:00.000Z", "boot": "b1", "seq": seq, "line": "line-01",
        "o2_pct": 3.0, "co2_pct": 17.9, "settled": True, "status": "ok",
    }  # fmt: skip
    return json.dumps(body | changed).encode()


def cleared(effect: RequestDose | StopDose | PermitRoom) -> Cleared:
    """The guard's yes without the guard; what it takes to get one from it is tested there."""
    made = object.__new__(Cleared)
    object.__setattr__(made, "effect", effect)
    return made
