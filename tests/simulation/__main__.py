"""`python -m tests.simulation`: seeded runs of the whole controller with faults, and the one command that repeats a failure."""

import argparse
import sys
import time
from collections import Counter

from tests.simulation.defects import DEFECTS, planted
from tests.simulation.plan import plan
from tests.simulation.run import Failure, run, run_seeds, shrunk


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.simulation", description=__doc__.split(": ")[1])
    parser.add_argument("--seed", type=int, metavar="N", help="this one, with its plan")
    parser.add_argument("--from", dest="from_s", type=float, metavar="S", help="with --seed: print what is said from here on")
    parser.add_argument("--until", dest="until_s", type=float, metavar="S", default=float("inf"), help="and end there")
    parser.add_argument("--grep", default="", metavar="WORD", help="of what is said only what has this word in it")
    parser.add_argument("--shrink", action="store_true", help="with --seed: leave out what the failure does not need")
    parser.add_argument("--seeds", type=int, metavar="N", help="so many, one after the other")
    parser.add_argument("--first", type=int, default=0, metavar="N", help="the first of them (default 0)")
    parser.add_argument("--defect", choices=sorted(DEFECTS), help="plant this defect, to see how many seeds find it")
    parser.add_argument("--jobs", type=int, default=1, metavar="N", help="so many side by side")
    given = parser.parse_args()
    if given.defect is not None:
        with planted(given.defect):
            return _one(given) if given.seed is not None else _many(range(given.first, given.first + (given.seeds or 20)), 1)
    if given.seed is not None:
        return _one(given)
    if given.seeds is None:
        parser.error("say --seed N or --seeds N")
    return _many(range(given.first, given.first + given.seeds), given.jobs)


def _one(given: argparse.Namespace) -> int:
    what = plan(given.seed)
    if given.shrink:
        what = shrunk(what)
    for one in sorted(what.faults, key=lambda fault: fault.start_s):
        print(f"{one.start_s:7.1f} to {one.end_s:7.1f} s  {one.name} {one.target} {one.size:g}")
    for act in what.acts:
        print(f"{act.at_s:7.1f} s             {act.action} {act.target} {dict(act.more)}")

    def trace(now_s: float, topic: str, words: str) -> None:
        if now_s >= given.from_s and given.grep in f"{topic} {words}":
            print(f"{now_s:8.2f} {topic} {words}")

    outcome = run(what, trace if given.from_s is not None else None, given.until_s)
    print(outcome)
    return int(isinstance(outcome, Failure))


def _many(seeds: range, jobs: int) -> int:
    began_s, failed, back_s, starts, requests = time.monotonic(), [], [], 0, 0
    for number, outcome in enumerate(run_seeds(seeds, jobs), 1):
        if isinstance(outcome, Failure):
            failed.append(outcome)
            print(outcome, flush=True)
        else:
            back_s.append(outcome.back_after_s)
            starts, requests = starts + outcome.starts, requests + outcome.requests
        if number % 100 == 0:
            print(f"{number} seeds in {time.monotonic() - began_s:.0f} s, {len(failed)} broke a rule", flush=True)
    print(f"{len(seeds)} seeds from {seeds.start} on in {time.monotonic() - began_s:.0f} s: {len(failed)} broke a rule "
          f"{dict(Counter(one.rule for one in failed))}")  # fmt: skip
    if back_s:
        back_s.sort()
        print(f"{requests} requests, {starts} starts; back in band after {back_s[len(back_s) // 2]:.0f} s in the middle, "
              f"{back_s[int(0.99 * (len(back_s) - 1))]:.0f} s in 99 of 100, {back_s[-1]:.0f} s at worst")  # fmt: skip
    return int(bool(failed))


if __name__ == "__main__":
    sys.exit(main())
