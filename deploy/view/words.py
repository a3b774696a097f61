"""Figures as a person reads them, always with their unit."""

from datetime import UTC, datetime

UNKNOWN = "--"


def duration(seconds: float | None) -> str:
    """`45 s`, `12 min`, `3.2 h`, `2.1 d`; `--` for what is not known."""
    if seconds is None:
        return UNKNOWN
    seconds = max(0.0, seconds)
    if seconds < 99.5:
        return f"{seconds:.0f} s"
    if seconds < 99.5 * 60:
        return f"{seconds / 60:.0f} min"
    if seconds < 48 * 3600:
        return f"{seconds / 3600:.1f} h"
    return f"{seconds / 86_400:.1f} d"


def percent(value_pct: float | None) -> str:
    """A gas content with two decimals and no unit, for a column that carries it."""
    return UNKNOWN if value_pct is None else f"{round(value_pct, 2) + 0.0:.2f}"  # + 0.0: no -0.00


def volume(value_nl: float) -> str:
    """Normal litres without a unit, for a column that carries it."""
    return f"{value_nl:.0f}"


def clock(unix_s: float) -> str:
    """The site's time of day, UTC."""
    return datetime.fromtimestamp(unix_s, UTC).strftime("%H:%M:%S")


def day_and_clock(unix_s: float) -> str:
    return datetime.fromtimestamp(unix_s, UTC).strftime("%Y-%m-%d %H:%M:%S")


def plain(name: str) -> str:
    """A word of the contract as words: `pulling_down` as `pulling down`."""
    return name.replace("_", " ")


def said(reason: str) -> str:
    """A reason as words where it is a single name of the contract, else as it was said."""
    return plain(reason) if reason.isidentifier() else reason
