"""May this room be entered, and may gas be given in it? From its own air sensors alone, never from the process analyser.

The worst sensor decides. Unknown is forbidden. No decision about people rests on oxygen alone: while an enclosure is
vented oxygen is back long before CO2 is, and a CO2 leak is dangerous long before oxygen shows it.

`room_air` says what is measured and what is doubtful, `exposure` keeps the means of CO2, `room_load` sees air that moves
unexplained, `people` knows who is inside. Here they become one status, a permit, and what is said of both.
"""

import re

from supervisor.core import alarms, exposure, people, room_air, room_load, venting
from supervisor.core.desk import Desk
from supervisor.core.ledger import running
from supervisor.core.room_air import beyond, clear_window, danger_window
from supervisor.core.state import Room
from supervisor.core.transitions import stop
from supervisor.messages import RoomEntry, RoomSounder, at
from supervisor.values import GASES, Gas, PermitRoom

SHOW_S = 30.0  # a status is said again this often: twice within the minute in which a screen may rely on it
LATCHING = ("room_air_dangerous", "room_air_unsafe", "room_air_exposure", "room_air_moving", "people_missing", "door_unsigned")
LEAVE = (
    ("room_air_moving", "leave the room: its air moves"),
    ("room_air_exposure", "leave the room: too much CO2 on average"),
)
DOSED: tuple[Gas, ...] = ("nitrogen", "co2")
ENDED = "the supervisor has ended: nobody watches this room's air"
_AGE = re.compile(r"\b\d+ s\b")


def judge(desk: Desk, name: str) -> None:
    """Settles a room's status, raises what is to be raised, renews or withdraws its permit."""
    if not desk.state.stopping:  # else the last word was said
        _permit(desk, name, desk.state.rooms[name], settle(desk, name))


def settle(desk: Desk, name: str) -> bool:
    """A room's status by all that was heard up to now, before the next tick as well. Whether air may be blown into it."""
    room, limits = desk.state.rooms[name], desk.site.rooms[name].limits
    air = room_air.look(desk, name)
    exposure.take(room.exposure, air.co2_pct, not air.doubts, desk.now.mono_s)
    dangerous = beyond(air.heard, danger_window(limits, back=alarms.active(desk, "room_air_dangerous", name)))
    unsafe = beyond(air.heard, clear_window(limits, back=alarms.active(desk, "room_air_unsafe", name)))
    means = _means(desk, name, room)
    moving = room_load.follow(desk, name, air)
    for row, found in (("room_air_dangerous", dangerous), ("room_air_unsafe", unsafe), ("room_air_exposure", means)):
        _alarm(desk, row, name, found, air.doubts)
    alarms.condition(desk, "room_air_moving", name, bool(moving), moving)
    alarms.missing(desk, "room_air_unknown", name, bool(air.doubts), "; ".join(air.doubts))
    people.judge(desk, name)
    bad = air.doubts + dangerous + [one for one in unsafe if one not in dangerous]
    if bad:
        room.good_since_mono_s = None
    elif room.good_since_mono_s is None:
        room.good_since_mono_s = desk.now.mono_s
    room.judged_wall_s = desk.now.wall_s
    status, reasons = _status(desk, name, room, bad, means)
    _take(desk, name, room, status, reasons)
    return not (air.doubts or dangerous)


def _means(desk: Desk, name: str, room: Room) -> list[str]:
    """Which mean of CO2 passes its limit; on the way back it must be a little better, as every single word must."""
    limits = desk.site.rooms[name].limits
    share = 1.0 - room_air.DEADBAND_PCT if alarms.active(desk, "room_air_exposure", name) else 1.0
    return exposure.beyond(room.exposure, share * limits.co2_twa_max.pct, share * limits.co2_stel_max.pct)


def _alarm(desk: Desk, row: str, room: str, found: list[str], doubts: list[str]) -> None:
    """A lost sensor is an alarm of its own and clears no other: what was bad stays so until every sensor says it is not."""
    stands = bool(doubts) and alarms.active(desk, row, room)
    alarms.condition(desk, row, room, bool(found) or stands, "; ".join(found))


def _status(desk: Desk, name: str, room: Room, bad: list[str], means: list[str]) -> tuple[str, list[str]]:
    """`forbidden` for what may kill or is not known, `restricted` for what still needs a person, else `clear`."""
    if bad:
        return "forbidden", bad
    since_s = desk.now.mono_s - room.good_since_mono_s  # type: ignore[operator]
    # One tick later than the guard, which counts for itself: the two must never disagree about who was first.
    wait_s = desk.site.timing.clear_after_s + desk.site.timing.tick_s
    if since_s < wait_s:
        return "forbidden", [f"air good for {wait_s:g} s is needed before the room reads clear"]
    moving = [room.account.moving] if room.account.moving else []
    waiting = [f"alarm {row} waits for a named person" for row in latched(desk, name) if not alarms.active(desk, row, name)]
    reasons = means + moving + waiting + people.reasons(desk, name)
    return "restricted" if reasons else "clear", reasons


def latched(desk: Desk, name: str) -> list[str]:
    """The alarms about this room that hold it shut: their cause stands, or no named person has ended them yet."""
    return [row for row in LATCHING if alarms.holds(desk, row, name)]


def _take(desk: Desk, name: str, room: Room, status: str, reasons: list[str]) -> None:
    """Takes a status over. It is published when it changes, and again every `SHOW_S`, so that its age can be seen; words
    inside one status may move with every second and are not news."""
    was, sounded = room.status, (room.sounding, room.sounding_why)
    news = _kinds(reasons) != _kinds(room.reasons)  # no two statuses share a reason, and a start has its own
    room.status, room.reasons = status, reasons
    if status != was:
        room.since_wall_s = desk.now.wall_s
        desk.say("room_status", "info" if status == "clear" else "warning", room=name, status=status, was=was,
                 reasons="; ".join(reasons))  # fmt: skip
        if was == "clear":
            shut(desk, name, DOSED, f"room {name} is {status}")
    room.sounding_why = _sounding_why(desk, name, room)
    room.sounding = bool(room.sounding_why)
    if sounded != (room.sounding, room.sounding_why):
        show_sounder(desk, name)
    if news or room.shown_mono_s is None or desk.now.mono_s - room.shown_mono_s >= SHOW_S:
        show(desk, name)


def _sounding_why(desk: Desk, name: str, room: Room) -> str:
    """Why the sounder is on, or nothing. Whoever is inside has to hear of whatever makes the room unfit to stay in."""
    if alarms.holds(desk, "room_air_dangerous", name):
        return "room air is dangerous"
    if alarms.holds(desk, "people_missing", name):
        return "people have not come out"
    if not room.people:
        return ""
    if room.status == "forbidden":
        return "leave the room: its air is not known to be good"
    return next((why for row, why in LEAVE if alarms.active(desk, row, name)), "")


def _kinds(reasons: list[str]) -> list[str]:
    """The reasons without their ages, which grow by themselves."""
    return [_AGE.sub("", reason) for reason in reasons]


def shut(desk: Desk, name: str, gases: tuple[Gas, ...], reason: str) -> None:
    """Every valve of these gases in the room is told to shut, whether anything was asked of it or not."""
    for enclosure in desk.site.enclosures_of_room[name]:
        for gas in gases:
            if desk.site.source_of(enclosure, gas) is not None:
                stop(desk, enclosure, gas, reason)


def _end_air(desk: Desk, name: str) -> None:
    """Air that is being blown where it is not permitted any more ends at once, and not only when hardware has the permit."""
    for enclosure in desk.site.enclosures_of_room[name]:
        if running(desk, enclosure, "air") is not None:
            stop(desk, enclosure, "air", f"no permit for air in room {name}")


def show(desk: Desk, name: str) -> None:
    """Publishes what is known of a room, retained, with the instant it was last judged at and what its vents will do."""
    room = desk.state.rooms[name]
    room.shown_mono_s = desk.now.mono_s
    forecast = venting.forecast(desk, name) if room.status != "forbidden" else None
    judged_at = None if room.judged_wall_s is None else at(room.judged_wall_s)
    desk.publish(
        RoomEntry(
            status=room.status, since=at(room.since_wall_s or desk.state.started_wall_s), reasons=room.reasons,  # type: ignore[arg-type]
            judged_at=judged_at, people=list(room.people),
            venting=[] if forecast is None else forecast.names,
            forecast_o2_pct=None if forecast is None else round(forecast.o2_pct, 2),
            forecast_co2_pct=None if forecast is None else round(forecast.co2_pct, 3),
        ),
        name,
    )  # fmt: skip


def show_sounder(desk: Desk, name: str) -> None:
    room = desk.state.rooms[name]
    desk.publish(RoomSounder(on=room.sounding, reason=room.sounding_why), name)


def _permit(desk: Desk, name: str, room: Room, air_good: bool) -> None:
    """Renews the permit on its interval, and says so at once when what it allows changes."""
    timing, state = desk.site.timing, desk.state
    held = room.permit_held_until_mono_s is not None and desk.now.mono_s < room.permit_held_until_mono_s
    may = not held and state.link_up and not state.overtaken and state.epoch_settled
    dosing = may and room.status == "clear" and not alarms.closes(desk, name)
    # Air goes in where nobody is; how many may vent at once is settled by forecast, in `venting`.
    nobody = not (room.people or room.at_door or room.door_open or people.unaccounted(desk))
    air = may and air_good and nobody
    if room.air_permitted and not air:
        _end_air(desk, name)
    changed = (dosing, air) != (room.dosing_permitted, room.air_permitted)
    sent_s = desk.age_s(room.permit_sent_mono_s)
    if not changed and sent_s is not None and sent_s < timing.permit_interval_s:
        return
    if not (dosing or air) and not changed and sent_s is not None:
        return  # withdrawn and said; silence keeps it withdrawn
    room.dosing_permitted, room.air_permitted = dosing, air
    room.permit_sent_mono_s = desk.now.mono_s
    state.epoch_used = state.epoch_used or dosing or air
    desk.effects.append(PermitRoom(name, dosing, air, state.epoch, desk.now.wall_s + timing.permit_valid_s))


def why_no_permit(desk: Desk, name: str, gas: Gas) -> str:
    """Why this room has no permit for a gas, in words, by what `_permit` went by."""
    room, state = desk.state.rooms[name], desk.state
    if room.permit_held_until_mono_s is not None and desk.now.mono_s < room.permit_held_until_mono_s:
        return "the guard refused the permit, which is tried again"
    if not state.epoch_settled:
        return "just started: every unit has to tell first which epoch it has seen"
    if gas != "air" and room.status != "clear":
        return f"the room is {room.status}: {'; '.join(room.reasons)}"
    if gas != "air":
        return f"an alarm keeps the room's gas off: {', '.join(alarms.problems(desk, name)) or 'one of the site'}"
    inside = [*room.people, *room.at_door]
    return f"in it or at its door: {', '.join(inside)}" if inside else f"the room is {room.status}: {'; '.join(room.reasons)}"


def withdraw(desk: Desk, name: str) -> None:
    """Nothing is permitted in this room from now on. It holds as long as any permit: one that had expired by the time it
    arrived would be refused, and a permit from before it, delivered once more, is told from it by its earlier end.
    """
    room = desk.state.rooms[name]
    room.dosing_permitted = room.air_permitted = False
    until_wall_s = desk.now.wall_s + desk.site.timing.permit_valid_s
    desk.effects.append(PermitRoom(name, False, False, desk.state.epoch, until_wall_s))


def end(desk: Desk, name: str) -> None:
    """A clean end: permit withdrawn, and no `clear` left standing at the broker that nobody will ever take back."""
    room = desk.state.rooms[name]
    withdraw(desk, name)
    room.status, room.reasons, room.since_wall_s = "forbidden", [ENDED], desk.now.wall_s
    room.judged_wall_s = desk.now.wall_s
    show(desk, name)


def on_permit_refused(desk: Desk, name: str, rule: str, measured: str, limit: str) -> None:
    """The guard saw the room otherwise: nothing is permitted until the next renewal is tried, and every valve shuts."""
    room = desk.state.rooms[name]
    room.permit_held_until_mono_s = desk.now.mono_s + desk.site.timing.permit_interval_s
    withdraw(desk, name)
    shut(desk, name, GASES, f"no permit in room {name}")
    desk.say("permit_refused_by_guard", "warning", room=name, rule=rule, measured=measured, limit=limit)

