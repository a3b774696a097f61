"""`python -m tests.benchmarks`: measures what the project promises and prints one table.

Every ratio is between two things measured in the same run on the same machine. Exit status: 0 all aims met, 1 some not,
2 the command line is wrong. Run it on a machine that does nothing else.
"""

import argparse
import importlib
import sys
import time
from pathlib import Path

from tests.benchmarks.figures import Figure, context, show, write

# In this order: what needs the machine for itself first, the long one last.
BENCHMARKS = ("core", "wire", "recovery", "memory", "pulldown", "holding", "sharing", "rehearse")


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__.split("\n\n")[0])
    parser.add_argument("--only", action="append", choices=BENCHMARKS, help="measure this one; may be given again")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the figures there too")
    parser.add_argument("--quick", action="store_true", help="a few minutes in all; figures are rougher")
    args = parser.parse_args()
    about = context(args.quick)
    figures: list[Figure] = []
    took_s: dict[str, float] = {}
    for name in args.only or BENCHMARKS:
        print(f"measuring {name} ...", file=sys.stderr, flush=True)
        began_s = time.monotonic()
        try:
            figures += importlib.import_module(f"tests.benchmarks.{name}").run(args.quick)
        except Exception as error:  # the others are worth having all the same
            figures.append(Figure(name, "failed", None, "", note=f"{type(error).__name__}: {error}"))
        took_s[name] = round(time.monotonic() - began_s, 1)
    show(figures, about, took_s)
    if args.json is not None:
        write(args.json, figures, about, took_s)
    failed = any(one.met is False or one.measured is None for one in figures)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
