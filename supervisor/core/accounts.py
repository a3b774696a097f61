"""Gas accounts: each request that is over is booked once, for its enclosure, its filling, its source and its day.

A dose without a last word is booked as unknown, and as given. When its last word comes after all, what was booked is
corrected where it stands; a word that comes twice changes nothing. A dose counts on the day on which it ended.
"""

from collections.abc import Iterable
from typing import TypeVar

from supervisor.core.books import (
    DAY_S,
    ENCLOSURE_DAYS,
    FILLINGS,
    KG_PER_NL,
    NOTHING,
    SOURCE_DAYS,
    Amounts,
    Books,
    Counted,
    EnclosureBook,
    Filling,
    SourceBook,
    day_of,
)  # fmt: skip
from supervisor.core.desk import Desk
from supervisor.core.state import Dose, SiteState
from supervisor.messages import AnalyserReading
from supervisor.values import Gas, Row

DRAW_S_MAX = 60.0  # readings further apart do not show that the line was drawn in between

Figure = TypeVar("Figure")


def count(desk: Desk, dose: Dose) -> None:
    """Books a dose that is over; one that was booked before is corrected by what is known now."""
    ended_mono_s = desk.now.mono_s if dose.closed_mono_s is None else dose.closed_mono_s
    booked = _book(desk.state, dose, desk.now.wall_s - (desk.now.mono_s - ended_mono_s))
    if booked is None:
        return
    book = desk.state.books.enclosures[dose.enclosure]
    amounts = book.days.get(booked.day, {}).get(dose.gas)
    if amounts is not None:
        _write_row(desk, dose.enclosure, dose.gas, booked.day, amounts)
    filling = _filling(book, booked.filling)
    if filling is not None and filling.opened_wall_s is not None:  # its figures were said already
        desk.say("filling_corrected", **_figures(dose.enclosure, filling))


def let_go(state: SiteState, doses: Iterable[Dose]) -> None:
    """The site file has lost these doses' enclosure: what was asked for and is not over counts as given, for ever."""
    for dose in doses:
        if dose.closed_mono_s is None:
            dose.outcome = "unknown"
            _book(state, dose, dose.until_mono_s + (state.wall_minus_mono_s or 0.0))


def _book(state: SiteState, dose: Dose, ended_wall_s: float) -> Counted | None:
    """What was booked, None where nothing changed."""
    books, amounts, counted = state.books, amounts_of(dose), dose.counted
    if counted is None:
        book = books.enclosures.setdefault(dose.enclosure, EnclosureBook())
        counted = Counted(books.season, day_of(ended_wall_s), _number(book, dose.asked_mono_s), NOTHING)
    if counted.season != books.season or amounts == counted.amounts:
        return None
    _add(books, dose, counted, amounts.minus(counted.amounts))
    dose.counted = Counted(counted.season, counted.day, counted.filling, amounts)
    return dose.counted


def amounts_of(dose: Dose) -> Amounts:
    missing_nl = max(0.0, dose.volume_nl - dose.delivered_nl)
    if dose.outcome == "unknown":
        return Amounts(dose.delivered_nl, missing_nl, 0.0)
    return Amounts(dose.delivered_nl, 0.0, missing_nl)


def _add(books: Books, dose: Dose, where: Counted, change: Amounts) -> None:
    gas, book = dose.gas, books.enclosures[dose.enclosure]
    source = books.sources.setdefault(dose.source, SourceBook(gas))
    book.season[gas] = book.season.get(gas, NOTHING).plus(change)
    source.season = source.season.plus(change)
    filling = _filling(book, where.filling)
    if filling is not None:
        filling.gases[gas] = filling.gases.get(gas, NOTHING).plus(change)
    day = book.days.setdefault(where.day, {})
    day[gas] = day.get(gas, NOTHING).plus(change)
    source.days[where.day] = source.days.get(where.day, NOTHING).plus(change)
    trim(book.days, ENCLOSURE_DAYS)  # a day that is not kept any more is gone again at once
    trim(source.days, SOURCE_DAYS)


def trim(days: dict[int, Figure], count_max: int) -> None:
    """Forgets the oldest days beyond so many."""
    while len(days) > count_max:
        del days[min(days)]


# ------------------------------------------------------------------------------------------------ seasons and fillings


def begin(desk: Desk) -> None:
    """The accounts of a season are open from the first start in it."""
    if desk.state.books.begun_wall_s is None:
        desk.state.books.begun_wall_s = desk.now.wall_s


def turn_season(season: str, state: SiteState) -> None:
    """Another name of the season in the site file closes the books and opens new ones. What is sealed stays one filling, and
    a stock does not end with a season."""
    old = state.books
    if season == old.season:
        return
    state.books = Books(season)
    for name, book in old.enclosures.items():
        if book.fillings and book.fillings[-1].opened_wall_s is None:
            state.books.enclosures[name] = EnclosureBook(fillings=[book.fillings[-1]], fruit_kg=book.fillings[-1].fruit_kg)
    for name, source in old.sources.items():
        source.stock.begun = source.stock.checked = None
        state.books.sources[name] = SourceBook(source.gas, stock=source.stock)


def seal(desk: Desk, name: str, lot: str | None) -> None:
    """A filling begins. Its lot is the one that was given with the command, else that of the site file."""
    enclosure = desk.site.enclosures[name]
    book = desk.state.books.enclosures.setdefault(name, EnclosureBook())
    number = book.fillings[-1].number + 1 if book.fillings else 1
    filling = Filling(number, lot or enclosure.lot, enclosure.fruit_kg, desk.now.mono_s, desk.now.wall_s)
    book.fillings = [*book.fillings, filling][-FILLINGS:]
    book.fruit_kg += enclosure.fruit_kg


def unseal(desk: Desk, name: str) -> None:
    """The filling is over: what it was given is said for good, so that a buyer's load has its own figure."""
    book = desk.state.books.enclosures.get(name)
    if book is None or not book.fillings or book.fillings[-1].opened_wall_s is not None:
        return  # sealed by a version that kept no accounts
    book.fillings[-1].opened_wall_s = desk.now.wall_s
    desk.say("filling_opened", **_figures(name, book.fillings[-1]))


def _figures(name: str, filling: Filling) -> dict[str, float | int | str | bool | None]:
    figures: dict[str, float | int | str | bool | None] = {
        "enclosure": name, "filling": filling.number, "lot": filling.lot, "fruit_kg": filling.fruit_kg
    }  # fmt: skip
    for gas, amounts in filling.gases.items():
        figures[f"{gas}_delivered_nl"] = round(amounts.delivered_nl, 1)
        figures[f"{gas}_unknown_nl"] = round(amounts.unknown_nl, 1)
    return figures


def _number(book: EnclosureBook, asked_mono_s: float) -> int:
    """The filling that a request was meant for, 0 for none."""
    return next((one.number for one in reversed(book.fillings) if one.sealed_mono_s <= asked_mono_s), 0)


def _filling(book: EnclosureBook, number: int) -> Filling | None:
    return next((one for one in book.fillings if one.number == number), None)


# ------------------------------------------------------------------------------------------------ sample gas and rows


def on_reading(desk: Desk, analyser: str, reading: AnalyserReading) -> None:
    """What a sample line draws comes out of the enclosure. Call it before the reading is taken: it counts since the last."""
    name, kept = desk.site.enclosure_of_line.get(reading.line), desk.state.analysers[analyser]
    since_s = desk.age_s(kept.heard_mono_s)
    if name is None or since_s is None or since_s > DRAW_S_MAX or (reading.boot == kept.boot and reading.seq <= kept.seq):
        return
    told_nl_min = reading.sample_flow_nl_min
    flow_nl_min = desk.site.analysers[analyser].sample_flow_nl_min if told_nl_min is None else told_nl_min
    drawn_nl = flow_nl_min * since_s / 60.0
    book = desk.state.books.enclosures.setdefault(name, EnclosureBook())
    book.sampled_nl += drawn_nl
    if book.fillings and book.fillings[-1].opened_wall_s is None:
        book.fillings[-1].sampled_nl += drawn_nl


def _write_row(desk: Desk, enclosure: str, gas: Gas, day: int, amounts: Amounts) -> None:
    """The day's total so far, always at the day's beginning: in the database the newest takes the place of the one before."""
    figures = (*amounts._asdict().items(), ("given_kg", amounts.given_nl * KG_PER_NL[gas]))
    desk.effects.append(Row("gas_day", (("enclosure", enclosure), ("gas", gas)), figures, day * DAY_S))
