"""`stillhold calibrate` has a gas drawn, or decides about what was read of one; `stillhold calibration` prints the log."""

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from supervisor.caution import CAUTION
from supervisor.shell.console import arguments
from supervisor.shell.console.audit import EXIT_WHOLE, EXIT_WRONG, add_period, add_state, chosen, printable
from supervisor.shell.console.commands import send, tell

if TYPE_CHECKING:
    from rich.table import Table

    from supervisor.shell.audit.calibrations import Drawn, Log


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """calibrate and calibration."""
    what = "draw an analyser's calibration gases, or decide about what was read of one"
    asked = commands.add_parser("calibrate", help=what, description=what, allow_abbrev=False)
    arguments.add_site(asked)
    asked.add_argument("target", metavar="ANALYSER")
    which = asked.add_mutually_exclusive_group()
    which.add_argument("--gas", metavar="G", help="only this calibration gas (default: all)")
    which.add_argument("--check", action="store_true", help="only the check gas, which changes nothing")
    which.add_argument("--accept", action="store_true", help="correct by what was read beyond the action limit")
    which.add_argument("--refuse", action="store_true", help="leave everything as it stands")
    arguments.add_person(asked)
    arguments.add_key(asked)
    asked.set_defaults(carry_out=_calibrate)

    what = "print and draw what calibration found, from the audit"
    log = commands.add_parser(
        "calibration", help=what, description=what, allow_abbrev=False,
        epilog="exit status: 0 done; 2 there is nothing to print, or it cannot be written",
    )  # fmt: skip
    add_state(log)
    log.add_argument("analyser", nargs="?", metavar="ANALYSER", help="only this one")
    add_period(log)
    log.add_argument("--json", action="store_true", help="as JSON")
    log.add_argument("--picture", type=Path, metavar="FILE.svg", help="draw it, too; takes one ANALYSER where there are more")
    log.set_defaults(carry_out=_log)


# ------------------------------------------------------------------------------------------------ calibrate


def _calibrate(args: argparse.Namespace) -> int:
    decision = "accept" if args.accept else "refuse" if args.refuse else None
    gas = args.gas
    if args.check:
        gas, why_not = _check_gas(args.site, args.target)
        if why_not is not None:
            return tell(args, {"action": "calibrate", "target": args.target, "accepted": None, "reason": why_not}, EXIT_WRONG)
    return send(args, "calibrate", args.target, gas=gas, decision=decision)


def _check_gas(path: Path, analyser: str) -> tuple[str | None, str | None]:
    """The analyser's check gas, or why there is none."""
    from supervisor.sitefile import SiteFileError, load

    try:
        site = load(path)
    except SiteFileError as error:
        return None, str(error)
    if analyser not in site.analysers:
        return None, f"there is no analyser {analyser}"
    for line in site.analysers[analyser].lines:
        if line.gas is not None and site.calibration_gases[line.gas].serves == "check":
            return line.gas, None
    return None, f"{analyser} draws no check gas"


# ------------------------------------------------------------------------------------------------ calibration


def _log(args: argparse.Namespace) -> int:
    from supervisor.shell.audit.calibration_picture import drawn
    from supervisor.shell.audit.calibrations import log_of
    from supervisor.shell.audit.file import AuditUnreadable, reading

    try:
        with reading(args.state) as db:
            log = log_of(chosen(db, args.since, args.until), args.analyser)
        if not log.drawn:
            raise ValueError(f"the audit holds no calibration{' of ' + args.analyser if args.analyser else ''} in that time")
        if args.picture is not None:
            if len(log.analysers) > 1:
                raise ValueError(f"a picture is of one analyser: name one of {', '.join(log.analysers)}")
            args.picture.write_text(drawn(log, log.analysers[0], CAUTION), encoding="utf-8")
    except (AuditUnreadable, ValueError, OSError) as error:
        print(f"stillhold calibration: {printable(str(error))}", file=sys.stderr)
        return EXIT_WRONG
    if args.json:
        print(json.dumps(as_data(log), indent=2))
    else:
        _print(log)
    return EXIT_WHOLE


def as_data(log: "Log") -> dict[str, Any]:
    """The log for a program; times in UTC."""
    return {
        "caution": CAUTION,
        "drawn": [one.figures for one in log.drawn],
        "doubtful": [
            {"analyser": one.analyser, "gas": one.gas, "since": _utc(one.begin_s), "until": _utc(one.end_s)}
            for one in log.doubtful
        ],
        "decided": [
            {"at": _utc(one.at_s), "analyser": one.analyser, "gas": one.gas, "accepted": one.accepted, "operator": one.operator}
            for one in log.decided
        ],
    }  # fmt: skip


def _utc(wall_s: float) -> str:
    from supervisor.messages import at, rfc3339

    return rfc3339(at(wall_s))


def _print(log: "Log") -> None:
    from rich.console import Console

    console = Console(highlight=False, markup=False, no_color=True)
    console.print(_table(log))
    for one in log.doubtful:
        until = f"{_utc(one.begin_s)} to {_utc(one.end_s)}"
        console.print(printable(f"Doubtful: what {one.analyser} read from {until}, by {one.gas}"))
    for one in log.decided:
        word = "accepted" if one.accepted else "refused"
        console.print(printable(f"{_utc(one.at_s)}: {one.operator} {word} {one.gas} of {one.analyser}"))
    console.print(f"\nPrinted as it stands; `stillhold audit verify` proves it. {CAUTION}")


def _table(log: "Log") -> "Table":
    from rich.box import SIMPLE
    from rich.table import Table

    heads = ("when (UTC)", "analyser", "gas", ">O2 off %", ">CO2 off %", "came of it", ">O2 offset, gain", ">CO2", "by")
    table = Table(box=SIMPLE)
    for head in heads:
        table.add_column(head.removeprefix(">"), justify="right" if head.startswith(">") else "left", overflow="fold")
    for one in log.drawn:
        said = one.figures
        table.add_row(*map(printable, (
            _utc(one.at_s)[:16].replace("T", " "), one.analyser, f"{one.gas} ({one.use})", _off(one, "o2"), _off(one, "co2"),
            one.outcome, *(f"{said[f'{which}_offset_pct']:.3f}, {said[f'{which}_gain']:.4f}" for which in ("o2", "co2")),
            str(said["by"]),
        )))  # fmt: skip
    return table


def _off(one: "Drawn", which: str) -> str:
    return f"{one.figures[f'{which}_error_pct']:+.3f}" if one.shows(which) else "-"
