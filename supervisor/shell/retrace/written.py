"""Who wrote a stretch of a journal: which program, on what, by which settings. Noted with each start.

The settings are kept as well, once for each change, less what decides nothing and is nobody's business: where broker, database
and people are reached, and who may command. So a journal can be replayed without its site file, and a replay with another one
can say what is different in it.
"""

import hashlib
import json
import platform
import re
from functools import cache
from importlib import metadata
from pathlib import Path
from typing import Any, NamedTuple

from supervisor.settings import SiteFile

TABLES = (
    "CREATE TABLE settings (sha256 TEXT PRIMARY KEY, site TEXT NOT NULL) WITHOUT ROWID",
    "CREATE TABLE runs (seq INTEGER PRIMARY KEY, base INTEGER NOT NULL, settings TEXT NOT NULL, version TEXT NOT NULL, "
    "program TEXT NOT NULL, platform TEXT NOT NULL)",
    # What the shell said by itself follows from no input, so a replay does not come to it.
    "ALTER TABLE decisions ADD COLUMN own INTEGER NOT NULL DEFAULT 0",
    "ALTER TABLE snapshots ADD COLUMN mono_s REAL",
)
"""What a journal needs beyond its older formats to be replayed. `runs.seq` is the input `started`, `base` the snapshot that was
gone on from (0: none)."""

UNDECIDED = ("broker", "history", "operators", "notify")
"""The site file's tables that no decision depends on. They hold addresses, names of secret files and of people."""

LEFT_OUT = "(left out)"
# An address in a free text: user@place, or scheme://place.
_ADDRESS = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*://[^\s\"'\\<>]+|[^\s\"'\\<>@,;:()]+@[^\s\"'\\<>@,;()]+")
_LIBRARIES = ("pydantic", "pydantic-core", "simple-pid")  # what else takes part in a decision


class Program(NamedTuple):
    """`sha256` is over every source file of the supervisor: a version number does not change with each change."""

    version: str
    sha256: str
    platform: str


class Run(NamedTuple):
    """One run of a supervisor, from its input `seq` on."""

    seq: int
    base: int
    settings: str
    program: Program


def without_addresses(text: str) -> str:
    """`text` with everything that looks like an address left out."""
    return _ADDRESS.sub(LEFT_OUT, text)


def deciding(site: SiteFile) -> dict[str, Any]:
    """The settings that decide, as plain data, without addresses."""
    return _cleaned(site.model_dump(mode="json", exclude=set(UNDECIDED), exclude_none=True))


def _cleaned(data: Any) -> Any:
    if isinstance(data, dict):
        return {key: _cleaned(value) for key, value in data.items()}
    if isinstance(data, list):
        return [_cleaned(one) for one in data]
    return without_addresses(data) if isinstance(data, str) else data


def settings_text(site: SiteFile) -> str:
    """The settings that decide in one fixed form."""
    return json.dumps(deciding(site), ensure_ascii=False, sort_keys=True, separators=(",", ":"))


def sha256_of(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def site_of(text: str) -> SiteFile:
    """The site of what `settings_text` wrote. Raises `pydantic.ValidationError` when they are of another version."""
    return SiteFile.model_validate_json(text)


@cache
def program() -> Program:
    """This program."""
    top = Path(__file__).resolve().parents[2]
    digest = hashlib.sha256()
    for path in sorted(top.rglob("*.py")):
        content = path.read_bytes()
        digest.update(f"{path.relative_to(top).as_posix()} {len(content)}\n".encode() + content)
    machine = f"{platform.python_implementation()} {platform.python_version()}, {platform.system()} {platform.machine()}"
    libraries = ", ".join(f"{name} {_version(name)}" for name in _LIBRARIES)
    return Program(_version("stillhold"), digest.hexdigest(), f"{machine}, {' '.join(platform.libc_ver())}, {libraries}")


def _version(name: str) -> str:
    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return "unknown"
