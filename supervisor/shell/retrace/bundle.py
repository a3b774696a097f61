"""One file for whoever looks at what happened elsewhere: a stretch of the journal that replays, and the settings of the site.

Left out is what opens a door or names a place: the site file's tables about broker, database, operators and people are not in
it, files with passwords, tokens and keys are never opened, signatures of commands are taken off, and what looks like an address
in a free text is left out, in inputs and decisions alike, so that the one still follows from the other. Names of operators
and the notes they wrote stay.
"""

import base64
import json
import sqlite3
import tarfile
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from supervisor.caution import CAUTION
from supervisor.messages import OperatorCommand, at, rfc3339
from supervisor.settings import SiteFile
from supervisor.shell.audit.file import verify
from supervisor.shell.journal_file import FILE, connect
from supervisor.shell.packed import hashes, pack, sha256, take_out
from supervisor.shell.records import Input
from supervisor.shell.retrace.proof import Proof, Window, prove
from supervisor.shell.retrace.record import Record, RecordUnreadable, opened
from supervisor.shell.retrace.toml import as_toml
from supervisor.shell.retrace.written import LEFT_OUT, deciding, program, settings_text, sha256_of, without_addresses

FORMAT = 1
MANIFEST, SITE = "manifest.json", "site.toml"
MEMBERS = (SITE, FILE)
README = "README.txt"
_COMMIT_EVERY = 5000


def make(site: SiteFile, record: Record, window: Window, to: Path) -> dict[str, Any]:
    """Writes the bundle to `to`, which must not exist, and gives its manifest. Raises RecordUnreadable and OSError."""
    with tempfile.TemporaryDirectory(prefix="stillhold-bundle-") as made:
        folder = Path(made)
        (folder / SITE).write_text(as_toml(deciding(site)), encoding="utf-8")
        _Extract(record, window, _cleaner(site)).write(folder / FILE)
        with opened(folder / FILE) as copied:
            proof = prove(copied, site if copied.runs == [] else None, Window(copied, None, None))
        manifest = _manifest(site, record, window, proof, folder)
        (folder / MANIFEST).write_text(json.dumps(manifest, indent=2) + "\n", encoding="utf-8")
        (folder / README).write_text(_readme(manifest), encoding="utf-8")
        pack({name: folder / name for name in (MANIFEST, README, *MEMBERS)}, to)
    return manifest


# ------------------------------------------------------------------------------------------------ what is left out


def _cleaner(site: SiteFile) -> Callable[[str], str]:
    """Takes addresses out of a text: whatever looks like one, and those that the site file names."""
    urls = [one.url for one in (site.history, site.notify and site.notify.heartbeat) if one is not None]
    files = [site.broker.password_file, site.history and site.history.token_file, site.operators and site.operators.file,
             site.notify and site.notify.addresses_file]  # fmt: skip
    known = [site.broker.host, site.broker.username, *(urlsplit(one).hostname for one in urls), *files]
    # A host that is called `broker` is no secret, and the word stands in many a text.
    named = sorted({one for one in known if one and len(one) > 4 and any(letter in ".0123456789-" for letter in one)})

    def clean(text: str) -> str:
        text = without_addresses(text)
        for one in named:
            text = text.replace(one, LEFT_OUT)
        return text

    return clean


def _cleaned(data: Any, clean: Callable[[str], str]) -> Any:
    if isinstance(data, dict):
        return {key: _cleaned(value, clean) for key, value in data.items()}
    if isinstance(data, list):
        return [_cleaned(one, clean) for one in data]
    return clean(data) if isinstance(data, str) else data


class _Extract:
    """A stretch of a journal, written as a journal of its own."""

    def __init__(self, record: Record, window: Window, clean: Callable[[str], str]) -> None:
        self._record, self._window, self._clean = record, window, clean

    def write(self, path: Path) -> None:
        record, window = self._record, self._window
        with closing(connect(path, record.site_id, "")) as db:
            db.execute("BEGIN")
            db.execute("UPDATE meta SET value = ? WHERE key = 'instance'", (record.instance,))
            self._write_runs(db)
            for seq in [one for one in record.snapshots if window.base <= one <= window.last]:
                if (blob := record.blob(seq)) is not None:
                    db.execute("INSERT INTO snapshots (seq, blob) VALUES (?, ?)", (seq, self._snapshot(blob)))
            since_s, until_s = record.wall_s(window.base + 1) or 0.0, record.wall_s(window.last) or 0.0
            for one, what in record.faults():
                if since_s <= one.wall_s <= until_s:
                    values = (one.wall_s, one.kind, one.topic, self._payload(one), self._clean(what))
                    db.execute("INSERT INTO faults (wall_s, kind, topic, payload, what) VALUES (?, ?, ?, ?, ?)", values)
            for seq, row, decisions, _ in record.rows(window.base, window.last):
                one = (seq, row.mono_s, row.wall_s, row.kind, row.topic, self._payload(row), row.retained)
                db.execute("INSERT INTO inputs VALUES (?, ?, ?, ?, ?, ?, ?)", one)
                said = [(seq, self._decision(what)) for what in decisions]
                db.executemany("INSERT INTO decisions (seq, what) VALUES (?, ?)", said)
                if seq % _COMMIT_EVERY == 0:
                    db.execute("COMMIT")
                    db.execute("BEGIN")
            db.execute("COMMIT")
            db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            db.execute("PRAGMA journal_mode = DELETE")

    def _write_runs(self, db: sqlite3.Connection) -> None:
        runs = [one for one in self._record.runs if one.seq <= self._window.last]
        before = [one for one in runs if one.seq <= self._window.base + 1][:-1]
        for run in runs[len(before) :]:
            db.execute("INSERT INTO runs VALUES (?, ?, ?, ?, ?, ?)", (run.seq, run.base, run.settings, *run.program))
            text = self._record.settings(run.settings)
            db.execute("INSERT OR IGNORE INTO settings VALUES (?, ?)", (run.settings, text))

    def _payload(self, row: Input) -> bytes:
        if row.kind == "arrived" and not row.topic.endswith(f"/{OperatorCommand.TOPIC}"):
            return row.payload
        try:
            data = json.loads(row.payload)
        except ValueError:
            return row.payload
        if isinstance(data, dict) and row.kind == "arrived":
            data.pop("signature", None)
        return json.dumps(_cleaned(data, self._clean), ensure_ascii=False).encode()

    def _decision(self, what: str) -> str:
        """In the form in which it is written (`shell/batch.py`), with every address left out."""
        if self._clean(what) == what:
            return what
        try:
            data = _cleaned(json.loads(what), self._clean)
        except ValueError:
            return what
        if "topic" not in data:
            return json.dumps(data)
        message = json.dumps(data["message"], ensure_ascii=False, separators=(",", ":"))
        return f'{{"topic": "{data["topic"]}", "message": {message}}}'

    def _snapshot(self, blob: bytes) -> bytes:
        parts = {key: base64.b64decode(value).decode() for key, value in json.loads(blob).items()}
        if all(self._clean(text) == text for text in parts.values()):
            return blob
        cleaned = {key: _cleaned(json.loads(text), self._clean) for key, text in parts.items()}
        texts = {key: json.dumps(one, ensure_ascii=False, separators=(",", ":")) for key, one in cleaned.items()}
        packed = {key: base64.b64encode(text.encode()).decode() for key, text in texts.items()}
        return json.dumps(packed, separators=(",", ":")).encode()


# ------------------------------------------------------------------------------------------------ what is told


def _manifest(site: SiteFile, record: Record, window: Window, proof: Proof, folder: Path) -> dict[str, Any]:
    here, audit = program(), verify(record.db)
    last = record.run_at(window.last)
    settings = sha256_of(settings_text(site))
    found = proof.difference
    return {
        "bundle": FORMAT,
        "site": record.site_id,
        "from": rfc3339(at(proof.first_wall_s)),
        "to": rfc3339(at(record.wall_s(window.last) or proof.last_wall_s)),
        "first_input": window.base + 1,
        "last_input": window.last,
        "from_snapshot": window.base > 0,
        "replays": {"same": found is None, "inputs": proof.inputs, "decisions": proof.decisions,
                    "first_difference": None if found is None else f"input {found.seq}: {found.words}"},
        "site_file": {"settings_sha256": settings, "wrote_the_journal": last is not None and last.settings == settings},
        "audit": {"head": str(audit.head), "whole": audit.problem is None, "problem": audit.problem},
        "written_by": [
            {"from_input": one.seq, "version": one.program.version, "program_sha256": one.program.sha256,
             "platform": one.program.platform, "settings_sha256": one.settings} for one in proof.runs
        ],
        "packed_by": {"version": here.version, "program_sha256": here.sha256, "platform": here.platform},
        "left_out": "passwords, tokens, keys, signatures, addresses; the site file's tables broker, history, operators, notify",
        "files": hashes({name: folder / name for name in MEMBERS}),
        "caution": CAUTION,
    }  # fmt: skip


def _readme(manifest: dict[str, Any]) -> str:
    return (
        f"What {manifest['site']} recorded from {manifest['from']} to {manifest['to']}.\n\n"
        "    stillhold replay THIS_FILE                        the same decisions, or the first difference\n"
        "    stillhold replay THIS_FILE --explain ENCLOSURE    why each dose was given or not\n\n"
        f"Left out: {manifest['left_out']}.\n"
        f"Names of operators and what they noted are in it.\n\n{CAUTION}\n"
    )


# ------------------------------------------------------------------------------------------------ read back


def is_bundle(path: Path) -> bool:
    """Whether this is a packed file rather than a journal or a folder."""
    try:
        with path.open("rb") as file:
            return file.read(2) == b"\x1f\x8b"
    except OSError:
        return False


@contextmanager
def unpacked(path: Path) -> Iterator[tuple[Record, Path]]:
    """The journal of a bundle and its site file. Raises RecordUnreadable when it is not whole."""
    with tempfile.TemporaryDirectory(prefix="stillhold-bundle-") as made:
        folder = Path(made)
        try:
            with tarfile.open(path, "r:gz") as tar:
                manifest = json.loads(take_out(tar, MANIFEST, folder / MANIFEST).read_bytes())
                if manifest["bundle"] != FORMAT:
                    raise RecordUnreadable(f"{path}: bundle format {manifest['bundle']}, this version reads {FORMAT}")
                for name in MEMBERS:
                    if sha256(take_out(tar, name, folder / name)) != manifest["files"][name]["sha256"]:
                        raise RecordUnreadable(f"{path}: {name} in it is not what was packed; get it once more")
        except (tarfile.TarError, OSError, EOFError, ValueError, KeyError, TypeError) as error:
            raise RecordUnreadable(f"{path}: no whole bundle ({type(error).__name__}: {error}); get it once more") from error
        with opened(folder / FILE) as record:
            record.path = path
            yield record, folder / SITE
