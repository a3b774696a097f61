"""The states of an enclosure and every way from one to another. This table is the only place that knows them.

The README's diagram is drawn from it (`diagram()`), and a test holds the two together. A pair that is missing is a
situation nobody thought of: the enclosure is faulted, every valve shut, and a person decides.
"""

from typing import Literal

from supervisor.values import Gas, State

Trigger = Literal[
    "seal", "at_setpoint", "vent", "breathable", "open", "fault", "resume_filling", "resume_pulling_down", "resume_venting"
]  # fmt: skip

TRANSITIONS: dict[tuple[State, Trigger], State] = {
    ("filling", "seal"): "pulling_down",
    ("filling", "fault"): "faulted",
    ("pulling_down", "at_setpoint"): "holding",
    ("pulling_down", "vent"): "venting",
    ("pulling_down", "fault"): "faulted",
    ("holding", "vent"): "venting",
    ("holding", "fault"): "faulted",
    ("venting", "breathable"): "venting",
    ("venting", "open"): "filling",
    ("venting", "fault"): "faulted",
    ("faulted", "fault"): "faulted",
    ("faulted", "vent"): "venting",
    ("faulted", "resume_filling"): "filling",
    ("faulted", "resume_pulling_down"): "pulling_down",
    ("faulted", "resume_venting"): "venting",
}

# What a person's `resume` means is decided by where the enclosure came from. Holding is pulled down again: what happened
# to its gas meanwhile is unknown, and a pull-down from the set-point is over with its first sample.
RESUME: dict[State, Trigger] = {
    "filling": "resume_filling",
    "pulling_down": "resume_pulling_down",
    "holding": "resume_pulling_down",
    "venting": "resume_venting",
    "faulted": "resume_filling",
}

GASES_OF: dict[State, tuple[Gas, ...]] = {
    "filling": (),
    "pulling_down": ("nitrogen", "co2", "air"),
    "holding": ("nitrogen", "co2", "air"),
    "venting": ("air",),
    "faulted": (),
}


def after(state: State, trigger: Trigger) -> State:
    """The state that follows; a pair that the table does not know leads to `faulted`."""
    return TRANSITIONS.get((state, trigger), "faulted")


def diagram() -> str:
    """The table as a Mermaid state diagram."""
    lines = ["stateDiagram-v2", "    [*] --> filling"]
    merged: dict[tuple[str, str], list[str]] = {}
    for (state, trigger), target in TRANSITIONS.items():
        merged.setdefault((state, target), []).append(trigger.replace("_", " "))
    lines += [f"    {state} --> {target}: {', '.join(triggers)}" for (state, target), triggers in merged.items()]
    return "\n".join(lines)
