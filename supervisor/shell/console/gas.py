"""`stillhold gas`: how much gas went where, what it cost, and how long the stock lasts. It only reads."""

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from supervisor.caution import CAUTION
from supervisor.shell.console.audit import EXIT_WHOLE, EXIT_WRONG, moment

if TYPE_CHECKING:
    from rich.table import Table

TABLES = ("source", "enclosure", "lot", "day")
NOTES = (
    "nl: normal litres (0 degC, 101.325 kPa). unknown: requested without a last word, counts as given and is paid for;",
    "not given: refused or cut short. Days are UTC, a dose is of the day on which it ended. Costs by today's prices.",
)


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    what = "gas by source, enclosure, lot and day: amounts, mass, cost, per kilogram of fruit, and how long the stock lasts"
    parser = commands.add_parser("gas", help="print the gas accounts and the stock forecast", description=what,
                                 allow_abbrev=False)  # fmt: skip
    parser.add_argument("site", type=Path, metavar="SITE", help="the site file")
    parser.add_argument("state", type=Path, metavar="STATE", help="the folder given to `run` as --state, or a copied journal")
    parser.add_argument("--by", choices=TABLES, help="only this table")
    parser.add_argument("--since", type=moment, metavar="DATE", help="from this day (UTC) on, instead of the whole season")
    parser.add_argument("--json", action="store_true", help="as JSON")
    parser.set_defaults(carry_out=_gas)


def _gas(args: argparse.Namespace) -> int:
    from supervisor.core.books import day_of
    from supervisor.shell.audit.file import AuditUnreadable
    from supervisor.shell.gas_report import NoAccounts, as_data, read
    from supervisor.sitefile import SiteFileError, load

    try:
        site = load(args.site)
        data = as_data(site, read(args.state), None if args.since is None else day_of(args.since.timestamp()))
    except (SiteFileError, AuditUnreadable, NoAccounts) as error:
        print(f"stillhold gas: {error}", file=sys.stderr)
        return EXIT_WRONG
    for table in TABLES:
        if args.by not in (None, table):
            del data[f"by_{table}"]
    if args.json:
        print(json.dumps(data | {"caution": CAUTION}, indent=2))
    else:
        _print(data)
    return EXIT_WHOLE


# ------------------------------------------------------------------------------------------------ for a person


def _print(data: dict[str, Any]) -> None:
    from rich.console import Console

    from supervisor.shell.console.audit import printable

    console = Console(highlight=False, markup=False, no_color=True)
    season = f"season {data['season']}" if data["season"] else "season"
    span = f"since {_day(data['since'])}" if data["since"] else f"{season} since {_minute(data['season_begun'])}"
    console.print(printable(f"Gas of {data['name'] or data['site']}, {span}, as written down {_minute(data['as_of'])} UTC"))
    if data["since"] and (data["days_kept_from"] or "") > data["since"]:
        console.print(f"Days before {_day(data['days_kept_from'])} are not kept of every enclosure, only the season's sum.")
    makers = {"source": _sources, "enclosure": _enclosures, "lot": _lots, "day": _days}
    for table, make in makers.items():
        rows = data.get(f"by_{table}")
        if rows:
            console.print(make(rows, data["currency"] or ""))
    for one in data["stocks"]:
        for line in _stock_told(one):
            console.print(printable(line))
    console.print("\n" + "\n".join((*NOTES, CAUTION)))


def _stock_told(one: dict[str, Any]) -> list[str]:
    """The stock of a source, whether the books explain what went out of it, and how long it lasts."""
    made = one["forecast"]
    lines = [
        f"{one['source']}: {one['stock_kg']:.1f} kg in stock, reserve {one['reserve_kg']:g} kg. Since "
        f"{_minute(one['since'])} UTC {one['went_out_kg']:.1f} kg went out, {one['booked_kg']:.1f} kg are booked, "
        f"{one['unexplained_kg']:+.1f} kg unexplained; {len(one['refills'])} refills"
    ]
    if not made["known"]:
        return [*lines, f"  no forecast: {made['why']}"]
    first, last = made["reserve_on_earliest"], made["reserve_on_latest"]
    when = "not in sight" if first is None else f"between {first} and {last or 'a day not in sight'}"
    lines.append(
        f"  reserve reached {when} ({made['confidence_pct']:g} % interval, {made['daily_kg']:.2f} kg a day by "
        f"{made['rests_on_days']} days)"
    )
    if made["order_by"] is not None:
        lines.append(f"  order by {made['order_by']}: a delivery takes {made['order_lead_days']} days")
    return lines


def _sources(rows: list[dict[str, Any]], currency: str) -> "Table":
    table = _table("source", "gas", *_heads(currency))
    for one in rows:
        table.add_row(one["source"], one["gas"], *_figures(one))
    return table


def _enclosures(rows: list[dict[str, Any]], currency: str) -> "Table":
    table = _table("enclosure", "gas", *_heads(currency), ">nl/kg fruit")
    for one in rows:
        _add_gases(table, one["enclosure"], one)
    return table


def _lots(rows: list[dict[str, Any]], currency: str) -> "Table":
    table = _table("lot", "gas", *_heads(currency), ">nl/kg fruit")
    for one in rows:
        _add_gases(table, f"{one['lot']} ({one['fruit_kg']:g} kg, {', '.join(_where(part) for part in one['fillings'])})", one)
    return table


def _where(part: dict[str, Any]) -> str:
    return f"{part['enclosure']} {_day(part['sealed_at'])} to {_day(part['opened_at']) if part['opened_at'] else 'now'}"


def _days(rows: list[dict[str, Any]], currency: str) -> "Table":
    table = _table("day", "source", *_heads(currency))
    for day in rows:
        for place, (name, one) in enumerate(day["sources"].items()):
            table.add_row("" if place else day["day"], name, *_figures(one))
    return table


def _add_gases(table: "Table", name: str, one: dict[str, Any]) -> None:
    from supervisor.shell.console.audit import printable

    for place, (gas, figures) in enumerate(one["gases"].items()):
        per_kg = (one["nl_per_kg_fruit"] or {}).get(gas)
        shown = "" if per_kg is None else f"{per_kg:.3f}"
        table.add_row("" if place else printable(name), gas, *_figures(figures), shown)


def _heads(currency: str) -> tuple[str, ...]:
    return (">given nl", ">kg", ">of it unknown nl", ">not given nl", f">cost {currency}".rstrip())


def _figures(one: dict[str, Any]) -> tuple[str, ...]:
    cost = "" if one["cost"] is None else f"{one['cost']:.2f}"
    volumes = (f"{one['given_nl']:.1f}", f"{one['given_kg']:.2f}", f"{one['unknown_nl']:.1f}", f"{one['not_given_nl']:.1f}")
    return (*volumes, cost)


def _table(*heads: str) -> "Table":
    from supervisor.shell.console.report import grey_table

    return grey_table(*heads)


def _day(stamp: str) -> str:
    return stamp[:10]


def _minute(stamp: str | None) -> str:
    return "its begin" if stamp is None else stamp[:16].replace("T", " ")
