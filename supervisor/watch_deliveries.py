"""Delivered against requested, valve by valve, for the watch: is it the valve, or the source that all its valves hang on?

A valve that gives too little three times in a row is reported while others on its source are well served, or while there are no
others. Where several fall short together and none is well served, the source is weak, and that is no valve's fault.
"""

from dataclasses import dataclass, field
from typing import Literal, NamedTuple

from supervisor.messages import DoseReport

SHARE = 0.1  # a meter and a valve's stroke are off by less (common practice, no source)
STROKE_NL = 1.0
TIMES = 3
CUT = ("stopped", "no_permit", "no_source", "old_epoch", "repeated", "busy")  # ends that are no fault of the valve's
FINDINGS = ("short_delivery", "over_delivery")


class Amiss(NamedTuple):
    """A finding about a valve: what was measured, what would have been right."""

    finding: str
    measured: str
    limit: str


@dataclass
class Run:
    """A valve's deliveries that were wrong in the same way, one after the other, since the first of them (mono)."""

    finding: str
    source: str
    since_s: float
    times: int = 0


@dataclass
class Delivery:
    """`runs` by valve; `full_s` by source, when one of its valves last gave what was asked."""

    runs: dict[str, Run] = field(default_factory=dict)
    full_s: dict[str, float] = field(default_factory=dict)


def settled(
    delivery: Delivery, valve: str, source: str, report: DoseReport, asked_nl: float, now_s: float
) -> Amiss | Literal["well"] | None:
    """A request has ended. One that was refused or told to end says nothing of the valve."""
    if report.outcome == "refused" or report.code in CUT:
        return None
    off_nl = report.delivered_nl - asked_nl
    if abs(off_nl) <= SHARE * asked_nl + STROKE_NL:
        delivery.full_s[source] = now_s
        delivery.runs.pop(valve, None)
        return "well"
    finding = "short_delivery" if off_nl < 0.0 else "over_delivery"
    run = delivery.runs.get(valve)
    if run is None or run.finding != finding:
        run = delivery.runs[valve] = Run(finding, source, now_s)
    run.times += 1
    if run.times < TIMES or _of_the_source(delivery, valve, run):
        return None
    measured = f"{report.delivered_nl:.1f} of {asked_nl:.1f} nl asked for, wrong {run.times} times in a row"
    return Amiss(finding, measured, f"{asked_nl:.1f} nl within {SHARE:.0%}")


def _of_the_source(delivery: Delivery, valve: str, run: Run) -> bool:
    """Whether others on its source fall short as well, and none was served in full since this began."""
    if run.finding != "short_delivery" or delivery.full_s.get(run.source, -1.0) >= run.since_s:
        return False
    others = [there for other, there in delivery.runs.items() if other != valve and there.source == run.source]
    return any(there.finding == "short_delivery" for there in others)
