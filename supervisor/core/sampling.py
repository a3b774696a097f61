"""Where an analyser looks next, and the visit itself.

Looking is what there is least of: while one line is drawn the others are not seen, and its gas is gone. So each choice asks
what a second of the analyser is worth at each line, and takes the best one that leaves everybody's bound to be kept
(`sample_bound`); when nobody can wait, whoever is due first. Room air is drawn a few times a day, and calibration gas when a
calibration asks for it.
"""

from supervisor.core import alarms, calibration, sample_bound, sample_worth
from supervisor.core.desk import Desk
from supervisor.core.sample_bound import DAY_S, MARGIN_S, Job
from supervisor.core.state import Analyser, Purpose, Visit
from supervisor.messages import SelectLine, at

LATE_S_MAX = 45.0  # a visit that took longer than this beyond its line's times says nothing about the next
LATE_SHARE = 0.02  # how much of what is remembered each visit changes: the bound of all rests on it, and must not wobble
ROOM_AIR_COST = 0.1  # what a second without a look at room air that is due costs; little, and it grows
PROVE_S = 300.0  # an analyser that misread room air is shown it again after this pause
IN_VAIN = 3  # visits without a sample, one after the other, are no accident of a line
IDLE_S = 60.0  # how long the idle line is asked for; it stays drawn after that


def judge(desk: Desk, name: str) -> None:
    """Ends a visit that has its sample or its time, and begins the next."""
    analyser = desk.state.analysers[name]
    well = sample_bound.working(desk, name)
    age_s = desk.age_s(analyser.heard_mono_s)
    heard = "not heard since the start" if age_s is None else f"last reading {age_s:.0f} s ago"
    alarms.missing(desk, "analyser_silent", name, not well, f"{heard}, status {analyser.status}")
    if desk.state.stopping or not desk.state.link_up or not well:
        # It may draw its line for as long as it was told to, so nobody else is sent there; and no line is to blame.
        if analyser.visit is not None and desk.now.mono_s >= analyser.visit.until_mono_s:
            analyser.visit = None
        return
    visit = analyser.visit
    if visit is not None and not _over(desk, name, analyser, visit):
        return
    analyser.visit = None
    chosen = choose(desk, name)
    if chosen is not None:
        _visit(desk, name, analyser, chosen)
    elif visit is not None:
        _select(desk, name, desk.site.analysers[name].idle_line, IDLE_S)  # what is drawn any longer is gas for nothing


def choose(desk: Desk, name: str) -> str | None:
    """The line that this analyser should draw next, or None when nothing is worth looking at."""
    taken = [one.visit.line for one in desk.state.analysers.values() if one.visit is not None]
    wanted = calibration.wanted_line(desk, name)
    if wanted is not None and wanted not in taken:
        return wanted  # calibration has seen to it that nobody's sample becomes overdue
    if desk.state.analysers[name].untrue and (proof := _room_air_to_prove(desk, name, taken)) is not None:
        return proof
    every, bound = sample_bound.jobs(desk, name)
    jobs = [job for job in every if desk.site.enclosures[job.enclosure].line not in taken]
    for _, line, cost_s in sorted(_candidates(desk, name, bound, taken)):
        enclosure = desk.site.enclosure_of_line.get(line)
        if sample_bound.keeps_all(jobs, desk.now.mono_s, enclosure, cost_s):
            return line
    return _due_first(desk, jobs, bound, ahead=calibration.waits_for_time(desk, name))


def _candidates(desk: Desk, name: str, bound: float, taken: list[str]) -> list[tuple[float, str, float]]:
    """Every line that is worth a visit: minus its worth for a second of the analyser, its name, how long it takes."""
    found = []
    for line in desk.site.analysers[name].lines:
        enclosure = desk.site.enclosure_of_line.get(line.id)
        if line.id in taken:
            continue
        cost_s = sample_bound.visit_s(desk, name, line.id)
        if enclosure is not None:
            worth = _worth(desk, enclosure, bound, line.settling_s)
        else:
            worth = _worth_of_room_air(desk, name, line.id) if line.room is not None else 0.0
        if worth > 0.0:
            found.append((-worth / cost_s, line.id, cost_s))
    return found


def _worth(desk: Desk, enclosure: str, bound: float, ahead_s: float) -> float:
    kept = desk.state.enclosures[enclosure]
    if kept.state not in sample_bound.VISITED:
        return 0.0
    tried_s = desk.age_s(kept.visited_mono_s)
    if kept.missed_visits and tried_s is not None and tried_s < sample_bound.again_s(kept, bound):
        return 0.0
    worth = sample_worth.cost_of_waiting(desk, enclosure, ahead_s)
    return worth if worth > 0.0 and sample_bound.may_draw(desk, enclosure, bound) else 0.0


def _due_first(desk: Desk, jobs: list[Job], bound: float, ahead: bool) -> str | None:
    """Whoever cannot wait any longer, or None when everybody can for now. `ahead`: whoever is due next, from half the bound on;
    a round without a pause leaves the most time for something else.
    """
    due = not sample_bound.keeps_all(jobs, desk.now.mono_s, None, desk.site.timing.tick_s)
    for job in jobs if due or ahead else []:
        if not due and job.deadline_mono_s - desk.now.mono_s > bound / 2.0:
            return None
        if sample_bound.may_draw(desk, job.enclosure, bound, due):
            return desk.site.enclosures[job.enclosure].line
    return None


# ------------------------------------------------------------------------------------------------ room air


def _worth_of_room_air(desk: Desk, name: str, line: str) -> float:
    every_s = DAY_S / desk.site.sampling.room_air_per_day
    drawn_mono_s = _drawn_mono_s(desk, name, line)
    due = 1.0 if drawn_mono_s is None else (desk.now.mono_s - drawn_mono_s) / every_s
    return ROOM_AIR_COST * due * due if due >= 1.0 else 0.0


def _room_air_to_prove(desk: Desk, name: str, taken: list[str]) -> str | None:
    """The room air by which an analyser that misread it can be believed again. In between it goes its rounds: what it reads
    is no sample, and each enclosure must come to know that.
    """
    lines = [line.id for line in desk.site.analysers[name].lines if line.room is not None and line.id not in taken]
    drawn = sorted((_drawn_mono_s(desk, name, line) or 0.0, line) for line in lines)
    return drawn[0][1] if drawn and desk.now.mono_s - drawn[0][0] >= PROVE_S else None


def _drawn_mono_s(desk: Desk, name: str, line: str) -> float | None:
    """When this line of no enclosure was last drawn since the start, with or without a reading."""
    drawn_mono_s = desk.state.analysers[name].tried_mono_s.get(line)
    return drawn_mono_s if drawn_mono_s is not None and drawn_mono_s >= desk.state.trusted_mono_s else None


# ------------------------------------------------------------------------------------------------ visits


def _over(desk: Desk, name: str, analyser: Analyser, visit: Visit) -> bool:
    """Whether a visit has what it was for, or its time is up."""
    late = desk.now.mono_s >= visit.until_mono_s
    if visit.purpose == "calibration":
        return late or calibration.visit_over(desk, name, visit.line)
    if visit.purpose == "room_air":
        seen = analyser.seen_mono_s.get(visit.line, -1.0) >= visit.asked_mono_s
        if seen or late:
            analyser.tried_mono_s[visit.line] = desk.now.mono_s
        return seen or late
    kept = desk.state.enclosures[desk.site.enclosure_of_line[visit.line]]
    # The sample must be of gas that left the enclosure after the analyser was sent there.
    sampled = kept.sample is not None and kept.sample.taken_mono_s >= visit.asked_mono_s
    if not sampled and not late:
        return False
    _book(desk, name, analyser, visit, sampled)
    if sampled:
        if analyser.in_vain >= IN_VAIN:
            _blame_no_line(desk, name)
        analyser.in_vain = 0
    else:
        analyser.in_vain += 1
        kept.missed_visits += 1
        kept.visited_mono_s = desk.now.mono_s
        desk.say("visit_without_sample", "warning", line=visit.line, missed_visits=kept.missed_visits)
    return True


def _blame_no_line(desk: Desk, name: str) -> None:
    """It reads again after visits in vain to one line after the other: that was the analyser, so no line waits its pause."""
    for line in desk.site.analysers[name].lines:
        enclosure = desk.site.enclosure_of_line.get(line.id)
        if enclosure is not None:
            desk.state.enclosures[enclosure].missed_visits = 0


def _book(desk: Desk, name: str, analyser: Analyser, visit: Visit, sampled: bool) -> None:
    """Remembers how long a visit really takes, and the gas that it took beyond the usual."""
    enclosure = desk.site.enclosure_of_line[visit.line]
    took_s = desk.now.mono_s - visit.asked_mono_s
    drawn_nl = took_s * desk.site.analysers[name].sample_flow_nl_min / 60.0
    sample_bound.book_early(desk, enclosure, drawn_nl - sample_bound.drawn_by_visit_nl(desk, enclosure))
    if sampled:
        late_s = min(max(took_s - desk.site.lines[visit.line].visit_s, 0.0), LATE_S_MAX)
        analyser.late_s += LATE_SHARE * (late_s - analyser.late_s)


def _visit(desk: Desk, name: str, analyser: Analyser, chosen: str) -> None:
    line, enclosure = desk.site.lines[chosen], desk.site.enclosure_of_line.get(chosen)
    calibrates = calibration.wanted_line(desk, name) == line.id
    lasting_s = calibration.visit_s(desk, line.id) if calibrates else line.visit_s + MARGIN_S
    purpose: Purpose = "calibration" if calibrates else "sample" if enclosure is not None else "room_air"
    analyser.visit = Visit(line.id, desk.now.mono_s, desk.now.mono_s + lasting_s, purpose)
    if enclosure is not None:
        sample_bound.book_visit(desk, enclosure, sample_bound.jobs(desk, name)[1])
    _select(desk, name, line.id, lasting_s)


def _select(desk: Desk, name: str, line: str, lasting_s: float) -> None:
    request_id = f"{desk.state.epoch}-{desk.state.next_id}"
    desk.state.next_id += 1
    offset_s = desk.state.units[desk.site.analysers[name].unit].clock_offset_s
    valid_until = at(desk.now.wall_s + lasting_s + offset_s)
    desk.publish(SelectLine(request_id=request_id, line=line, valid_until=valid_until), name)
