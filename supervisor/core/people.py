"""People in rooms: who may go in, who stands by, who has not come out; and who may open an enclosure.

Most who die of these gases are people who went in after somebody. So nobody goes in alone, somebody stands by outside who
does not follow, every person is signed out by name, and opening an enclosure or its hatch counts as going in. An entry that
was refused is no proof that nobody went in: those who asked are at the door until they sign out, as the guard counts them.
Nor is a register: behind a door that stands open somebody may be who never asked.
"""

from supervisor.core import alarms, room_air
from supervisor.core.desk import Desk
from supervisor.core.state import Permit, Room
from supervisor.messages import OperatorCommand, RoomDoor

RESCUERS = "nobody goes in alone, and rescuers die too"
NAMES_MAX = 50  # so many are known by name in one room; the guard counts alike
UNSIGNED = "its door stands open and nobody is signed in: somebody may be inside"
OTHERS = "others"  # whoever asked beyond that, as one: the room stays shut until they are signed out by this name


def reasons(desk: Desk, name: str) -> list[str]:
    """Why people keep this room from being clear."""
    room = desk.state.rooms[name]
    said = []
    if room.people:
        standing_by = dict.fromkeys(permit.standby for permit in room.permits.values() if permit.standby)
        said.append(f"entered by {', '.join(room.people)}; {', '.join(standing_by) or 'nobody'} stands by outside")
    if room.at_door:
        said.append(f"{', '.join(room.at_door)} wanted to go in and was refused: sign out (leave) whoever is not inside")
    if OTHERS in room.at_door:
        said.append(f"{OTHERS} are more than can be named: sign them out only when nobody is inside but those who are named")
    if room.door_open and not room.people:
        said.append(UNSIGNED)
    return said


def on_door(desk: Desk, name: str, door: RoomDoor) -> None:
    """What the door's switch says. A word of before, delivered late, shuts no door."""
    room = desk.state.rooms[name]
    observed_s = min(door.observed_at.timestamp(), desk.now.wall_s)  # no time to come: all that follow would be of before
    if door.open or observed_s >= room.door_observed_s:
        room.door_open = door.open
    room.door_observed_s = max(room.door_observed_s, observed_s)
    desk.state.dirty_rooms[name] = True


def place(desk: Desk, name: str) -> Room | None:
    """A room of the site file, or one that it has lost and that somebody may still be in."""
    return desk.state.rooms.get(name, desk.state.gone_rooms.get(name))


def unaccounted(desk: Desk) -> list[str]:
    """Who was in a room or at its door when the site file lost it, and was not signed out since."""
    gone = desk.state.gone_rooms.items()
    return [f"room {name}: {', '.join([*room.people, *room.at_door])}" for name, room in gone if room.people or room.at_door]


def judge_gone(desk: Desk) -> None:
    """While somebody may be in a room that nobody watches, no gas is given anywhere: it may be any room by another name."""
    who = unaccounted(desk)
    alarms.condition(desk, "people_unaccounted", "site", bool(who), "; ".join(who))


def follow_site_file(desk: Desk) -> None:
    """At a start: lets go of the rooms that the site file has lost and that nobody is in, and tells of the others."""
    for name, room in list(desk.state.gone_rooms.items()):
        if room.people or room.at_door:
            desk.say("people_unaccounted", "error", room=name, people=", ".join(room.people), at_door=", ".join(room.at_door))
        else:
            del desk.state.gone_rooms[name]
    judge_gone(desk)


def judge(desk: Desk, name: str) -> None:
    """Raises what is to be raised about people who should be out."""
    room, now_s = desk.state.rooms[name], desk.now.mono_s
    overdue = [person for person, due_mono_s in room.people.items() if now_s > due_mono_s]
    missing = [one for one in overdue if now_s > room.people[one] + desk.site.timing.missing_after_s]
    alarms.condition(desk, "people_overdue", name, bool(overdue), f"{_told(room, overdue)} should be out")
    alarms.condition(desk, "door_unsigned", name, room.door_open and not room.people, UNSIGNED)
    alarms.condition(desk, "people_missing", name, bool(missing), f"{_told(room, missing)} have not come out")


def _told(room: Room, who: list[str]) -> str:
    return ", ".join(f"{one} ({room.permits[one].standby} stands by)" if one in room.permits else one for one in who)


def enter(desk: Desk, command: OperatorCommand, shut_by: list[str]) -> str | None:
    """Gives an entry permit, or says why not. `shut_by` are the alarms that hold the room."""
    room = desk.state.rooms[command.target]
    wanted = list(dict.fromkeys(command.people or ()))
    why_not = _why_not(desk, command, room, wanted, shut_by)
    desk.state.dirty_rooms[command.target] = True
    if why_not is not None:
        return refuse(desk, command, why_not)
    air = room_air.look(desk, command.target).words()
    for person in wanted:
        room.people[person] = desk.now.mono_s + 60.0 * command.minutes  # type: ignore[operator]
        room.permits[person] = Permit(command.standby, desk.now.wall_s, air)  # type: ignore[arg-type]
        room.at_door.pop(person, None)
    desk.say(
        "entry_permit", room=command.target, people=", ".join(wanted), standby=command.standby, minutes=command.minutes,
        operator=command.operator, air=air, inside=", ".join(room.people),
    )  # fmt: skip
    return None


def refuse(desk: Desk, command: OperatorCommand, why_not: str) -> str:
    at_door(desk, command)
    return f"{why_not}. Nobody goes in; sign out (leave) whoever asked"


def at_door(desk: Desk, command: OperatorCommand) -> None:
    """Whoever asked and was refused may have gone in all the same, however many they are."""
    room = place(desk, command.target)
    if room is None:
        return
    for person in command.people or [command.operator]:
        if person not in room.people and person not in room.at_door and len(room.people) + len(room.at_door) >= NAMES_MAX:
            room.at_door[OTHERS] = True
        elif person not in room.people:
            room.at_door[person] = True


def _why_not(desk: Desk, command: OperatorCommand, room: Room, wanted: list[str], shut_by: list[str]) -> str | None:
    # Others may follow those who are inside, unless the room is restricted for more than people.
    only_people = room.status == "restricted" and not shut_by
    if room.status != "clear" and not only_people:
        return f"room {command.target} is {room.status}: {'; '.join(room.reasons)}"
    if not wanted or command.minutes is None:
        return "say who goes in (people) and for how long (minutes)"
    unknown = [one for one in wanted if one not in room.people and one not in room.at_door]
    if unknown and len(room.people) + len(room.at_door) + len(unknown) > NAMES_MAX:
        return f"no more than {NAMES_MAX} people can be told apart in room {command.target}"
    if command.standby is None or _same(command.standby) in map(_same, wanted):
        return f"somebody else must stand by outside (standby): {RESCUERS}"
    for other, inside in desk.state.rooms.items():
        names = [_same(one) for one in inside.people]
        watching = [_same(permit.standby) for permit in inside.permits.values()]
        for person in wanted:
            if other != command.target and _same(person) in names:
                return f"{person} is in room {other}: sign out there (leave) first"
            if _same(person) in watching:
                return f"{person} stands by for room {other} and stays outside: {RESCUERS}"
        if _same(command.standby) in names:
            return f"{command.standby} is in room {other} and cannot stand by outside"
        if other != command.target and _same(command.standby) in watching:
            return f"{command.standby} stands by for room {other} and cannot watch two doors"
    return None


def _same(person: str) -> list[str]:
    """Names that a person would take for the same."""
    return person.casefold().split()


def leave(desk: Desk, command: OperatorCommand, room: Room) -> str | None:
    """Signs people out, each by name; says who was not in."""
    if not command.people:
        return "say who has left (people)"
    here = [one for one in dict.fromkeys(command.people) if one in room.people or one in room.at_door]
    strangers = [one for one in dict.fromkeys(command.people) if one not in here]
    for person in here:
        room.people.pop(person, None)
        room.permits.pop(person, None)
        room.at_door.pop(person, None)
    if command.target in desk.state.rooms:
        desk.state.dirty_rooms[command.target] = True
    if here:
        desk.say("entry_left", room=command.target, people=", ".join(here), operator=command.operator,
                 inside=", ".join(room.people))  # fmt: skip
    if not strangers:
        return None
    inside = f"; inside are {', '.join(room.people)}" if room.people else ""
    return f"not signed in: {', '.join(strangers)}; the others are signed out{inside}"


def why_not_open(desk: Desk, name: str) -> str | None:
    """Opening counts as entry: somebody must be signed in, in time, with another outside, and the air must be good."""
    room_name = desk.site.enclosures[name].room
    room = desk.state.rooms[room_name]
    in_time = [one for one, due_mono_s in room.people.items() if desk.now.mono_s <= due_mono_s and one in room.permits]
    if room.status == "forbidden":
        return f"room {room_name} is forbidden: {'; '.join(room.reasons)}"
    if not in_time:
        return f"opening counts as entry: sign in (enter) room {room_name} with an entry permit first; {RESCUERS}"
    return None
