"""`stillhold rehearse`: a whole season of a site against the simulated plant, with what can go wrong in it, and its verdict."""

import argparse
import hashlib
import json
import os
import sys
from contextlib import contextmanager
from dataclasses import asdict
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from supervisor.caution import CAUTION, IN_SHORT

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from supervisor.rehearsal.outcome import Season
    from supervisor.rehearsal.report import About, Rehearsal
    from supervisor.rehearsal.run import Task
    from supervisor.settings import SiteFile

EXIT_MET, EXIT_NOT_MET, EXIT_WRONG = 0, 1, 2
BEGINS = "2026-06-15"
DAYS_MIN, DAYS_MAX = 0.1, 400.0
EPILOG = "exit status: 0 all criteria are met; 1 some are not; 2 the site file or the command line is wrong"


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Adds `rehearse` to the command line."""
    what = (
        "Runs a whole season of this site file in one process: the production core, guard, watch and message contract against "
        "a simulated plant, with people, and with faults drawn from a seed. Says criterion by criterion whether it passed, "
        "and writes a report to sign and keep. It touches no broker and no hardware."
    )
    parser = commands.add_parser("rehearse", help="run a whole season against the simulator, with faults, and judge it",
                                 description=what, epilog=f"{EPILOG}. {IN_SHORT}", allow_abbrev=False)  # fmt: skip
    parser.add_argument("site", type=Path, metavar="SITE", help="the site file")
    parser.add_argument("--days", type=_days, default=100.0, metavar="N", help="length of the season (default 100)")
    parser.add_argument("--faults", default="usual", metavar="calm|usual|harsh|FILE",
                        help="what goes wrong: nothing, a fault every fourth day, every kind of fault and one a day or more, "
                        "or a file of faults as the simulator reads it (default usual)")  # fmt: skip
    parser.add_argument("--seeds", type=_seeds, default=(1,), metavar="1,2,3", help="a season for each (default 1)")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, metavar="N", help="seasons side by side")
    parser.add_argument("--begins", type=_begins, default=_begins(BEGINS), metavar="DATE", help=f"first day (default {BEGINS})")
    parser.add_argument("--report", type=Path, metavar="FILE.html",
                        help="where the report goes (default: rehearsal-SITE-ID.html)")  # fmt: skip
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the figures as JSON, too")
    parser.add_argument("--journal", type=Path, metavar="DIR",
                        help="keep each season's journal below here, for `stillhold replay` (some 20 MB for a dozen enclosures "
                        "and a day)")  # fmt: skip
    parser.add_argument("--compare", type=Path, metavar="OTHER_SITE",
                        help="rehearse this site file on the same seeds beside it")  # fmt: skip
    parser.set_defaults(carry_out=_rehearse)


def _days(text: str) -> float:
    days = float(text)
    if not DAYS_MIN <= days <= DAYS_MAX:
        raise argparse.ArgumentTypeError(f"from {DAYS_MIN:g} to {DAYS_MAX:g} days")
    return days


def _seeds(text: str) -> tuple[int, ...]:
    seeds = tuple(int(one) for one in text.split(","))
    if len(set(seeds)) != len(seeds):
        raise argparse.ArgumentTypeError("each seed once")
    return seeds


def _begins(text: str) -> datetime:
    return datetime.combine(date.fromisoformat(text), datetime.min.time(), UTC)


# ------------------------------------------------------------------------------------------------ carrying it out


def _rehearse(args: argparse.Namespace) -> int:
    from simulator.kinds import FaultError
    from simulator.sitefile import SiteFileError as PlantSiteFileError
    from supervisor.rehearsal.run import Interrupted
    from supervisor.shell.console.check import problems_told
    from supervisor.shell.journal_file import JournalError
    from supervisor.sitefile import SiteFileError

    try:
        return _carried_out(args)
    except SiteFileError as refused:
        print(problems_told(refused.problems), file=sys.stderr)
        return _wrong(f"{refused.problems[0].file}: not rehearsed; mend the errors above")
    except (FaultError, PlantSiteFileError, JournalError) as error:
        return _wrong(str(error))
    except OSError as error:
        return _wrong(f"{error.filename}: {error.strerror}")
    except (KeyboardInterrupt, Interrupted):
        print("\nstillhold rehearse: interrupted; nothing was written", file=sys.stderr)
        raise KeyboardInterrupt from None


def _wrong(words: str) -> int:
    print(f"stillhold rehearse: {words}", file=sys.stderr)
    return EXIT_WRONG


def _carried_out(args: argparse.Namespace) -> int:
    from simulator.sitefile import read_site
    from supervisor.rehearsal.pool import run_all
    from supervisor.rehearsal.report import report
    from supervisor.rehearsal.schedules import checked
    from supervisor.rehearsal.verdict import all_met

    paths = [args.site] if args.compare is None else [args.site, args.compare]
    sites = [_loaded(path) for path in paths]
    for _, raw, _ in sites:
        for seed in args.seeds:
            checked(args.faults, read_site(raw), seed, args.days)
    tasks = [task for number, (_, raw, _) in enumerate(sites) for task in _tasks(args, paths[number], raw, number)]
    with _progress(tasks, args.days) as told:
        seasons = run_all(tasks, max(1, args.jobs), told)
    each = len(args.seeds)
    made = [_judged(path, *one, seasons[number * each : (number + 1) * each], args.faults)
            for number, (path, one) in enumerate(zip(paths, sites, strict=True))]  # fmt: skip
    about, other = _about(args), made[1] if len(made) > 1 else None
    target = args.report or Path(f"rehearsal-{made[0].site.site.id}.html")
    target.write_text(report(made[0], about, other), encoding="utf-8")
    if args.json is not None:
        args.json.write_text(json.dumps(as_data(about, made), indent=2, allow_nan=False) + "\n", encoding="utf-8")
    _print(made, target)
    return EXIT_MET if all_met(made[0].criteria) else EXIT_NOT_MET


def _loaded(path: Path) -> "tuple[SiteFile, dict[str, Any], str]":
    """The site, its file as a dict, and the file's SHA-256. Raises SiteFileError and OSError."""
    import tomllib

    from supervisor.sitefile import load

    site, content = load(path), path.read_bytes()
    return site, tomllib.loads(content.decode("utf-8-sig")), hashlib.sha256(content).hexdigest()


def _tasks(args: argparse.Namespace, path: Path, raw: dict[str, Any], number: int) -> "Iterator[Task]":
    from supervisor.rehearsal.run import Task

    for seed in args.seeds:
        folder = None if args.journal is None else args.journal / (f"seed-{seed}" if number == 0 else f"other-seed-{seed}")
        yield Task(path.name, raw, seed, args.days, args.faults, args.begins.timestamp(), folder)


def _judged(
    path: Path, site: "SiteFile", raw: dict[str, Any], sha256: str, seasons: "Sequence[Season]", schedule: str
) -> "Rehearsal":
    from supervisor.rehearsal.report import Rehearsal
    from supervisor.rehearsal.verdict import criteria

    return Rehearsal(path.name, sha256, site, seasons, criteria(site, seasons, schedule))


def _about(args: argparse.Namespace) -> "About":
    from supervisor.rehearsal.report import About
    from supervisor.shell.retrace.written import program

    made = datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC")
    schedule = args.faults if args.faults in ("calm", "usual", "harsh") else Path(args.faults).name
    return About(program().version, program().sha256, schedule, args.days, made)


@contextmanager
def _progress(tasks: "Sequence[Task]", days: float) -> "Iterator[Callable[[int, float], None]]":
    """A bar for each season, with the time that is left, on standard error; nothing where that is no terminal."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn, TimeRemainingColumn

    console = Console(stderr=True, highlight=False)
    columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("day {task.completed:.0f} of {task.total:.0f}"),
               TimeElapsedColumn(), TextColumn("left"), TimeRemainingColumn())  # fmt: skip
    with Progress(*columns, console=console, disable=not console.is_terminal) as progress:
        bars = [progress.add_task(f"{task.name}, seed {task.seed}", total=days) for task in tasks]

        def told(number: int, at_s: float) -> None:
            progress.update(bars[number], completed=at_s / 86_400.0)

        yield told


# ------------------------------------------------------------------------------------------------ saying it


def as_data(about: "About", made: "Sequence[Rehearsal]") -> dict[str, Any]:
    """The verdict and its figures; times in seconds since the season's begin."""
    from supervisor.rehearsal.verdict import all_met

    return {
        "caution": CAUTION,
        "program": about.version, "program_sha256": about.program, "made": about.made, "schedule": about.schedule,
        "days": about.days,
        "sites": [
            {"file": one.file, "sha256": one.sha256, "met": all_met(one.criteria),
             "criteria": [asdict(found) for found in one.criteria],
             "seasons": [_season_data(found) for found in one.seasons]}
            for one in made
        ],
    }  # fmt: skip


def _season_data(found: "Season") -> dict[str, Any]:
    from supervisor.rehearsal.verdict import naming

    faults = []
    for one in found.faults:
        data = {key: value for key, value in asdict(one).items() if key not in ("courses", "seen", "more_seen")}
        if one.fault.end_s == float("inf"):
            data["fault"]["end_s"] = None
        faults.append({**data, "named": naming(one), "alarms_seen": [asdict(line) for line in one.seen]})
    return {
        "seed": found.seed, "faults": faults, "broken": [asdict(one) for one in found.broken],
        "pull_downs": [asdict(one) for one in found.pull_downs], "gas_nl": found.gas_nl, "sealed_s": found.sealed_s,
        "held": {name: asdict(one) for name, one in found.held.items()},
        "harm": {name: asdict(one) for name, one in found.harm.items()},
        "guard_refusals": dict(found.refusals), "stock_kg": found.stock_kg, "alarms": found.performance.alarms,
    }  # fmt: skip


def _print(made: "Sequence[Rehearsal]", target: Path) -> None:
    from rich.console import Console

    from supervisor.rehearsal.verdict import all_met
    from supervisor.shell.console.audit import printable
    from supervisor.shell.console.report import grey_table

    console = Console(highlight=False, markup=False, no_color=True)
    for one in made:
        table = grey_table("criterion", "measured", "bound", "")
        for found in one.criteria:
            met = {None: "", True: "met", False: "NOT MET"}[found.met]
            table.add_row(*map(printable, (found.name, found.measured, found.bound, met)))
        missed = sum(found.met is False for found in one.criteria)
        console.print(table)
        told = "all criteria met" if all_met(one.criteria) else f"NOT PASSED: {missed} criteria not met"
        console.print(f"{printable(one.file)}: {told}")
    console.print(f"Report: {printable(str(target))}")
