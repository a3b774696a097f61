"""The gas accounts of a site as plain data for people and programs: amounts, mass, cost, per kilogram of fruit, forecast.

They are read from the newest snapshot in the journal, so they are as old as that; a supervisor that ends in order writes one.
Prices are those of the site file as it is now.
"""

import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter

from supervisor.core.books import DAY_S, KG_PER_NL, NOTHING, Amounts, Books, ByGas, Filling, SourceBook, Stock, day_of
from supervisor.core.forecast import CONFIDENCE_PCT, DAYS_MIN
from supervisor.core.stock import outlook
from supervisor.messages import at, rfc3339
from supervisor.settings import SiteFile, Source
from supervisor.shell.audit.file import reading
from supervisor.shell.engine import snapshot_of_core
from supervisor.values import GASES, Gas

_BOOKS = TypeAdapter(Books)


class NoAccounts(Exception):
    """There is nothing to report on; the message says what to do."""


@dataclass(frozen=True, slots=True)
class Kept:
    """The books as they stood at `wall_s`."""

    books: Books
    wall_s: float


def read(state: Path) -> Kept:
    """The accounts in the folder `state`. Raises NoAccounts, and AuditUnreadable when there is no journal to be read."""
    with reading(state) as db:
        row = db.execute("SELECT blob FROM snapshots ORDER BY seq DESC LIMIT 1").fetchone()
    if row is None:
        raise NoAccounts(f"{state}: nothing is written down yet; accounts are every five minutes, and when the supervisor ends")
    core = json.loads(snapshot_of_core(row[0]))
    if "books" not in core or core["swept_mono_s"] is None or core["wall_minus_mono_s"] is None:
        raise NoAccounts(f"{state}: it was last written by a version that kept no gas accounts, or before its first tick")
    return Kept(_BOOKS.validate_python(core["books"]), core["swept_mono_s"] + core["wall_minus_mono_s"])


def as_data(site: SiteFile, kept: Kept, since_day: int | None) -> dict[str, Any]:
    """Every table. `since_day` narrows enclosures, sources and days to the days from it on, and lots to what was sealed then
    or is since."""
    books, prices = _in_order(site, kept.books), _prices(site)
    return {
        "site": site.site.id,
        "name": site.site.name,
        "as_of": _utc(kept.wall_s),
        "season": books.season,
        "season_begun": None if books.begun_wall_s is None else _utc(books.begun_wall_s),
        "since": None if since_day is None else _utc(since_day * DAY_S),
        "days_kept_from": None if since_day is None else _kept_from(books),
        "days_are": "UTC",
        "currency": site.site.currency,
        "stocks": [one for name, book in books.sources.items() if (one := _stock(site, name, book, kept.wall_s)) is not None],
        "by_source": [_source(site, name, book, since_day) for name, book in books.sources.items()],
        "by_enclosure": [_enclosure(site, name, books, since_day, prices) for name in books.enclosures],
        "by_lot": _lots(site, books, since_day, prices),
        "by_day": _days(site, books, since_day),
    }


def _in_order(site: SiteFile, books: Books) -> Books:
    """As the site file has them; what it has lost comes last."""
    sources = {name: books.sources[name] for name in (*site.gas_sources, *books.sources) if name in books.sources}
    enclosures = {name: books.enclosures[name] for name in (*site.enclosures, *books.enclosures) if name in books.enclosures}
    return replace(books, sources=sources, enclosures=enclosures)


def _utc(wall_s: float) -> str:
    return rfc3339(at(wall_s))


def _kept_from(books: Books) -> str | None:
    """The first day that is kept of every enclosure."""
    first = [min(book.days) for book in books.enclosures.values() if book.days]
    return _utc(max(first) * DAY_S) if first else None


# ------------------------------------------------------------------------------------------------ one figure


Price = tuple[float, float]
"""For a kilogram and for a normal litre; one of them is 0."""


def _price(source: Source | None) -> Price | None:
    if source is None or (source.price_per_kg is None and source.price_per_1000_nl is None):
        return None
    return source.price_per_kg or 0.0, (source.price_per_1000_nl or 0.0) / 1000.0


def _prices(site: SiteFile) -> dict[tuple[str, Gas], Price | None]:
    """What a gas costs in each enclosure, by the source that is piped to it."""
    return {(name, gas): _price(site.source_of(name, gas)) for name in site.enclosures for gas in GASES}


def _exact_cost(gas: Gas, amounts: Amounts, price: Price) -> float:
    """What counts as given is what costs."""
    return amounts.given_nl * (price[0] * KG_PER_NL[gas] + price[1])


def _told(gas: Gas, amounts: Amounts, price: Price | None) -> dict[str, Any]:
    given_kg = amounts.given_nl * KG_PER_NL[gas]
    cost = None if price is None else round(_exact_cost(gas, amounts, price), 2)
    figures = {key: round(value, 3) for key, value in amounts._asdict().items()}
    return figures | {"given_nl": round(amounts.given_nl, 3), "given_kg": round(given_kg, 4), "cost": cost}


def _gases(name: str, gases: ByGas, prices: dict[tuple[str, Gas], Price | None]) -> dict[str, Any]:
    return {gas: _told(gas, gases[gas], prices.get((name, gas))) for gas in GASES if gas in gases}


def _per_fruit(gases: ByGas, fruit_kg: float) -> dict[str, float] | None:
    """Normal litres of each gas for a kilogram of fruit."""
    return {gas: round(gases[gas].given_nl / fruit_kg, 4) for gas in GASES if gas in gases} if fruit_kg > 0.0 else None


def _cost(gases: dict[str, Any]) -> float | None:
    """The sum of what has a price, None where nothing has."""
    costs = [one["cost"] for one in gases.values() if one["cost"] is not None]
    return round(sum(costs), 2) if costs else None


def _sum(days: dict[int, ByGas], since_day: int) -> ByGas:
    total: ByGas = {}
    for day, gases in days.items():
        for gas, amounts in gases.items() if day >= since_day else ():
            total[gas] = total.get(gas, NOTHING).plus(amounts)
    return total


# ------------------------------------------------------------------------------------------------ the tables


def _enclosure(
    site: SiteFile, name: str, books: Books, since_day: int | None, prices: dict[tuple[str, Gas], Price | None]
) -> dict[str, Any]:
    book = books.enclosures[name]
    gases = book.season if since_day is None else _sum(book.days, since_day)
    told = _gases(name, gases, prices)
    fruit_kg = book.fruit_kg if since_day is None else 0.0
    return {
        "enclosure": name, "in_site_file": name in site.enclosures, "gases": told, "cost": _cost(told),
        "fruit_kg": fruit_kg or None, "nl_per_kg_fruit": _per_fruit(gases, fruit_kg),
        "sampled_nl": round(book.sampled_nl, 1) if since_day is None else None,
    }  # fmt: skip


def _lots(
    site: SiteFile, books: Books, since_day: int | None, prices: dict[tuple[str, Gas], Price | None]
) -> list[dict[str, Any]]:
    """Fillings of one lot together; one without a lot stands by itself."""
    lots: dict[str, list[tuple[str, Filling]]] = {}
    for name, book in books.enclosures.items():
        for filling in book.fillings:
            if since_day is None or filling.opened_wall_s is None or day_of(filling.opened_wall_s) >= since_day:
                lots.setdefault(filling.lot or f"{name}, filling {filling.number}", []).append((name, filling))
    return [_lot(key, fillings, prices) for key, fillings in sorted(lots.items())]


def _lot(key: str, fillings: list[tuple[str, Filling]], prices: dict[tuple[str, Gas], Price | None]) -> dict[str, Any]:
    gases: ByGas = {}
    costs: dict[Gas, float] = {}
    for name, filling in fillings:
        for gas, amounts in filling.gases.items():
            gases[gas] = gases.get(gas, NOTHING).plus(amounts)
            if (price := prices.get((name, gas))) is not None:
                costs[gas] = costs.get(gas, 0.0) + _exact_cost(gas, amounts, price)
    told = _gases("", gases, {})
    for gas, cost in costs.items():
        told[gas]["cost"] = round(cost, 2)
    fruit_kg = sum(filling.fruit_kg for _, filling in fillings)
    return {
        "lot": key, "gases": told, "cost": _cost(told), "fruit_kg": fruit_kg, "nl_per_kg_fruit": _per_fruit(gases, fruit_kg),
        "sampled_nl": round(sum(filling.sampled_nl for _, filling in fillings), 1),
        "fillings": [
            {"enclosure": name, "filling": one.number, "lot": one.lot, "fruit_kg": one.fruit_kg,
             "sealed_at": _utc(one.sealed_wall_s), "opened_at": None if one.opened_wall_s is None else _utc(one.opened_wall_s)}
            for name, one in fillings
        ],
    }  # fmt: skip


def _days(site: SiteFile, books: Books, since_day: int | None) -> list[dict[str, Any]]:
    """Each day that sources keep, oldest first."""
    days = dict.fromkeys(sorted(day for book in books.sources.values() for day in book.days))
    return [
        {"day": _utc(day * DAY_S)[:10],
         "sources": {name: _told(book.gas, book.days[day], _price(site.gas_sources.get(name)))
                     for name, book in books.sources.items() if day in book.days}}
        for day in days if since_day is None or day >= since_day
    ]  # fmt: skip


def _source(site: SiteFile, name: str, book: SourceBook, since_day: int | None) -> dict[str, Any]:
    source, amounts = site.gas_sources.get(name), book.season
    if since_day is not None:
        amounts = NOTHING
        for day, more in book.days.items():
            amounts = amounts.plus(more) if day >= since_day else amounts
    told = {"source": name, "gas": book.gas, "in_site_file": source is not None}
    return told | _told(book.gas, amounts, _price(source))


# ------------------------------------------------------------------------------------------------ stocks


def _stock(site: SiteFile, name: str, book: SourceBook, wall_s: float) -> dict[str, Any] | None:
    """`unexplained_kg` is what went out of the stock beyond what the books explain (below 0: less than they do)."""
    source, stock = site.gas_sources.get(name), book.stock
    if source is None or source.stock_kg is None or stock.kg is None or stock.begun is None:
        return None
    booked = book.season.minus(stock.begun.booked)
    lost_kg, given_kg = stock.loss_kg - stock.begun.loss_kg, booked.given_nl * KG_PER_NL[book.gas]
    return {
        "source": name,
        "stock_kg": round(stock.kg, 2), "reserve_kg": source.reserve_kg, "since": _utc(stock.begun.wall_s),
        "went_out_kg": round(lost_kg, 2), "booked_kg": round(given_kg, 2), "unexplained_kg": round(lost_kg - given_kg, 2),
        "refills": [{"at": _utc(one.wall_s), "added_kg": round(one.added_kg, 2)} for one in stock.refills],
        "forecast": _forecast(source, stock, wall_s),
    }  # fmt: skip


def _forecast(source: Source, stock: Stock, wall_s: float) -> dict[str, Any]:
    """When the reserve is reached, and by when to order so that a delivery comes in time; dates in UTC."""
    made = outlook(stock, source.reserve_kg, day_of(wall_s))
    if made is None:
        return {"known": False, "why": f"use is known of less than {DAYS_MIN} whole days"}
    lead_days = source.order_lead_days
    days = {"earliest": made.earliest_days, "middle": made.middle_days, "latest": made.latest_days}
    order = None if lead_days is None or made.earliest_days is None else max(0.0, made.earliest_days - lead_days)
    return {
        "known": True, "rests_on_days": made.rests_on_days, "daily_kg": round(made.daily_kg, 3),
        "confidence_pct": CONFIDENCE_PCT,
        **{f"reserve_in_days_{key}": None if value is None else round(value, 2) for key, value in days.items()},
        "reserve_on_earliest": _date(wall_s, made.earliest_days), "reserve_on_latest": _date(wall_s, made.latest_days),
        "order_lead_days": lead_days, "order_by": _date(wall_s, order),
    }  # fmt: skip


def _date(wall_s: float, days: float | None) -> str | None:
    """The day in so many days; None for one that nobody living will see."""
    return None if days is None or days > 36_500 else _utc(wall_s + days * DAY_S)[:10]
