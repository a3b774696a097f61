"""Whether a command is what its operator said, said just now, and theirs to say. Here, before it becomes an event:
the engine knows no secrets, and what was refused never reaches guard or core.

A command that comes twice as it is passes twice: the engine carries it out once and answers it by its first outcome
again. The same id with anything else in it is refused.
"""

import hashlib
import os
from collections.abc import Iterable
from pathlib import Path
from typing import Literal, NamedTuple

from supervisor.messages import OperatorCommand, rfc3339
from supervisor.shell.authority import signing
from supervisor.shell.authority.operators import ROLES, Operator, Operators, OperatorsError, Role, load
from supervisor.shell.records import Input
from supervisor.values import Now, Say

FRESH_S = 60.0
FRESH_REAL_S = 2.0  # in scaled time a short delay of the machine is a long one of the site
IDS_REMEMBERED = 10_000
LOOK_EVERY_S = 1.0
ENTRY_S_MAX = 3600.0

Kind = Literal[
    "no_operators", "unknown_operator", "revoked", "unsigned", "malformed", "bad_signature", "stale", "future", "replayed",
    "role",
]

# Stopping and leaving are always safe, so is saying that one has seen an alarm; entering is what keeps the gas off.
NEEDED: dict[str, Role] = {
    **dict.fromkeys(("acknowledge", "shelve", "unshelve", "enter", "leave", "stop"), "acknowledge"),
    **dict.fromkeys(("seal", "vent", "open", "resume"), "operate"),
    **dict.fromkeys(("calibrate", "test"), "engineer"),
}


class Refusal(NamedTuple):
    """Why a command is not taken: a short class for counting, and words."""

    kind: Kind
    reason: str


class Authority:
    """Judges by the operators file at `path`, of which it notices changes."""

    def __init__(self, path: Path, site_id: str, speed: float = 1.0) -> None:
        self.path = path
        self.wrong: str | None = None  # why the file cannot be used: then nobody can command
        self.fresh_s = max(FRESH_S, FRESH_REAL_S * speed)
        self._site_id = site_id
        self._told: dict[str, Operator] = {}
        self._stamp: tuple[int, ...] | None = (-1,)
        self._looked_s: float | None = None
        self._used: dict[str, bytes] = {}

    # -------------------------------------------------------------------------------------------- the file

    def look(self, real_s: float) -> list[Say]:
        """Reads the file again when it has changed; at most once a second. What is to be said about it."""
        if self._looked_s is not None and 0.0 <= real_s - self._looked_s < LOOK_EVERY_S:
            return []
        self._looked_s = real_s
        stamp = _stamp(self.path)
        if stamp == self._stamp:
            return []
        self._stamp = stamp
        before = self._told
        try:
            told = load(self.path, self._site_id)
        except OperatorsError as error:
            self.wrong, self._told = str(error), {}
            return [Say("error", "operators_refused", {"error": str(error)})]
        self.wrong, self._told = None, told.by_name
        return [_changes(self.path, before, told)]

    # -------------------------------------------------------------------------------------------- commands

    def remember(self, rows: Iterable[Input], topic: str) -> None:
        """The commands among what was taken before this start count as used."""
        for row in rows:
            if row.kind == "arrived" and row.topic == topic:
                try:
                    self._use(str(signing.parse(row.payload).get("command_id")), row.payload)
                except signing.Unsignable:
                    continue

    def judge(self, payload: bytes, command: OperatorCommand, now: Now) -> Refusal | None:
        """Why `command`, which came as `payload`, is not taken; None when it is, and then its id is used."""
        refusal = self._who(command) or self._signature(payload, command) or self._once(payload, command, now)
        refusal = refusal or self._time(command, now) or self._role(command)
        if refusal is None:
            self._use(command.command_id, payload)
        return refusal

    def _who(self, command: OperatorCommand) -> Refusal | None:
        if self.wrong is not None:
            return Refusal("no_operators", f"nobody can command until this is mended: {self.wrong}")
        if not self._told:
            return Refusal("no_operators", f"nobody may command yet: {self.path} names nobody; `stillhold operators add`")
        who = self._told.get(command.operator)
        if who is None:
            return Refusal("unknown_operator", f"nobody called {command.operator!r} stands in the operators file")
        if who.revoked_at is not None:
            return Refusal("revoked", f"{who.name} was revoked at {rfc3339(who.revoked_at)}")
        return None

    def _signature(self, payload: bytes, command: OperatorCommand) -> Refusal | None:
        if command.signature is None:
            return Refusal("unsigned", "not signed; this site takes signed commands only, signed as the contract says")
        key = bytes.fromhex(self._told[command.operator].key)
        try:
            if signing.fits(key, signing.parse(payload), command.signature):
                return None
        except signing.Unsignable as why:
            return Refusal("malformed", f"cannot be signed: {why}")
        return Refusal("bad_signature", "the signature does not fit: another key, or something was changed on the way")

    def _time(self, command: OperatorCommand, now: Now) -> Refusal | None:
        age_s = now.wall_s - command.issued_at.timestamp()
        if abs(age_s) <= self.fresh_s:
            return None
        if command.action == "enter" and self.fresh_s < age_s <= ENTRY_S_MAX:
            return None  # whoever asked may have gone in: the engine refuses what is old, and counts them at the door
        when = f"{age_s:.0f} s ago" if age_s > 0 else f"{-age_s:.0f} s in the future"
        mend = f"by its own time, at most {self.fresh_s:g} s are allowed: check the clock and send it anew"
        return Refusal("stale" if age_s > 0 else "future", f"issued {when} {mend}")

    def _once(self, payload: bytes, command: OperatorCommand, now: Now) -> Refusal | None:
        used = self._used.get(command.command_id)
        if used is not None and used != _digest(payload):
            return Refusal("replayed", f"the id {command.command_id!r} was used before for another command; take a new one")
        if used is not None and abs(now.wall_s - command.issued_at.timestamp()) > self.fresh_s:
            return Refusal("replayed", "this very message was taken before; its first outcome stands, and nothing is repeated")
        return None

    def _role(self, command: OperatorCommand) -> Refusal | None:
        who, needed = self._told[command.operator], NEEDED[command.action]
        if ROLES.index(who.role) >= ROLES.index(needed):
            return None
        return Refusal("role", f"{command.action} takes the role {needed}; {who.name} has {who.role}")

    def _use(self, command_id: str, payload: bytes) -> None:
        self._used[command_id] = _digest(payload)
        if len(self._used) > IDS_REMEMBERED:  # only signed commands are remembered, so no stranger can push one out
            del self._used[next(iter(self._used))]


def _digest(payload: bytes) -> bytes:
    """Names what a command says, however its JSON was spaced and ordered."""
    return hashlib.sha256(signing.canonical(signing.parse(payload))).digest()


def _stamp(path: Path) -> tuple[int, ...] | None:
    """Differs after any change; None when there is no file."""
    try:
        kept = os.stat(path)
    except OSError:
        return None
    return kept.st_mtime_ns, kept.st_ctime_ns, kept.st_size, kept.st_ino, kept.st_mode


def _changes(path: Path, before: dict[str, Operator], told: Operators) -> Say:
    """Who may command now, and what is different. Never a key."""
    now = told.by_name
    active = [one.name for one in told.operator if one.revoked_at is None]
    figures: dict[str, float | int | str | bool | None] = {
        "file": str(path),
        "operators": len(active),
        "added": ", ".join(name for name in now if name not in before),
        "changed": ", ".join(name for name in now if name in before and now[name] != before[name]),
        "gone": ", ".join(name for name in before if name not in now),
    }
    return Say("info" if active else "warning", "operators", figures)
