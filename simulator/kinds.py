"""What a fault is: its kind, out of a table, and one `Fault` of that kind on one target from a start to an end."""

import math
import random
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

from .sitefile import SiteSpec

# How a usual size is drawn: evenly between two, by ratio (as many between 1 and 2 as between 10 and 20), by ratio and of
# either sign, or one of those listed.
Drawn = Literal["evenly", "by_ratio", "either_sign", "one_of"]


class FaultError(ValueError):
    """A fault that this site cannot have; the text names the mend."""


@dataclass(frozen=True)
class Fault:
    """One thing wrong from `start_s` to `end_s`, in simulated seconds from the plant's start."""

    name: str
    target: str
    start_s: float = 0.0
    end_s: float = math.inf
    size: float = 0.0


@dataclass(frozen=True)
class Size:
    """What a size means, the least and the greatest that can be, and what is usual: from small to large, or each of them.
    `told` is what a sentence says in place of some sizes that are no amounts.
    """

    means: str
    least: float
    greatest: float
    usual: tuple[float, ...]
    drawn: Drawn = "evenly"
    told: tuple[tuple[float, str], ...] = ()


@dataclass(frozen=True)
class Kind:
    """One row of the library.

    `on` is what it can befall; `words` tell the operator, with `{target}`, its two halves `{owner}` and `{part}` where it has
    a slash, and `{size}`. `usual_s` is how short and how long it usually lasts, which for what does not mend itself is how
    long it takes until somebody mends it. All usual figures are assumed. `parts` are the faults that stand with it, as
    (name, target).
    """

    name: str
    on: str
    words: str
    usual_s: tuple[float, float]
    size: Size | None = None
    parts: Callable[[SiteSpec, str], Iterable[tuple[str, str]]] | None = None

    def sentence(self, fault: Fault) -> str:
        """The fault in words for the operator."""
        owner, _, part = fault.target.partition("/")
        told = dict(self.size.told) if self.size is not None else {}
        return self.words.format(target=fault.target, owner=owner, part=part, size=told.get(fault.size, f"{fault.size:g}"))

    def refuse(self, fault: Fault, targets: Iterable[str]) -> None:
        """Raises FaultError where this fault cannot be among these targets."""
        if fault.target not in targets:
            allowed = ", ".join(sorted(targets))
            raise FaultError(
                f"fault {fault.name}: {fault.target!r} is no {self.on} of this site; there are {allowed or 'none'}"
            )
        if not (math.isfinite(fault.start_s) and fault.end_s > fault.start_s):
            raise FaultError(f"fault {fault.name} on {fault.target}: start_s must lie before end_s")
        least, greatest = (0.0, 0.0) if self.size is None else (self.size.least, self.size.greatest)
        if not least <= fault.size <= greatest:
            allowed = "none is needed" if self.size is None else f"{least:g} to {greatest:g}: {self.size.means}"
            raise FaultError(f"fault {fault.name} on {fault.target}: size is {fault.size}, allowed is {allowed}")

    def draw(self, targets: Iterable[str], rng: random.Random, start_s: float) -> Fault:
        """A usual one on one of these targets, which must not be empty; it draws the same for the same state of `rng`."""
        target = rng.choice(sorted(targets))
        lasts_s = _by_ratio(rng, *self.usual_s)
        return Fault(self.name, target, start_s, start_s + lasts_s, 0.0 if self.size is None else _usual(self.size, rng))


def table(*rows: Kind) -> Mapping[str, Kind]:
    """The rows by name. Raises ValueError for a name that comes twice."""
    by_name = {one.name: one for one in rows}
    if len(by_name) != len(rows):
        raise ValueError("two kinds of fault have one name")
    return by_name


def _usual(size: Size, rng: random.Random) -> float:
    small, large = size.usual[0], size.usual[-1]
    match size.drawn:
        case "one_of":
            return rng.choice(size.usual)
        case "evenly":
            return round(rng.uniform(small, large), 4)
        case "by_ratio":
            return _by_ratio(rng, small, large)
        case "either_sign":
            return _by_ratio(rng, small, large) * rng.choice((-1.0, 1.0))


def _by_ratio(rng: random.Random, small: float, large: float) -> float:
    """To four digits, so that a drawn fault reads well in a file."""
    return float(f"{small * (large / small) ** rng.random():.4g}")
