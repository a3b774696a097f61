"""What each fault of the library must lead to: which alarm names it rightly, within what, and what has to be done about it;
or why it harms nobody, or cannot be found.

Bounds are upper bounds from the site file's own times, not what is usual. They count from the fault's start, or, where a fault
shows only when it is asked for, from the first time that it could have shown.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal

from supervisor.settings import SiteFile

HOUR_S = 3600.0
LOOK_S = 20.0  # two looks at everything, as a rehearsal steps

# no_dose: no nitrogen or CO2 for the enclosure. faulted: the enclosure goes to faulted, so no gas at all. room_closed: the room
# is not clear, and none of its enclosures gets nitrogen or CO2. source_rests: nothing is asked of it. unit_rests: nothing is
# asked through it. analyser_rests: what it alone answers for gets no nitrogen or CO2. told: people are told, no more.
Consequence = Literal["no_dose", "faulted", "room_closed", "source_rests", "unit_rests", "analyser_rests", "told"]
# start: of the fault. dose: the first request of the valve, or of the source, that the fault is on. drawn: the next time that
# the calibration gas is drawn.
From = Literal["start", "dose", "drawn"]
Within = Callable[[SiteFile, float], float]


@dataclass(frozen=True)
class Expected:
    """One row.

    `alarms`: any of these, about what the fault is on, names it rightly. `within_s(site, size)` is the bound in seconds, and
    `bound` says how it comes about. `takes_s`: how long after the alarm the consequence must be there. Bound and consequence
    hold from a size of `least` on, of either sign. Below that, or where there is no bound, it may be found and need not be:
    `harmless` says why. Where there are no alarms it is never found, and `unseen` says why.
    """

    alarms: tuple[str, ...] = ()
    within_s: Within | None = None
    bound: str = ""
    counts_from: From = "start"
    consequence: Consequence = "told"
    takes_s: Within = lambda site, size: LOOK_S
    least: float = 0.0
    wide: bool = False  # it shows at whatever the analyser draws, not at its own line
    harmless: str = ""
    unseen: str = ""


def _fixed(seconds: float) -> Within:
    return lambda site, size: seconds


def _air(site: SiteFile, size: float) -> float:
    return site.timing.air_age_s_max + LOOK_S


def _visits(times: float) -> Within:
    return lambda site, size: times * site.timing.sample_age_s_max


def _unit(site: SiteFile, size: float) -> float:
    return site.timing.unit_silence_s_max + LOOK_S


def _plan(site: SiteFile, size: float) -> float:
    """The longest interval at which any calibration gas is drawn by plan, and as long as a try may be put off."""
    every_h = [one.calibration.every_h(use) for one in site.analyser for use in ("zero", "span", "check")]  # type: ignore[arg-type]
    return (max(every_h, default=0.0) + 6.0) * HOUR_S


def _zero(site: SiteFile, size: float) -> float:
    """The next zero but one: the first may still be within the action limit."""
    every_h = [one.calibration.zero_every_h for one in site.analyser]
    return (2.0 * max(every_h, default=0.0) + 6.0) * HOUR_S


def _moves(limit: Callable[[SiteFile], float], share: float) -> Within:
    """How long a release needs to move a closed room's air by what counts as a movement, three times over for its fan."""

    def within_s(site: SiteFile, size: float) -> float:
        largest_m3 = max(one.volume_m3 for one in site.room)
        needed_nl = 1000.0 * largest_m3 * limit(site) / share
        return 180.0 + 3.0 * 60.0 * needed_nl / max(size, 1.0)

    return within_s


_VISITS_2 = "two visits: one that doubts, one that confirms, each within the greatest age of a sample"
_BELIEF = ("analyser_untrue", "line_suspect", "reading_doubtful")
_CALIBRATED = "calibration by plan takes it out day by day, as long as one day's drift stays within the action limit"

EXPECTED: Mapping[str, Expected] = {
    # ---- enclosures
    "leak": Expected(
        ("unexplained_move", "no_response", "out_of_band", "line_suspect"), _visits(3.0), "until gas has moved with every "
        "valve shut between two visits, at most three visits", least=6.0,
        harmless="a smaller one is held against: it costs gas, and the gas accounts show it; no fruit leaves its band",
    ),
    "bag_torn": Expected(
        ("line_suspect", "unexplained_move", "no_response"), _visits(3.0), "two visits that read further and further towards "
        "air, or one that reads air altogether", consequence="no_dose", takes_s=_visits(2.0), least=30.0,
        harmless="as a leak: it is held against, at a price",
    ),
    "hoses_swapped": Expected(
        ("no_response", "unexplained_move"), _visits(4.0), "two pairs of samples around doses large enough to show, or "
        "gas that moves where none was given", takes_s=_visits(2.0), consequence="faulted",
    ),
    # ---- valves
    "hose_kinked": Expected(
        ("short_delivery", "dose_failing", "source_short"), lambda site, size: 8.0 * site.timing.lease_s, "three doses in a "
        "row that run out of time", counts_from="dose",
    ),
    "valve_slow": Expected(
        ("over_delivery", "short_delivery", "dose_failing", "unrequested_flow"), lambda site, size: 8.0 * site.timing.lease_s,
        "three doses in a row that give too much or nothing", counts_from="dose", least=11.0,
        harmless="what passes while it shuts is metered and counted; the next sample judges it",
    ),
    "report_lost": Expected(
        ("late_report", "dose_failing"), lambda site, size: 2.0 * site.timing.lease_s, "no answer to a request within three "
        "times what hardware is allowed; what is unknown counts as given", counts_from="dose",
    ),
    "report_late": Expected(
        ("late_report", "dose_failing"), lambda site, size: 2.0 * site.timing.lease_s, "no answer to a request within three "
        "times what hardware is allowed; what is unknown counts as given", counts_from="dose", least=30.0,
        harmless="an answer that comes a little late is taken for what it says; until then the dose counts as given",
    ),
    "report_doubled": Expected(
        harmless="each request is booked once, and a second report of it changes nothing",
        unseen="a repeat is what delivery at least once may always bring",
    ),
    "report_false": Expected(
        ("no_response", "pulldown_off_plan"), _visits(3.0), "two pairs of samples around doses large enough to show",
        counts_from="dose", consequence="faulted", takes_s=_visits(2.0),
    ),
    "hose_off": Expected(
        ("no_response",), _visits(3.0), "two pairs of samples around doses large enough to show", counts_from="dose",
        consequence="faulted",
    ),
    "hose_off/air": Expected(
        ("no_response", "o2_below_floor", "out_of_band"),
        harmless="air in the room harms nobody, and doses of air are small; oxygen that sinks is told when out of band",
    ),
    "valve_stuck_open": Expected(
        ("unrequested_flow",), lambda site, size: 6.0 * site.timing.lease_s + 60.0, "at once when no dose runs, else when "
        "doses that follow on each other end, and the next word on its flow", consequence="faulted",
    ),
    "valve_stuck_shut": Expected(
        ("dose_failing", "short_delivery"), lambda site, size: 6.0 * site.timing.lease_s, "four doses that fail, each a lease "
        "at most, with pauses", counts_from="dose",
    ),
    # ---- room sensors
    "sensor_silent": Expected(("room_air_unknown",), _air, "air_age_s_max", consequence="room_closed"),
    "sensor_fault": Expected(("room_air_unknown",), _fixed(LOOK_S), "its own next word", consequence="room_closed"),
    "sensor_flat": Expected(
        ("room_air_unknown",), lambda site, size: max(
            (one.flat_line_s_max for room in site.room for one in room.sensor), default=0.0) + LOOK_S,
        "flat_line_s_max of the sensor", consequence="room_closed",
    ),
    "sensor_off": Expected(
        ("room_air_unknown", "room_air_unsafe", "room_air_dangerous"), _fixed(LOOK_S), "the next word: it differs from its "
        "neighbour's by more than they may", consequence="room_closed", least=1.1,
        harmless="within what sensors of a room may differ by (spread_*_pct_max); the worst sensor decides in any case",
    ),
    "sensor_drift": Expected(
        ("room_air_unknown", "room_air_unsafe", "room_air_moving"), lambda site, size: 86_400.0 * 1.2 * max(
            room.spread_o2_pct_max for room in site.room) / max(size, 0.01), "until it differs from its neighbour by more than "
        "sensors of a room may", consequence="room_closed",
    ),
    "sensor_poisoned": Expected(
        harmless="the worst sensor of a room decides: its neighbour still shows the CO2, and then the two differ, which closes "
        "the room; a room with one sensor alone has no such help",
        unseen="fresh air has no CO2 that could be missed: only a test with gas by a person shows it",
    ),
    # ---- analysers
    "analyser_noise": Expected(
        (*_BELIEF, "calibration_overdue", "calibration_due"), _visits(2.0), _VISITS_2, least=2.0,
        harmless="each dose is judged by the next sample, and noise has no direction: the gas stays in its band",
    ),
    "analyser_dead": Expected(
        ("analyser_silent",), lambda site, size: site.timing.unit_silence_s_max + 60.0 + LOOK_S, "unit_silence_s_max and the "
        "alarm's delay", consequence="analyser_rests", takes_s=_visits(1.0),
    ),
    "analyser_fault": Expected(
        ("analyser_silent",), _fixed(60.0 + LOOK_S), "its next word and the alarm's delay", consequence="analyser_rests",
        takes_s=_visits(1.0),
    ),
    "analyser_flat": Expected(
        ("analyser_untrue",), _visits(1.0), "so many readings of the next line without a digit moved",
        consequence="analyser_rests",
    ),
    "analyser_wrong_line": Expected(_BELIEF, _visits(2.0), _VISITS_2, wide=True),
    "analyser_drift": Expected(
        ("analyser_drift", "analyser_untrue"), _zero, "the zero after next", least=0.2, harmless=_CALIBRATED,
    ),
    "analyser_drift_co2": Expected(
        ("analyser_drift", "analyser_untrue"), _zero, "the zero after next", least=0.5, harmless=_CALIBRATED,
    ),
    "analyser_drift_gain": Expected(
        ("analyser_drift", "analyser_untrue"), _plan, "the next span", least=2.0,
        harmless="room air, drawn some times a day, sends for the span gas as soon as it reads a little wrong",
    ),
    "calibration_gas_empty": Expected(
        ("calibration_gas_suspect",), _fixed(HOUR_S), "the next time it is drawn, with a second gas to compare",
        counts_from="drawn",
    ),
    "calibration_gas_wrong": Expected(
        ("calibration_gas_suspect",), _fixed(HOUR_S), "the next time it is drawn, with a second gas to compare",
        counts_from="drawn",
    ),
    "analyser_carry_over": Expected(
        _BELIEF, _visits(2.0), _VISITS_2, least=0.2,
        harmless="a smaller share moves a reading by less than fruit and leaks do between two visits",
    ),
    "analyser_selector_leak": Expected(
        _BELIEF, _visits(2.0), _VISITS_2, least=0.1,
        harmless="a smaller share moves a reading by less than fruit and leaks do; calibration shows it in the end",
    ),
    "line_leak": Expected(
        ("line_suspect", "reading_doubtful"), _visits(2.0), _VISITS_2, consequence="no_dose", least=0.1,
        harmless="a smaller share moves a reading by less than fruit and leaks do between two visits",
    ),
    "analyser_moisture": Expected(
        harmless="vapour thins every figure by its own share: 2.5 % of 18 % CO2 is 0.45 %, within the band",
        unseen="nothing in a reading tells vapour from fruit that breathes; a check gas is dry, and room air reads true in CO2",
    ),
    "analyser_offset": Expected(
        ("analyser_drift", *_BELIEF, "unexplained_move"), _plan, "the next zero or span; at once where the jump is larger than "
        "gas can move", least=0.5, harmless="smaller than a band",
    ),
    "analyser_scale": Expected(
        ("analyser_untrue", "analyser_silent"), _visits(2.0), _VISITS_2 + "; figures that no percent can be are refused, and "
        "the analyser is silent", consequence="analyser_rests", takes_s=_visits(1.0),
    ),
    "analyser_pegged": Expected(
        ("analyser_untrue",), _visits(1.0), "its next readings", consequence="analyser_rests",
    ),
    # ---- units
    "clock_offset": Expected(
        ("unit_clock_off",), _unit, "the next heartbeat", consequence="unit_rests", least=11.0,
        harmless="up to clock_offset_s_max every time is corrected by the offset of the heartbeats",
    ),
    "clock_drift": Expected(
        ("unit_clock_off",), lambda site, size: 1.2 * 3600.0 * site.timing.clock_offset_s_max / max(size, 0.1) + 60.0, "until "
        "it is off by clock_offset_s_max", consequence="unit_rests",
    ),
    "clock_frozen": Expected(
        ("unit_silent", "unit_clock_off"), _unit, "unit_silence_s_max: a heartbeat that says what the one before said may be a "
        "kept one, and is no sign of life", consequence="unit_rests",
    ),
    "unit_off": Expected(("unit_silent",), _unit, "its will at once, else unit_silence_s_max", consequence="unit_rests"),
    # ---- sources
    "source_off": Expected(
        ("source_unavailable",), _fixed(120.0 + 30.0 + LOOK_S), "its next word and the alarm's delay",
        consequence="source_rests",
    ),
    "source_weak": Expected(
        ("gas_waits", "source_unavailable"),
        harmless="it says what it can give, and no more is asked: what is sealed takes longer, gas_waits says when too long",
    ),
    "compressor_weak": Expected(
        ("source_pressure_low", "source_short", "gas_waits"),
        harmless="small doses come out of its buffer; from an empty one its pressure tells it",
    ),
    "vaporiser_cold": Expected(
        ("source_short", "gas_waits"),
        harmless="small doses never ice it; a large one falls short and is given again when it has thawed",
    ),
    "source_impure": Expected(
        ("source_impure", "nitrogen_impure"), _fixed(600.0 + 30.0 + LOOK_S), "its next word and the alarm's delay",
        consequence="source_rests", least=2.0, harmless="within o2_pct_max of its site file: the pull-down is planned for it",
    ),
    "source_impure/co2": Expected(
        harmless="each dose is judged by the next sample: the gas is held in its band with a little more of it",
        unseen="a CO2 source tells no purity",
    ),
    "source_impure/air": Expected(
        harmless="air with less oxygen is given a little longer: each dose is judged by the next sample",
        unseen="a blower tells no purity; that its room is short of oxygen is for that room's own sensors",
    ),
    "stock_empty": Expected(
        ("co2_stock_low", "source_unavailable", "stock_disagrees"), _fixed(120.0 + 30.0 + LOOK_S), "its next word and the "
        "alarm's delay", consequence="source_rests",
    ),
    "supply_leak": Expected(
        ("stock_disagrees", "source_pressure_low", "co2_order_due", "co2_stock_low"),
        harmless="it is lost outdoors and costs money: the stock is set against the accounts, and what meters may be off by "
        "hides a small leak for days",
    ),
    # ---- people
    "person_alone": Expected(
        harmless="the entry is refused, and no nitrogen or CO2 is given in the room until whoever asked is signed out",
        unseen="a refusal is answered to whoever asked, and is no alarm",
    ),
    "person_overdue": Expected(
        ("people_overdue", "people_missing"), lambda site, size: 60.0 * size + LOOK_S, "the minutes of the entry permit",
        consequence="room_closed",
    ),
    "people_unsigned": Expected(
        ("door_unsigned",), lambda site, size: 120.0 + 60.0 + LOOK_S, "the door's next word and the alarm's two minutes",
        consequence="room_closed", takes_s=lambda site, size: 60.0 + LOOK_S,
    ),
    # ---- power
    "power_cut": Expected(("unit_silent",), _unit, "the units' wills, else unit_silence_s_max", consequence="unit_rests"),
    "power_cut_room": Expected(
        ("room_air_unknown",), lambda site, size: site.timing.air_age_s_max + site.timing.unit_silence_s_max + LOOK_S,
        "its sensors are lost with their gateway", consequence="room_closed",
    ),
    # ---- rooms
    "ventilation_off": Expected(
        harmless="the room's own sensors decide, however it is aired: its air is found moving, or unsafe, before it harms",
        unseen="nothing in air that does not move tells that a fan stands",
    ),
    "refrigeration_off": Expected(
        ("out_of_band", "o2_below_floor", "co2_above_ceiling"),
        harmless="warmer fruit breathes harder, and each sample is answered with more air; warm rooms are for the "
        "refrigeration's own alarms",
    ),
    "nitrogen_release": Expected(
        ("room_air_moving", "room_air_unsafe", "room_air_dangerous"), _moves(
            lambda site: max(one.moving_o2_pct_max for one in site.room), 20.9), "until the air has moved by what counts "
        "as a movement", consequence="room_closed", least=150.0,
        harmless="the room's fan carries a smaller one off: its air stays within all limits",
    ),
    "co2_release": Expected(
        ("room_air_moving", "room_air_unsafe", "room_air_dangerous"), _moves(
            lambda site: max(one.moving_co2_pct_max for one in site.room), 100.0), "until the air has moved by what counts "
        "as a movement", consequence="room_closed", least=20.0,
        harmless="the room's fan carries a smaller one off: its air stays within all limits",
    ),
}  # fmt: skip


def expected(name: str, gas: str | None = None) -> Expected:
    """The row of a fault, by the gas of the valve or source that it is on where that matters. Raises KeyError for a name
    without a row."""
    return EXPECTED.get(f"{name}/{gas}") or EXPECTED[name]


def gas_of(site: SiteFile, on: str, target: str) -> str | None:
    """The gas of a valve (`<enclosure>/<gas>`) or of a source; None for other targets."""
    if on == "valve":
        return target.partition("/")[2]
    return site.gas_sources[target].gas if on in ("source", "stock") else None


def touched(site: SiteFile, on: str, target: str, wide: bool = False) -> frozenset[str]:
    """What an alarm must be about to name rightly a fault on this target, `on` being the library's kind of target."""
    owner, _, part = target.partition("/")
    match on:
        case "valve":
            source = site.source_of(owner, part)  # type: ignore[arg-type]
            return frozenset({owner, *([source.id] if source is not None else [])})
        case "analyser line" if not wide:
            enclosure = site.enclosure_of_line.get(part)
            return frozenset({owner, *([enclosure] if enclosure is not None else [])})
        case "analyser" | "analyser gas" | "analyser line":
            return frozenset({owner, *(name for line, name in site.enclosure_of_line.items() if _draws(site, owner, line))})
        case "sensor":
            return frozenset({owner})
        case "enclosure pair":
            return frozenset(target.split("+"))
        case "site":
            units = [one.unit for table in (site.enclosure, site.source, site.analyser) for one in table]
            return frozenset({"site", *units, *(one.unit for room in site.room for one in room.sensor), *site.rooms})
        case _:
            return frozenset({target})


def _draws(site: SiteFile, analyser: str, line: str) -> bool:
    return any(one.id == line for one in site.analysers[analyser].lines)
