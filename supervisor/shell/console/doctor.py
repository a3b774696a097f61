"""`stillhold doctor`: what is wrong with this site's installation, and what to do about it."""

import argparse
import json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from supervisor.caution import CAUTION
from supervisor.shell.console import arguments

if TYPE_CHECKING:
    from supervisor.settings import SiteFile

EXIT_WELL, EXIT_MEND = 0, 1
MARKS = {"well": "   ", "look": " ? ", "mend": " ! "}


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    what = "Looks at what this site runs on and says in words what to mend (!) or to look at (?). It changes nothing."
    epilog = "exit status: 0 nothing to mend; 1 something is"
    parser = commands.add_parser("doctor", help="what is wrong with this installation", description=what, epilog=epilog,
                                 allow_abbrev=False)  # fmt: skip
    parser.add_argument("site", type=Path, metavar="SITE", help="the site file")
    parser.add_argument("state", type=Path, metavar="STATE", help="the folder given to `run` as --state")
    arguments.add_person(parser)
    parser.set_defaults(carry_out=_doctor)


def _doctor(args: argparse.Namespace) -> int:
    from supervisor.shell.doctor import look
    from supervisor.shell.machine import Machine

    found = look(args.site, args.state, Machine(), lambda site: told_by_broker(args, site))
    mend = sum(one.level == "mend" for one in found)
    if args.json:
        print(json.dumps({"mend": mend, "findings": [asdict(one) for one in found], "caution": CAUTION}, indent=2))
        return EXIT_MEND if mend else EXIT_WELL
    from supervisor.shell.console.link import plain

    about = ""
    for one in found:
        if one.about != about:
            about = one.about
            print(about)
        print(plain(f"{MARKS[one.level]}{one.words}"))
        if one.mend:
            print(plain(f"     -> {one.mend}"))
    print(f"\n{mend} to mend, {sum(one.level == 'look' for one in found)} to look at\n\n{CAUTION}")
    return EXIT_MEND if mend else EXIT_WELL


def told_by_broker(args: argparse.Namespace, site: "SiteFile") -> dict[str, Any]:
    """Whether the supervisor is online, its epoch, and the standing alarms that are about the installation. Raises OSError."""
    from supervisor.messages import AlarmStatus, SupervisorStatus
    from supervisor.shell.console.link import Link, LinkError
    from supervisor.shell.troubles import TROUBLES

    try:
        link = Link(site, args)
        link.open((SupervisorStatus, AlarmStatus))
        try:
            link.read_all([SupervisorStatus.TOPIC])
            status, alarms = link.one(SupervisorStatus), link.all_of(AlarmStatus)
        finally:
            link.close()
    except LinkError as error:
        raise OSError(str(error)) from error
    ours = [one for one in alarms.values() if one.condition and one.alarm.split("-")[0] in TROUBLES]
    return {"online": status is not None and status.online, "epoch": None if status is None else status.epoch,
            "alarms": sorted(f"{one.alarm}: {one.text}" for one in ours)}  # fmt: skip
