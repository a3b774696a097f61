"""`stillhold notify test|who`: does a message arrive, and who would be told now."""

import argparse
import json
import sys
from pathlib import Path

from supervisor.shell.console import arguments

EXIT_DONE, EXIT_FAILED, EXIT_WRONG = 0, 1, 2


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """The command and its two subcommands."""
    notify = commands.add_parser("notify", help="whether people are reached, and who is told now", allow_abbrev=False)
    what = notify.add_subparsers(title="what", metavar="WHAT", required=True)
    test = what.add_parser("test", help="send a person a test message by every way", allow_abbrev=False)
    arguments.add_site(test)
    test.add_argument("person", metavar="PERSON", help="the id of a person in the site file")
    test.add_argument("--json", action="store_true", help="as JSON")
    test.set_defaults(carry_out=_test)
    who = what.add_parser("who", help="who is told of what, now or at another time", allow_abbrev=False)
    arguments.add_site(who)
    who.add_argument("--at", metavar="TIME", help="RFC 3339, with its offset; default now")
    who.add_argument("--json", action="store_true", help="as JSON")
    who.set_defaults(carry_out=_who)


def _test(args: argparse.Namespace) -> int:
    import logging

    from supervisor.shell.clock import SystemClock
    from supervisor.shell.notify import transport
    from supervisor.shell.notify.addresses import AddressError, Addresses
    from supervisor.shell.notify.store import Message
    from supervisor.shell.notify.words import CAUTION

    site = _site(args.site)
    if site is None or site.notify is None:
        return EXIT_WRONG
    if args.person not in site.notify.people:
        return _wrong(f"{args.site}: notify.person: nobody has the id {args.person}: {', '.join(site.notify.people)}")
    try:
        ways = Addresses(args.site.resolve().parent / site.notify.addresses_file).of(args.person)
    except AddressError as error:
        return _wrong(str(error))
    name = site.site.name or site.site.id
    number = f"test-{int(SystemClock().now().wall_s)}"
    text = f"A test message of {name}, sent by hand. Nothing has happened.\n\n{CAUTION}\n\nMessage {number}"
    message = Message(0, number, args.person, "low", f"{name}: test", text, 0.0, SystemClock().now().wall_s)
    transport.ready()
    if not args.json:  # what the library has to say is for whoever keeps the file, and for nobody's log
        library = logging.getLogger(transport.LIBRARY)
        library.disabled, library.propagate = False, False
        library.addHandler(logging.StreamHandler(sys.stderr))
    told = {way: transport.send(address, message, False) for way, address in ways.items()}
    if args.json:
        print(json.dumps({"person": args.person, "number": number, "ways": {way: why or "sent" for way, why in told.items()}}))
    else:
        for way, why in told.items():
            print(f"{args.person} by {way}: {why or 'taken by the server; see that it arrives'}")
    return EXIT_FAILED if any(told.values()) else EXIT_DONE


def _who(args: argparse.Namespace) -> int:
    from datetime import datetime

    from supervisor.settings_notify import Chains
    from supervisor.shell.clock import SystemClock
    from supervisor.shell.notify.roster import Roster

    site = _site(args.site)
    if site is None or site.notify is None:
        return EXIT_WRONG
    wall_s = SystemClock().now().wall_s
    if args.at is not None:
        try:
            moment = datetime.fromisoformat(args.at)
        except ValueError:
            return _wrong(f"--at {args.at}: no time: write it as 2026-08-31T10:00:00+01:00")
        if moment.tzinfo is None:
            return _wrong(f"--at {args.at}: without an offset from UTC: write it as 2026-08-31T10:00:00+01:00")
        wall_s = moment.timestamp()
    roster = Roster(site.notify)
    chains = {name: chain for name in Chains.model_fields if (chain := getattr(site.notify.chains, name)) is not None}
    told = {name: [roster.among(step, wall_s) for step in chain.steps] for name, chain in chains.items()}
    if args.json:
        print(json.dumps({"at": roster.local(wall_s), "on_duty": roster.among(site.notify.people, wall_s), "chains": told}))
        return EXIT_DONE
    print(f"{roster.local(wall_s)}: on duty: {', '.join(roster.among(site.notify.people, wall_s)) or 'nobody'}")
    for name, steps in told.items():
        print(f"{name}: {_steps(chains[name].digest_at, steps, chains[name].people)}")
    print("critical alarms about people go to everybody in their chain at once")
    return EXIT_DONE


def _steps(digest_at: str | None, steps: list[list[str]], everybody: tuple[str, ...]) -> str:
    if digest_at is not None:
        return f"{', '.join(everybody)}, once a day at {digest_at}"
    called = [", ".join(step) for step in steps if step]
    return ", then ".join(called) if called else f"nobody is on duty: everybody, {', '.join(everybody)}"


def _site(path: Path):  # noqa: ANN202 - a SiteFile or None, which is heavy to import
    from supervisor.shell.console.check import problems_told
    from supervisor.sitefile import SiteFileError, load

    try:
        site = load(path)
    except SiteFileError as refused:
        print(problems_told(refused.problems), file=sys.stderr)
        return None
    if site.notify is None:
        _wrong(f"{path}: has no table notify: add it as the example site file shows; nobody is told of alarms")
    return site


def _wrong(words: str) -> int:
    print(words, file=sys.stderr)
    return EXIT_WRONG
