"""What goes wrong in a rehearsal: `calm`, `usual` and `harsh` schedules drawn from the seed out of the library, or a file."""

import random
from pathlib import Path

from simulator.faults import load_faults, targets_of
from simulator.kinds import Fault, FaultError
from simulator.library import drawn, kind_of, possible
from simulator.sitefile import SiteSpec

DAY_S = 86_400.0
SCHEDULES = ("calm", "usual", "harsh")
WORDS = {
    "calm": "nothing breaks: what the site does when all is well",
    "usual": "a fault of any kind every fourth day, one after another",
    "harsh": "every kind of fault that this site can have at least once, one a day or more, each fifth together with the one "
    "before it",
}
USUAL_EVERY_D = 4.0
HARSH_A_DAY, HARSH_A_DAY_MAX = 1.0, 4.0
TOGETHER_EVERY, TOGETHER_S = 5, 1800.0
# No fault begins in the first part of a season, in which there is nothing to harm yet, nor in the last: recovery must show.
FIRST_SHARE, FIRST_D_MAX = 0.2, 2.0
LAST_SHARE, LAST_D_MAX = 0.3, 2.0
ENDS_WITHIN = 0.5  # of what is left of the season, a fault ends at the latest

ASSUMED = (
    "Which faults come, on what, how large and for how long is drawn from the seed out of the library of the simulator; its "
    "usual sizes and durations are assumed.",
    "A fault lasts until its end however soon it is found, nobody mends it earlier; none lasts for more than half of what is "
    "left of the season.",
)


def scheduled(which: str, spec: SiteSpec, seed: int, days: float) -> list[Fault]:
    """The faults of one of `SCHEDULES`, or of the file of that name, in order of their start. What is drawn hangs on the seed,
    the kind and its number alone. Raises FaultError for a file that cannot be used."""
    if which not in SCHEDULES:
        return sorted(load_faults(Path(which)), key=lambda one: one.start_s)
    if which == "calm":
        return []
    targets = targets_of(spec)
    names = _names(which, possible(targets), random.Random(f"{seed}/{which}"), days)
    first_s = min(FIRST_D_MAX, FIRST_SHARE * days) * DAY_S
    last_s = (days - min(LAST_D_MAX, LAST_SHARE * days)) * DAY_S
    faults: list[Fault] = []
    for number, name in enumerate(names):
        rng = random.Random(f"{seed}/{which}/{number}")
        start_s = first_s + (number + rng.random()) * (last_s - first_s) / len(names)
        if which == "harsh" and faults and number % TOGETHER_EVERY == TOGETHER_EVERY - 1:
            start_s = faults[-1].start_s + rng.uniform(0.0, TOGETHER_S)
        one = drawn(name, targets, rng, float(round(start_s)))
        ends_s = min(one.end_s, start_s + ENDS_WITHIN * (days * DAY_S - start_s))
        faults.append(Fault(one.name, one.target, one.start_s, float(round(ends_s)), one.size))
    return sorted(faults, key=lambda one: one.start_s)


def checked(which: str, spec: SiteSpec, seed: int, days: float) -> None:
    """Raises FaultError when this schedule cannot be rehearsed on this site."""
    targets = targets_of(spec)
    for fault in scheduled(which, spec, seed, days):
        kind = kind_of(fault.name)
        kind.refuse(fault, targets.get(kind.on, ()))
        if fault.start_s >= days * DAY_S:
            raise FaultError(f"fault {fault.name} on {fault.target}: start_s {fault.start_s:g} is after the season's end")


def _names(which: str, kinds: list[str], rng: random.Random, days: float) -> list[str]:
    if which == "usual":
        return [rng.choice(kinds) for _ in range(max(1, round(days / USUAL_EVERY_D)))]
    count = min(max(len(kinds), round(HARSH_A_DAY * days)), round(HARSH_A_DAY_MAX * days))
    names: list[str] = []
    while len(names) < count:
        names += rng.sample(kinds, len(kinds))
    return names[:count]
