"""The shell's own troubles, told to the engine when they begin and when they end. The names are the alarm catalogue's.

What is not known yet after a start is not told: an alarm of the run before stays until it is known to be over.
"""

from typing import Literal, get_args

from supervisor.values import Now, ShellTrouble

Trouble = Literal[
    "history_unreachable", "history_rows_refused", "history_backlog_full", "inbound_overflow", "rejected_messages",
    "commands_refused", "notification_failing", "heartbeat_failing", "audit_broken", "broker_open",
]
TROUBLES: tuple[Trouble, ...] = get_args(Trouble)


class Troubles:
    """Collects changes; `take` turns them into events."""

    def __init__(self) -> None:
        self._active: dict[Trouble, bool] = {}
        self._changed: dict[Trouble, tuple[bool, str]] = {}

    def put(self, trouble: Trouble, active: bool, detail: str = "") -> None:
        """What is so now. Only a change is told, with the `detail` that it had then."""
        if self._active.get(trouble) is not active:
            self._active[trouble] = active
            self._changed[trouble] = (active, detail)

    def take(self, now: Now) -> list[ShellTrouble]:
        """The changes since the last call."""
        events = [ShellTrouble(now, trouble, *change) for trouble, change in self._changed.items()]
        self._changed.clear()
        return events
