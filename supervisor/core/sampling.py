"""One analyser, many lines: where it looks next.

Each enclosure has an interval at which it wants to be seen, by what is going on in it; the one that is longest overdue by
its own measure is next. Open enclosures are not visited: they hold room air, and people.
"""

from supervisor.core import alarms, calibration
from supervisor.core.desk import Desk
from supervisor.core.state import Analyser, Enclosure, Visit
from supervisor.messages import SelectLine, at

# Seconds between visits that each state wants. A pull-down with gas still to come needs few; one that waits, one soon.
WAITING_S = 40.0
INTERVAL_S = {"pulling_down": 600.0, "venting": 300.0, "holding": 1800.0, "faulted": 1800.0}
EAGER = ("pulling_down", "venting")  # visited before their time when the analyser is free; the others would lose gas
MARGIN_S = 45.0  # over transport and settling, what a visit may take before it is given up
OLD_SHARE = 0.7  # past this share of the greatest age, a sample goes before everything else
AGAIN_S = 30.0  # no sooner than this is an enclosure visited again, however eager


def judge(desk: Desk, name: str) -> None:
    """Ends a visit that has its sample or its time, and begins the next."""
    analyser, timing = desk.state.analysers[name], desk.site.timing
    silent = not desk.fresh(analyser.heard_mono_s, timing.unit_silence_s_max) or analyser.status == "fault"
    age_s = desk.age_s(analyser.heard_mono_s)
    heard = "not heard since the start" if age_s is None else f"last reading {age_s:.0f} s ago"
    alarms.missing(desk, "analyser_silent", name, silent, f"{heard}, status {analyser.status}")
    if analyser.visit is not None and not _ended(desk, name, analyser):
        return
    analyser.visit = None
    if desk.state.stopping or not desk.state.link_up or silent:
        return
    chosen = choose(desk, name)
    if chosen is not None:
        _visit(desk, name, analyser, chosen)


def _ended(desk: Desk, name: str, analyser: Analyser) -> bool:
    visit = analyser.visit
    if visit is None:
        return True
    enclosure = desk.site.enclosure_of_line.get(visit.line)
    if visit.purpose == "calibration":
        return calibration.visit_over(desk, name, visit.line) or desk.now.mono_s >= visit.until_mono_s
    if enclosure is None:
        return analyser.seen_mono_s.get(visit.line, -1.0) >= visit.asked_mono_s or desk.now.mono_s >= visit.until_mono_s
    kept = desk.state.enclosures[enclosure]
    # The sample must be of gas that left the enclosure after the analyser was sent there.
    if kept.sample is not None and kept.sample.taken_mono_s >= visit.asked_mono_s:
        return True
    if desk.now.mono_s < visit.until_mono_s:
        return False
    kept.missed_visits += 1
    kept.visited_mono_s = desk.now.mono_s
    desk.say("visit_without_sample", "warning", line=visit.line, missed_visits=kept.missed_visits)
    return True


def choose(desk: Desk, analyser: str) -> str | None:
    """The line that this analyser should draw next, or None when nothing is worth looking at."""
    wanted = calibration.wanted_line(desk, analyser)
    if wanted is not None:
        return wanted
    best, highest = None, 0.0
    for line in desk.site.analysers[analyser].lines:
        name = desk.site.enclosure_of_line.get(line.id)
        if name is None:
            continue
        kept = desk.state.enclosures[name]
        interval_s = INTERVAL_S.get(kept.state)
        if interval_s is None:
            continue
        since_s = _unseen_s(desk, kept)
        if kept.state == "pulling_down" and not kept.running and not any(kept.wanted_nl.values()):
            # It waits for this sample and nothing else; the one that is nearly done goes before the one just sealed.
            interval_s = WAITING_S if kept.phase else 2.0 * WAITING_S
        if kept.state == "holding" and max(abs(kept.o2_loop.integral_pct_h), abs(kept.co2_loop.integral_pct_h)) > 1.0:
            interval_s /= 2.0  # it drifts fast: CO2 is going into the fruit, or it leaks
        if since_s > OLD_SHARE * desk.site.timing.sample_age_s_max:
            interval_s /= 1000.0  # nobody's sample grows too old to dose on while others are looked at again and again
        least_s = AGAIN_S if kept.state in EAGER else interval_s
        if since_s >= least_s and since_s / interval_s > highest:
            best, highest = line.id, since_s / interval_s
    return best


def _unseen_s(desk: Desk, kept: Enclosure) -> float:
    """How long nobody looked; what was never looked at counts from its last change of state."""
    seen_s = desk.age_s(kept.visited_mono_s)
    since_s = desk.now.mono_s - kept.since_mono_s
    if seen_s is None or kept.visited_mono_s is None or kept.visited_mono_s < max(kept.since_mono_s, desk.state.trusted_mono_s):
        return since_s
    return seen_s


def _visit(desk: Desk, name: str, analyser: Analyser, chosen: str) -> None:
    line = desk.site.lines[chosen]
    calibrates = calibration.wanted_line(desk, name) == line.id
    lasting_s = calibration.visit_s(desk, line.id) if calibrates else line.visit_s + MARGIN_S
    purpose = "calibration" if calibrates else "sample"
    analyser.visit = Visit(line.id, desk.now.mono_s, desk.now.mono_s + lasting_s, purpose)
    request_id = f"{desk.state.epoch}-{desk.state.next_id}"
    desk.state.next_id += 1
    offset_s = desk.state.units[desk.site.analysers[name].unit].clock_offset_s
    valid_until = at(desk.now.wall_s + lasting_s + offset_s)
    desk.publish(SelectLine(request_id=request_id, line=line.id, valid_until=valid_until), name)
