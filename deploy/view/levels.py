"""How wrong a thing is, and the mark that says so beside any colour (ISA-101: grey until something is wrong)."""

from enum import IntEnum


class Level(IntEnum):
    """Ordered by urgency; the upper four are the priorities of the contract's alarms."""

    NORMAL = 0
    NOTE = 1  # worth a look: unknown, uncertain, waiting
    LOW = 2
    MEDIUM = 3
    HIGH = 4
    CRITICAL = 5


MARKS = {
    Level.NORMAL: "",
    Level.NOTE: "?",
    Level.LOW: "!",
    Level.MEDIUM: "!!",
    Level.HIGH: "!!!",
    Level.CRITICAL: "!!!!",
}


def of_priority(priority: str) -> Level:
    """The level of an alarm's priority (`low`, `medium`, `high`, `critical`)."""
    return Level[priority.upper()]
