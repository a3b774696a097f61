"""The picture as tables of words. Each row carries how wrong it is; the screen adds only colour to what stands here."""

from dataclasses import dataclass

from deploy.view import levels
from deploy.view.levels import Level
from deploy.view.picture import SILENT_AFTER_S, Picture, is_away
from deploy.view.words import UNKNOWN, day_and_clock, duration, percent, plain, said, volume
from supervisor.messages import AlarmStatus, EnclosureState
from supervisor.values import GASES

ALARMS_SHOWN = 4


@dataclass(frozen=True)
class Row:
    level: Level
    cells: tuple[str, ...]


@dataclass(frozen=True)
class Table:
    """`columns` are headings with their unit; the first column of every row is the mark of its level.

    The last column is the longest and may be cut, or wrapped where `wraps`; `spare` is the one that a narrow screen drops.
    """

    title: str
    columns: tuple[str, ...]
    rows: tuple[Row, ...]
    note: str = ""
    wraps: bool = False
    spare: str | None = None


def headline(picture: Picture, now_s: float, speed: float) -> Row:
    """One row about the whole: the site, its time, the supervisor, the view's own link."""
    supervisor = picture.supervisor
    level = Level.NORMAL
    if not picture.link_up:
        level, who = Level.HIGH, "NO LINK to the broker, all below is old"
    elif supervisor is None:
        level, who = Level.NOTE, "supervisor not heard yet"
    elif not supervisor.online:
        level, who = Level.HIGH, "supervisor OFFLINE"
    else:
        who = f"supervisor online, epoch {supervisor.epoch}"
    when = f"{day_and_clock(now_s)} UTC, {speed:g} x real time"
    return Row(level, (levels.MARKS[level], picture.site.site.name or picture.site.site.id, when, who))


def tables(picture: Picture, now_s: float, alarms_shown: int = ALARMS_SHOWN) -> list[Table]:
    """Everything, what is most urgent first. `now_s`: the site's time."""
    alarms = _alarms(picture, now_s, alarms_shown)
    return [alarms, _enclosures(picture, now_s), _rooms(picture, now_s), _sources(picture, now_s)]


def _row(level: Level, *cells: str) -> Row:
    return Row(level, (levels.MARKS[level], *cells))


def _what(alarm: AlarmStatus) -> str:
    """What it is and what to do; which came first of many, and what explains what."""
    words = f"{alarm.text}. {alarm.advice}"
    if alarm.holds_back:
        words = f"{words} Holds back {alarm.holds_back} alarms that it explains."
    if alarm.cause:
        words = f"held back by {alarm.cause}: {words}"
    return f"first of a burst: {words}" if alarm.first and not is_away(alarm) else words


def _alarms(picture: Picture, now_s: float, shown: int) -> Table:
    standing = picture.standing_alarms()
    rows = []
    for _, alarm in standing[:shown]:
        raised = None if alarm.raised_at is None else now_s - alarm.raised_at.timestamp()
        level = Level.NOTE if is_away(alarm) else levels.of_priority(alarm.priority)
        rows.append(
            _row(level, alarm.priority, alarm.subject, duration(raised), plain(alarm.state), _what(alarm))
        )
    hidden = len(standing) - len(rows)
    note = "none" if not standing else f"and {hidden} more" if hidden else ""
    return Table("Alarms", ("", "priority", "subject", "since", "state", "what, and what to do"), tuple(rows), note,
                 wraps=True)  # fmt: skip


def _enclosures(picture: Picture, now_s: float) -> Table:
    rows = []
    for name, state in picture.enclosures.items():
        tally = picture.tally[name]
        gas = "/".join(volume(tally.gas_nl[one]) for one in GASES)
        if state is None:
            rows.append(_row(Level.NOTE, name, "not heard yet", *[UNKNOWN] * 4, UNKNOWN, gas, ""))
            continue
        rows.append(
            _row(
                _enclosure_level(picture, name, state), name, plain(state.state),
                duration(now_s - state.since.timestamp()),
                f"{percent(state.o2_pct)} / {state.o2_setpoint_pct:g}",
                f"{percent(state.co2_pct)} / {state.co2_setpoint_pct:g}",
                UNKNOWN if state.sampled_at is None else duration(now_s - state.sampled_at.timestamp()),
                state.verdict, gas, "; ".join(said(one) for one in state.problems),
            )
        )  # fmt: skip
    columns = ("", "name", "state", "for", "O2 / set %", "CO2 / set %", "sample", "verdict",
               "N2/CO2/air nl", "problems")  # fmt: skip
    return Table("Enclosures", columns, tuple(rows), spare="N2/CO2/air nl")


def _enclosure_level(picture: Picture, name: str, state: EnclosureState) -> Level:
    level = picture.level_of(name)
    if state.state == "faulted":
        level = max(level, Level.HIGH)
    if state.problems or state.verdict in ("bad", "uncertain"):
        level = max(level, Level.NOTE)
    return level


def _rooms(picture: Picture, now_s: float) -> Table:
    rows = []
    for name, room in picture.rooms.items():
        air = picture.room_air(name)
        o2, co2 = ("--", "--") if air is None else (percent(one) for one in air)
        permitted = picture.permitted(name, now_s)
        permit = "none in force" if permitted is None else _permit_words(*permitted)
        sounding = room.sounder is not None and room.sounder.on
        entry = picture.entry_of(name, now_s)
        since, reasons = (None, []) if room.entry is None else (now_s - room.entry.since.timestamp(), room.entry.reasons)
        level = max(picture.level_of(name), Level.NORMAL if entry == "clear" else Level.NOTE)
        if sounding:
            level, reasons = Level.CRITICAL, ["SOUNDER ON", *reasons]
        rows.append(_row(level, name, entry, duration(since), o2, co2, permit, "; ".join(said(one) for one in reasons)))
    columns = ("", "name", "entry", "for", "least O2 %", "most CO2 %", "permit", "reasons")
    return Table("Rooms", columns, tuple(rows))


def _permit_words(dosing: bool, air: bool) -> str:
    return {(True, True): "gas and air", (True, False): "gas only", (False, True): "air only"}.get((dosing, air), "nothing")


def _sources(picture: Picture, now_s: float) -> Table:
    rows = []
    for name, status in picture.sources.items():
        gas = picture.site.gas_sources[name].gas
        if status is None:
            rows.append(_row(Level.NOTE, name, gas, "not heard yet", *[UNKNOWN] * 4))
            continue
        age_s = now_s - status.observed_at.timestamp()
        level = max(picture.level_of(name), Level.NORMAL if status.available else Level.MEDIUM)
        if age_s > SILENT_AFTER_S:
            level = max(level, Level.NOTE)
        rows.append(
            _row(
                level, name, gas, "available" if status.available else "NOT available",
                UNKNOWN if status.capacity_nl_min is None else f"{status.capacity_nl_min:.0f}",
                percent(status.o2_pct),
                UNKNOWN if status.stock_kg is None else f"{status.stock_kg:.1f}",
                duration(age_s),
            )
        )  # fmt: skip
    columns = ("", "name", "gas", "status", "can give nl/min", "O2 %", "stock kg", "said")
    return Table("Sources", columns, tuple(rows))
