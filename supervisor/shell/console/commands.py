"""Commands that a person gives at a terminal: signed with their key, sent, and answered for, all within bounds.

    0 accepted    1 refused, with the reason    2 wrong command line, site file or key    3 no answer
"""

import argparse
import getpass
import json
import os
import secrets
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from supervisor.shell.console import arguments

if TYPE_CHECKING:
    from supervisor.shell.console.link import Link

MOVES = {
    "seal": "begin an enclosure's pull-down",
    "vent": "bring an enclosure back to breathable air",
    "open": "allow opening an enclosure that is breathable",
    "resume": "end an enclosure's fault",
    "stop": "shut all gas of an enclosure; it is faulted",
}
NO_ANSWER = "it may still be carried out: look (stillhold status) before you repeat it"


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """seal, vent, open, resume, stop, enter and leave."""
    for action, what in MOVES.items():
        parser = _parser(commands, action, what)
        parser.add_argument("target", metavar="ENCLOSURE")
        if action == "seal":
            parser.add_argument("--lot", metavar="LOT", help="what was loaded, for the gas accounts (default: the site file's)")
            parser.set_defaults(carry_out=lambda args: send(args, "seal", args.target, lot=args.lot))
            continue
        parser.set_defaults(carry_out=lambda args, action=action: send(args, action, args.target))
    enter = _parser(commands, "enter", "sign people in to a room: no gas meanwhile, and never one alone")
    enter.add_argument("target", metavar="ROOM")
    enter.add_argument("--people", type=arguments.names, required=True, metavar="A,B", help="who goes in")
    enter.add_argument("--standby", required=True, metavar="C", help="who stands by outside")
    enter.add_argument("--minutes", type=arguments.count, required=True, metavar="N", help="until they are overdue")
    enter.set_defaults(carry_out=_enter)
    leave = _parser(commands, "leave", "sign people out of a room")
    leave.add_argument("target", metavar="ROOM")
    leave.add_argument("--people", type=arguments.names, required=True, metavar="A,B", help="who has come out")
    leave.set_defaults(carry_out=lambda args: send(args, "leave", args.target, people=args.people))


def _parser(commands: Any, name: str, what: str) -> argparse.ArgumentParser:
    parser = commands.add_parser(name, help=what, description=what, allow_abbrev=False)
    arguments.add_site(parser)
    arguments.add_person(parser)
    arguments.add_key(parser)
    return parser


def _enter(args: argparse.Namespace) -> int:
    return send(args, "enter", args.target, people=args.people, standby=args.standby, minutes=args.minutes)


# ------------------------------------------------------------------------------------------------ sending


def send(args: argparse.Namespace, action: str, target: str, **more: Any) -> int:
    """Carry a command to the supervisor and tell what came of it."""
    from supervisor.shell.authority.operators import OperatorsError
    from supervisor.shell.console.link import EXIT_NO_ANSWER, EXIT_WRONG, Link, LinkError
    from supervisor.sitefile import SiteFileError, load

    try:
        site = load(args.site)
        link = Link(site, args)
        person = Person(args, site)
        return give(link, args, person, action, target, more)
    except (SiteFileError, OperatorsError) as error:
        return tell(args, {"action": action, "target": target, "accepted": None, "reason": str(error)}, EXIT_WRONG)
    except LinkError as error:
        reason = f"{error}; nothing was sent"
        return tell(args, {"action": action, "target": target, "accepted": None, "reason": reason}, EXIT_NO_ANSWER)


class Person:
    """Who gives the command: by their key file, or, where the site has no operators, by the name of their login."""

    def __init__(self, args: argparse.Namespace, site: Any) -> None:
        """Raises OperatorsError when there should be a key and is none that can be used."""
        from supervisor.shell.authority.operators import read_key

        path, given = key_path(args, site.site.id)
        self._key = None
        if site.operators is not None or given:
            self._key = read_key(path, site.site.id)
        self.name = getpass.getuser() if self._key is None else self._key.operator

    def signed(self, body: dict[str, Any]) -> dict[str, Any]:
        from supervisor.shell.authority.signing import sign

        return body if self._key is None else body | {"signature": sign(self._key.secret, body)}


def key_path(args: argparse.Namespace, site_id: str) -> tuple[Path, bool]:
    """Where the person's key lies, and whether they named it."""
    named = args.key or os.environ.get("STILLHOLD_KEY")
    if named:
        return Path(named), True
    config = os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config"
    return Path(config) / "stillhold" / f"{site_id}.key", False


def give(link: "Link", args: argparse.Namespace, person: Person, action: str, target: str, more: dict[str, Any]) -> int:
    """Over a link that is not open yet. Raises LinkError while nothing has been sent."""
    from supervisor.messages import CommandOutcome, SupervisorStatus
    from supervisor.shell.console.link import EXIT_NO_ANSWER, READ_S

    link.open((CommandOutcome, SupervisorStatus))
    try:
        told: dict[str, Any] = {"action": action, "target": target, "operator": person.name, "accepted": None}
        if not link.until(link.supervisor_online, READ_S):
            reason = "no supervisor is online at this site; nothing was sent"
            return tell(args, told | {"reason": reason}, EXIT_NO_ANSWER)
        return ask(link, args, person, told, more)
    finally:
        link.close()


def ask(link: "Link", args: argparse.Namespace, person: Person, told: dict[str, Any], more: dict[str, Any]) -> int:
    """Over an open link that hears outcomes."""
    from pydantic import ValidationError

    from supervisor.messages import OperatorCommand, at, rfc3339
    from supervisor.shell.console.link import EXIT_DONE, EXIT_NO_ANSWER, EXIT_REFUSED, EXIT_WRONG, LinkError
    from supervisor.shell.wire import explain

    command_id = f"person-{secrets.token_hex(8)}"
    body = {
        "command_id": command_id,
        "issued_at": rfc3339(at(link.clock.now().wall_s)),
        "operator": person.name,
        "action": told["action"],
        "target": told["target"],
    } | {key: value for key, value in more.items() if value is not None}
    told = {"command_id": command_id} | told
    try:
        OperatorCommand.model_validate_json(json.dumps(body))
    except ValidationError as error:
        return tell(args, told | {"reason": f"{explain(error)}; nothing was sent"}, EXIT_WRONG)
    link.say(OperatorCommand.TOPIC, person.signed(body))
    try:
        link.until(lambda: _answer(link, command_id) is not None, args.wait)
        trouble = f"no answer within {args.wait:g} s"
    except LinkError as error:
        trouble = str(error)
    answer = _answer(link, command_id)
    if answer is None:
        return tell(args, told | {"reason": f"{trouble}; {NO_ANSWER}"}, EXIT_NO_ANSWER)
    told |= {"accepted": answer.get("accepted") is True, "reason": answer.get("reason", "")}
    return tell(args, told, EXIT_DONE if told["accepted"] else EXIT_REFUSED)


def _answer(link: "Link", command_id: str) -> dict[str, Any] | None:
    for topic, body in link.heard:
        if topic == "operator/outcome" and isinstance(body, dict) and body.get("command_id") == command_id:
            return body
    return None


def tell(args: argparse.Namespace, told: dict[str, Any], status: int) -> int:
    """One line, or JSON; the exit status that goes with it."""
    from supervisor.shell.console.link import EXIT_DONE, EXIT_WRONG, plain

    words = {True: "accepted", False: "refused", None: "not sent" if status == EXIT_WRONG else "no answer"}[told["accepted"]]
    if args.json:
        print(json.dumps(told | {"exit_status": status}, indent=2))
    elif status == EXIT_DONE:
        print(f"{words}: {told['action']} {plain(told['target'])}, as {plain(told.get('operator', ''))}")
    else:
        print(f"{words}: {told['action']} {plain(told['target'])}: {plain(told['reason'])}", file=sys.stderr)
    return status
