"""Runs seeds: one, many side by side, traced, or shrunk to the few faults that it takes."""

import shutil
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from itertools import islice
from pathlib import Path
from typing import NamedTuple

from tests.simulation.plan import Plan, plan
from tests.simulation.rules import Broken
from tests.simulation.world import Result, Trace, World

MEMORY = Path("/dev/shm")  # the journal's disk: what matters is speed, and that a commit is whole or not at all


class Failure(NamedTuple):
    """A seed that broke a rule, with the command that repeats it."""

    seed: int
    rule: str
    words: str

    def __str__(self) -> str:
        return f"seed {self.seed}: {self.words}\n  repeat it: python -m tests.simulation --seed {self.seed}"


def run(what: Plan, trace: Trace | None = None, until_s: float = float("inf")) -> Result | Failure:
    """One plan, in a folder of its own that is gone afterwards."""
    folder = Path(tempfile.mkdtemp(prefix="stillhold-", dir=MEMORY if MEMORY.is_dir() else None))
    world = None
    try:
        world = World(what, folder / "run", trace)
        return world.run(until_s)
    except Broken as broken:
        return Failure(what.seed, broken.rule, str(broken))
    except Exception as error:  # whatever it is, it is this seed's
        where = error.__traceback__
        while where is not None and where.tb_next is not None:
            where = where.tb_next
        place = "" if where is None else f" at {Path(where.tb_frame.f_code.co_filename).name}:{where.tb_lineno}"
        return Failure(what.seed, "it raises", f"{type(error).__name__}: {error}{place}")
    finally:
        if world is not None:
            world.close()
        shutil.rmtree(folder, ignore_errors=True)


def run_seed(seed: int) -> Result | Failure:
    return run(plan(seed))


def run_seeds(seeds: Iterable[int], jobs: int) -> Iterator[Result | Failure]:
    """The seeds' outcomes, in order."""
    if jobs <= 1:
        yield from map(run_seed, seeds)
        return
    with ProcessPoolExecutor(jobs) as pool:
        todo = iter(seeds)
        while batch := list(islice(todo, 100 * jobs)):
            yield from pool.map(run_seed, batch, chunksize=10)


def shrunk(what: Plan, told: Callable[[str], None] = lambda words: print(words, file=sys.stderr)) -> Plan:
    """The plan with every fault and act left out without which it still breaks the same rule."""
    first = run(what)
    if not isinstance(first, Failure):
        return what
    index = 0
    while index < len(what):
        less = what.without(index)
        outcome = run(less)
        if isinstance(outcome, Failure) and outcome.rule == first.rule:
            told(f"  not needed: {_of(what, index)}")
            what = less
        else:
            index += 1
    return what


def _of(what: Plan, index: int) -> str:
    one = [*what.faults, *what.acts][index]
    return f"{getattr(one, 'name', '') or getattr(one, 'action', '')} {one.target}"
