"""`stillhold audit verify` and `stillhold audit show`: the audit proved whole, and printed. Both only read."""

import argparse
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from supervisor.caution import CAUTION

if TYPE_CHECKING:
    import sqlite3

    from supervisor.shell.audit.chain import Head
    from supervisor.shell.audit.file import Told, Verdict

EXIT_WHOLE = 0
EXIT_BROKEN = 1
EXIT_WRONG = 2


def add(commands: argparse._SubParsersAction) -> None:
    """Adds `audit` to the command line."""
    audit = commands.add_parser("audit", help="prove the audit whole, or print it", allow_abbrev=False)
    parts = audit.add_subparsers(title="commands", metavar="COMMAND", required=True)

    verify = parts.add_parser(
        "verify", help="prove the chain whole, or name the first broken link", allow_abbrev=False,
        epilog="exit status: 0 whole; 1 broken, with the entry and what is wrong; 2 there is no audit to be read",
    )  # fmt: skip
    add_state(verify)
    verify.add_argument("--head", type=_head, metavar="N:HASH", help="a head noted earlier, from the log: is it still there?")
    verify.add_argument("--json", action="store_true", help="as JSON")
    verify.set_defaults(carry_out=_verify)

    show = parts.add_parser("show", help="print entries, oldest first", allow_abbrev=False)
    add_state(show)
    add_period(show)
    show.add_argument("--alarm", metavar="NAME", help="only this alarm, such as room_air_unsafe-north or room_air_unsafe")
    show.add_argument("--json", action="store_true", help="one JSON object a line")
    show.set_defaults(carry_out=_show)


def add_state(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("state", type=Path, metavar="STATE", help="the folder given to `run` as --state, or a copied journal")


def add_period(parser: argparse.ArgumentParser) -> None:
    words = "a day or an instant, UTC unless it says otherwise: 2026-09-01, 2026-09-01T06:00"
    parser.add_argument("--since", type=moment, metavar="TIME", help=f"from then on; {words}")
    parser.add_argument("--until", type=moment, metavar="TIME", help="up to then and without it")


def moment(text: str) -> datetime:
    """An ISO 8601 day or instant; without an offset it is UTC. Raises ArgumentTypeError."""
    try:
        read = datetime.fromisoformat(text)
        return read.replace(tzinfo=UTC) if read.tzinfo is None else read.astimezone(UTC)
    except (ValueError, OverflowError):
        raise argparse.ArgumentTypeError(f"{text!r} is no day or instant such as 2026-09-01 or 2026-09-01T06:00") from None


def _head(text: str) -> "Head":
    from supervisor.shell.audit.file import head_of

    try:
        return head_of(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


# ------------------------------------------------------------------------------------------------ verify


def _verify(args: argparse.Namespace) -> int:
    import json

    from supervisor.shell.audit.file import AuditUnreadable

    try:
        verdict = checked(args.state, args.head)
    except AuditUnreadable as error:
        return _unreadable(error)
    if args.json:
        print(json.dumps({
            "whole": verdict.problem is None, "entries": verdict.head.number, "head": str(verdict.head),
            "problem": verdict.problem, "entry": verdict.number,
        }))  # fmt: skip
    else:
        print(verdict_told(verdict))
    return EXIT_WHOLE if verdict.problem is None else EXIT_BROKEN


def checked(state: Path, noted: "Head | None" = None) -> "Verdict":
    """The verdict on the audit in `state`. Raises AuditUnreadable."""
    from supervisor.shell.audit.file import reading, verify

    with reading(state) as db:
        verdict = verify(db, noted)
    if verdict.problem is None:
        return verdict
    # A journal that came alive in between was read as a file that nobody writes. What is broken stays so.
    with reading(state) as db:
        return verify(db, noted)


def verdict_told(verdict: "Verdict") -> str:
    if verdict.problem is None:
        return (
            f"whole: {verdict.head.number} entries, head {verdict.head}\n"
            "Whoever can write the file can write the whole chain anew: compare with a head from the log (--head)."
        )
    return f"broken: {printable(verdict.problem)}\nWhole up to entry {verdict.head.number}, head {verdict.head}."


# ------------------------------------------------------------------------------------------------ show


def _show(args: argparse.Namespace) -> int:
    import json

    from supervisor.shell.audit.file import AuditUnreadable, reading

    try:
        with reading(args.state) as db:
            for one in chosen(db, args.since, args.until):
                if args.alarm is not None and not _about(one, args.alarm):
                    continue
                if args.json:
                    print(json.dumps({"n": one.n, "at": one.at, "event": one.event, "figures": one.figures}))
                else:
                    print(_line(one))
    except AuditUnreadable as error:
        return _unreadable(error)
    if not args.json:
        print(f"\nPrinted as it stands; `stillhold audit verify` proves it. {CAUTION}")
    return 0


def chosen(db: "sqlite3.Connection", since: datetime | None, until: datetime | None) -> Iterator["Told"]:
    """The entries of a period, in the order in which they were made. Raises AuditUnreadable."""
    from supervisor.messages import rfc3339
    from supervisor.shell.audit.file import told

    first = "" if since is None else rfc3339(since)
    end = "~" if until is None else rfc3339(until)
    return (one for one in told(db) if first <= one.at < end)


def _about(one: "Told", alarm: str) -> bool:
    """Whether an entry is about `alarm`: an alarm of a subject, or all subjects of a name of the catalogue."""
    named = [str(one.figures[key]) for key in ("alarm", "target") if key in one.figures]
    return any(name == alarm or name.startswith(f"{alarm}-") for name in named)


def _line(one: "Told") -> str:
    figures = "  ".join(f"{key}={value}" for key, value in one.figures.items() if value not in (None, ""))
    return printable(f"{one.n:>7}  {one.at}  {one.event:<22}  {figures}")


def printable(text: str) -> str:
    """A message may hold what a terminal would obey."""
    return "".join(letter if letter.isprintable() else "\ufffd" for letter in text)


def _unreadable(error: Exception) -> int:
    import sys

    print(error, file=sys.stderr)
    return EXIT_WRONG
