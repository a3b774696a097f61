"""`stillhold alarms report`: how the alarm system did, beside the published targets, as a table, as JSON and as a picture."""

import argparse
import json
import sys
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from supervisor.caution import CAUTION, IN_SHORT
from supervisor.shell.console.audit import EXIT_BROKEN, EXIT_WHOLE, EXIT_WRONG, add_period, add_state

if TYPE_CHECKING:
    import sqlite3

    from rich.table import Table

    from supervisor.shell.audit.file import Told, Verdict
    from supervisor.shell.audit.report import Performance, Span

STANDARD = "ISA-18.2-2016 / IEC 62682, per operator position; the whole site counts as one. * quoted from memory"


def add(group: Any) -> None:
    """Adds `report` to `stillhold alarms`."""
    what = "how the alarm system did over a period, beside the published targets"
    report = group.add_parser(
        "report", help=what, description=what, allow_abbrev=False,
        epilog="exit status: 0 done; 1 done, but the audit is broken; 2 there is nothing to report on, or it cannot be written",
    )  # fmt: skip
    add_state(report)
    add_period(report)
    report.add_argument("--json", type=Path, metavar="FILE", help="write the figures as JSON, too")
    report.add_argument("--picture", type=Path, metavar="FILE.svg", help="draw them, too")
    report.set_defaults(carry_out=_report)


def _report(args: argparse.Namespace) -> int:
    from supervisor.shell.audit.file import AuditUnreadable, reading, told
    from supervisor.shell.audit.report import measure
    from supervisor.shell.audit.report_picture import drawn
    from supervisor.shell.console.audit import checked

    try:
        verdict = checked(args.state)
        with reading(args.state) as db:
            entries = list(told(db))
            period = _period(db, entries, args.since, args.until)
        made = measure(entries, period)
        if args.json is not None:
            args.json.write_text(json.dumps(as_data(made, verdict), indent=2) + "\n", encoding="utf-8")
        if args.picture is not None:
            args.picture.write_text(drawn(made, _span_told(made.period), CAUTION), encoding="utf-8")
    except (AuditUnreadable, ValueError, OSError) as error:
        print(f"stillhold alarms report: {error}", file=sys.stderr)
        return EXIT_WRONG
    _print(made, verdict)
    return EXIT_WHOLE if verdict.problem is None else EXIT_BROKEN


def _period(db: "sqlite3.Connection", entries: "list[Told]", since: datetime | None, until: datetime | None) -> "Span":
    """From the audit's first entry to the journal's last commit, or the part of it that is asked for. Raises ValueError."""
    from supervisor.shell.audit.report import Span

    if not entries:
        raise ValueError("the audit has no entry yet")
    row = db.execute("SELECT wall_s FROM mark").fetchone()
    first_s, last_s = (datetime.fromisoformat(entries[place].at).timestamp() for place in (0, -1))
    end_s = last_s if row is None else max(last_s, float(row[0]))
    whole = Span(first_s, end_s)
    asked = Span(
        whole.begin_s if since is None else since.timestamp(), whole.end_s if until is None else until.timestamp()
    ).within(whole)
    if asked.duration_s <= 0.0:
        raise ValueError(f"nothing lies between --since and --until: the audit goes from {_span_told(whole)}")
    return asked


# ------------------------------------------------------------------------------------------------ for a program


def as_data(made: "Performance", verdict: "Verdict") -> dict[str, Any]:
    """The figures with their units in their names, times in UTC."""
    from supervisor.shell.audit.report_targets import beside_targets

    return {
        "caution": CAUTION,
        "audit": {"whole": verdict.problem is None, "head": str(verdict.head), "problem": verdict.problem},
        "since": _utc(made.period.begin_s),
        "until": _utc(made.period.end_s),
        "hours": round(made.period.duration_s / 3600.0, 3),
        "starts": made.starts,
        "alarms": made.alarms,
        "beside_targets": [
            {"figure": line.target.name, "measured": round(line.measured, 3), "unit": line.target.unit or "count",
             "target": line.target.words, "standing": line.standing, "target_from_memory": line.target.from_memory}
            for line in beside_targets(made)
        ],
        "most_in_an_hour": made.most_in_an_hour,
        "most_in_a_day": made.most_in_a_day,
        "floods": [{"since": _utc(one.begin_s), "until": _utc(one.end_s)} for one in made.floods],
        "most_frequent": [{"alarm": alarm, "count": count} for alarm, count in made.top],
        "stale": [
            {"alarm": one.alarm, "since": _utc(one.span.begin_s), "hours": round(one.span.duration_s / 3600.0, 2)}
            for one in made.stale
        ],
        "chattering": made.chattering,
        "by_priority": made.priorities,
        "not_announced": made.away,
    }  # fmt: skip


def _utc(wall_s: float) -> str:
    from supervisor.messages import at, rfc3339

    return rfc3339(at(wall_s))


def _span_told(span: "Span") -> str:
    begin, end = (_utc(wall_s)[:16].replace("T", " ") for wall_s in span)
    return f"{begin} to {end} UTC"


# ------------------------------------------------------------------------------------------------ for a person


def _print(made: "Performance", verdict: "Verdict") -> None:
    from rich.console import Console

    from supervisor.shell.console.audit import printable, verdict_told

    console = Console(highlight=False, markup=False, no_color=True)
    console.print(f"Alarm performance, {_span_told(made.period)} ({made.period.duration_s / 3600.0:.1f} h)")
    console.print(f"{made.alarms} alarms. Starts of the supervisor: {made.starts}; while it did not run counts as quiet")
    if made.period.duration_s < 86_400.0:
        console.print("Shorter than a day: figures per day are projected from what there is.")
    console.print(f"Audit {verdict_told(verdict).splitlines()[0]}")
    for table in _tables(made):
        console.print(table)
    away = ", ".join(f"{count} times {state}" for state, count in sorted(made.away.items())) or "none"
    console.print(f"Not announced to people: {printable(away)}")
    console.print(f"\nTargets: {STANDARD}.\n{CAUTION}")


def _tables(made: "Performance") -> "list[Table]":
    from supervisor.shell.audit.report_targets import beside_targets

    figures = grey_table("figure", ">measured", "target", "standing")
    for line in beside_targets(made):
        figures.add_row(
            line.target.name, f"{line.measured:.4g}{' %' if line.target.unit else ''}",
            line.target.words + (" *" if line.target.from_memory else ""), line.standing,
        )  # fmt: skip
    return [figures, *_lists(made)]


def _lists(made: "Performance") -> "list[Table]":
    """The alarms that somebody should look at, one table for each reason; none where there is nothing."""
    from supervisor.shell.console.audit import printable

    top = [(alarm, str(count), f"{100.0 * count / made.alarms:.1f} %") for alarm, count in made.top]
    stale = [(one.alarm, _utc(one.span.begin_s), f"{one.span.duration_s / 3600.0:.1f}") for one in made.stale]
    chatter = [(alarm, str(count)) for alarm, count in sorted(made.chattering.items(), key=lambda one: (-one[1], one[0]))]
    floods = [(_utc(one.begin_s), _utc(one.end_s), f"{one.duration_s / 60.0:.1f}") for one in made.floods]
    made_of = (
        (("most frequent", ">count", ">of all"), top),
        (("stale: stood for over 24 h", "since", ">hours"), stale),
        (("chattered: three times in a minute", ">times"), chatter),
        (("flood from", "until", ">minutes"), floods),
    )
    tables = []
    for heads, rows in made_of:
        if rows:
            tables.append(grey_table(*heads))
            for row in rows:
                tables[-1].add_row(*map(printable, row))
    return tables


def grey_table(*heads: str) -> "Table":
    """A grey table; a head that begins with `>` is a column of figures."""
    from rich.box import SIMPLE
    from rich.table import Table
    from rich.text import Text

    table = Table(box=SIMPLE, caption=Text(IN_SHORT), caption_justify="left")
    for head in heads:
        table.add_column(head.removeprefix(">"), justify="right" if head.startswith(">") else "left", overflow="fold")
    return table
