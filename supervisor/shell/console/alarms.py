"""`stillhold alarms`, `ack`, `shelve` and `unshelve`: what stands, worst first, and what a person says about it."""

import argparse
import sys
from typing import Any

from supervisor.shell.console import arguments
from supervisor.shell.console import catalogue as cli_catalogue
from supervisor.shell.console import report as alarm_report_cmd
from supervisor.shell.console.commands import Person, send, tell
from supervisor.shell.console.status import head, look, standing, told_alarm, told_head, unseen

GROUP = "alarms"
LIST = "list"


def spelled_out(words: list[str]) -> list[str]:
    """The command line with `list` where `stillhold alarms SITE` leaves it out."""
    others = (LIST, "catalogue", "report", "-h", "--help")
    return [GROUP, LIST, *words[1:]] if words[:1] == [GROUP] and len(words) > 1 and words[1] not in others else words


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    alarms = commands.add_parser(GROUP, help="print the standing alarms, worst first", allow_abbrev=False)
    group = alarms.add_subparsers(title="alarms", metavar="WHAT", required=True)
    what = "the standing alarms, worst first; `stillhold alarms SITE` is the same"
    shown = group.add_parser(LIST, help=what, description=what, allow_abbrev=False)
    arguments.add_site(shown)
    arguments.add_person(shown)
    shown.set_defaults(carry_out=_list)
    cli_catalogue.add(group)
    alarm_report_cmd.add(group)
    _add_words(commands)


def _add_words(commands: Any) -> None:
    for action, what in (
        ("ack", "say that you have seen an occurrence of an alarm"),
        ("shelve", "take an alarm off the list for a time, with a reason"),
        ("unshelve", "put a shelved alarm back"),
    ):
        parser = commands.add_parser(action, help=what, description=what, allow_abbrev=False)
        arguments.add_site(parser)
        parser.add_argument("target", metavar="ALARM", help="as `stillhold alarms` names it")
        parser.add_argument("--occurrence", type=arguments.count, metavar="N", help="the occurrence that you have seen")
        parser.add_argument("--note", required=action == "shelve", help="why, in your words")
        if action == "shelve":
            parser.add_argument("--minutes", type=arguments.positive, metavar="N", required=True, help="for how long")
        arguments.add_person(parser)
        arguments.add_key(parser)
        parser.set_defaults(carry_out={"ack": _ack, "shelve": _shelve, "unshelve": _unshelve}[action])


# ------------------------------------------------------------------------------------------------ list


def _list(args: argparse.Namespace) -> int:
    from supervisor.messages import AlarmStatus, SupervisorStatus

    return look(args, (SupervisorStatus, AlarmStatus), lambda link: head(link) | {"alarms": standing(link)}, _told)


def _told(data: dict[str, Any]) -> list[str]:
    alarms = data["alarms"]
    waiting = sum(unseen(one["state"]) for one in alarms)
    lines = [*told_head(data), "", f"{len(alarms)} standing, {waiting} not acknowledged"]
    lines += [line for one in alarms for line in told_alarm(one)]
    return [*lines, "", f"CAUTION: {data['caution']}"]


# ------------------------------------------------------------------------------------------------ said about one


def _ack(args: argparse.Namespace) -> int:
    if args.occurrence is not None:
        return send(args, "acknowledge", args.target, occurrence=args.occurrence, note=args.note)
    return _ack_what_stands(args)


def _shelve(args: argparse.Namespace) -> int:
    from supervisor.messages import at, rfc3339
    from supervisor.shell.clock import Pace, SystemClock

    pace = None if args.start is None and args.speed == 1.0 else Pace(args.start, args.speed)
    until = rfc3339(at(SystemClock(None, pace).now().wall_s + 60.0 * args.minutes))
    return send(args, "shelve", args.target, occurrence=args.occurrence, note=args.note, until=until)


def _unshelve(args: argparse.Namespace) -> int:
    return send(args, "unshelve", args.target, occurrence=args.occurrence, note=args.note)


def _ack_what_stands(args: argparse.Namespace) -> int:
    """Nobody acknowledges what they have not seen: show it, and have its number typed."""
    from supervisor.messages import AlarmStatus, CommandOutcome, SupervisorStatus
    from supervisor.shell.authority.operators import OperatorsError
    from supervisor.shell.console.link import EXIT_NO_ANSWER, EXIT_WRONG, Link, LinkError
    from supervisor.sitefile import SiteFileError, load

    told: dict[str, Any] = {"action": "acknowledge", "target": args.target, "accepted": None}
    try:
        site = load(args.site)
        told["operator"] = Person(args, site).name
        link = Link(site, args)
        link.open((AlarmStatus, CommandOutcome, SupervisorStatus))
    except (SiteFileError, OperatorsError) as error:
        return tell(args, told | {"reason": str(error)}, EXIT_WRONG)
    except LinkError as error:
        return tell(args, told | {"reason": f"{error}; nothing was sent"}, EXIT_NO_ANSWER)
    try:
        link.read_all([SupervisorStatus.TOPIC])
        if not link.supervisor_online():
            return tell(args, told | {"reason": "no supervisor is online at this site; nothing was sent"}, EXIT_NO_ANSWER)
        one = next((one for one in standing(link) if one["alarm"] == args.target), None)
    except LinkError as error:
        return tell(args, told | {"reason": f"{error}; nothing was sent"}, EXIT_NO_ANSWER)
    finally:
        link.close()  # whoever reads and types may take their time
    return _shown_and_asked(args, told, one)


def _shown_and_asked(args: argparse.Namespace, told: dict[str, Any], one: dict[str, Any] | None) -> int:
    from supervisor.shell.console.link import EXIT_REFUSED, EXIT_WRONG

    if one is None:
        return tell(args, told | {"accepted": False, "reason": "it does not stand; nothing was sent"}, EXIT_REFUSED)
    unsaid = "say which occurrence you have seen (--occurrence N); nothing was sent"
    if args.json:
        return tell(args, told | {"reason": unsaid, "stands": one}, EXIT_WRONG)
    print("\n".join(told_alarm(one)))
    if not sys.stdin.isatty():
        return tell(args, told | {"reason": unsaid}, EXIT_WRONG)
    typed = input("Type its occurrence number to acknowledge it, anything else not to: ").strip()
    if typed != str(one["occurrence"]):
        return tell(args, told | {"accepted": False, "reason": "not acknowledged; nothing was sent"}, EXIT_REFUSED)
    return send(args, "acknowledge", args.target, occurrence=one["occurrence"], note=args.note)
