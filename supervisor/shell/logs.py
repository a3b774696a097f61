"""The log: one JSON object a line for the system's journal, or readable lines for a person at a console.

Events have short names and figures carry their unit in the key. A log that cannot be written is no reason to stop.
"""

import os
import sys
from collections.abc import Callable, MutableMapping
from typing import Any, TextIO

import structlog

from supervisor.messages import at, rfc3339
from supervisor.values import Say

# What the system's journal reads off the front of a line: without it every line has priority 6 there.
_PRIORITY = {"critical": 2, "error": 3, "warning": 4, "info": 6, "debug": 7}
_RESERVED = frozenset({"event", "level", "at"})

Log = structlog.typing.FilteringBoundLogger


def make(console: bool, wall_s: Callable[[], float], stream: TextIO | None = None) -> Log:
    """A logger whose lines carry the site's time. `console` for people, else JSON."""
    out = sys.stdout if stream is None else stream

    def stamp(_logger: object, _method: str, entry: MutableMapping[str, Any]) -> MutableMapping[str, Any]:
        return {"at": rfc3339(at(wall_s())), **entry}

    render: list[Any] = [structlog.processors.JSONRenderer()]
    if console:
        render = [structlog.dev.ConsoleRenderer(colors=out.isatty(), timestamp_key="at", pad_event_to=24)]
    elif "JOURNAL_STREAM" in os.environ:
        render.append(_with_priority)
    return structlog.wrap_logger(
        _Lines(out),
        processors=[structlog.processors.add_log_level, stamp, *([] if not console else []), *render],
        wrapper_class=structlog.make_filtering_bound_logger("info"),
        cache_logger_on_first_use=True,
    )


def say(log: Log, said: Say) -> None:
    """Log what the engine said. A figure cannot take the place of the event's name, level or time."""
    figures = {f"{key}_" if key in _RESERVED else key: value for key, value in said.figures.items()}
    getattr(log, said.level)(said.event, **figures)


def _with_priority(_logger: object, method: str, line: str) -> str:
    return f"<{_PRIORITY.get(method, 6)}>{line}"


class _Lines:
    """Writes lines; drops what cannot be written, because nobody is left to tell."""

    def __init__(self, out: TextIO) -> None:
        self._out = out

    def msg(self, line: str) -> None:
        try:
            self._out.write(line + "\n")
            self._out.flush()
        except (OSError, ValueError):
            return

    debug = info = warning = error = critical = msg
