"""Instants on the wire: RFC 3339, UTC, milliseconds, a trailing Z. Inside the plant time is whole milliseconds."""

from datetime import UTC, datetime

_last = (-1, "")


def to_text(unix_ms: int) -> str:
    """Unix milliseconds as `2026-03-01T08:00:00.000Z`. Raises OverflowError or ValueError outside the calendar."""
    global _last
    minute, rest = divmod(unix_ms, 60_000)
    known, text = _last
    if minute != known:
        # Most instants lie in the minute of the one before: formatting the date is the dear part.
        text = datetime.fromtimestamp(minute * 60, UTC).strftime("%Y-%m-%dT%H:%M:")
        _last = (minute, text)
    return f"{text}{rest // 1000:02d}.{rest % 1000:03d}Z"


def to_ms(text: object) -> int:
    """Unix milliseconds of an RFC 3339 instant. Raises ValueError where it is none or names no offset from UTC."""
    if not isinstance(text, str):
        raise ValueError(f"an instant must be RFC 3339 text, not {text!r}")
    instant = datetime.fromisoformat(text)
    if instant.tzinfo is None:
        raise ValueError(f"an instant must name its offset from UTC: {text!r}")
    return round(instant.timestamp() * 1000)
