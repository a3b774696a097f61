"""A gas stock in kilograms: what went out of it, whether the books explain that, and when to order.

Of the last three words on a stock the middle one counts, so that a single wild one is no loss and no refill. What goes out is
the net change: a scale's noise adds up to nothing. A rise beyond noise is a refill, and is over when it has risen no more for
a while. Words are taken as they come, judged on ticks.
"""

from supervisor.core import alarms, ledger
from supervisor.core.accounts import trim
from supervisor.core.books import (
    DAY_S,
    KG_PER_NL,
    NOTHING,
    REFILLS,
    SOURCE_DAYS,
    Reckoning,
    Refill,
    SourceBook,
    Stock,
    day_of,
)  # fmt: skip
from supervisor.core.desk import Desk
from supervisor.core.forecast import CONFIDENCE_PCT, DAYS_MAX, Forecast, forecast
from supervisor.messages import at
from supervisor.settings import Source
from supervisor.values import Gas, Row

WORDS = 3
REFILL_KG_MIN = 2.0  # less is a scale's noise, common practice, no source
REFILL_SHARE_MIN = 0.02  # of the stock in the site file
REFILL_ENDS_S = 900.0
# How far stock and books may part: two meters of some 2 % each (common practice, no source) and a scale's resolution.
TOLERANCE_SHARE = 0.05
TOLERANCE_KG = 1.0
LATE_S = 180.0  # how far the stock's middle word, and a dose's report, may lag behind the gas
CHECK_S = 7 * DAY_S  # they are set against each other anew at least so often, or a share of all use would hide a leak


def on_status(desk: Desk, name: str) -> None:
    """Takes a source's new word on its stock."""
    source, told_kg = desk.site.gas_sources[name], desk.state.sources[name].stock_kg
    if source.stock_kg is None or told_kg is None:
        return
    stock = desk.state.books.sources.setdefault(name, SourceBook(source.gas)).stock
    stock.heard_kg = [*stock.heard_kg, told_kg][-WORDS:]
    if len(stock.heard_kg) < WORDS:
        return
    kg, today, before_kg = sorted(stock.heard_kg)[WORDS // 2], day_of(desk.now.wall_s), stock.loss_kg
    if stock.kg is None:
        stock.first_kg = stock.low_kg = stock.kg = kg
        stock.first_day = today
    stock.first_day = min(stock.first_day, today)  # a clock that was ahead and was put right
    _follow_refill(desk, source, stock, kg)
    stock.kg = kg
    if today not in stock.losses_kg:
        _end_day(desk, name, stock)
    stock.losses_kg[today] = stock.losses_kg.get(today, 0.0) + stock.loss_kg - before_kg
    trim(stock.losses_kg, SOURCE_DAYS)
    stock.news = True


def _follow_refill(desk: Desk, source: Source, stock: Stock, kg: float) -> None:
    if stock.rising_from_kg is None:
        stock.low_kg = min(stock.low_kg, kg)
        if kg - stock.low_kg < _noise_kg(source):
            return
        stock.rising_from_kg = stock.top_kg = stock.low_kg
    if kg > stock.top_kg:
        stock.refilled_kg += kg - stock.top_kg
        stock.top_kg, stock.top_mono_s = kg, desk.now.mono_s
    elif desk.now.mono_s - stock.top_mono_s >= REFILL_ENDS_S:
        added_kg = stock.top_kg - stock.rising_from_kg
        stock.refills = [*stock.refills, Refill(desk.now.wall_s, added_kg)][-REFILLS:]
        stock.rising_from_kg, stock.low_kg, stock.checked = None, kg, None
        desk.say("stock_refilled", source=source.id, added_kg=round(added_kg, 2), stock_kg=round(kg, 2))


def _noise_kg(source: Source) -> float:
    return max(REFILL_KG_MIN, REFILL_SHARE_MIN * (source.stock_kg or 0.0))


def _end_day(desk: Desk, name: str, stock: Stock) -> None:
    """The row of the last day that was kept, now that another has begun."""
    if stock.losses_kg:
        day = max(stock.losses_kg)
        booked = desk.state.books.sources[name].days.get(day, NOTHING)
        given_kg = booked.given_nl * KG_PER_NL[desk.site.gas_sources[name].gas]
        figures = (("stock_loss_kg", stock.losses_kg[day]), ("given_kg", given_kg))
        desk.effects.append(Row("source_day", (("source", name),), figures, day * DAY_S))


def judge(desk: Desk, name: str) -> None:
    """What a new word on the stock means, once."""
    book = desk.state.books.sources.get(name)
    if book is None or not book.stock.news:
        return
    book.stock.news = False
    _check(desk, desk.site.gas_sources[name], book)
    _order(desk, desk.site.gas_sources[name], book.stock)


# ------------------------------------------------------------------------------------------------ do the books explain it?


def _check(desk: Desk, source: Source, book: SourceBook) -> None:
    stock = book.stock
    if stock.rising_from_kg is not None:
        return
    now = Reckoning(desk.now.wall_s, stock.loss_kg, book.season, _open_nl(desk, source.id))
    stock.begun = stock.begun or now
    if stock.checked is None:
        stock.checked = now
        return
    since, lost_kg = at(stock.checked.wall_s), now.loss_kg - stock.checked.loss_kg
    least_kg, most_kg = explained_kg(source.gas, stock.checked, now)
    slack_kg = TOLERANCE_KG + TOLERANCE_SHARE * most_kg + KG_PER_NL[source.gas] * source.capacity_nl_min * LATE_S / 60.0
    words = ""
    if lost_kg > most_kg + slack_kg:
        words = f"{lost_kg:.1f} kg went out and at most {most_kg:.1f} kg of it into enclosures"
    elif lost_kg < least_kg - slack_kg - _noise_kg(source):  # a refill that has only begun looks like this
        words = f"{lost_kg:.1f} kg went out, but valves report {least_kg:.1f} kg"
    if words:
        alarms.condition(desk, "stock_disagrees", source.id, True, f"since {since:%Y-%m-%d %H:%M} UTC {words}")
        alarms.condition(desk, "stock_disagrees", source.id, False)
    if words or desk.now.wall_s - stock.checked.wall_s >= CHECK_S:
        stock.checked = now


def explained_kg(gas: Gas, before: Reckoning, now: Reckoning) -> tuple[float, float]:
    """Between how much and how much the books explain of what went out meanwhile. What was under way or unknown at either
    end may have gone out before, after, or not at all."""
    change = now.booked.minus(before.booked)
    least_nl = change.delivered_nl - before.open_nl - max(0.0, -change.unknown_nl)
    most_nl = change.delivered_nl + max(0.0, change.unknown_nl) + now.open_nl
    return KG_PER_NL[gas] * least_nl, KG_PER_NL[gas] * most_nl


def _open_nl(desk: Desk, source: str) -> float:
    return sum(one.volume_nl for one in ledger.drawing(desk, source))


# ------------------------------------------------------------------------------------------------ how long it lasts


def outlook(stock: Stock, reserve_kg: float, today: int) -> Forecast | None:
    """When the stock reaches its reserve, by the whole days that it has been watched for. A day on which nobody listened is
    not a day without use: what was used then stands in the day on which it was heard again."""
    days = range(max(stock.first_day + 1, today - DAYS_MAX), today)
    daily_kg = [stock.losses_kg[day] for day in days if day in stock.losses_kg]
    return None if stock.kg is None else forecast(daily_kg, stock.kg - reserve_kg)


def _order(desk: Desk, source: Source, stock: Stock) -> None:
    made = outlook(stock, source.reserve_kg, day_of(desk.now.wall_s))
    left_kg = (stock.kg or 0.0) - source.reserve_kg
    earliest_days = 0.0 if left_kg <= 0.0 else None if made is None else made.earliest_days
    lead_days = source.order_lead_days
    due, words = False, ""
    if lead_days is not None and earliest_days is not None:
        due = earliest_days <= lead_days + alarms.deadband(desk, "co2_order_due", source.id)
        use = "" if made is None else f", {made.daily_kg:.1f} kg a day over {made.rests_on_days} days"
        words = (
            f"{left_kg:.1f} kg above the reserve{use}: it may be reached in {earliest_days:.1f} days "
            f"({CONFIDENCE_PCT:g} % interval), a delivery takes {lead_days}"
        )
    alarms.condition(desk, "co2_order_due", source.id, due, words)
