"""Commands that were not taken: each counted, answered with its reason, logged, and told as a trouble when they repeat.

Whoever sends rubbish as fast as they can must not fill log and journal: beyond an allowance they are counted only, and
the next one that is told carries the count.
"""

from collections import Counter, deque
from typing import NamedTuple

from supervisor.messages import CommandOutcome, OperatorCommand
from supervisor.shell.authority import signing
from supervisor.shell.authority.judge import Authority, Refusal
from supervisor.shell.troubles import Troubles
from supervisor.values import Now, Publish, Say

MANY, WITHIN_S = 5, 600.0  # common practice, no source
QUIET_AFTER_S = 600.0
TOLD_AT_ONCE = 20
TOLD_PER_S = 1.0
NAMED_LETTERS = 128


class Named(NamedTuple):
    """What can be said of a command that is none."""

    command_id: str
    operator: str
    action: str
    target: str


class CommandRefusals:
    """All times are the site's (`Now`)."""

    def __init__(self) -> None:
        self.counts: Counter[str] = Counter()
        self._times_s: deque[float] = deque(maxlen=MANY)
        self._repeated = False
        self._last_words = ""
        self._allowance = float(TOLD_AT_ONCE)
        self._allowance_s: float | None = None
        self._began_s: float | None = None

    def unreadable(self, payload: bytes, reason: str, now: Now) -> list[Publish | Say]:
        """The same for one that is no valid command, where it names an id that can be answered."""
        try:
            body = signing.parse(payload)
        except signing.Unsignable:
            return []
        told = [body.get(key) for key in Named._fields]
        named = Named(*(one[:NAMED_LETTERS] if isinstance(one, str) else "" for one in told))
        if not named.command_id or not named.command_id.isprintable():
            return []
        return self.note(Refusal("malformed", reason), named, now)

    def note(self, refusal: Refusal, command: OperatorCommand | Named, now: Now) -> list[Publish | Say]:
        """Count it; the answer and what is to be said about it, as long as there are not too many."""
        self.counts[refusal.kind] += 1
        self._times_s.append(now.mono_s)
        self._last_words = f"{command.action} {command.target} by {command.operator}: {refusal.reason}"
        if len(self._times_s) == MANY and now.mono_s - self._times_s[0] <= WITHIN_S:
            self._repeated = True
        if not self._may_tell(now):
            return []
        figures: dict[str, float | int | str | bool | None] = {
            "why": refusal.kind, "reason": refusal.reason, "command_id": command.command_id, "operator": command.operator,
            "action": command.action, "target": command.target, "count": self.counts[refusal.kind],
        }  # fmt: skip
        outcome = CommandOutcome(command_id=command.command_id, accepted=False, reason=refusal.reason)
        return [Publish((), outcome), Say("warning", "command_refused", figures)]

    def tell(self, troubles: Troubles, authority: Authority | None, now: Now) -> None:
        """There is a trouble while refusals repeat, or while nobody can command. That there is none is known only after a
        quiet time: what was told before a start stands until then."""
        self._began_s = now.mono_s if self._began_s is None else self._began_s
        words = authority.wrong if authority is not None and authority.wrong is not None else self._repetition(now)
        if words is not None or now.mono_s - self._began_s >= QUIET_AFTER_S:
            troubles.put("commands_refused", words is not None, words or "")

    def _repetition(self, now: Now) -> str | None:
        if self._repeated and now.mono_s - self._times_s[-1] >= QUIET_AFTER_S:
            self._repeated = False
        return f"{sum(self.counts.values())} since the start; the last: {self._last_words}" if self._repeated else None

    def _may_tell(self, now: Now) -> bool:
        since_s = 0.0 if self._allowance_s is None else now.mono_s - self._allowance_s
        self._allowance_s = now.mono_s
        self._allowance = min(float(TOLD_AT_ONCE), self._allowance + since_s * TOLD_PER_S)
        if self._allowance < 1.0:
            return False
        self._allowance -= 1.0
        return True
