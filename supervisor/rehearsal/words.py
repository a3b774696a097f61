"""Words and figures of the report: escaped text, instants, spans of time."""

from collections.abc import Sized
from datetime import UTC, datetime
from html import escape

from supervisor.rehearsal.outcome import Season
from supervisor.shell.console.audit import printable

MINUTE_S, HOUR_S, DAY_S = 60.0, 3600.0, 86_400.0


def told(words: object) -> str:
    """As text in HTML."""
    return escape(printable(str(words)))


def when(found: Season, at_s: float) -> str:
    """An instant of a season, UTC."""
    return datetime.fromtimestamp(found.start_s + at_s, UTC).strftime("%Y-%m-%d %H:%M:%S")


def count(of: Sized, what: str) -> str:
    """So many of something."""
    return f"{len(of)} {what}{'' if len(of) == 1 else 's'}"


def span(seconds: float) -> str:
    """How long, in a unit that reads well."""
    if seconds == float("inf"):
        return "ever"
    if seconds < 2 * MINUTE_S:
        return f"{seconds:.0f} s"
    if seconds < 2 * HOUR_S:
        return f"{seconds / MINUTE_S:.0f} min"
    return f"{seconds / HOUR_S:.1f} h" if seconds < 2 * DAY_S else f"{seconds / DAY_S:.1f} d"
