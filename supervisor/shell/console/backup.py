"""`stillhold backup` and `stillhold restore`."""

import argparse
import json
import sys
from pathlib import Path
from typing import Any

EXIT_DONE, EXIT_WRONG = 0, 2
SINCE = (
    "What was given, raised and acknowledged after {as_of} is not in it. Before gas flows again: see that no dose is under "
    "way, look at every room's air and every enclosure, and mind that what was given since counts towards no limit."
)


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    what = (
        "Copies the journal, as it stands between two commits, and the site file into one file. The service may go on running. "
        "Keys, passwords, addresses and certificates are left out unless --with-secrets is given."
    )
    backup = commands.add_parser("backup", help="copy a running site into one file", description=what, allow_abbrev=False)
    backup.add_argument("site", type=Path, metavar="SITE", help="the site file")
    backup.add_argument("state", type=Path, metavar="STATE", help="the folder given to `run` as --state")
    backup.add_argument("-o", "--output", type=Path, required=True, metavar="FILE", help="the file to make: NAME.tar.gz")
    backup.add_argument("--with-secrets", action="store_true", help="keep such a file as you keep the keys themselves")
    backup.add_argument("--json", action="store_true", help="print its manifest as JSON")
    backup.set_defaults(carry_out=_backup)
    what = "Puts a backup's journal, and its settings, where none are yet. What happened since the backup is not in it."
    restore = commands.add_parser("restore", help="go on from a backup", description=what, allow_abbrev=False)
    restore.add_argument("file", type=Path, metavar="FILE", help="what `stillhold backup` made")
    restore.add_argument("--state", type=Path, required=True, metavar="DIR", help="an empty folder, for `run` as --state")
    restore.add_argument("--settings", type=Path, metavar="DIR", help="where its settings go; without it only the journal")
    restore.add_argument("--json", action="store_true", help="print its manifest as JSON")
    restore.set_defaults(carry_out=_restore)


def _backup(args: argparse.Namespace) -> int:
    from supervisor.shell.backup import BackupError, make
    from supervisor.sitefile import SiteFileError, load

    try:
        manifest = make(load(args.site), args.site, args.state, args.output, args.with_secrets)
    except FileExistsError:
        return _wrong("backup", f"{args.output} is there already; give another name")
    except (BackupError, SiteFileError) as error:
        return _wrong("backup", str(error))
    except OSError as error:
        return _wrong("backup", f"{error.filename or args.output}: {error.strerror}; see to folder, disk and rights")
    audit = "its audit is whole" if manifest["audit"]["whole"] else f"ITS AUDIT IS NOT WHOLE: {manifest['audit']['problem']}"
    kept = "with secrets: keep it like the keys" if manifest["secrets"] else "no secrets in it"
    return _told(args, manifest, f"{args.output}: {args.output.stat().st_size:,} bytes, as of {manifest['as_of']}, input "
                 f"{manifest['last_input']:,}; {audit}; {kept}")  # fmt: skip


def _restore(args: argparse.Namespace) -> int:
    from supervisor.shell.backup import BackupError, restore
    from supervisor.shell.journal_file import JournalError

    try:
        manifest = restore(args.file, args.state, args.settings)
    except (BackupError, JournalError) as error:
        return _wrong("restore", str(error))
    except OSError as error:
        return _wrong("restore", f"{error.filename or args.state}: {error.strerror}; see to folder, disk and rights")
    return _told(args, manifest, f"{args.state} holds what {manifest['site']} knew. {SINCE.format(as_of=manifest['as_of'])}")


def _told(args: argparse.Namespace, manifest: dict[str, Any], words: str) -> int:
    print(json.dumps(manifest, indent=2) if args.json else words)
    return EXIT_DONE


def _wrong(command: str, words: str) -> int:
    print(f"stillhold {command}: {words}", file=sys.stderr)
    return EXIT_WRONG
