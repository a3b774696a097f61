"""What each source says of itself, whether it may be asked for gas, and the alarms about it.

A source that is silent, off, empty, under pressure or off purity is asked for nothing. After it was off purity or under
pressure its meter has to read well for a while before it counts again: a generator's first gas after a stop is off
specification, and a buffer that has just been filled a little is soon empty again.
"""

from typing import NamedTuple

from supervisor.core import alarms, ledger, reconcile, supply
from supervisor.core.books import KG_PER_NL
from supervisor.core.desk import Desk
from supervisor.messages import SourceStatus
from supervisor.settings import Source

AGE_S_MAX = 120.0
PURE_S = 120.0  # so long its meter must read within `o2_pct_max` (common practice, no source)
PRESSED_S = 60.0  # and so long its pressure above `pressure_kpa_min` (common practice, no source)


class Trouble(NamedTuple):
    """Why a source gives nothing: the alarm that it is, and in words."""

    alarm: str
    words: str


def on_status(desk: Desk, name: str, told: SourceStatus) -> None:
    said, source, now_s = desk.state.sources[name], desk.site.gas_sources[name], desk.now.mono_s
    gap = not desk.fresh(said.heard_mono_s, AGE_S_MAX)
    said.available, said.capacity_nl_min = told.available, told.capacity_nl_min
    said.o2_pct, said.pressure_kpa, said.stock_kg = told.o2_pct, told.pressure_kpa, told.stock_kg
    said.heard_mono_s = now_s
    pure = source.o2_pct_max is None or (told.o2_pct is not None and told.o2_pct <= source.o2_pct_max)
    pressed = source.pressure_kpa_min is None or (
        told.pressure_kpa is not None and told.pressure_kpa >= source.pressure_kpa_min
    )
    said.pure_since_mono_s = _since(said.pure_since_mono_s, told.available and pure, gap, now_s)
    said.pressed_since_mono_s = _since(said.pressed_since_mono_s, pressed, gap, now_s)


def _since(since_mono_s: float | None, good: bool, gap: bool, now_s: float) -> float | None:
    if not good:
        return None
    return now_s if gap or since_mono_s is None else since_mono_s


def trouble(desk: Desk, source: Source) -> Trouble | None:
    """Why a source is asked for nothing now, or None."""
    said = desk.state.sources[source.id]
    if not desk.fresh(said.heard_mono_s, AGE_S_MAX):
        return Trouble("source_unavailable", f"source {source.id} has not told its status for {AGE_S_MAX:g} s")
    if said.available is not True:
        return Trouble("source_unavailable", f"source {source.id} is not available")
    if said.capacity_nl_min == 0.0:
        return Trouble("source_unavailable", f"source {source.id} says that it can give 0 nl/min")
    if not pure(desk, source):
        return Trouble("source_impure", f"source {source.id} {_impure_words(desk, source)}")
    if source.pressure_kpa_min is not None and not _long(desk, said.pressed_since_mono_s, PRESSED_S):
        told = "tells no pressure" if said.pressure_kpa is None else f"stands at {said.pressure_kpa:.0f} kPa"
        words = f"source {source.id} {told}, at least {source.pressure_kpa_min:g} kPa for {PRESSED_S:g} s"
        return Trouble("source_pressure_low", words)
    if source.stock_kg is not None and stock_left_kg(desk, source) <= source.reserve_kg:
        return Trouble("co2_stock_low", f"source {source.id} is at its reserve of {source.reserve_kg:g} kg")
    return None


def pure(desk: Desk, source: Source) -> bool:
    """Whether what it gives has been within its limit for long enough; always where it has none."""
    return source.o2_pct_max is None or _long(desk, desk.state.sources[source.id].pure_since_mono_s, PURE_S)


def _impure_words(desk: Desk, source: Source) -> str:
    said = desk.state.sources[source.id]
    told = "does not tell its oxygen" if said.o2_pct is None else f"gives {said.o2_pct:.2f} % oxygen"
    return f"{told}, at most {source.o2_pct_max:g} % for {PURE_S:g} s"


def _long(desk: Desk, since_mono_s: float | None, for_s: float) -> bool:
    return since_mono_s is not None and since_mono_s >= desk.state.trusted_mono_s and desk.now.mono_s - since_mono_s >= for_s


def stock_left_kg(desk: Desk, source: Source) -> float:
    """The stock as the source tells it, less what open requests may still draw. Unknown is none."""
    said_kg = desk.state.sources[source.id].stock_kg
    if said_kg is None:
        return 0.0
    return said_kg - KG_PER_NL[source.gas] * sum(one.volume_nl for one in ledger.drawing(desk, source.id))


def judge(desk: Desk, name: str) -> None:
    """One alarm for what is wrong with a source, whatever follows from it."""
    source, said = desk.site.gas_sources[name], desk.state.sources[name]
    found = trouble(desk, source)
    told = source.stock_kg is not None and said.stock_kg is not None
    left_kg = stock_left_kg(desk, source)
    reserve_kg = source.reserve_kg + alarms.deadband(desk, "co2_stock_low", name)
    low = told and left_kg <= reserve_kg  # as last told: silence fills no bank
    alarms.condition(desk, "co2_stock_low", name, low, f"{left_kg:.1f} kg left, reserve {source.reserve_kg:g} kg")
    if found is not None and found.alarm == "co2_stock_low" and not told:
        found = Trouble("source_unavailable", found.words)
    gone = found is not None and found.alarm == "source_unavailable"
    alarms.missing(desk, "source_unavailable", name, gone, found.words if found is not None else "")
    for alarm in ("source_impure", "source_pressure_low"):
        if found is None or found.alarm != "source_unavailable":  # what it gives is not known while it gives nothing
            is_it = found is not None and found.alarm == alarm
            alarms.condition(desk, alarm, name, is_it, found.words if is_it and found is not None else "")
    if found is not None:
        said.short_at = {}  # what falls short then is told already
    short = reconcile.source_is_short(said)
    times, enclosures = sum(said.short_at.values()), ", ".join(said.short_at)
    alarms.condition(desk, "source_short", name, short, f"{times} doses of {enclosures} fell short, and none was full between")
    said.well_since_mono_s = _since(said.well_since_mono_s, found is None, False, desk.now.mono_s)
    late = "" if said.well_since_mono_s is None else supply.overdue(desk, source, said.well_since_mono_s)
    alarms.condition(desk, "gas_waits", name, late != "", late)
