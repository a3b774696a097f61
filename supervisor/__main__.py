"""The command `stillhold`. Each subcommand loads what it needs when it is called, so that `--help` is quick."""

import argparse
import json
import os
import sys
import textwrap
from importlib import metadata
from pathlib import Path

from supervisor.caution import CAUTION
from supervisor.rehearsal import command as rehearse_cmd
from supervisor.shell.console import alarms as cli_alarms
from supervisor.shell.console import arguments
from supervisor.shell.console import audit as audit_cmd
from supervisor.shell.console import backup as cli_backup
from supervisor.shell.console import bundle as cli_bundle
from supervisor.shell.console import calibration as cli_calibration
from supervisor.shell.console import commands as cli_commands
from supervisor.shell.console import doctor as cli_doctor
from supervisor.shell.console import gas as cli_gas
from supervisor.shell.console import notify as notify_cmd
from supervisor.shell.console import operators as cli_operators
from supervisor.shell.console import replay as cli_replay
from supervisor.shell.console import status as cli_status

EXIT_WRONG = 2
EXIT_INTERRUPTED = 130

EPILOG = """\
exit status:
  0    done; for check: the site file has no errors (it may have warnings)
  1    run: ended by a failure, which the log names; a command to the site: refused, with the reason
  2    the command line is wrong, or the site file has errors: each is printed with its mend
  3    no answer from the site: nobody is online there, or a command may still be carried out
  130  interrupted from the keyboard, where the command does not end in order by itself

""" + textwrap.fill(CAUTION, 118) + "\n"


def main(argv: list[str] | None = None) -> int:
    """Runs one subcommand and gives its exit status."""
    words = cli_alarms.spelled_out(sys.argv[1:] if argv is None else argv)
    if words[:1] == ["simulate"]:  # all that follows belongs to the simulator, --help too
        return _simulate(words[1:])
    args = _parser().parse_args(words)
    try:
        status = args.carry_out(args)
        sys.stdout.flush()
        return status
    except BrokenPipeError:  # `stillhold schema | head`
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except KeyboardInterrupt:
        return EXIT_INTERRUPTED


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="stillhold",
        description="Keeps sealed fruit enclosures at their gas set-points, and keeps people out of unsafe air.",
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)

    run = commands.add_parser("run", help="run a site", allow_abbrev=False)
    run.add_argument("site", type=Path, metavar="SITE", help="the site file")
    run.add_argument("--state", type=Path, required=True, metavar="DIR", help="folder for the journal; made if missing")
    arguments.add_pace(run)
    run.add_argument("--operators", type=Path, metavar="FILE", help="operators file, instead of the site file's")
    run.add_argument("--console", action="store_true", help="log for people on a terminal")
    run.set_defaults(carry_out=_run)

    check = commands.add_parser("check", help="print every problem of a site file at once", allow_abbrev=False)
    check.add_argument("site", type=Path, metavar="SITE", help="the site file")
    check.add_argument("--json", action="store_true", help="as JSON")
    check.set_defaults(carry_out=_check)

    audit_cmd.add(commands)
    cli_status.add(commands)
    cli_alarms.add(commands)
    cli_commands.add(commands)
    cli_calibration.add(commands)
    cli_operators.add(commands)
    cli_gas.add(commands)
    cli_replay.add(commands)
    cli_bundle.add(commands)
    cli_backup.add(commands)
    cli_doctor.add(commands)
    notify_cmd.add(commands)
    rehearse_cmd.add(commands)
    schema = commands.add_parser("schema", help="print the JSON Schema of a site file, for editors")
    schema.set_defaults(carry_out=_schema)
    contract = commands.add_parser("contract", help="print the message contract as an AsyncAPI 3.0 document (JSON)")
    contract.set_defaults(carry_out=_contract)
    commands.add_parser("simulate", help="stand in for a site's hardware: python -m simulator", add_help=False)
    version = commands.add_parser("version", help="print the version")
    version.set_defaults(carry_out=_version)
    return parser


# ------------------------------------------------------------------------------------------------ commands


def _run(args: argparse.Namespace) -> int:
    from supervisor.shell.console.check import problems_told
    from supervisor.sitefile import SiteFileError

    try:
        from supervisor.shell.run import run

        return run(args)
    except SiteFileError as refused:
        print(problems_told(refused.problems), file=sys.stderr)
        print(f"\n{args.site}: not started; mend the errors above", file=sys.stderr)
        return EXIT_WRONG


def _check(args: argparse.Namespace) -> int:
    from supervisor.shell.console.check import check

    return check(args.site, args.json)


def _schema(args: argparse.Namespace) -> int:
    from supervisor.shell.console.check import schema

    print(json.dumps(schema(), indent=2))
    return 0


def _contract(args: argparse.Namespace) -> int:
    from supervisor.shell.contract_doc import document

    print(json.dumps(document(), indent=2))
    return 0


def _simulate(words: list[str]) -> int:
    sys.stdout.flush()
    os.execv(sys.executable, [sys.executable, "-m", "simulator", *words])


def _version(args: argparse.Namespace) -> int:
    try:
        print(f"stillhold {metadata.version('stillhold')}")
    except metadata.PackageNotFoundError:
        print("stillhold (not installed: run from its source)")
    return 0


if __name__ == "__main__":
    sys.exit(main())
