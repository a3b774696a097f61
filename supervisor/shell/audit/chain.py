"""The audit's chain: who and what changed an alarm, a command, a state, a permit, one entry after the other, each sealed
with what came before it. Entries are only ever added; nothing here or in housekeeping takes one away.

The canonical form, for a program that checks the chain without us. An entry is four values of a row of the table `audit`:

    n      its number; the first is 1 and each next is one more
    at     when, by the controller's clock: UTC, RFC 3339 with milliseconds and Z. May step back when that clock is set
    event  JSON of an object with the keys "event" (a name) and "figures" (an object): keys sorted at every depth, no
           space between, all but ASCII escaped. It is hashed as it stands in the table, never read and written anew
    hash   SHA-256, 64 lower-case hexadecimal digits, over the UTF-8 bytes of

               <hash of entry n - 1>  newline  <n in decimal>  newline  <at>  newline  <event>

           with newline one byte 0x0A, none at the end, and 64 zeros for the entry before the first

So one changed byte, one entry taken out, put in or moved breaks the link there. A tail that is cut off breaks none, nor
does a chain that is written anew from some entry on by whoever can write the file: for these the head (number and hash
of the last entry) is kept apart, in the table `meta` under `audit_head`, and in the log on start, on end and every hour.
"""

import hashlib
import json
import math
from collections.abc import Iterable, Iterator, Mapping
from typing import NamedTuple

from supervisor.messages import at as utc
from supervisor.messages import rfc3339

BEFORE_THE_FIRST = "0" * 64
HEAD_KEY = "audit_head"
TRIGGERS = ("audit_is_not_changed", "audit_is_not_cut", "audit_is_only_added_to")
_REFUSAL = "the audit is only ever added to"
# The third trigger also keeps INSERT OR REPLACE out, which deletes without asking the second.
TABLE = (
    "CREATE TABLE audit (n INTEGER PRIMARY KEY, at TEXT NOT NULL, event TEXT NOT NULL, hash TEXT NOT NULL)",
    f"CREATE TRIGGER {TRIGGERS[0]} BEFORE UPDATE ON audit BEGIN SELECT RAISE(ABORT, '{_REFUSAL}'); END",
    f"CREATE TRIGGER {TRIGGERS[1]} BEFORE DELETE ON audit BEGIN SELECT RAISE(ABORT, '{_REFUSAL}'); END",
    f"CREATE TRIGGER {TRIGGERS[2]} BEFORE INSERT ON audit WHEN NEW.n IS NOT (SELECT coalesce(max(n), 0) + 1 FROM audit)"
    f" BEGIN SELECT RAISE(ABORT, '{_REFUSAL}'); END",
)


class Head(NamedTuple):
    """The last entry: its number, 0 where there is none, and its hash."""

    number: int
    hash: str

    def __str__(self) -> str:
        return f"{self.number}:{self.hash}"


NO_HEAD = Head(0, BEFORE_THE_FIRST)


class Entry(NamedTuple):
    """One row of the table, as it stands there."""

    n: int
    at: str
    event: str
    hash: str


def event_text(name: str, figures: Mapping[str, object]) -> str:
    """The canonical JSON of an event. What JSON has no form for, a number that is none included, goes in as its words."""
    return json.dumps(
        {"event": name, "figures": _plain(figures)}, sort_keys=True, separators=(",", ":"), allow_nan=False
    )


def _plain(value: object) -> object:
    match value:
        case None | bool() | int() | str():
            return value
        case float():
            return value if math.isfinite(value) else str(value)
        case Mapping():
            return {str(key): _plain(one) for key, one in value.items()}
        case list() | tuple():
            return [_plain(one) for one in value]
    return str(value)


def seal(before: str, n: int, at: str, event: str) -> str:
    """The hash of entry `n`, which follows the entry whose hash is `before`."""
    return hashlib.sha256(f"{before}\n{n}\n{at}\n{event}".encode()).hexdigest()


def chained(head: Head, wall_s: float, events: Iterable[str]) -> Iterator[Entry]:
    """The entries for `events` (of `event_text`), all at `wall_s`, that follow `head`."""
    number, before, at = head.number, head.hash, rfc3339(utc(wall_s))
    for event in events:
        number += 1
        before = seal(before, number, at, event)
        yield Entry(number, at, event, before)
