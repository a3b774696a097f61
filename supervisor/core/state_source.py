"""What is remembered of the sources and of the lines before them: part of `state.py`, plain data like the rest."""

from dataclasses import dataclass, field


@dataclass(slots=True)
class Source:
    """What a source last said of itself; None is unknown. `pure_since_mono_s` and `pressed_since_mono_s`: since when its meter
    has read within its limits without a gap; `well_since_mono_s`: since when it may be asked for gas. `short_at` counts by
    enclosure the doses that fell short since one was full.
    """

    available: bool | None = None
    capacity_nl_min: float | None = None
    o2_pct: float | None = None
    pressure_kpa: float | None = None
    stock_kg: float | None = None
    heard_mono_s: float | None = None
    short_at: dict[str, int] = field(default_factory=dict)
    pure_since_mono_s: float | None = None
    pressed_since_mono_s: float | None = None
    well_since_mono_s: float | None = None


@dataclass(slots=True)
class Wait:
    """A valve's place in the line before its source: since when it waits, the leases it has had of its turn, and whether at
    the last sweep nothing but the others was in its way.
    """

    since_mono_s: float
    leases: int = 0
    ready: bool = False


@dataclass(slots=True)
class Tally:
    """What a valve's requests came to, since ever. `late`: the last word came after the lease and its grace; `silent`: none."""

    full: int = 0
    short: int = 0
    over: int = 0
    refused: int = 0
    stopped: int = 0
    silent: int = 0
    late: int = 0
