"""A simulated crew: it closes and opens bags with its hands and sends `operator/command` as people do.

By default it seals one enclosure after another. It asks again, as a person would, while nobody answers or while a
seal or an opening is refused, and opens a bag only after the opening was granted. When an opening needs an entry permit,
one of them signs in with another standing by outside, opens the bag, and signs out again.
"""

import tomllib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from .kinds import Fault
from .scheduler import Scheduler
from .signing import CrewKey
from .stamp import to_text

FIRST_SEAL_S = 180.0
SEAL_EVERY_S = 240.0
ASK_AGAIN_MS = 60_000
PATIENCE = 1000
INSISTS_ON = ("seal", "open")
SIGN_IN = "sign in (enter)"  # what the answer to an opening says that lacks an entry permit
GOES_IN, STANDS_BY, STAYS_MIN, INSIDE_S = "first of the crew", "second of the crew", 10, 120.0
WENT_IN = {"person_alone": "somebody alone", "person_overdue": "somebody late"}
TOO_OLD = "by its own time"  # what the answer to a command says that grew old on its way
UNACKNOWLEDGED = ("unacknowledged", "returned_unacknowledged", "latched_unacknowledged")


class CrewError(ValueError):
    """A schedule that cannot be read; the text names the place and the mend."""


@dataclass(frozen=True)
class Act:
    """One thing the crew does at `at_s` simulated seconds after the plant's start; `more` goes into the command."""

    at_s: float
    action: str
    target: str
    more: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Schedule:
    """What the crew does; it acknowledges alarms after a while if a time is given."""

    acts: tuple[Act, ...] = ()
    acknowledge_after_s: float | None = None


def sealing_in_turn(enclosures: Iterable[str]) -> Schedule:
    """The default: every enclosure sealed, the first after three minutes, then one every four."""
    return Schedule(tuple(Act(FIRST_SEAL_S + i * SEAL_EVERY_S, "seal", one) for i, one in enumerate(enclosures)))


def load_schedule(path: Path) -> Schedule:
    """A schedule from TOML: `[[act]]` with at_s, action, target and more; optional `acknowledge_after_s`."""
    try:
        keys = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as why:
        raise CrewError(f"{path}: cannot be read as a crew's schedule: {why}") from why
    acts = []
    for i, row in enumerate(keys.get("act", [])):
        more = {key: value for key, value in row.items() if key not in ("at_s", "action", "target")}
        try:
            acts.append(Act(float(row["at_s"]), str(row["action"]), str(row["target"]), more))
        except (KeyError, TypeError, ValueError) as why:
            raise CrewError(f"{path}: [[act]] {i}: needs at_s (a number), action and target: {why!r}") from why
    after = keys.get("acknowledge_after_s")
    if after is not None and (isinstance(after, bool) or not isinstance(after, int | float)):
        raise CrewError(f"{path}: acknowledge_after_s must be a number of seconds, found {after!r}")
    return Schedule(tuple(acts), after)


@dataclass
class _Asked:
    act: Act
    command: dict[str, Any]
    tries: int = 1
    opens: Act | None = None  # what one of the crew is going in for, or is in for


class Crew:
    """Carries out a schedule. `close_bag` and `open_bag` are the crew's hands."""

    def __init__(
        self,
        schedule: Schedule,
        boot: str,
        scheduler: Scheduler,
        send: Callable[[str, dict[str, Any], bool], None],
        close_bag: Callable[[str], None],
        open_bag: Callable[[str], None],
        key: CrewKey | None = None,
        room_of: Mapping[str, str] | None = None,
    ) -> None:
        self._room_of = room_of or {}
        self._schedule, self._boot, self._scheduler, self._send = schedule, boot, scheduler, send
        self._close_bag, self._open_bag = close_bag, open_bag
        self._key = key
        self._count = 0
        self._asked: dict[str, _Asked] = {}
        self._seen: set[tuple[str, int, bool]] = set()
        for act in schedule.acts:
            self.plan(act)

    def plan(self, act: Act) -> None:
        """Put one more act on the schedule; `at_s` counts from the scheduler's now."""
        self._scheduler.at(self._scheduler.now_ms + round(act.at_s * 1000), lambda: self._begin(act))

    def go_in(self, room: str, fault: Fault) -> None:
        """Somebody goes in as nobody should: alone, or for longer than is said."""
        more: dict[str, Any] = {"people": [WENT_IN[fault.name]], "minutes": STAYS_MIN}
        if fault.name == "person_overdue":
            more |= {"standby": STANDS_BY, "minutes": round(fault.size)}
        self.plan(Act(0.0, "enter", room, more))

    def come_out(self, room: str, fault: Fault) -> None:
        """And comes out again."""
        self.plan(Act(0.0, "leave", room, {"people": [WENT_IN[fault.name]]}))

    def hear_outcome(self, body: Mapping[str, Any]) -> None:
        """`operator/outcome`: done, or asked again later."""
        asked = self._asked.pop(str(body.get("command_id")), None)
        if asked is None:
            return
        accepted, reason = body.get("accepted") is True, str(body.get("reason"))
        if asked.opens is not None:
            self._inside(asked, asked.opens, accepted)
        elif accepted:
            if asked.act.action == "open":
                self._open_bag(asked.act.target)
        elif asked.act.action == "open" and SIGN_IN in reason and asked.act.target in self._room_of:
            more = {"people": [GOES_IN], "standby": STANDS_BY, "minutes": STAYS_MIN}
            self._ask(Act(0.0, "enter", self._room_of[asked.act.target], more), 1, opens=asked.act)
        elif (asked.act.action in INSISTS_ON or TOO_OLD in reason) and asked.tries < PATIENCE:
            self._again(asked.act, asked.tries + 1)

    def _inside(self, asked: _Asked, opens: Act, accepted: bool) -> None:
        """One of the crew has asked to go in for an opening, or for the opening itself: whatever comes of it, out again."""
        if asked.act.action == "enter" and accepted:
            self._ask(opens, 1, opens=opens)
            return
        done = asked.act.action == "open" and accepted
        if done:
            self._open_bag(opens.target)
        else:
            self._again(opens, 1)
        self.plan(Act(INSIDE_S if done else 0.0, "leave", self._room_of[opens.target], {"people": [GOES_IN]}))

    def _again(self, act: Act, tries: int) -> None:
        self._scheduler.at(self._scheduler.now_ms + ASK_AGAIN_MS, lambda: self._ask(act, tries))

    def hear_alarm(self, body: Mapping[str, Any]) -> None:
        """`alarm/<alarm>`: acknowledged after a while, once per occurrence, if the schedule says so; a latched
        one is reset by the same word once it is over."""
        after_s = self._schedule.acknowledge_after_s
        alarm, occurrence = body.get("alarm"), body.get("occurrence")
        reset = body.get("state") == "latched_acknowledged" and body.get("condition") is False
        if after_s is None or not (reset or body.get("state") in UNACKNOWLEDGED):
            return
        if not isinstance(alarm, str) or not isinstance(occurrence, int) or (alarm, occurrence, reset) in self._seen:
            return
        self._seen.add((alarm, occurrence, reset))
        act = Act(after_s, "acknowledge", alarm, {"occurrence": occurrence, "note": "seen by the simulated crew"})
        self.plan(act)

    def _begin(self, act: Act) -> None:
        if act.action == "seal":
            self._close_bag(act.target)
        self._ask(act, 1)

    def _ask(self, act: Act, tries: int, opens: Act | None = None) -> None:
        self._count += 1
        command = {
            "command_id": f"crew-{self._boot}-{self._count}",
            "issued_at": to_text(self._scheduler.now_ms),
            "operator": "simulated crew" if self._key is None else self._key.operator,
            "action": act.action,
            "target": act.target,
            **act.more,
        }
        asked = _Asked(act, command if self._key is None else self._key.signed(command), tries, opens)
        self._asked[command["command_id"]] = asked
        self._say(asked)

    def _say(self, asked: _Asked) -> None:
        """Send a command, and send it again under the same id while nobody answers."""
        if self._asked.get(asked.command["command_id"]) is not asked or asked.tries > PATIENCE:
            return
        self._send("operator/command", dict(asked.command), False)
        asked.tries += 1
        self._scheduler.at(self._scheduler.now_ms + ASK_AGAIN_MS, lambda: self._say(asked))
