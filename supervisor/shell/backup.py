"""A copy of a site to go on from: the journal as it stands between two commits, and the settings. Made while the service runs.

Secrets are left out unless they are asked for: the operators' keys, passwords, tokens, people's addresses, certificates. The
authority's own key never goes along.
"""

import json
import shutil
import sqlite3
import tarfile
import tempfile
import zlib
from contextlib import closing
from pathlib import Path
from typing import Any

from supervisor.messages import at, rfc3339
from supervisor.settings import SiteFile
from supervisor.shell.audit.chain import event_text
from supervisor.shell.audit.file import AuditUnreadable, reading, verify
from supervisor.shell.journal import Batch, Journal
from supervisor.shell.journal_file import FILE
from supervisor.shell.packed import hashes, pack, sha256, take_out
from supervisor.shell.retrace.written import program

FORMAT = 1
MANIFEST, SETTINGS = "manifest.json", "settings/"
NEVER = ("ca.key",)


class BackupError(Exception):
    """A backup that cannot be made or used; the message says why and what to do."""


def make(site: SiteFile, site_file: Path, state: Path, to: Path, secrets: bool) -> dict[str, Any]:
    """Writes the backup to `to`, which must not exist, and gives its manifest. Raises BackupError and OSError."""
    with tempfile.TemporaryDirectory(prefix="stillhold-backup-") as made:
        copied = Path(made) / FILE
        _copy(state, copied)
        manifest = {"backup": FORMAT, **_looked_at(copied, site.site.id), "secrets": secrets}
        files = {FILE: copied, SETTINGS + site_file.name: site_file}
        if secrets:
            files |= {f"{SETTINGS}{name}": site_file.parent / name for name in _secret(site, site_file.parent)}
        manifest |= {"site_file": site_file.name, "made_by": program().version, "files": hashes(files)}
        told = Path(made) / MANIFEST
        told.write_text(json.dumps(manifest, indent=2) + "\n", encoding="utf-8")
        pack({MANIFEST: told, **files}, to)
    return manifest


def restore(path: Path, state: Path, settings: Path | None) -> dict[str, Any]:
    """Puts the journal of a backup into the folder `state`, and the settings into `settings` when that is given; neither may
    have such files already. Says so in the journal's audit. Raises BackupError, JournalError and OSError.
    """
    state.mkdir(parents=True, exist_ok=True, mode=0o700)
    with tempfile.TemporaryDirectory(prefix="restoring-", dir=state) as beside:
        manifest, out = _taken_out(path, Path(beside))
        places = {name: state / FILE for name in out if name == FILE}
        if settings is not None:
            places |= {name: settings / _below(name) for name in out if name != FILE}
        for place in places.values():
            if place.exists():
                raise BackupError(f"{place} is there already, and it may know what was given since: move it away first")
        _say_so(out[FILE].parent, manifest)
        for name, place in places.items():
            place.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
            shutil.move(out[name], place)
    return manifest


# ------------------------------------------------------------------------------------------------ making


def _copy(state: Path, to: Path) -> None:
    """One read of the whole file, so that it is as it was between two commits; the service goes on writing meanwhile."""
    try:
        with reading(state) as live, closing(sqlite3.connect(to)) as copy:
            live.backup(copy, pages=-1)
            copy.execute("PRAGMA journal_mode = DELETE")
            sound = copy.execute("PRAGMA integrity_check").fetchone()[0]
    except (AuditUnreadable, sqlite3.Error) as error:
        raise BackupError(str(error)) from error
    if sound != "ok":
        raise BackupError(f"{state / FILE} is damaged ({sound}): keep the last good backup, and see to the disk")


def _looked_at(copied: Path, site_id: str) -> dict[str, Any]:
    """What is in the copy. Raises BackupError when it is of another site, or its audit is not whole."""
    with reading(copied) as db:
        db.text_factory = str
        meta = dict(db.execute("SELECT key, value FROM meta"))
        seq = db.execute("SELECT coalesce(max(seq), 0) FROM inputs").fetchone()[0]
        mark = db.execute("SELECT wall_s FROM mark").fetchone()
        db.text_factory = bytes
        verdict = verify(db)
    if meta["site"] != site_id:
        raise BackupError(f"the journal belongs to site {meta['site']!r}, the site file says {site_id!r}")
    as_of = None if mark is None else rfc3339(at(mark[0]))
    return {"site": meta["site"], "instance": meta["instance"], "epoch": int(meta["epoch"]), "last_input": seq, "as_of": as_of,
            "audit": {"head": str(verdict.head), "whole": verdict.problem is None, "problem": verdict.problem}}  # fmt: skip


def _secret(site: SiteFile, folder: Path) -> list[str]:
    """The files with secrets that the site file names and that are there, relative to its folder."""
    named = [site.operators and site.operators.file, site.broker.password_file, site.history and site.history.token_file,
             site.notify and site.notify.addresses_file]  # fmt: skip
    found = [name for name in named if name and (folder / name).is_file()]
    if site.broker.identities is not None:
        identities = folder / site.broker.identities
        found += [f"{site.broker.identities}/{one.name}" for one in sorted(identities.glob("*.*")) if one.name not in NEVER]
    for name in found:
        if Path(name).is_absolute() or ".." in Path(name).parts:
            raise BackupError(f"{name}: only what lies beside the site file or below it is packed; keep a copy of it by hand")
    return found


# ------------------------------------------------------------------------------------------------ using


def _taken_out(path: Path, folder: Path) -> tuple[dict[str, Any], dict[str, Path]]:
    """The manifest and the files of a backup, whole and checked, the journal under its own name."""
    out: dict[str, Path] = {}
    try:
        with tarfile.open(path, "r:gz") as tar:
            manifest = json.loads(take_out(tar, MANIFEST, folder / MANIFEST).read_bytes())
            if manifest["backup"] != FORMAT:
                raise BackupError(f"{path}: backup format {manifest['backup']}; this version reads {FORMAT}")
            for number, (name, told) in enumerate(manifest["files"].items()):
                out[name] = take_out(tar, name, folder / (FILE if name == FILE else f"{number}"))
                if sha256(out[name]) != told["sha256"]:
                    raise BackupError(f"{path}: {name} in it is not what was packed; take another backup")
                if name != FILE:
                    _below(name)
    except (tarfile.TarError, EOFError, zlib.error, ValueError, KeyError, TypeError) as error:
        raise BackupError(f"{path}: no whole backup ({type(error).__name__}: {error}); take another") from error
    if FILE not in out:
        raise BackupError(f"{path}: there is no journal in it")
    return manifest, out


def _below(name: str) -> Path:
    """Where a file of the settings goes, below their folder. Raises ValueError for a name that leads out of it."""
    path = Path(name.removeprefix(SETTINGS))
    if not name.startswith(SETTINGS) or path.is_absolute() or ".." in path.parts:
        raise ValueError(f"{name} leads out of the settings")
    return path


def _say_so(state: Path, manifest: dict[str, Any]) -> None:
    """The audit of whatever goes on from here says that it does not know what came after the backup."""
    journal = Journal.open(state, manifest["site"], "restored")
    try:
        if journal.last is not None:
            figures = {"as_of": manifest["as_of"], "last_input": manifest["last_input"], "made_by": manifest["made_by"]}
            journal.commit(Batch(journal.last, audit=[event_text("restored_from_backup", figures)]))
    finally:
        journal.checkpoint()
        journal.close()
