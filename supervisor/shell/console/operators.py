"""`stillhold operators add|list|revoke`: who may command a site. Changes the operators file; a running site notices."""

import argparse
import json
import sys
from pathlib import Path
from typing import Any

from supervisor.shell.console import arguments

# The roles of `shell/operators.py`, which is not loaded for `--help`; a test holds the two together.
ROLES = ("look", "acknowledge", "operate", "engineer")
EXIT_DONE, EXIT_WRONG = 0, 2


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    operators = commands.add_parser("operators", help="who may command a site: add, list, revoke", allow_abbrev=False)
    group = operators.add_subparsers(title="operators", metavar="WHAT", required=True)
    new = _parser(group, "add", "let a person in: their key is written or printed this once", _add)
    new.add_argument("name", metavar="NAME", help="as it will stand in the records")
    new.add_argument("--role", choices=ROLES, required=True, help="each may what the ones before it may")
    new.add_argument("--key", type=Path, metavar="FILE", help="write their key file there (default: print it)")
    new.add_argument("--replace", action="store_true", help="a new key and role for somebody who stands in it already")
    _parser(group, "list", "print who stands in it, and never a key", _list)
    gone = _parser(group, "revoke", "from now on a person can do nothing; their name stays", _revoke)
    gone.add_argument("name", metavar="NAME")


def _parser(group: Any, name: str, what: str, carry_out: Any) -> argparse.ArgumentParser:
    parser = group.add_parser(name, help=what, description=what, allow_abbrev=False)
    arguments.add_site(parser)
    parser.add_argument("--operators", type=Path, metavar="FILE", help="operators file, instead of the site file's")
    parser.add_argument("--json", action="store_true", help="as JSON")
    parser.set_defaults(carry_out=lambda args: _guarded(args, carry_out))
    return parser


def _guarded(args: argparse.Namespace, carry_out: Any) -> int:
    from supervisor.shell.authority.operators import OperatorsError, operators_file
    from supervisor.sitefile import SiteFileError, load

    try:
        site = load(args.site)
        path = operators_file(site, args.site.resolve().parent, args.operators)
        if path is None:
            mend = 'add the table [operators] with file = "...", or give --operators'
            raise OperatorsError(f"{args.site}: operators: missing; {mend}")
        return carry_out(args, site.site.id, path)
    except (SiteFileError, OperatorsError) as error:
        print(error, file=sys.stderr)
        return EXIT_WRONG


def _add(args: argparse.Namespace, site_id: str, path: Path) -> int:
    from supervisor.shell.authority.operators import OperatorsError, add, write_key
    from supervisor.shell.clock import SystemClock

    if args.key is not None and args.key.exists():
        raise OperatorsError(f"{args.key}: something is there already; name another file, or move it away")
    key = add(path, site_id, args.name, args.role, SystemClock().now().wall_s, args.replace)
    if args.key is None:
        print(key.model_dump_json(indent=2))
        words = f"{args.name} stands in {path}. The key above is shown this once: put it in a file that only they may read"
    else:
        try:
            write_key(args.key, key)
        except OperatorsError as error:
            raise OperatorsError(f"{error}; {args.name} stands in {path} without a key now: again with --replace") from None
        words = f"{args.name} stands in {path}; their key is in {args.key}: give it to them, and to nobody else"
        if args.json:
            told = {"name": args.name, "role": args.role, "operators": str(path), "key_file": str(args.key)}
            print(json.dumps(told, indent=2))
    print(words, file=sys.stderr)
    return EXIT_DONE


def _list(args: argparse.Namespace, site_id: str, path: Path) -> int:
    from supervisor.shell.authority.operators import load

    told = [one.model_dump(mode="json", exclude={"key"}) for one in load(path, site_id).operator]
    if args.json:
        print(json.dumps({"file": str(path), "operators": told}, indent=2))
        return EXIT_DONE
    for one in told:
        state = f"revoked {one['revoked_at'][:10]}" if one["revoked_at"] else f"since {one['added_at'][:10]}"
        print(f"{one['role']:<12} {one['name']}, {state}")
    if not told:
        print(f"nobody yet: every command is refused; {path} is made by `stillhold operators add`")
    return EXIT_DONE


def _revoke(args: argparse.Namespace, site_id: str, path: Path) -> int:
    from supervisor.shell.authority.operators import revoke
    from supervisor.shell.clock import SystemClock

    revoke(path, site_id, args.name, SystemClock().now().wall_s)
    if args.json:
        print(json.dumps({"name": args.name, "revoked": True, "operators": str(path)}, indent=2))
    else:
        print(f"{args.name} can do nothing any more; a running site notices within a second or two")
    return EXIT_DONE
