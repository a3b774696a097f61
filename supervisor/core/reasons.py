"""Why gas is given or not, as data that the deciding code itself gives out.

Nobody listens in the live service, and then nothing of this is made: a `Why` is the reason that the code went by in any case,
and its numbers are put into words only when `Desk.told` is a list.
"""

from collections.abc import Callable
from typing import Literal, NamedTuple

from supervisor.values import Gas

Kind = Literal["decided", "asked", "not_given", "refused", "stopped"]


class Why(NamedTuple):
    """One reason. `code` names the branch of the code, `words` are short and for screens, `detail` says it with its numbers.
    `volume_nl` is what is asked for, where something is."""

    code: str
    words: str
    detail: Callable[[], str] | None = None
    volume_nl: float = 0.0

    def told(self) -> str:
        return self.words if self.detail is None else self.detail()


class Told(NamedTuple):
    """A reason given out. `gas` is None for what is about all gases of the enclosure."""

    kind: Kind
    enclosure: str
    gas: Gas | None
    code: str
    words: str
    volume_nl: float


def span(seconds: float) -> str:
    """A time in words for people: seconds, then minutes, then hours."""
    if seconds < 120.0:
        return f"{seconds:.0f} s"
    return f"{seconds / 60.0:.0f} min" if seconds < 7200.0 else f"{seconds / 3600.0:.1f} h"
