"""What is remembered of an analyser's calibration: the corrections that stand, the run under way, what came of those before.

Plain data: it is part of the state, and of its snapshot.
"""

from dataclasses import dataclass, field


@dataclass(slots=True)
class Correction:
    """How one gas of an instrument is read: true = gain * (told - offset_pct)."""

    offset_pct: float = 0.0
    gain: float = 1.0


@dataclass(slots=True)
class Result:
    """What came of drawing one gas. `*_told_pct` are the means of what the instrument said, `*_error_pct` by how much it reads
    too high with the corrections that stood then, `*_doubt_pct` how much of that may be the gas's and the mean's own.

    `gas` is empty for a room's air, which only bears witness.
    """

    line: str
    gas: str
    use: str
    certificate: str
    o2_told_pct: float
    co2_told_pct: float
    o2_error_pct: float
    co2_error_pct: float
    o2_doubt_pct: float
    co2_doubt_pct: float
    taken_mono_s: float
    taken_wall_s: float
    by: str = ""


@dataclass(slots=True)
class Run:
    """A line to be drawn for calibration: since when, when the analyser was sent there, the last readings that count, oldest
    first. `own`: the instrument says that it corrects its readings itself.
    """

    line: str
    gas: str
    asked_mono_s: float
    by: str = ""
    sent_mono_s: float | None = None
    own: bool = False
    o2_pct: list[float] = field(default_factory=list)
    co2_pct: list[float] = field(default_factory=list)


@dataclass(slots=True)
class Pending:
    """A result beyond the action limit. While it `hears`, other gases bear witness (`heard` are the lines that did); `judged`,
    it waits for a person. `o2` and `co2` are what it would change, None where it tells nothing; `applies`: it may be accepted.
    """

    result: Result
    twice: bool
    words: str
    hears: bool
    applies: bool
    o2: Correction | None = None
    co2: Correction | None = None
    heard: list[str] = field(default_factory=list)
    judged: bool = False


@dataclass(slots=True)
class Calibration:
    """`good_mono_s` is when each gas was last found or put right, `tried_mono_s` when it was last drawn at all and `came_of`
    what came of it. `asked` are gases that a person or another result wants drawn, by whom; `suspect` those that are not
    what they should be, by their certificate. `untrue` says why nothing that this analyser reads is good.
    """

    o2: Correction = field(default_factory=Correction)
    co2: Correction = field(default_factory=Correction)
    known_mono_s: float | None = None
    run: Run | None = None
    pending: Pending | None = None
    asked: dict[str, str] = field(default_factory=dict)
    results: dict[str, Result] = field(default_factory=dict)
    log: list[Result] = field(default_factory=list)
    good_mono_s: dict[str, float] = field(default_factory=dict)
    tried_mono_s: dict[str, float] = field(default_factory=dict)
    came_of: dict[str, str] = field(default_factory=dict)
    suspect: dict[str, str] = field(default_factory=dict)
    suspect_why: dict[str, str] = field(default_factory=dict)
    applied_mono_s: float | None = None
    untrue: str = ""
