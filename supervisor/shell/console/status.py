"""`stillhold status`: the site as the supervisor last said it, in words. Without a supervisor nothing here is current, and
no room is shown as clear."""

import argparse
import json
from typing import TYPE_CHECKING, Any

from supervisor.caution import CAUTION
from supervisor.shell.console import arguments

if TYPE_CHECKING:
    from supervisor.messages import RoomEntry
    from supervisor.shell.console.link import Link

PRIORITIES = ("critical", "high", "medium", "low")
ENTRY_AGE_S_MAX = 60.0  # the contract: an older word is none


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    what = "rooms, enclosures and alarms, as they stand; exit status 3 when no supervisor is online"
    parser = commands.add_parser("status", help="print how a site stands", description=what, allow_abbrev=False)
    arguments.add_site(parser)
    arguments.add_person(parser)
    parser.set_defaults(carry_out=_status)


def _status(args: argparse.Namespace) -> int:
    from supervisor.messages import AlarmStatus, EnclosureState, RoomEntry, RoomSounder, SupervisorStatus

    return look(args, (SupervisorStatus, RoomEntry, RoomSounder, EnclosureState, AlarmStatus), picture, told)


def look(args: argparse.Namespace, models: tuple, make: Any, show: Any) -> int:
    """Read what is retained and print it by `show`, or as JSON. `make` turns a Link into plain data."""
    from supervisor.messages import EnclosureState, RoomEntry, SupervisorStatus
    from supervisor.shell.console.link import EXIT_DONE, EXIT_NO_ANSWER, EXIT_WRONG, Link, LinkError
    from supervisor.shell.wire import fill
    from supervisor.sitefile import SiteFileError, load

    try:
        site = load(args.site)
        link = Link(site, args)
        link.open(models)
    except SiteFileError as error:
        return _failed(args, str(error), EXIT_WRONG)
    except LinkError as error:
        return _failed(args, str(error), EXIT_NO_ANSWER)
    try:
        expected = [SupervisorStatus.TOPIC]
        expected += [fill(RoomEntry.TOPIC, (one,)) for one in site.rooms] if RoomEntry in models else []
        expected += [fill(EnclosureState.TOPIC, (one,)) for one in site.enclosures] if EnclosureState in models else []
        missing = link.read_all(expected)
        data = make(link) | {"not_there": missing}
    except LinkError as error:
        return _failed(args, str(error), EXIT_NO_ANSWER)
    finally:
        link.close()
    print(json.dumps(data, indent=2) if args.json else "\n".join(show(data)))
    return EXIT_DONE if data["supervisor"]["online"] else EXIT_NO_ANSWER


def _failed(args: argparse.Namespace, words: str, status: int) -> int:
    import sys

    if args.json:
        print(json.dumps({"error": words, "exit_status": status, "caution": CAUTION}, indent=2))
    else:
        print(f"{words}\nCAUTION: {CAUTION}", file=sys.stderr)
    return status


# ------------------------------------------------------------------------------------------------ what there is


def head(link: "Link") -> dict[str, Any]:
    """The site, its time, its supervisor, and the caution that every output carries."""
    from supervisor.messages import SupervisorStatus, at, rfc3339

    status = link.one(SupervisorStatus)
    supervisor = {"online": False} if status is None else status.model_dump(mode="json")
    site = link.site.site
    return {"site": site.id, "name": site.name, "at": rfc3339(at(link.clock.now().wall_s)), "supervisor": supervisor,
            "caution": CAUTION}  # fmt: skip


def picture(link: "Link") -> dict[str, Any]:
    """Everything, as plain data."""
    from supervisor.messages import EnclosureState, RoomEntry, RoomSounder

    entries, sounders = link.all_of(RoomEntry), link.all_of(RoomSounder)
    online, wall_s, rooms = link.supervisor_online(), link.clock.now().wall_s, []
    for name in link.site.rooms:
        sounder = sounders.get((name,))
        sounding = {"sounder_on": None if sounder is None else sounder.on}
        rooms.append({"room": name} | room_now(entries.get((name,)), online, wall_s) | sounding)
    states = link.all_of(EnclosureState)
    enclosures = [
        {"enclosure": name, "room": one.room}
        | ({"state": "unknown"} if (name,) not in states else states[name,].model_dump(mode="json"))
        for name, one in link.site.enclosures.items()
    ]
    return head(link) | {"rooms": rooms, "enclosures": enclosures, "alarms": standing(link)}


def room_now(entry: "RoomEntry | None", online: bool, wall_s: float) -> dict[str, Any]:
    """A room's entry as it counts now: unknown when nobody has judged it for `ENTRY_AGE_S_MAX`, whatever was said before."""
    if entry is None:
        return {"status": "unknown", "since": None, "reasons": ["nothing was said of it"]}
    known = entry.model_dump(mode="json")
    age_s = None if entry.judged_at is None else wall_s - entry.judged_at.timestamp()
    if online and age_s is not None and abs(age_s) <= ENTRY_AGE_S_MAX:
        return known
    when = "nobody knows when" if age_s is None else f"{age_s:.0f} s ago by this machine's clock"
    why = f"last judged {when}" if online else "no supervisor is online"
    return known | {"status": "unknown", "last_status": entry.status, "reasons": [why, *entry.reasons]}


def standing(link: "Link") -> list[dict[str, Any]]:
    """The alarms that are not normal: worst first, of one priority what nobody has seen first, then the oldest."""
    from supervisor.messages import AlarmStatus

    alarms = [one for one in link.all_of(AlarmStatus).values() if one.state != "normal"]
    alarms.sort(key=lambda one: (PRIORITIES.index(one.priority), not unseen(one.state), str(one.raised_at), one.alarm))
    return [one.model_dump(mode="json") for one in alarms]


def unseen(state: str) -> bool:
    """Whether a person still has to say that they saw it."""
    return state.endswith("unacknowledged")


# ------------------------------------------------------------------------------------------------ in words


def told_head(data: dict[str, Any]) -> list[str]:
    """Two lines. That no supervisor is online comes before everything else."""
    from supervisor.shell.console.link import plain

    supervisor, name = data["supervisor"], data["name"] or data["site"]
    lines = [f"{plain(name)}, {_when(data['at'])} UTC"]
    if supervisor["online"]:
        return [*lines, f"supervisor: online since {_when(supervisor['started_at'])}, epoch {supervisor['epoch']}"]
    last = f" (epoch {supervisor['epoch']})" if "epoch" in supervisor else ""
    return [*lines, f"supervisor: NOT ONLINE{last}. What stands below is old; treat every room as unsafe"]


def told(data: dict[str, Any]) -> list[str]:
    """The picture for people: words, no colours, and the caution at the end."""
    alarms = data["alarms"]
    waiting = sum(unseen(one["state"]) for one in alarms)
    lines = [*told_head(data), "", "rooms"]
    lines += [f"  {line}" for one in data["rooms"] for line in _room(one)]
    lines += ["", "enclosures"] + [f"  {_enclosure(one)}" for one in data["enclosures"]]
    lines += ["", f"alarms: {len(alarms)} standing, {waiting} not acknowledged" + (", worst first" if alarms else "")]
    lines += [f"  {line}" for one in alarms for line in told_alarm(one)]
    lines += ["", "not on the broker: " + ", ".join(data["not_there"])] if data["not_there"] else []
    return [*lines, "", f"CAUTION: {data['caution']}"]


def told_alarm(one: dict[str, Any]) -> list[str]:
    """What it is, and what to do about it."""
    from supervisor.shell.console.link import plain

    state = one["state"].replace("_", " ")
    by = f" by {plain(one['acknowledged_by'])}" if one["acknowledged_by"] else ""
    until = f" until {_when(one['shelved_until'])}" if one["shelved_until"] else ""
    since = f", since {_when(one['raised_at'])}" if one["raised_at"] else ""
    first = f"{one['priority']:<8}  {plain(one['alarm'])}, occurrence {one['occurrence']}: {state}{by}{until}{since}"
    lines = [first, f"          {plain(one['text'])}"]
    lines += [f"          first of its burst; explains {one['holds_back']} others"] if one["holds_back"] else []
    lines += [f"          explained by {plain(one['cause'])}"] if one["cause"] else []
    lines += [f"          note: {plain(one['note'])}"] if one["note"] else []
    return [*lines, f"          do: {plain(one['advice'])}"]


def _room(one: dict[str, Any]) -> list[str]:
    from supervisor.shell.console.link import plain

    last = f" (was {one['last_status']} when last heard)" if "last_status" in one else ""
    since = f" since {_when(one['since'])}" if one["since"] else ""
    sounder = ", sounder on" if one["sounder_on"] else ""
    first = f"{one['room']:<12} {one['status']}{last}{since}{sounder}"
    return [first, *(f"{'':<12} {plain(reason)}" for reason in one["reasons"])]


def _enclosure(one: dict[str, Any]) -> str:
    from supervisor.shell.console.link import plain

    if one["state"] == "unknown":
        return f"{one['enclosure']:<8} unknown"
    gas = "gas never measured"
    if one["o2_pct"] is not None and one["co2_pct"] is not None:
        age = "" if one["sample_age_s"] is None else f", sampled {one['sample_age_s'] / 60:.0f} min before"
        o2 = f"{one['o2_pct']:.2f} % O2 ({one['o2_setpoint_pct']:g})"
        gas = f"{o2}, {one['co2_pct']:.2f} % CO2 ({one['co2_setpoint_pct']:g}){age}"
    problems = f"; {plain('; '.join(one['problems']))}" if one["problems"] else ""
    return f"{one['enclosure']:<8} {one['state'].replace('_', ' '):<13} {gas}, {one['verdict']}{problems}"


def _when(stamp: str) -> str:
    """`2026-07-01T05:00:00.000Z` without what nobody reads."""
    return stamp.replace("T", " ")[:19]
