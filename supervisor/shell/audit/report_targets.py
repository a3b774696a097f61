"""The published targets for an alarm system, and how a period's figures stand beside them.

From ISA-18.2-2016 / IEC 62682, per operator position. The figures per day, the share of time in flood, what is stale, what
chatters and the split by priority are confirmed in texts that quote the standard; those marked `from_memory` are not.
"""

from typing import Literal, NamedTuple

from supervisor.shell.audit.report import Performance

PRIORITY_PCT = {"low": 80, "medium": 15, "high": 5, "critical": 1}
Standing = Literal["within", "manageable", "above", "for comparison"]


class Target(NamedTuple):
    """`good` and `most` are the highest values that are likely acceptable and manageable at most; None: no limit to set
    the figure against. `below`: the figure has to stay under `most` and not only at it."""

    name: str
    unit: str
    words: str
    good: float | None
    most: float | None
    below: bool = False
    from_memory: bool = True


class Line(NamedTuple):
    """A figure beside its target."""

    target: Target
    measured: float
    standing: Standing


def beside_targets(made: Performance) -> list[Line]:
    """Every figure that has a published target, in the order in which the standard asks."""
    measured = (
        (Target("alarms per day", "", "up to 150, at most 300", 150, 300, from_memory=False), made.per_day),
        (Target("alarms per hour", "", "up to 6, at most 12", 6, 12), made.per_hour),
        (Target("alarms per 10 minutes", "", "up to 1, at most 2", 1, 2), made.per_ten_min),
        (Target("most alarms in 10 minutes", "", "at most 10", 10, 10), made.most_in_ten_min),
        (Target("10 minutes with more than 10 alarms", "%", "under 1 %", None, 1, below=True), made.ten_min_above_pct),
        (Target("hours with more than 30 alarms", "%", "under 1 %", None, 1, below=True), made.hours_above_pct),
        (Target("time in flood", "%", "under 1 %", None, 1, below=True, from_memory=False), made.flood_pct),
        (Target("ten most frequent alarms, of all", "%", "up to 1, at most 5 %", 1, 5), made.top_pct),
        (Target("alarms that chatter", "", "none", 0, 0, from_memory=False), len(made.chattering)),
        (Target("stale alarms (over 24 h), most in a day", "", "under 5", None, 5, below=True), made.most_stale_in_a_day),
        *((_split(name), made.priority_pct(name)) for name in PRIORITY_PCT),
    )
    return [Line(target, figure, _standing(target, figure)) for target, figure in measured]


def _split(priority: str) -> Target:
    """A split is a shape to compare with and no limit."""
    about = "under" if priority == "critical" else "about"
    words = f"{about} {PRIORITY_PCT[priority]} %"
    return Target(f"priority {priority}", "%", words, None, None, from_memory=priority == "critical")


def _standing(target: Target, measured: float) -> Standing:
    if target.most is None:
        return "for comparison"
    if measured > target.most or (target.below and measured >= target.most):
        return "above"
    return "within" if target.good is None or measured <= target.good else "manageable"
