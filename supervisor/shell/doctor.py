"""What is wrong with an installed site, in words, with what to do about it. It changes nothing.

Each check yields findings: `well`, `look` (somebody should know, or it cannot be told) or `mend` (it will not work, or not
safely). One that raises is a finding too: a doctor that faints helps nobody.
"""

import fcntl
import os
import sqlite3
import ssl
import stat
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

from supervisor.settings import SiteFile
from supervisor.shell.audit.file import AuditUnreadable, reading, verify
from supervisor.shell.authority.operators import OperatorsError, operators_file
from supervisor.shell.authority.operators import load as load_operators
from supervisor.shell.journal_file import FILE, LOCK
from supervisor.shell.machine import Machine
from supervisor.shell.retrace.written import program
from supervisor.sitefile import examine

Level = Literal["well", "look", "mend"]
# The journal of the example's dozen enclosures grows by some 60 MB a day and is kept for two weeks.
FREE_BYTES_LOOK, FREE_BYTES_MEND = 4 << 30, 500 << 20
SYNC_S_MAX = 0.2  # a turn of the loop takes a second
SYNC_S_MIN = 20e-6  # no disk and no flash is that quick: it says so before it is so
YEAR_MIN = 2026  # this program is of that year
CERTIFICATE_DAYS = 30.0
UNITS = (("stillhold.service",), ("stillhold-broker.service", "stillhold-broker-nats.service"))


@dataclass(frozen=True)
class Finding:
    about: str
    level: Level
    words: str
    mend: str = ""


@dataclass(frozen=True)
class Asked:
    """What is looked at. `site` is None when its file has errors."""

    path: Path
    state: Path
    site: SiteFile | None
    machine: Machine
    supervisor: Callable[[SiteFile], dict[str, Any]]  # what the broker has of it; raises OSError with words when it has nothing

    @property
    def folder(self) -> Path:
        return self.path.resolve().parent


def look(path: Path, state: Path, machine: Machine, supervisor: Callable[[SiteFile], dict[str, Any]]) -> list[Finding]:
    """Every finding, in the order of `CHECKS`."""
    asked = Asked(path, state, examine(path).site, machine, supervisor)
    found: list[Finding] = []
    for about, check in CHECKS.items():
        try:
            for level, words, mend in check(asked):
                found.append(Finding(about, level, words, mend))
        except Exception as error:
            found.append(Finding(about, "look", f"could not be looked at: {type(error).__name__}: {error}", "look by hand"))
    return found


Found = Iterator[tuple[Level, str, str]]


def _site_file(asked: Asked) -> Found:
    for one in examine(asked.path).problems:
        yield ("mend" if one.level == "error" else "look"), f"{one.key} = {one.value}; allowed: {one.allowed}", one.mend
    if asked.site is not None:
        yield "well", f"{asked.site.site.id}: {len(asked.site.enclosure)} enclosures, {len(asked.site.room)} rooms", ""


def _secrets(asked: Asked) -> Found:
    site = asked.site
    if site is None:
        return
    named = [site.broker.password_file, site.history and site.history.token_file, site.notify and site.notify.addresses_file]
    for name in filter(None, named):
        path = asked.folder / name
        if not path.is_file():
            yield "mend", f"{path} is not there", "put it there, with mode 600"
        elif path.stat().st_mode & 0o077:
            mode = f"{stat.S_IMODE(path.stat().st_mode):04o}"
            yield "mend", f"{path}: mode {mode}: others may read or change it", f"chmod 600 {path}"
    operators = operators_file(site, asked.folder)
    if operators is None:
        yield "mend", "anybody at the broker can command this site", "add the table operators to the site file"
        return
    try:
        who = [one.name for one in load_operators(operators, site.site.id).operator if one.revoked_at is None]
    except (OperatorsError, FileNotFoundError) as error:
        yield "mend", f"nobody can command: {error}", "stillhold operators add"
        return
    words = f"{len(who)} people may command" if who else "nobody may command"
    yield ("well" if who else "mend"), words, "" if who else "stillhold operators add"


def _state(asked: Asked) -> Found:
    state = asked.state
    if not state.is_dir():
        yield "mend", f"{state} is not there", "give the folder that `stillhold run` has as --state, or start the service once"
        return
    if state.stat().st_mode & 0o077:
        yield "mend", f"{state}: others than its owner may read or change it", f"chmod 700 {state}"
    try:
        with reading(state) as db:
            sound = db.execute("PRAGMA quick_check").fetchone()[0]
            if sound != b"ok":
                yield "mend", f"{state / FILE} is damaged ({sound!r})", "stillhold restore, from the last good backup"
                return
            verdict = verify(db)
            last = db.execute("SELECT version, program FROM runs ORDER BY seq DESC LIMIT 1").fetchone()
    except (AuditUnreadable, sqlite3.Error) as error:
        yield "mend", str(error), "start the service once, or stillhold restore"
        return
    if verdict.problem is not None:
        yield "mend", f"its audit is not whole: {verdict.problem}", "stillhold audit verify; find out who was at the file"
    if not _runs(state):
        yield "look", "no supervisor runs on it", "start it"
        return
    yield "well", "a supervisor has it", ""
    if last is not None and last[1].decode() != program().sha256:
        words = f"what runs is version {last[0].decode()} of other files than this"
        yield "look", words, "restart the service, or use its own command"


def _runs(state: Path) -> bool:
    """Whether a process holds the lock."""
    lock = state / LOCK
    if not lock.is_file():
        return False
    with lock.open("rb") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except BlockingIOError:
            return True
    return False


def _disk(asked: Asked) -> Found:
    if not asked.state.is_dir():
        return
    free = asked.machine.free_bytes(asked.state)
    words = f"{free / 2**30:.1f} GB free where the journal is"
    if free < FREE_BYTES_LOOK:
        level: Level = "mend" if free < FREE_BYTES_MEND else "look"
        yield level, words, "free some, or move the state folder to a larger disk: a full disk ends the service"
    else:
        yield "well", words, ""
    if not os.access(asked.state, os.W_OK):
        yield "look", "not ours to write, so its speed was not measured", "run this as the service's own user"
        return
    sync_s = asked.machine.sync_s(asked.state)
    words = f"a write is held after {1000.0 * sync_s:.2f} ms"
    if sync_s > SYNC_S_MAX:
        yield "mend", words, "another disk: decisions wait for it"
    elif sync_s < SYNC_S_MIN:
        yield "look", f"{words}: no disk is that quick", "see that it is no RAM disk, and that it writes before it says so"
    else:
        yield "well", words, ""


def _clock(asked: Asked) -> Found:
    now_s = asked.machine.wall_s()
    shown = datetime.fromtimestamp(now_s, UTC)
    if shown.year < YEAR_MIN:
        yield "mend", f"it is {shown:%Y-%m-%d}, says the clock", "set it; without a battery it needs a source of time at boot"
        return
    kept = asked.machine.clock_is_set_by_a_source()
    words = f"{shown:%Y-%m-%d %H:%M:%S} UTC"
    if kept is None:
        yield "look", f"{words}; nobody here can say whether anything sets it", "compare it with a watch"
    elif kept:
        yield "well", f"{words}, kept by a source of time", ""
    else:
        mend = "systemd-timesyncd or chrony, with a source that is there without internet: the router, or a GPS receiver"
        yield "mend", f"{words}, not kept by a source of time", mend


def _certificates(asked: Asked) -> Found:
    if asked.site is None:
        return
    if asked.site.broker.identities is None:
        mend = "add broker.identities; deploy/certificates, deploy/broker-config"
        yield "look", "the broker lets in anybody who reaches it", mend
        return
    folder = asked.folder / asked.site.broker.identities
    found = sorted(folder.glob("*.crt"))
    if not found:
        yield "mend", f"{folder} has no certificate", "deploy/certificates"
    if (folder / "ca.key").exists():
        yield "look", f"{folder / 'ca.key'} is on this machine: whoever has it can be anybody", "keep it elsewhere"
    for path in found:
        said = asked.machine.certificate_ends(path)
        if said is None:
            yield "look", f"{path.name}: when it ends cannot be told", "apt-get install openssl"
            continue
        days = (ssl.cert_time_to_seconds(said) - asked.machine.wall_s()) / 86_400.0
        if days < CERTIFICATE_DAYS:
            words = f"{path.name} {'has ended' if days < 0 else f'ends in {days:.0f} days'}"
            yield "mend", words, "deploy/certificates, and bring it to its device"
    for key in sorted(folder.glob("*.key")):
        if key.stat().st_mode & 0o077:
            yield "mend", f"{key}: others than its owner may read it", f"chmod 600 {key}"
    if found:
        yield "well", f"{len(found)} certificates", ""


def _broker(asked: Asked) -> Found:
    if asked.site is None:
        return
    try:
        told = asked.supervisor(asked.site)
    except OSError as error:
        yield "mend", str(error), "start the broker; see its log, its address in the site file, and cables between"
        return
    if not told["online"]:
        yield "mend", "the broker is there, and no supervisor is online", "start the service, and read its log"
    else:
        yield "well", f"the supervisor is online, epoch {told['epoch']}", ""
    for alarm in told["alarms"]:
        yield "look", f"alarm {alarm}", "stillhold alarms"


def _units(asked: Asked) -> Found:
    for names in UNITS:
        states = {name: state for name in names if (state := asked.machine.unit(name)) is not None}
        if not states:
            mend = "deploy/units has it; what is started by hand ends with its shell"
            yield "look", f"{names[0]} is not a unit of this machine", mend
        for name, state in states.items():
            mend = "" if state == "active" else f"systemctl start {name}; journalctl -u {name}"
            yield ("mend" if mend else "well"), f"{name} is {state}", mend


CHECKS: dict[str, Callable[[Asked], Found]] = {
    "site file": _site_file, "people and secrets": _secrets, "journal": _state, "disk": _disk, "clock": _clock,
    "certificates": _certificates, "broker and supervisor": _broker, "units": _units,
}  # fmt: skip
