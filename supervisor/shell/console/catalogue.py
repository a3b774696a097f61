"""`stillhold alarms catalogue`: every alarm there is, with its words, worst first."""

import argparse
import dataclasses
import json
import textwrap
from typing import Any

WIDTH = 100


def add(group: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    what = "every alarm there is: priority, consequence, delays, likely cause, what to do"
    parser = group.add_parser("catalogue", help=what, description=what, allow_abbrev=False)
    parser.add_argument("--json", action="store_true", help="as JSON")
    parser.set_defaults(carry_out=_print)


def _print(args: argparse.Namespace) -> int:
    from supervisor.core.catalogue import CATALOGUE, WORST_FIRST

    rows = [_row(CATALOGUE[name]) for name in WORST_FIRST]
    print(json.dumps(rows, indent=2) if args.json else "\n\n".join(map(_in_words, rows)))
    return 0


def _row(row: Any) -> dict[str, Any]:
    from supervisor.core.alarm_causes import EXPLAINED

    return dataclasses.asdict(row) | {"ends": row.ends, "explained_by": list(EXPLAINED.get(row.name, ()))}


def _in_words(row: dict[str, Any]) -> str:
    about = ", about people: never shelved, suppressed or taken out of service" if row["personnel"] else ""
    after = f"; told after {row['on_delay_s']:g} s" if row["on_delay_s"] else ""
    explained = [one.replace("_", " ") for one in row["explained_by"]]
    lines = [
        ("consequence", row["consequence"].replace("_", " ") + after),
        ("ends", row["ends"]),
        ("likely cause", row["cause"]),
        ("if ignored", row["ignored"]),
        ("to do", row["advice"]),
        ("held back by", f"an alarm of its {', '.join(explained)}" if explained else ""),
    ]
    head = f"{row['name']} ({row['priority']}{about})\n  {row['text']}"
    return "\n".join([head, *(_line(what, words) for what, words in lines if words)])


def _line(what: str, words: str) -> str:
    return textwrap.fill(words, WIDTH, initial_indent=f"    {what + ':':<14}", subsequent_indent=" " * 18)
