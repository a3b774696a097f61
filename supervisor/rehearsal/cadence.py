"""How often the simulated hardware speaks in a rehearsal, and how far time moves between two decisions: as seldom as the
site file's own limits allow, for every message costs time. What nobody decides on is said once an hour.
"""

from typing import NamedTuple

from simulator.assumed import Cadence
from supervisor.settings import SiteFile

STEP_S_MAX = 15.0  # a visit of the analyser is a minute or two: a longer step would lengthen it
STEP_S_MIN = 1.0
HOUR_S = 3600.0


class Pace(NamedTuple):
    """`step_s` between two decisions, `hear_s` between two lots of messages, and what is said how often."""

    step_s: float
    hear_s: float
    cadence: Cadence


def pace_of(site: SiteFile) -> Pace:
    """Twice within each limit that a silence is judged by, three times within a permit."""
    timing = site.timing
    step_s = min(STEP_S_MAX, timing.air_age_s_max / 2.0, timing.unit_silence_s_max / 2.0, timing.permit_valid_s / 3.0)
    step_s = max(STEP_S_MIN, float(int(step_s)))
    return Pace(
        step_s,
        max(STEP_S_MIN, min(step_s, timing.clock_offset_s_max / 2.0)),  # what comes late looks like a clock that is off
        Cadence(
            status_s=step_s, reading_s=step_s, air_s=step_s, climate_s=HOUR_S, pulp_s=HOUR_S, bag_s=HOUR_S, flow_s=600.0,
            source_s=max(step_s, min(30.0, timing.unit_silence_s_max / 1.5)),
        ),
    )  # fmt: skip
