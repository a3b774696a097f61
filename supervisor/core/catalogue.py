"""Every alarm there is, one row each: how urgent, what it does to dosing, how it ends, and the words for a person at 3 a.m.

Priorities follow ISA-18.2 / IEC 62682: by consequence and by the time there is to act. `personnel` alarms can be neither
shelved nor suppressed nor taken out of service. `consequence` is carried out while the condition holds or the alarm is
latched, shelved or not: `no_dose` gives this enclosure no nitrogen or CO2, `fault` also takes it to `faulted`, `close_room`
and `close_all` withdraw permits. `advice` says what to do; figures go into each occurrence's text.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal, get_args

Priority = Literal["low", "medium", "high", "critical"]
Consequence = Literal["none", "no_dose", "fault", "close_room", "close_all"]


@dataclass(frozen=True, slots=True)
class Row:
    """One alarm of the catalogue.

    `on_delay_s`: how long its condition must hold before it is an alarm; `off_delay_s`: how long it must be gone before it
    is over. `deadband`: by how much better than its limit the measured value must be then, in the value's own unit.
    `happens`: it tells of something that has happened, so that its condition is over at once.
    """

    name: str
    priority: Priority
    consequence: Consequence
    text: str
    cause: str
    ignored: str
    advice: str
    on_delay_s: float = 0.0
    latches: bool = False
    personnel: bool = False
    off_delay_s: float = 0.0
    deadband: float = 0.0
    happens: bool = False

    @property
    def ends(self) -> str:
        """How it ends, in words."""
        gone = "at once, for it tells of what has happened" if self.happens else "when its cause is gone"
        gone += f" for {self.off_delay_s:g} s" if self.off_delay_s else ""
        gone += f" and the value is {self.deadband:g} better than its limit" if self.deadband else ""
        if self.latches:
            return f"latched: its condition ends {gone}; then a named person acknowledges, and once more to reset it"
        return f"its condition ends {gone}; a named person acknowledges, before or after"


_ROWS = (
    Row("room_air_dangerous", "critical", "close_room", "Room air is dangerous",
        "gas leaks into the room, a vent without ventilation, or a CO2 supply line is open",
        "people who enter lose consciousness within minutes, and so do their rescuers",
        "Keep everybody out, ventilate from outside, call for help; nobody goes in without breathing apparatus.",
        latches=True, personnel=True),
    Row("room_air_unsafe", "high", "close_room", "Room air is outside the entry limits",
        "a leaking enclosure, a vent, poor ventilation",
        "the air may become dangerous; dosing in the room stays off",
        "Keep out, check ventilation, find the enclosure that leaks; acknowledge when the air is good again.",
        latches=True, personnel=True),
    Row("room_air_unknown", "high", "close_room", "Room air is not known",
        "a sensor or its gateway is silent, faulty, warming up or being calibrated",
        "nobody knows whether the room may be entered; dosing in the room stays off",
        "Treat the room as unsafe; check the sensor, its gateway and its power from outside.", personnel=True),
    Row("room_air_exposure", "high", "close_room", "CO2 in the room is beyond an exposure limit on average",
        "CO2 stood high in the room for long, or for a short time very high",
        "whoever works in there takes in more CO2 than the limit allows, although each single reading may look good",
        "Keep out until the average is back; find where the CO2 comes from; acknowledge when the air is good again.",
        latches=True, personnel=True),
    Row("room_air_moving", "high", "close_room", "Room air moves faster than dosing explains",
        "a burst hose, a supply line that leaks, a torn enclosure",
        "the air reaches a limit within minutes; nitrogen and CO2 in the room stay off",
        "Keep out; shut the gas supply from outside and look at the enclosure named in the text first.", latches=True),
    Row("people_missing", "critical", "close_room", "People have not come out long past their time",
        "somebody has collapsed, is trapped, or left without signing out",
        "a person may be dying in there, and whoever goes after them unprotected dies too",
        "Call the rescue service now. Nobody goes in without breathing apparatus: rescuers die too.",
        latches=True, personnel=True),
    Row("people_unaccounted", "critical", "close_all", "The site file has lost a room that people are in",
        "a room was renamed or taken out of the site file while people were signed in",
        "nobody watches the air that they breathe, and gas may be let into it under another name",
        "Find out where they are before anything else. Sign each of them out (leave) by the old room's name, then acknowledge.",
        latches=True, personnel=True),
    Row("people_overdue", "critical", "close_room", "People are in the room past their time",
        "somebody stayed, forgot to sign out, or cannot leave",
        "a person may be lying in there",
        "Call them; do not enter alone: rescuers die too. Follow the site's rescue procedure.", personnel=True),
    Row("door_unsigned", "high", "close_room", "A room's door stands open and nobody is signed in",
        "somebody went in without an entry permit, or the door was left open",
        "a person may be in a room into which gas is given; it stays off until somebody has looked",
        "Call into the room from its door; do not go in alone. Sign in whoever is inside, or shut the door, and acknowledge "
        "when you know that nobody is in there.", latches=True, on_delay_s=120.0),
    Row("enclosure_faulted", "high", "none", "Enclosure is faulted, all its gas is off",
        "see the reason in the text", "its gas drifts towards air, or its oxygen runs out",
        "Find the cause, then resume or vent the enclosure."),
    Row("o2_below_floor", "high", "none", "Oxygen is below the recipe's floor",
        "the fruit used it up, too much nitrogen, or make-up air that does not arrive",
        "the fruit ferments within a day", "Check the make-up air; where there is none, vent the enclosure.",
        deadband=0.1),
    Row("o2_low_no_air", "high", "none", "Oxygen sinks and there is no make-up air",
        "a tight enclosure whose fruit breathes, with no air source", "the fruit ferments within a day or two",
        "Vent the enclosure: nitrogen and CO2 cannot bring oxygen back."),
    Row("co2_above_ceiling", "high", "none", "CO2 is above the recipe's ceiling",
        "too much CO2 was given, or the fruit gives off more than the gas exchange carries away",
        "the fruit is injured", "Check the CO2 valve; give air or vent if it does not fall.", deadband=0.2),
    Row("out_of_band", "medium", "none", "Gas has been outside its band for long",
        "a leak, a source that gives nothing, or too few samples", "quality is lost slowly",
        "Look at the course: does oxygen rise (leak) or sink (air missing)?", on_delay_s=2 * 3600.0, deadband=0.05),
    Row("sample_overdue", "medium", "none", "No believable sample for too long",
        "the analyser is busy, its line is blocked, or readings do not settle",
        "gas is off until a sample comes; nobody sees this enclosure", "Check the sample line and the analyser."),
    Row("analyser_silent", "high", "none", "Analyser is silent or reports a fault",
        "power, network, pump or the instrument itself", "no enclosure gets gas and none is watched",
        "Check the analyser; take hand samples of the ripest enclosures meanwhile.", on_delay_s=60.0, off_delay_s=30.0),
    Row("analyser_drift", "high", "none", "Analyser has drifted beyond its action limit",
        "a worn or dirty cell, a leak in its sample system, a new pressure or temperature where it stands; a wrong gas that no "
        "other gas gave away", "every enclosure on it is steered by wrong figures; beyond twice the limit none gets gas",
        "Look at bottle, certificate, pump and filter; draw the check gas. Then accept or refuse what was measured."),
    Row("calibration_gas_suspect", "medium", "none", "Calibration gas is not what its certificate says",
        "an empty bottle, a shut valve, a leak that lets air in, another bottle than the site file says",
        "the analyser is not calibrated, and its drift goes unseen",
        "Check pressure, valve and number of the bottle; hang a new one and write its certificate into the site file."),
    Row("calibration_gas_expired", "low", "none", "Certificate of a calibration gas has expired",
        "the bottle is old", "the gas is not used any more, and what it is for is not done",
        "Hang a new bottle and write its certificate into the site file."),
    Row("calibration_due", "low", "none", "Analyser is due for calibration",
        "samples came first, or what was drawn gave nothing to go by", "its drift goes unseen",
        "See the text for the gas and what came of the last try.", on_delay_s=4 * 3600.0),
    Row("calibration_overdue", "medium", "none", "Analyser is long overdue for calibration",
        "no time beside the samples, no usable gas, or readings that do not stand still",
        "nobody knows how far its figures are off", "See the text; calibrate by hand, or give the analyser fewer lines.",
        on_delay_s=2 * 3600.0),
    Row("analyser_untrue", "high", "none", "Analyser is not to be believed",
        "a fault code, a figure that no longer moves, the end of its range, a slip of units, moisture, drift, or a selector "
        "valve that leaks", "no enclosure gets gas on what it says, and nobody knows what their gas is",
        "Read in the text what it shows; check the instrument with room air and calibration gas; take hand samples meanwhile.",
        on_delay_s=120.0, off_delay_s=60.0),
    Row("line_suspect", "medium", "none", "A sample line brings other gas",
        "a tube off or leaking, its valve shut or on another line, gas of the line before, or the enclosure is torn open",
        "its enclosure gets no gas until it reads as it should",
        "Check the tube and its fittings from the enclosure to the selector valve, and the enclosure itself.",
        on_delay_s=600.0, off_delay_s=60.0),
    Row("reading_doubtful", "medium", "none", "Readings of an enclosure cannot be",
        "the gas moved in a way that nothing explains, analysers that differ, or readings that come late",
        "its enclosure gets no gas until a second visit finds the same",
        "Look at the figures in the text; take a hand sample; calibrate where analysers differ.",
        on_delay_s=600.0, off_delay_s=60.0),
    Row("unit_silent", "high", "none", "Hardware unit is silent",
        "power or network to the gateway", "its valves are shut and its measurements are missing",
        "Check power and network of the gateway."),
    Row("unit_clock_off", "medium", "none", "Clock of a hardware unit is off",
        "no time server, a dead clock battery", "nothing is requested through this unit",
        "Set the gateway's clock and see to its time source.", deadband=1.0),
    Row("source_unavailable", "medium", "none", "Gas source gives nothing",
        "switched off, empty, or its status is missing", "enclosures that need this gas drift",
        "Check the source and its valves.", on_delay_s=120.0, off_delay_s=60.0),
    Row("source_impure", "medium", "none", "Nitrogen source is off purity",
        "starting after a stop, overdrawn, worn, or its oxygen meter", "all that it feeds gets no nitrogen meanwhile",
        "Read the generator's own oxygen meter; after a stop give it time. What waits is given by itself then.",
        on_delay_s=600.0),
    Row("source_pressure_low", "medium", "none", "Gas source is under pressure",
        "a compressor that sags, a buffer drawn empty, a leaking supply line", "enclosures that need this gas drift",
        "Check the compressor and its buffer; look for a leak in the supply line, and mind the air around it.",
        on_delay_s=120.0, off_delay_s=900.0),
    Row("source_short", "medium", "none", "Gas source gives less than it says",
        "a compressor that sags, an iced vaporiser, a hand valve half shut, a leaking supply line",
        "doses run out of time half done, and everything on this source takes longer",
        "Check the source, its hand valves and its line; mind the air beside a line that may leak.", on_delay_s=120.0,
        off_delay_s=60.0),
    Row("gas_waits", "medium", "none", "Gas source is too small for all that want its gas",
        "more is sealed than it can bring down, or it gives far less than the site file says",
        "pull-downs last for days, and held enclosures drift meanwhile",
        "Seal no more until it has caught up; see what it can give now, and whether capacity_nl_min is true.",
        on_delay_s=3600.0, off_delay_s=600.0),
    Row("co2_stock_low", "medium", "none", "CO2 stock is at its reserve", "used up", "no CO2 is requested any more",
        "Order CO2.", deadband=1.0),
    Row("co2_order_due", "low", "none", "The gas stock must be ordered now to come in time",
        "used up at the rate of the last days", "the stock reaches its reserve before a delivery can come",
        "Order; the text says by when and how sure that is.", deadband=1.0),
    Row("stock_disagrees", "medium", "none", "The stock and the gas accounts disagree",
        "a supply line that leaks, a bottle that was taken or exchanged, a valve whose meter is off",
        "gas is paid for and lost, and where it gathers people are in danger",
        "Take the bank's place and the line's way for unsafe until their air is measured; then look for the leak.",
        happens=True),
    Row("nitrogen_impure", "medium", "none", "Nitrogen is not pure enough for this recipe",
        "generator warming up, overdrawn or worn", "the pull-down waits",
        "Check the generator's oxygen reading; draw less at once.", on_delay_s=300.0),
    Row("pulldown_off_plan", "medium", "none", "Pull-down does not follow its plan",
        "a hose off, a bag not closed, a wrong volume in the site file", "gas is wasted and the pull-down never ends",
        "Look at the bag, its inlet and its seal before more gas is wasted."),
    Row("pulldown_spent", "high", "none", "A pull-down had its nitrogen, and oxygen reads too high",
        "room air in the sample line or at the selector valve, a bag that is not tight, a hose off, a wrong volume",
        "either its fruit has far less oxygen than the analyser says, or its nitrogen went into the room",
        "Keep out until the room's own sensors are well. Take a hand sample at the bag; look at bag, hose and line. Stop it "
        "and resume it then: that begins a new purge from what it holds."),
    Row("dose_failing", "medium", "none", "Doses fail again and again",
        "the valve, its unit or the source refuses", "the enclosure drifts", "See the code in the text; check the valve."),
    Row("vent_waits", "medium", "none", "The room cannot take this vent",
        "too many vents at once, or a small room with little ventilation", "the enclosure is not ready when it is wanted",
        "Ventilate the room from outside; see the forecast in the text. Do not open the enclosure instead.",
        on_delay_s=1800.0, off_delay_s=60.0),
    Row("guard_refusals", "medium", "none", "The guard refuses this enclosure's requests",
        "a limit is reached or an input is missing", "the enclosure drifts",
        "Read the refused rule in the text; if it is the day's limit, look for a leak.", on_delay_s=600.0,
        off_delay_s=60.0),
    Row("no_response", "high", "fault", "Gas was given and nothing moved",
        "a hose off, a shut hand valve, a sample line on the wrong enclosure",
        "gas flows into the room instead of the fruit", "Check the inlet hose and the sample line, then resume.",
        latches=True, happens=True),
    Row("unexplained_move", "medium", "none", "Gas moves with every valve shut",
        "a leak or a torn bag", "the enclosure drifts to air and gas is spent against it",
        "Look for the leak with soap solution: film, seal, glands.", happens=True),
    Row("unrequested_flow", "high", "fault", "Gas flows that nobody asked for",
        "a valve stuck open, or somebody works by hand", "the enclosure or the room fills with gas",
        "Shut the hand valve of this inlet and keep out of the room until its air is checked.", latches=True,
        happens=True),
    Row("late_report", "low", "none", "A valve is slow to answer", "network or gateway under load",
        "doses are cut short", "Check the gateway if it goes on.", happens=True),
    Row("short_delivery", "medium", "none", "A valve gives less than it is asked for",
        "a kinked or leaking hose, a blocked filter, a worn valve or meter", "the enclosure drifts, or its pull-down drags on",
        "Look at this inlet's hose, filter and valve; its source serves the others well.", happens=True),
    Row("over_delivery", "medium", "none", "A valve gives more than it is asked for",
        "a valve that shuts late, a meter that is off", "the gas overshoots, and more of it comes into the room",
        "Check that this valve shuts, and its meter, with the room's air in mind.", happens=True),
    Row("epoch_overtaken", "critical", "close_all", "Another supervisor has taken over",
        "a second supervisor runs on this site", "two masters dose the same fruit",
        "Stop one of the two; this one gives no gas until it is restarted."),
    Row("clock_jumped", "medium", "none", "The controller's clock jumped",
        "set by hand or by a time server after long without one", "ages are measured anew, dosing waits for new samples",
        "Check the controller's time source.", happens=True),
    Row("link_lost", "high", "none", "Link to the broker is lost", "broker, network or cable",
        "nothing is measured or dosed; the hardware has shut its valves by itself", "Check the broker and the cable."),
    Row("history_unreachable", "low", "none", "The history database does not take rows",
        "database down or network", "rows wait on disk; nothing is lost", "Restore the database when convenient."),
    Row("history_rows_refused", "low", "none", "The history database refuses some rows",
        "a field changed its type there", "those rows are set aside on disk", "See the reason in the text."),
    Row("history_backlog_full", "medium", "none", "Rows for the history database fill the disk",
        "database down for very long", "new rows are not kept for the database; the journal goes on",
        "Restore the database or free disk space."),
    Row("inbound_overflow", "high", "none", "Messages come faster than they can be taken",
        "a gateway floods the broker", "measurements may be missing", "Find the flooding gateway and stop it.",
        off_delay_s=60.0),
    Row("rejected_messages", "low", "none", "Messages are rejected",
        "a gateway sends what the contract does not know", "its measurements are missing",
        "See the topic `rejected` for the reason."),
    Row("commands_refused", "medium", "none", "Operators' commands are refused again and again",
        "a wrong key or clock at a console, a revoked or mistyped name, an operators file that cannot be used, or somebody "
        "who tries", "an operator may be unable to acknowledge, vent or stop, or a stranger may be at the broker",
        "Read the reason in the text; mend key, clock or operators file. If nobody of yours sent them, find out who did."),
    Row("audit_broken", "medium", "none", "The audit does not end where it was left",
        "the journal's file was changed or put back from a copy by another program or a person",
        "what happened before cannot be proved to a buyer or to an inspector any more",
        "Find out who was at the file; keep a copy of it and of the log; see stillhold audit verify."),
    Row("alarm_flood", "medium", "none", "Alarms come faster than anybody can read them",
        "one cause with many consequences: power, network, an analyser, a source", "the one that matters is overlooked",
        "Look at the first of the burst and at the most frequent kind in the text; see to people first."),
    Row("notification_failing", "high", "none", "Notifications do not reach somebody",
        "mail server, network or provider down, a wrong address or password, a broken addresses file",
        "somebody who should be called is not, however bad the alarm",
        "Watch the console and see that somebody else is called; mend what the text names. What waits is sent then."),
    Row("broker_open", "high", "none", "The broker lets through what it must not",
        "it runs without the site's rules, or by another configuration",
        "any device or person on the network can speak for the hardware, or ask for gas as the supervisor does",
        "Start the broker with the configuration that deploy/broker-config wrote; until then let nobody else on its network."),
    Row("heartbeat_failing", "low", "none", "The outward sign of life is not answered",
        "network to the outside, or the watcher itself", "nobody outside notices when this controller dies",
        "Check the network and the watcher's address."),
)  # fmt: skip

CATALOGUE: dict[str, Row] = {row.name: row for row in _ROWS}
_PRIORITIES = ("critical", "high", "medium", "low")
_BY_PRIORITY = sorted(_ROWS, key=lambda row: (_PRIORITIES.index(row.priority), row.name))
WORST_FIRST: dict[str, int] = {row.name: place for place, row in enumerate(_BY_PRIORITY)}
_CONSEQUENCES: tuple[Consequence, ...] = get_args(Consequence)
_RETIRED = Row("retired", "high", "none", "An alarm that this version does not know any more",
               "the program was changed while it stood", "what it was about may still be wrong",
               "Look at what it was about, then acknowledge it.")  # fmt: skip


def row_of(name: str) -> Row:
    """The row of an alarm; for one that stood when the program was changed and is not known any more, a row that says so."""
    return CATALOGUE.get(name, _RETIRED)


def worst(consequences: Iterable[Consequence]) -> Consequence:
    """The one that outweighs the others."""
    return max(consequences, key=_CONSEQUENCES.index, default="none")
