"""What operators want: carried out once, or refused with a reason they can act on."""

from supervisor.core import accounts, alarm_words, calibration, entry
from supervisor.core import people as people_in_rooms
from supervisor.core.desk import Desk
from supervisor.core.enclosure import RESUME, TRANSITIONS, Trigger
from supervisor.core.transitions import trigger
from supervisor.core.venting import GOOD_SAMPLES
from supervisor.messages import CommandOutcome, OperatorCommand

AGE_S_MAX = 120.0  # an older command was meant for another moment
OPEN_AGE_S_MAX = 600.0  # an enclosure is opened on samples no older than this
REMEMBERED = 1000  # so many command ids are remembered, so that one sent twice is carried out once


def on_command(desk: Desk, command: OperatorCommand) -> None:
    """Carries a command out and answers it; one that was seen before gets its answer again."""
    known = desk.state.commands.get(command.command_id)
    if known is None:
        reason = _carry_out(desk, command)
        known = "" if reason is None else reason
        desk.state.commands[command.command_id] = known
        if len(desk.state.commands) > REMEMBERED:
            del desk.state.commands[next(iter(desk.state.commands))]
        desk.say("command", "info" if not known else "warning", operator=command.operator, action=command.action,
                 target=command.target, accepted=not known, reason=known)  # fmt: skip
    desk.publish(CommandOutcome(command_id=command.command_id, accepted=not known, reason=known))


def _carry_out(desk: Desk, command: OperatorCommand) -> str | None:
    """Why not, or None when it was done."""
    age_s = desk.now.wall_s - command.issued_at.timestamp()
    if abs(age_s) > AGE_S_MAX:
        if command.action == "enter":
            people_in_rooms.at_door(desk, command)
        return f"issued {age_s:.0f} s ago by its own time, at most {AGE_S_MAX:g} s: check the clock and send it anew"
    if command.action in ("seal", "vent", "open", "resume", "stop"):
        return _move(desk, command)
    if command.action == "acknowledge":
        return alarm_words.acknowledge(desk, command.target, command.occurrence, command.operator, command.note)
    if command.action == "shelve":
        return alarm_words.shelve(desk, command)
    if command.action == "unshelve":
        return alarm_words.unshelve(desk, command.target, command.operator)
    if command.action in ("enter", "leave"):
        room = people_in_rooms.place(desk, command.target)
        if room is None:
            return f"there is no room {command.target}"
        if command.action == "leave":
            return people_in_rooms.leave(desk, command, room)
        if command.target in desk.state.gone_rooms:
            return people_in_rooms.refuse(desk, command, f"the site file has lost room {command.target}")
        entry.settle(desk, command.target)  # whatever was heard up to now counts, before the next tick as well
        return people_in_rooms.enter(desk, command, entry.latched(desk, command.target))
    if command.action == "calibrate":
        return calibration.calibrate(desk, command)
    return f"this version does not carry out {command.action}"


def _move(desk: Desk, command: OperatorCommand) -> str | None:
    kept = desk.state.enclosures.get(command.target)
    if kept is None:
        return f"there is no enclosure {command.target}"
    what: Trigger = {"stop": "fault", "resume": RESUME[kept.faulted_from]}.get(command.action, command.action)  # type: ignore[assignment]
    if command.action == "resume" and kept.state != "faulted":
        return f"{command.target} is {kept.state}; only a faulted enclosure is resumed"
    if (kept.state, what) not in TRANSITIONS:
        return f"{command.target} is {kept.state}; {command.action} is not possible from there"
    if command.action == "open" and not _may_open(desk, command.target):
        return _not_breathable(desk, command.target)
    if command.action == "open":
        entry.settle(desk, desk.site.enclosures[command.target].room)
        if (why_not := people_in_rooms.why_not_open(desk, command.target)) is not None:
            return why_not
    if command.action == "resume":
        if unseen := alarm_words.unseen_latches(desk, command.target):
            return f"alarm {unseen[0]} must be over and acknowledged first"
    trigger(desk, command.target, what, f"{command.action} by {command.operator}")
    if command.action == "seal":
        accounts.seal(desk, command.target, command.lot)
    if command.action == "open":
        accounts.unseal(desk, command.target)
    if command.action == "resume":
        alarm_words.reset(desk, command.target, command.operator, "resumed")
    return None


def _may_open(desk: Desk, name: str) -> bool:
    """The last samples were breathable, and young: what is dissolved in the fruit comes out again."""
    kept = desk.state.enclosures[name]
    if kept.sample is None or kept.sample.taken_mono_s < desk.state.trusted_mono_s:
        return False
    young = desk.now.mono_s - kept.sample.taken_mono_s <= OPEN_AGE_S_MAX
    return young and kept.breathable_samples >= GOOD_SAMPLES


def _not_breathable(desk: Desk, name: str) -> str:
    sample = desk.state.enclosures[name].sample
    limits = desk.site.rooms[desk.site.enclosures[name].room].limits
    if sample is None:
        return "its gas was never measured: nobody opens it"
    age_s = desk.now.mono_s - sample.taken_mono_s
    return (
        f"not breathable yet: {sample.o2_pct:.1f} % O2 (at least {limits.o2_clear_min.pct:g}), {sample.co2_pct:.2f} % CO2 "
        f"(at most {limits.co2_clear_max.pct:g}), measured {age_s:.0f} s ago; "
        f"{GOOD_SAMPLES} good samples in a row are needed, the last at most {OPEN_AGE_S_MAX:.0f} s old"
    )
