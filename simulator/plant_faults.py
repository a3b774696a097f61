"""What can go wrong with the hardware and with people at it. Usual sizes and durations are assumed."""

from collections.abc import Iterator

from .kinds import Kind, Size
from .sitefile import SiteSpec

MINUTE, HOUR, DAY = 60.0, 3600.0, 86_400.0


def _powered(site: SiteSpec, rooms: set[str]) -> Iterator[tuple[str, str]]:
    """What of some rooms has no power: the gateways of their sensors and valves, and their fans."""
    sensors = [sensor.unit for room in site.rooms if room.id in rooms for sensor in room.sensors]
    valves = [one.unit for one in site.enclosures if one.room in rooms]
    yield from (("unit_off", unit) for unit in dict.fromkeys(sensors + valves))
    yield from ((off, room) for room in sorted(rooms) for off in ("ventilation_off", "refrigeration_off"))


def _all_powered(site: SiteSpec, _target: str) -> Iterator[tuple[str, str]]:
    yield from (("unit_off", unit) for unit in site.units)
    yield from (("source_off", source.id) for source in site.sources)
    yield from ((off, room.id) for room in site.rooms for off in ("ventilation_off", "refrigeration_off"))


def _room_powered(site: SiteSpec, room: str) -> Iterator[tuple[str, str]]:
    return _powered(site, {room})


ENCLOSURES = (
    Kind("leak", "enclosure", "Enclosure {target} leaks: it exchanges {size} times its volume a day with the room",
         (2 * HOUR, 2 * DAY),
         Size("leak as an exchange of the nominal volume per day, in place of its own", 0.0, 1000.0, (0.3, 6.0), "by_ratio")),
    Kind("bag_torn", "enclosure", "The bag of enclosure {target} is torn: {size} times its volume a day go out and in",
         (HOUR, 6 * HOUR),
         Size("exchange of the nominal volume per day through the tear", 0.0, 10_000.0, (20.0, 300.0), "by_ratio")),
    Kind("hoses_swapped", "enclosure pair", "The hoses of enclosures {target} are on each other: each gets the other's gas",
         (2 * HOUR, DAY)),
)  # fmt: skip

VALVES = (
    Kind("hose_off", "valve", "The {part} hose of enclosure {owner} is off: gas flows and is metered, into the room",
         (30 * MINUTE, 6 * HOUR)),
    Kind("valve_stuck_open", "valve", "The {part} valve of enclosure {owner} does not shut: it lets {size} nl/min through",
         (5 * MINUTE, 2 * HOUR),
         Size("flow that passes whatever is asked, nl/min; 0: the valve's largest", 0.0, 1e6, (2.0, 30.0), "by_ratio",
              ((0.0, "all its"),))),
    Kind("hose_kinked", "valve", "The {part} hose of enclosure {owner} is kinked: a share of {size} of its flow is left",
         (HOUR, DAY), Size("share of its flow that is left", 0.0, 1.0, (0.1, 0.7))),
    Kind("valve_slow", "valve", "The {part} valve of enclosure {owner} opens and shuts {size} s late", (HOUR, 3 * DAY),
         Size("s from its order until it has opened or shut", 0.0, 600.0, (2.0, 60.0), "by_ratio")),
    Kind("report_lost", "valve", "Reports of the {part} valve of enclosure {owner} are lost", (10 * MINUTE, 6 * HOUR)),
    Kind("report_late", "valve", "Reports of the {part} valve of enclosure {owner} come {size} s late", (HOUR, DAY),
         Size("s that each report waits", 0.0, 86_400.0, (5.0, 600.0), "by_ratio")),
    Kind("report_doubled", "valve", "Reports of the {part} valve of enclosure {owner} come twice", (HOUR, 3 * DAY)),
    Kind("report_false", "valve", "The {part} valve of enclosure {owner} is said to deliver, and nothing flows", (HOUR, DAY)),
    Kind("valve_stuck_shut", "valve", "The {part} valve of enclosure {owner} does not open", (30 * MINUTE, 6 * HOUR)),
)  # fmt: skip

SENSORS = (
    Kind("sensor_silent", "sensor", "Room sensor {target} says nothing", (2 * MINUTE, 6 * HOUR)),
    Kind("sensor_fault", "sensor", "Room sensor {target} reports a fault", (2 * MINUTE, 6 * HOUR)),
    Kind("sensor_flat", "sensor", "Room sensor {target} says the same figures again and again", (2 * HOUR, DAY)),
    Kind("sensor_off", "sensor", "Room sensor {target} reads {size} % too much, of oxygen and CO2 alike", (HOUR, DAY),
         Size("percent that it reads too much, of oxygen and CO2 alike", -20.0, 20.0, (1.2, 3.0), "either_sign")),
    Kind("sensor_drift", "sensor", "Room sensor {target} reads {size} % more oxygen each day", (6 * HOUR, 5 * DAY),
         Size("percent of oxygen that it reads more each day, until it is adjusted", -100.0, 100.0, (0.3, 3.0), "either_sign")),
    Kind("sensor_poisoned", "sensor", "Room sensor {target} shows a share of {size} of the CO2 that is there", (DAY, 10 * DAY),
         Size("share of the CO2 that it still shows", 0.0, 1.0, (0.0, 0.5))),
)  # fmt: skip

ANALYSERS = (
    Kind("analyser_dead", "analyser", "Analyser {target} says nothing", (5 * MINUTE, 6 * HOUR)),
    Kind("analyser_noise", "analyser", "The readings of analyser {target} scatter by {size} %", (HOUR, DAY),
         Size("standard deviation that both figures scatter by beyond their own, percent", 0.0, 20.0, (0.1, 2.0), "by_ratio")),
    Kind("analyser_flat", "analyser", "Analyser {target} says the same figures again and again", (HOUR, 6 * HOUR)),
    Kind("analyser_fault", "analyser", "Analyser {target} reports a fault", (5 * MINUTE, 6 * HOUR)),
    Kind("analyser_wrong_line", "analyser line",
         "Whatever line analyser {owner} is told to draw, it draws {part}; the manifold's feedback tells {size}",
         (HOUR, 6 * HOUR),
         Size("1 when the manifold's feedback shows it, 0 when not", 0.0, 1.0, (0.0, 1.0), "one_of",
              ((0.0, "nothing of it"), (1.0, "which")))),
    Kind("analyser_drift", "analyser", "Analyser {target} drifts by {size} % of oxygen a day", (DAY, 5 * DAY),
         Size("percent of oxygen that it reads more each day; it stays", -50.0, 50.0, (0.1, 0.6), "either_sign")),
    Kind("analyser_drift_co2", "analyser", "Analyser {target} drifts by {size} % of CO2 a day", (DAY, 5 * DAY),
         Size("percent of CO2 that it reads more each day; it stays", -50.0, 50.0, (0.2, 1.0), "either_sign")),
    Kind("analyser_drift_gain", "analyser", "The gain of analyser {target} drifts by {size} % of each reading a day",
         (DAY, 5 * DAY),
         Size("percent of each reading that it reads more each day; it stays", -50.0, 50.0, (0.5, 3.0), "either_sign")),
    Kind("calibration_gas_empty", "calibration gas", "The bottle of {target} is empty: its line brings {size}",
         (6 * HOUR, 3 * DAY),
         Size("0: its line draws room air, 1: nothing comes", 0.0, 1.0, (0.0, 1.0), "one_of",
              ((0.0, "room air"), (1.0, "nothing")))),
    Kind("calibration_gas_wrong", "calibration gas", "The bottle of {target} has {size} % oxygen, whatever is on it",
         (6 * HOUR, 3 * DAY),
         Size("oxygen in it in place of what its certificate says, percent", 0.0, 100.0, (1.0, 20.0))),
    Kind("analyser_carry_over", "analyser", "Analyser {target} measures a share of {size} of the line before",
         (HOUR, 6 * HOUR), Size("share of the line before in what is measured", 0.0, 1.0, (0.2, 0.6))),
    Kind("analyser_selector_leak", "analyser", "The selector valve of analyser {target} lets in a share of {size} of room air",
         (HOUR, 6 * HOUR),
         Size("share of room air that the selector valve lets in on every line", 0.0, 1.0, (0.1, 0.5))),
    Kind("line_leak", "analyser line", "Sample line {part} of analyser {owner} lets in a share of {size} of room air",
         (HOUR, 6 * HOUR), Size("share of room air that this one line lets in", 0.0, 1.0, (0.1, 1.0))),
    Kind("analyser_moisture", "analyser", "Water is in the cell of analyser {target}: {size} % vapour",
         (HOUR, DAY), Size("water vapour in the cell, percent", 0.0, 20.0, (0.5, 2.5))),
    Kind("analyser_offset", "analyser gas", "Analyser {owner} reads {size} % too much {part}", (6 * HOUR, 3 * DAY),
         Size("percent that it reads too much", -20.0, 20.0, (0.5, 3.0), "either_sign")),
    Kind("analyser_scale", "analyser gas", "Analyser {owner} tells {part} in another unit: {size} times its figure",
         (HOUR, 6 * HOUR),
         Size("factor by which its figure is off, as between units", 1e-4, 1e4, (1e-2, 1e-4, 1e4), "one_of")),
    Kind("analyser_pegged", "analyser gas", "The {part} cell of analyser {owner} reads {size} % whatever it measures",
         (HOUR, 6 * HOUR),
         Size("percent that it reads whatever it measures", -5.0, 105.0, (-1.0, 0.0, 25.0), "one_of")),
)  # fmt: skip

UNITS = (
    Kind("clock_offset", "unit", "The clock of unit {target} was set {size} s ahead", (10 * MINUTE, 6 * HOUR),
         Size("s that the unit's clock is ahead", -1e8, 1e8, (15.0, 7200.0), "either_sign")),
    Kind("clock_drift", "unit", "The clock of unit {target} gains {size} s an hour", (HOUR, DAY),
         Size("s that its clock gains each hour, until it is set", -3600.0, 3600.0, (2.0, 60.0), "either_sign")),
    Kind("clock_frozen", "unit", "The clock of unit {target} stands still", (5 * MINUTE, 6 * HOUR)),
    Kind("unit_off", "unit", "Unit {target} has no power", (2 * MINUTE, 6 * HOUR)),
)  # fmt: skip

SOURCES = (
    Kind("source_off", "source", "Source {target} is off", (10 * MINUTE, 12 * HOUR)),
    Kind("source_weak", "source", "Source {target} has a share of {size} of its capacity left, and says so", (HOUR, DAY),
         Size("share of its capacity that is left", 0.0, 1.0, (0.3, 0.8))),
    Kind("compressor_weak", "source", "The compressor of source {target} makes a share of {size} of what it says", (HOUR, DAY),
         Size("share of what it says that is still made behind its buffer", 0.0, 1.0, (0.1, 0.6))),
    Kind("vaporiser_cold", "source", "The vaporiser of source {target} ices up beyond a share of {size} of its capacity",
         (HOUR, DAY),
         Size("share of its capacity that its vaporiser keeps up without icing", 0.01, 1.0, (0.05, 0.5))),
    Kind("source_impure", "source", "Source {target} gives gas with {size} % oxygen in it", (20 * MINUTE, 12 * HOUR),
         Size("oxygen in what it gives, percent", 0.0, 100.0, (2.0, 12.0))),
    Kind("stock_empty", "stock", "The stock of source {target} is empty; filled again at the end", (HOUR, 2 * DAY)),
    Kind("supply_leak", "source", "The supply line of source {target} loses {size} nl/min outdoors", (6 * HOUR, 5 * DAY),
         Size("gas that its line loses outdoors, nl/min", 0.0, 1e4, (2.0, 30.0), "by_ratio")),
)  # fmt: skip

ROOMS = (
    Kind("ventilation_off", "room", "The ventilation of room {target} stands still", (30 * MINUTE, DAY)),
    Kind("refrigeration_off", "room", "The refrigeration of room {target} is off: air and fruit grow warm", (HOUR, DAY)),
    Kind("nitrogen_release", "room", "{size} nl/min of nitrogen flow straight into room {target}", (5 * MINUTE, 2 * HOUR),
         Size("nitrogen flowing straight into the room, nl/min", 0.0, 1e6, (150.0, 1500.0), "by_ratio")),
    Kind("co2_release", "room", "{size} nl/min of CO2 flow straight into room {target}", (5 * MINUTE, 2 * HOUR),
         Size("CO2 flowing straight into the room, nl/min", 0.0, 1e6, (20.0, 600.0), "by_ratio")),
)  # fmt: skip

PEOPLE = (
    Kind("person_alone", "room", "Somebody asks to go into room {target} with nobody standing by, and waits at its door",
         (5 * MINUTE, HOUR)),
    Kind("person_overdue", "room", "Somebody went into room {target} for {size} minutes and does not come out",
         (40 * MINUTE, 3 * HOUR), Size("minutes of the entry permit", 1.0, 720.0, (5.0, 30.0))),
    Kind("people_unsigned", "room", "The door of room {target} stands open, and people are in there who have not signed in",
         (5 * MINUTE, HOUR)),
)  # fmt: skip

POWER = (
    Kind("power_cut", "site", "Site {target} has no power: gateways, sources, fans and cold are off", (5 * MINUTE, 8 * HOUR),
         parts=_all_powered),
    Kind("power_cut_room", "room", "Room {target} has no power: its gateways, fan and cold are off", (5 * MINUTE, 8 * HOUR),
         parts=_room_powered),
)  # fmt: skip

PLANT = (*ENCLOSURES, *VALVES, *SENSORS, *ANALYSERS, *UNITS, *SOURCES, *ROOMS, *PEOPLE, *POWER)
