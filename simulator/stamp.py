"""Instants on the wire: RFC 3339, UTC, milliseconds, a trailing Z. Inside the plant time is whole milliseconds."""

from datetime import UTC, datetime

_DAY_MS = 86_400_000
_days: dict[int, str] = {}


def to_text(unix_ms: int) -> str:
    """Unix milliseconds as `2026-03-01T08:00:00.000Z`. Raises OverflowError outside the calendar."""
    day, rest = divmod(unix_ms, _DAY_MS)
    date = _days.get(day)
    if date is None:
        date = _days[day] = datetime.fromtimestamp(day * 86_400, UTC).strftime("%Y-%m-%d")
    hours, rest = divmod(rest, 3_600_000)
    minutes, rest = divmod(rest, 60_000)
    seconds, millis = divmod(rest, 1000)
    return f"{date}T{hours:02d}:{minutes:02d}:{seconds:02d}.{millis:03d}Z"


def to_ms(text: object) -> int:
    """Unix milliseconds of an RFC 3339 instant. Raises ValueError where it is none or names no offset from UTC."""
    if not isinstance(text, str):
        raise ValueError(f"an instant must be RFC 3339 text, not {text!r}")
    instant = datetime.fromisoformat(text)
    if instant.tzinfo is None:
        raise ValueError(f"an instant must name its offset from UTC: {text!r}")
    return round(instant.timestamp() * 1000)
