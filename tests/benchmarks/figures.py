"""One measured figure and its aim; the table and the JSON file made from many."""

import json
import os
import platform
import subprocess
import sys
import time
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Literal

from rich import box
from rich.console import Console
from rich.table import Table

TOP = Path(__file__).resolve().parents[2]
BUSY_LOAD = 0.6  # more than this many processes running before we begin: timings are not to be trusted


@dataclass(frozen=True)
class Aim:
    """What the figure should be: at most or at least `bound`."""

    sense: Literal["<=", ">="]
    bound: float

    def met_by(self, measured: float) -> bool:
        return measured <= self.bound if self.sense == "<=" else measured >= self.bound


@dataclass(frozen=True)
class Figure:
    """`measured` in `unit`, and what exactly was measured in `note`. None: it could not be measured, `note` says why."""

    benchmark: str
    name: str
    measured: float | None
    unit: str
    aim: Aim | None = None
    note: str = ""

    @property
    def met(self) -> bool | None:
        """None where there is no aim. What could not be measured is not met."""
        if self.aim is None:
            return None
        return self.measured is not None and self.aim.met_by(self.measured)


def show(figures: list[Figure], context: dict[str, object], took_s: dict[str, float]) -> None:
    """The table, on standard output."""
    console = Console() if sys.stdout.isatty() else Console(width=170)
    table = Table(box=box.SIMPLE_HEAD, show_lines=False)
    for title, justify in (("figure", "left"), ("measured", "right"), ("aim", "right"), ("met", "left"), ("note", "left")):
        table.add_column(title, justify=justify, overflow="fold")  # type: ignore[arg-type]
    last = ""
    for one in figures:
        if one.benchmark != last:
            table.add_section()
            last = one.benchmark
        aim = "" if one.aim is None else f"{one.aim.sense} {_number(one.aim.bound)}"
        met = {None: "", True: "yes", False: "NO"}[one.met]
        measured = "-" if one.measured is None else _number(one.measured)
        table.add_row(f"{one.benchmark}: {one.name}", f"{measured} {one.unit}".strip(), aim, met, one.note)
    console.print(table)
    took = ", ".join(f"{name} {seconds:.0f} s" for name, seconds in took_s.items())
    console.print(f"{context['machine']}; load at the start {context['load_at_start']}; took {took}", highlight=False)
    if context["busy"]:
        console.print("CAUTION: the machine was busy with something else: believe ratios within this run, no absolute times")


def write(path: Path, figures: list[Figure], context: dict[str, object], took_s: dict[str, float]) -> None:
    """Everything as JSON."""
    rows = [{**asdict(one), "met": one.met} for one in figures]
    text = json.dumps({"context": context, "took_s": took_s, "figures": rows}, indent=2, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8")


def context(quick: bool) -> dict[str, object]:
    """What a reader must know to compare this run with another."""
    load = os.getloadavg()[0]
    commit = subprocess.run(["git", "describe", "--always", "--dirty"], cwd=TOP, capture_output=True, text=True)
    return {
        "commit": commit.stdout.strip() or "not a checkout",
        "began_at": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime()),
        "machine": f"{os.cpu_count()} cores, {platform.machine()}, Python {platform.python_version()}, {platform.system()}",
        "load_at_start": round(load, 2),
        "busy": load > BUSY_LOAD,
        "quick": quick,
    }


def _number(value: float) -> str:
    if value != 0 and abs(value) < 0.1:
        return f"{value:.3g}"
    if abs(value) < 100:
        return f"{value:.2f}"
    return f"{value:,.0f}"
