"""`stillhold bundle`: what happened in a time as one file for whoever looks at it elsewhere."""

import argparse
import json
import sys
from pathlib import Path

from supervisor.caution import CAUTION
from supervisor.shell.console.audit import add_period, printable

EXIT_WRONG = 2


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Adds `bundle` to the command line."""
    what = (
        "Packs a stretch of the journal, with the snapshot before it, and the site's settings into one file that `stillhold "
        "replay` reads. No password, token, key, signature or address is in it; names of operators and their notes are. It "
        "only reads the journal, which may be that of a running supervisor."
    )
    parser = commands.add_parser("bundle", help="pack a stretch of the journal for whoever looks at it elsewhere",
                                 description=what, allow_abbrev=False)  # fmt: skip
    parser.add_argument("site", type=Path, metavar="SITE", help="the site file")
    parser.add_argument("state", type=Path, metavar="STATE", help="the folder given to `run` as --state, or a copied journal")
    add_period(parser)
    parser.add_argument("-o", "--output", type=Path, required=True, metavar="FILE", help="the file to make: NAME.tar.gz")
    parser.add_argument("--json", action="store_true", help="print its manifest as JSON")
    parser.set_defaults(carry_out=_bundle)


def _bundle(args: argparse.Namespace) -> int:
    from supervisor.shell.journal_file import JournalError
    from supervisor.shell.retrace.bundle import make
    from supervisor.shell.retrace.proof import Window
    from supervisor.shell.retrace.record import RecordUnreadable, opened
    from supervisor.sitefile import SiteFileError, load

    try:
        site = load(args.site)
        if args.output.exists():
            return _wrong(f"{args.output}: is there already; give another name")
        since, until = (None if one is None else one.timestamp() for one in (args.since, args.until))
        with opened(args.state) as record:
            if record.site_id != site.site.id:
                return _wrong(f"{args.state} belongs to site {record.site_id!r}, the site file says {site.site.id!r}")
            manifest = make(site, record, Window(record, since, until), args.output)
    except (RecordUnreadable, SiteFileError, JournalError) as error:
        return _wrong(str(error))
    except OSError as error:
        return _wrong(f"{args.output}: cannot be written ({error.strerror}); see to its folder and the disk")
    if args.json:
        print(json.dumps(manifest, indent=2))
        return 0
    same = manifest["replays"]["first_difference"] or "it replays to the same decisions"
    print(printable(f"{args.output}: {args.output.stat().st_size:,} bytes, inputs {manifest['first_input']:,} to "
                    f"{manifest['last_input']:,}, {manifest['from']} to {manifest['to']}; {same}"))  # fmt: skip
    if not manifest["site_file"]["wrote_the_journal"]:
        print("The site file is not the one that the journal was last written by; the journal keeps what it was written by.")
    print(f"Left out: {manifest['left_out']}. Names of operators and what they noted are in it: read it before you send it.")
    print(CAUTION)
    return 0


def _wrong(words: str) -> int:
    print(f"stillhold bundle: {words}", file=sys.stderr)
    return EXIT_WRONG
