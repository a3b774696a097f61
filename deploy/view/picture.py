"""The picture of the site, made from MQTT messages only: what was last said about each thing, and the run's tally."""

from dataclasses import dataclass
from typing import NamedTuple

from deploy.view import levels, topics
from deploy.view.levels import Level
from deploy.view.tally import IN_USE, AlarmTally, EnclosureTally
from deploy.view.words import duration, percent, plain, said
from supervisor import messages as m
from supervisor.settings import SiteFile
from supervisor.values import GASES

# The contract says a room's entry anew within 60 s; in scaled time a stall of the machine counts many times over.
ENTRY_AGE_S_MAX = 120.0
SILENT_AFTER_S = 300.0  # common practice, no source: five minutes without a word about a source is worth a look


class News(NamedTuple):
    """Something that changed, in words."""

    level: Level
    text: str


@dataclass
class RoomPicture:
    entry: m.RoomEntry | None = None
    permit: m.RoomPermit | None = None
    sounder: m.RoomSounder | None = None


class Picture:
    """`take` each message; read the fields. Names come from the site file, so what was never heard shows as such."""

    def __init__(self, site: SiteFile) -> None:
        self.site = site
        self.supervisor: m.SupervisorStatus | None = None
        self.enclosures: dict[str, m.EnclosureState | None] = dict.fromkeys(site.enclosures)
        self.rooms = {name: RoomPicture() for name in site.rooms}
        self.air: dict[tuple[str, str], m.RoomAir] = {}
        self.sources: dict[str, m.SourceStatus | None] = dict.fromkeys(site.gas_sources)
        self.alarms: dict[str, m.AlarmStatus] = {}
        self.tally = {name: EnclosureTally() for name in site.enclosures}
        self.alarm_tally = AlarmTally()
        self.link_up = False
        self.messages = self.unreadable = self.rejected = 0

    def take(self, topic: str, payload: bytes) -> list[News]:
        """Bring the picture up to date; what changed in words, for a log. An unreadable message is counted."""
        self.messages += 1
        heard = topics.read(self.site.root, topic, payload)
        if heard is None:
            self.unreadable += 1
            return []
        model, names, body = heard
        match body:
            case m.EnclosureState():
                return self._enclosure(names[0], body)
            case m.RoomEntry():
                return self._entry(names[0], body)
            case m.RoomPermit():
                return self._permit(names[0], body)
            case m.RoomSounder():
                return self._sounder(names[0], body)
            case m.RoomAir():
                self.air[names[0], names[1]] = body
            case m.SourceStatus():
                return self._source(names[0], body)
            case m.AlarmStatus():
                return self._alarm(names[0], body)
            case m.DoseReport():
                self._report(names[0], names[1], body)
            case m.SupervisorStatus():
                return self._supervisor(body)
            case m.Rejected():
                self.rejected += 1
                return [News(Level.LOW, f"rejected on {body.topic}: {body.reason}")]
            case None if model is m.AlarmStatus:
                self.alarms.pop(names[0], None)
        return []

    def link(self, up: bool) -> list[News]:
        """The view's own link to the broker."""
        was, self.link_up = self.link_up, up
        if was == up:
            return []
        return [News(Level.NORMAL, "view: linked to the broker") if up else News(Level.HIGH, "view: link to the broker lost")]

    def look_at_ages(self, now_s: float) -> None:
        """Call often: keeps the oldest sample that each enclosure under gas ever stood on. `now_s`: the site's time."""
        for name, state in self.enclosures.items():
            if state is not None and state.state in IN_USE:
                self.tally[name].see_age(self.sample_age_s(state, now_s))

    @staticmethod
    def sample_age_s(state: m.EnclosureState, now_s: float) -> float:
        """Seconds of the site's time since its sample; without one, since it came into its state."""
        return max(0.0, now_s - (state.sampled_at or state.since).timestamp())

    def standing_alarms(self) -> list[tuple[str, m.AlarmStatus]]:
        """Every alarm that is not normal: unacknowledged before acknowledged before those kept from people, then by
        priority, then the newest."""

        def order(item: tuple[str, m.AlarmStatus]) -> tuple[bool, bool, int, float]:
            alarm = item[1]
            raised_s = alarm.raised_at.timestamp() if alarm.raised_at else 0.0
            return (is_away(alarm), not _unacknowledged(alarm), -levels.of_priority(alarm.priority), -raised_s)

        return sorted(((name, one) for name, one in self.alarms.items() if one.state != "normal"), key=order)

    def level_of(self, subject: str) -> Level:
        """The worst alarm that stands about a subject."""
        standing = [one for _, one in self.standing_alarms() if one.subject == subject and not is_away(one)]
        about = (levels.of_priority(one.priority) for one in standing)
        return max(about, default=Level.NORMAL)

    def permitted(self, room: str, now_s: float) -> tuple[bool, bool] | None:
        """(nitrogen and CO2, air) by the permit in force at the site's time `now_s`; None where none is in force."""
        permit = self.rooms[room].permit
        if permit is None or permit.valid_until.timestamp() <= now_s:
            return None
        return permit.dosing_permitted, permit.air_permitted

    def entry_of(self, room: str, now_s: float) -> str:
        """A room's entry as it counts at the site's time `now_s`: what was judged too long ago is not known any more."""
        entry = self.rooms[room].entry
        if entry is None:
            return "not heard yet"
        if entry.judged_at is not None and now_s - entry.judged_at.timestamp() > ENTRY_AGE_S_MAX:
            return f"unknown, last judged {duration(now_s - entry.judged_at.timestamp())} ago"
        return entry.status

    def room_air(self, room: str) -> tuple[float, float] | None:
        """The lowest oxygen and the highest CO2 among the room's sensors, percent; None when none says `ok`."""
        words = [air for (name, _), air in self.air.items() if name == room and air.status == "ok"]
        if not words:
            return None
        return min(air.o2_pct for air in words), max(air.co2_pct for air in words)

    # -------------------------------------------------------------------------------------------- one kind each

    def _enclosure(self, name: str, state: m.EnclosureState) -> list[News]:
        if name not in self.enclosures:
            return self._not_in_file("enclosure", name)
        before, self.enclosures[name] = self.enclosures[name], state
        self.tally[name].see_state(state)
        if before is not None and before.state == state.state:
            return []
        level = Level.HIGH if state.state == "faulted" else Level.NORMAL
        text = f"enclosure {name}: {plain(state.state)}"
        if state.state == "holding" and before is not None:
            text += f" after {duration(self.tally[name].time_to_hold_s)}"
        if state.o2_pct is not None:
            text += f", O2 {percent(state.o2_pct)} % of {state.o2_setpoint_pct:g}"
            text += f", CO2 {percent(state.co2_pct)} % of {state.co2_setpoint_pct:g}"
        return [News(level, text + _because(state.problems))]

    def _entry(self, name: str, entry: m.RoomEntry) -> list[News]:
        if name not in self.rooms:
            return self._not_in_file("room", name)
        before, self.rooms[name].entry = self.rooms[name].entry, entry
        if before is not None and before.status == entry.status:
            return []
        level = Level.NORMAL if entry.status == "clear" else Level.NOTE
        return [News(level, f"room {name}: entry {entry.status}{_because(entry.reasons)}")]

    def _permit(self, name: str, permit: m.RoomPermit) -> list[News]:
        if name not in self.rooms:
            return self._not_in_file("room", name)
        before, self.rooms[name].permit = self.rooms[name].permit, permit
        allowed = (permit.dosing_permitted, permit.air_permitted)
        if before is not None and allowed == (before.dosing_permitted, before.air_permitted):
            return []
        dosing, air = ("given" if one else "withdrawn" for one in allowed)
        return [News(Level.NORMAL if all(allowed) else Level.NOTE, f"room {name}: permit for gas {dosing}, for air {air}")]

    def _sounder(self, name: str, sounder: m.RoomSounder) -> list[News]:
        if name not in self.rooms:
            return self._not_in_file("room", name)
        before, self.rooms[name].sounder = self.rooms[name].sounder, sounder
        if sounder.on == (before is not None and before.on):
            return []
        if sounder.on:
            return [News(Level.CRITICAL, f"room {name}: SOUNDER ON, {sounder.reason}")]
        return [News(Level.NORMAL, f"room {name}: sounder off")]

    def _source(self, name: str, status: m.SourceStatus) -> list[News]:
        if name not in self.sources:
            return self._not_in_file("source", name)
        before, self.sources[name] = self.sources[name], status
        if before is not None and before.available == status.available:
            return []
        available = "available" if status.available else "not available"
        return [News(Level.NORMAL if status.available else Level.MEDIUM, f"source {name}: {available}")]

    def _alarm(self, name: str, alarm: m.AlarmStatus) -> list[News]:
        before, self.alarms[name] = self.alarms.get(name), alarm
        raised = self.alarm_tally.see(name, alarm)
        if not raised and (before is None or before.state == alarm.state):
            return []
        text = f"alarm {alarm.priority}: {alarm.subject}: {alarm.text}"
        if raised:
            return [News(levels.of_priority(alarm.priority), f"{text} [{alarm.advice}]")]
        return [News(Level.NORMAL, f"{text} -> {plain(alarm.state)}")]

    def _report(self, name: str, gas: str, report: m.DoseReport) -> None:
        if name in self.tally and gas in GASES:
            self.tally[name].see_report(gas, report)

    def _supervisor(self, status: m.SupervisorStatus) -> list[News]:
        before, self.supervisor = self.supervisor, status
        if before is not None and (before.online, before.instance) == (status.online, status.instance):
            return []
        if status.online:
            return [News(Level.NORMAL, f"supervisor: online, instance {status.instance}, epoch {status.epoch}")]
        return [News(Level.HIGH, "supervisor: offline")]

    def _not_in_file(self, kind: str, name: str) -> list[News]:
        self.unreadable += 1
        return [News(Level.NOTE, f"a message about {kind} {name}, which is not in the site file")]


def is_away(alarm: m.AlarmStatus) -> bool:
    """Kept from people: by a person for a time, by the alarm that explains it, or by the site file."""
    return alarm.state in ("shelved", "suppressed_by_design", "out_of_service")


def _unacknowledged(alarm: m.AlarmStatus) -> bool:
    return alarm.state in ("unacknowledged", "returned_unacknowledged", "latched_unacknowledged")


def _because(reasons: list[str]) -> str:
    return f" ({'; '.join(said(one) for one in reasons)})" if reasons else ""
