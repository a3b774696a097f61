"""The life of one alarm: the nine states of ISA-18.2-2016 / IEC 62682, and what each word makes of them.

The names of the states are confirmed in published texts, the ways between them are from memory. `acknowledge` said to an
alarm that is latched and acknowledged is the deliberate reset. Three states lie apart: a person has shelved the alarm for a
time, another alarm that explains it holds it back by design, or the site file has taken it out of service. Their way back
leads to where the alarm would be now, and a latch outlives them.
"""

from typing import Literal, get_args

AlarmState = Literal[
    "normal", "unacknowledged", "acknowledged", "returned_unacknowledged", "latched_unacknowledged", "latched_acknowledged",
    "shelved", "suppressed_by_design", "out_of_service",
]  # fmt: skip
Word = Literal["occurs", "clears", "acknowledge", "shelve", "suppress", "take_out"]

AWAY = ("shelved", "suppressed_by_design", "out_of_service")
STATES: tuple[AlarmState, ...] = get_args(AlarmState)

_LIFE: dict[tuple[str, str], AlarmState] = {
    ("normal", "occurs"): "unacknowledged",
    ("returned_unacknowledged", "occurs"): "unacknowledged",
    ("latched_unacknowledged", "occurs"): "unacknowledged",
    ("latched_acknowledged", "occurs"): "unacknowledged",
    ("unacknowledged", "acknowledge"): "acknowledged",
    ("returned_unacknowledged", "acknowledge"): "normal",
    ("latched_unacknowledged", "acknowledge"): "latched_acknowledged",
    ("latched_acknowledged", "acknowledge"): "normal",
    ("unacknowledged", "clears"): "returned_unacknowledged",
    ("acknowledged", "clears"): "normal",
    **{(state, "shelve"): "shelved" for state in STATES if state != "out_of_service"},
    # Only what nobody has been told of is held back: what people have seen does not vanish before their eyes.
    ("normal", "suppress"): "suppressed_by_design",
    **{(state, "take_out"): "out_of_service" for state in STATES},
}
_LATCHING: dict[tuple[str, str], AlarmState] = {
    ("unacknowledged", "clears"): "latched_unacknowledged",
    ("acknowledged", "clears"): "latched_acknowledged",
}


def after(state: str, word: Word, latches: bool) -> AlarmState | None:
    """The state that `word` leads to, None where it changes nothing. `latches`: the alarm outlives its condition."""
    latched = _LATCHING.get((state, word)) if latches else None
    return latched or _LIFE.get((state, word))


def back(condition: bool, latched: bool) -> AlarmState:
    """Where an alarm that was away comes back to."""
    if condition:
        return "unacknowledged"
    return "latched_unacknowledged" if latched else "normal"
