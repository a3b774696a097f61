"""What was delivered against what was requested, counted for each valve, and for each source over its valves.

One valve that gives too little is the watch's to find. Where several on one source do and none gets enough, it is the source.
"""

from supervisor.core.desk import Desk
from supervisor.core.state import Dose, Source, Tally
from supervisor.values import Row

SHARE = 0.1  # a meter and a valve's stroke are off by less (common practice, no source)
STROKE_NL = 1.0
SHORT_DOSES = 4  # on at least two enclosures, and none full between: the source gives less than it says


def count(desk: Desk, dose: Dose, late: bool) -> None:
    """A request has ended for good."""
    kept, source = desk.state.enclosures[dose.enclosure], desk.state.sources.get(dose.source)
    tally = kept.tallies.setdefault(dose.gas, Tally())
    if late:
        tally.late += 1
        tally.silent -= 1
    what = _judged(dose)
    setattr(tally, what, getattr(tally, what) + 1)
    if source is not None and what in ("full", "over"):
        source.short_at = {}
    elif source is not None and what == "short":
        source.short_at[dose.enclosure] = source.short_at.get(dose.enclosure, 0) + 1
    if what != "full" or late:
        _record(desk, dose, tally)


def silent(desk: Desk, dose: Dose) -> None:
    """A request's lease and grace are over without a last word."""
    tally = desk.state.enclosures[dose.enclosure].tallies.setdefault(dose.gas, Tally())
    tally.silent += 1
    _record(desk, dose, tally)


def source_is_short(source: Source) -> bool:
    return len(source.short_at) >= 2 and sum(source.short_at.values()) >= SHORT_DOSES


def _judged(dose: Dose) -> str:
    """The name of the tally's field."""
    if dose.outcome == "refused":
        return "refused"
    if dose.stopped_mono_s is not None:
        return "stopped"
    slack_nl = SHARE * dose.volume_nl + STROKE_NL
    if dose.delivered_nl < dose.volume_nl - slack_nl:
        return "short"
    return "over" if dose.delivered_nl > dose.volume_nl + slack_nl else "full"


def _record(desk: Desk, dose: Dose, tally: Tally) -> None:
    figures = tuple((name, float(getattr(tally, name))) for name in Tally.__slots__)
    desk.effects.append(Row("valve", (("enclosure", dose.enclosure), ("gas", dose.gas)), figures, desk.now.wall_s))
