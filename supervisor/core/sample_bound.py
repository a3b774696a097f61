"""How old samples may become: who answers for which enclosure, the bound that can be kept, and the gas that it takes.

Each working analyser answers for its share of the enclosures. One round of them takes as long as their visits together; a
bound on their age that is longer than the round leaves the difference for looking where it matters more. Whoever would pass
the bound goes first, earliest deadline first, which keeps every bound that can be kept at all.
"""

from typing import NamedTuple

from supervisor.core import alarms
from supervisor.core.desk import Desk
from supervisor.core.state import Enclosure

VISITED = ("pulling_down", "holding", "venting", "faulted")  # an open enclosure holds room air, and people
MARGIN_S = 45.0  # over its line's times, what a visit may take before it is given up; ours, no source
ROOM = 0.75  # of the greatest age, what is used: the rest is for an outage, a lost visit, a second try
ROOM_MIN = 0.9  # so much of it is used where a round takes too long for that
ROUTINE_SHARE = 0.75  # of an analyser's time, what its rounds take at most; the rest may go where it is worth most
AGAIN_S = 120.0  # after a visit without a sample, the pause before the next; doubled each time, up to the bound
PAID_SHARE = 0.9  # of the bound, how old a sample is when the next counts as asked for by the bound
PLANNED_SHARE = 0.98  # of the bound, what visits are planned by: a chain of them takes a little longer than they lately took
SPARE_VISITS = 2.0  # of a day's gas, what is kept back for visits that took longer or came a little early
USUAL_LATE_S = 10.0  # how much longer than its line's times a visit usually takes: until the next reading, and its message
DAY_S = 86400.0
# Their gas is being exchanged by volumes: what samples take is nothing beside it, and to wait for one costs far more.
EXCHANGED = ("pulling_down", "venting")


class Job(NamedTuple):
    """An enclosure that must be seen by a time, and how long that takes."""

    deadline_mono_s: float
    enclosure: str
    visit_s: float


def working(desk: Desk, name: str) -> bool:
    """Whether an analyser can be sent anywhere: heard of late, and not in fault by its own word."""
    analyser = desk.state.analysers[name]
    return desk.fresh(analyser.heard_mono_s, desk.site.timing.unit_silence_s_max) and analyser.status != "fault"


def visit_s(desk: Desk, analyser: str, line: str) -> float:
    """What a visit costs: the line's way, the cell, and as long as it lately took until the reading was here."""
    return desk.site.lines[line].visit_s + desk.state.analysers[analyser].late_s


def shares(desk: Desk) -> dict[str, list[str]]:
    """The enclosures that each working analyser answers for. What only one reaches is its own; the others go, longest visit
    first, to whoever has least to do. When one fails or is not to be believed, the others answer for all that they reach.
    """
    found: dict[str, list[str]] = {name: [] for name in desk.site.analysers if working(desk, name)}
    sound = [
        name for name in found
        if not desk.state.analysers[name].disbelieved and not alarms.active(desk, "analyser_untrue", name)
    ]  # fmt: skip
    loads_s = dict.fromkeys(found, 0.0)
    shared: list[tuple[float, str, list[str]]] = []
    for name, kept in desk.state.enclosures.items():
        if kept.state not in VISITED or name not in desk.site.enclosures:
            continue
        line = desk.site.enclosures[name].line
        able = [one for one in desk.site.analysers_of_line[line] if one in found]
        able = [one for one in able if one in sound] or able
        if len(able) == 1:
            found[able[0]].append(name)
            loads_s[able[0]] += desk.site.lines[line].visit_s
        elif able:
            shared.append((desk.site.lines[line].visit_s, name, able))
    for lasting_s, name, able in sorted(shared, key=lambda one: (-one[0], one[1])):
        least = min(able, key=lambda one: (loads_s[one], one))
        found[least].append(name)
        loads_s[least] += lasting_s
    return found


def round_s(desk: Desk, analyser: str, names: list[str]) -> float:
    """What one round of these enclosures takes; a line that gave no sample lately takes until its visit is given up."""
    return sum(_expected_s(desk, analyser, name) for name in names)


def bound_s(desk: Desk, a_round_s: float) -> float:
    """How old a sample may become before its enclosure goes first.

    A site that can keep the greatest age with room to spare keeps that room. One that cannot keep the age at all gives a
    part of its analyser to what is worth most all the same: otherwise no pull-down there would ever end.
    """
    limit_s = desk.site.timing.sample_age_s_max
    if a_round_s <= ROOM_MIN * ROOM_MIN * limit_s:
        return min(max(ROOM * limit_s, a_round_s / ROUTINE_SHARE), ROOM_MIN * limit_s)
    return a_round_s / ROUTINE_SHARE


def bound_of_s(desk: Desk, name: str, bound: float) -> float:
    """The bound of one enclosure: one that is so small that a sample is much of its gas is seen less often."""
    drawn_nl = drawn_by_visit_nl(desk, name)
    left_nl = drawn_nl_max(desk, name) - (1.0 + 2.0 * SPARE_VISITS) * drawn_nl
    return max(bound, DAY_S if left_nl <= drawn_nl else DAY_S * drawn_nl / (PAID_SHARE * left_nl))


def jobs(desk: Desk, analyser: str) -> tuple[list[Job], float]:
    """What this analyser answers for, earliest deadline first, and the bound that it keeps."""
    names = shares(desk).get(analyser, [])
    bound = bound_s(desk, round_s(desk, analyser, names))
    found = []
    for name in names:
        kept = desk.state.enclosures[name]
        deadline_mono_s = sampled_mono_s(desk, kept) + PLANNED_SHARE * bound_of_s(desk, name, bound)
        if kept.missed_visits and kept.visited_mono_s is not None:
            deadline_mono_s = max(deadline_mono_s, kept.visited_mono_s + again_s(kept, bound))
        found.append(Job(deadline_mono_s, name, _expected_s(desk, analyser, name)))
    return sorted(found), bound


def keeps_all(listed: list[Job], mono_s: float, first: str | None, cost_s: float) -> bool:
    """Whether everybody's bound is still kept when `cost_s` from now on is spent on `first`, which may be one of them."""
    for job in listed:
        if job.enclosure == first:
            continue
        cost_s += job.visit_s
        if mono_s + cost_s > job.deadline_mono_s:
            return False
    return True


def again_s(kept: Enclosure, bound: float) -> float:
    """How long after a visit without a sample a line is left alone: a blocked one must not keep the analyser."""
    return float(min(bound, AGAIN_S * 2 ** min(kept.missed_visits - 1, 10))) if kept.missed_visits else 0.0


def sampled_mono_s(desk: Desk, kept: Enclosure) -> float:
    """When the gas was last known; what was not seen since its state began, or since the start, counts from then. A held
    enclosure was pulled down by a sample that says what it holds.
    """
    trusted_mono_s, sample = desk.state.trusted_mono_s, kept.sample
    if kept.state == "holding" and sample is not None:
        return max(trusted_mono_s, sample.taken_mono_s)
    begun_mono_s = max(kept.since_mono_s, trusted_mono_s)
    return begun_mono_s if sample is None else max(begun_mono_s, sample.taken_mono_s)


def unseen(desk: Desk, kept: Enclosure) -> bool:
    """Whether there is no sample since the start, nor since its state began."""
    return kept.sample is None or kept.sample.taken_mono_s < sampled_mono_s(desk, kept)


# ------------------------------------------------------------------------------------------------ gas


def drawn_by_visit_nl(desk: Desk, name: str) -> float:
    """What a visit usually takes from an enclosure, by whichever analyser draws most."""
    line = desk.site.lines[desk.site.enclosures[name].line]
    flow_nl_min = max(desk.site.analysers[one].sample_flow_nl_min for one in desk.site.analysers_of_line[line.id])
    return flow_nl_min * (line.visit_s + USUAL_LATE_S) / 60.0


def drawn_nl_max(desk: Desk, name: str) -> float:
    """What sampling may take from an enclosure in a day."""
    return desk.site.sampling.drawn_pct_max / 100.0 * desk.site.enclosures[name].free_volume_nl


def may_draw(desk: Desk, name: str, bound: float, due: bool = False) -> bool:
    """Whether a visit now leaves enough of the day's gas for the visits that the bound needs. One that is due may take of
    what is kept back for that.
    """
    if desk.state.enclosures[name].state in EXCHANGED:
        return True
    early_nl, drawn_nl = _early_nl(desk, name, bound), drawn_by_visit_nl(desk, name)
    asked_nl = drawn_nl * (DAY_S / (PAID_SHARE * bound_of_s(desk, name, bound)) + 1.0)
    kept_back_nl = 0.0 if due else SPARE_VISITS * drawn_nl
    hour = int(desk.now.mono_s // 3600.0)
    booked_nl = sum(nl for then, nl in desk.state.enclosures[name].early_nl.items() if hour - then <= 24)
    return early_nl <= 0.0 or booked_nl + early_nl + asked_nl + kept_back_nl <= drawn_nl_max(desk, name)


def book_visit(desk: Desk, name: str, bound: float) -> None:
    """Books what a visit that begins now will take beyond what the bound pays for."""
    if desk.state.enclosures[name].state not in EXCHANGED:
        book_early(desk, name, _early_nl(desk, name, bound))


def book_early(desk: Desk, name: str, early_nl: float) -> None:
    kept, hour = desk.state.enclosures[name], int(desk.now.mono_s // 3600.0)
    kept.early_nl = {then: nl for then, nl in kept.early_nl.items() if hour - then <= 24}
    if early_nl > 0.0:
        kept.early_nl[hour] = kept.early_nl.get(hour, 0.0) + early_nl


def _early_nl(desk: Desk, name: str, bound: float) -> float:
    """What a visit now takes beyond its time. The ages at which an enclosure is visited add up to a day at most, so that
    visits which each count by their age as a share of the bound are never more than the bound asks for; the rest is early.
    """
    kept = desk.state.enclosures[name]
    age_s = desk.now.mono_s - max(sampled_mono_s(desk, kept), kept.visited_mono_s or 0.0)
    paid_s = PAID_SHARE * bound_of_s(desk, name, bound)
    return drawn_by_visit_nl(desk, name) * max(0.0, 1.0 - age_s / paid_s)


def _expected_s(desk: Desk, analyser: str, name: str) -> float:
    line = desk.site.enclosures[name].line
    given_up = desk.state.enclosures[name].missed_visits > 0
    return desk.site.lines[line].visit_s + (MARGIN_S if given_up else desk.state.analysers[analyser].late_s)
