"""Whether a reading of an enclosure can be its gas, and what the enclosure does until that is known.

A figure that the gas balance does not allow is no sample yet. Where another gas explains it (the line before, room air), the
line is suspected; where nothing does, the gas may really have moved, and a second visit that finds the same confirms it,
unless several lines of one analyser jumped at once and it has not read room air right since.
"""

from supervisor.core import alarms, plausible
from supervisor.core.balance import AIR, Mixture
from supervisor.core.desk import Desk
from supervisor.core.plausible import APART_PCT_MIN, SHARE_ALL, Reach, share_of
from supervisor.core.state import Candidate, Enclosure, Seen
from supervisor.core.verdict import GOOD, Draw, Verdict
from supervisor.messages import AnalyserReading

MOVING_MARGIN_PCT = Mixture(0.2, 0.3)  # between two complete readings of one visit
APART_S_MAX = 7200.0  # what another analyser read longer ago is no comparison
GROWN_SHARE = 0.4  # of what a leak would have added since, how much it takes to be one and no leaking line
GROWN_MIN = 0.03
DOUBT_SHARE = 0.2  # of the time in doubt, how much of it widens what is allowed


def judge(desk: Desk, analyser_name: str, enclosure: str, gas: Mixture, draw: Draw) -> Verdict:
    kept = desk.state.enclosures[enclosure]
    if why := desk.state.analysers[analyser_name].disbelieved:
        return Verdict("disbelieved", why)
    if not desk.site.analysers[analyser_name].belief.against_balance or kept.state == "filling":
        return GOOD
    seen = Seen(desk.site.enclosures[enclosure].line, *gas, draw.taken_mono_s)
    verdict = _of(desk, analyser_name, enclosure, seen)
    kept.read_by[analyser_name] = seen
    if verdict.row.sample:
        desk.state.analysers[analyser_name].suspects.pop(seen.line, None)
    return verdict


def slip(desk: Desk, analyser_name: str, enclosure: str, reading: AnalyserReading, draw: Draw) -> Verdict | None:
    """A figure that would be right in another unit. It is looked for in what was read: corrections would hide it."""
    if not desk.site.analysers[analyser_name].belief.against_balance or desk.state.enclosures[enclosure].state == "filling":
        return None
    where = _where(desk, enclosure, draw.taken_mono_s)
    told = "" if where is None else plausible.slip(Mixture(reading.o2_pct, reading.co2_pct), where)
    return Verdict("scale_slip", told) if told else None


def _where(desk: Desk, enclosure: str, taken_mono_s: float) -> Reach | None:
    """Where this enclosure's gas may stand by what was last known of it; None when nothing is known."""
    kept = desk.state.enclosures[enclosure]
    against = plausible.base(desk, kept)
    if against is None:
        return None
    since, margin = against
    by_s = taken_mono_s - since.taken_mono_s
    if kept.doubt and kept.doubted_mono_s is not None:
        # A lie that lasts does not become likelier; what fruit does at its worst it does not do for hours.
        before_s = kept.doubted_mono_s - since.taken_mono_s
        by_s = before_s + DOUBT_SHARE * max(0.0, by_s - before_s)
    return plausible.reach(desk, enclosure, since, taken_mono_s, margin, by_s)


def _of(desk: Desk, name: str, enclosure: str, seen: Seen) -> Verdict:
    analyser, kept, gas = desk.state.analysers[name], desk.state.enclosures[enclosure], _mixture(seen)
    last = analyser.drawn
    if last is not None and last.line == seen.line and last.taken_mono_s >= analyser.run_mono_s:
        moved = plausible.reach(desk, enclosure, last, seen.taken_mono_s, MOVING_MARGIN_PCT)
        if not moved.holds(gas):
            return Verdict("moving", moved.told(gas))
    apart = _apart(desk, name, enclosure, seen)
    where = _where(desk, enclosure, seen.taken_mono_s)
    if where is None or where.holds(gas):
        kept.candidate = None
        return apart or GOOD
    explained = _explained(analyser.line_before(seen.line), gas, where, _sampled(kept))
    verdict = explained or apart or Verdict("too_fast", where.told(gas))
    return _weighed(desk, name, enclosure, seen, where, verdict)


def _mixture(seen: Seen) -> Mixture:
    return Mixture(seen.o2_pct, seen.co2_pct)


def _apart(desk: Desk, name: str, enclosure: str, seen: Seen) -> Verdict | None:
    """What another analyser read here lately, where the two cannot both be right."""
    belief = desk.site.analysers[name].belief
    margin = Mixture(belief.apart_o2_pct_max, belief.apart_co2_pct_max)
    for other, there in desk.state.enclosures[enclosure].read_by.items():
        ago_s = seen.taken_mono_s - there.taken_mono_s
        if other == name or other not in desk.state.analysers or desk.state.analysers[other].disbelieved or ago_s > APART_S_MAX:
            continue
        if there.taken_mono_s < desk.state.enclosures[enclosure].gas_since_mono_s:
            continue
        where = plausible.reach(desk, enclosure, there, seen.taken_mono_s, margin)
        if not where.holds(_mixture(seen)):
            return Verdict("apart", f"{other} read O2 {there.o2_pct:.2f} %, CO2 {there.co2_pct:.2f} % {ago_s:.0f} s before; "
                                    f"{name}: {where.told(_mixture(seen))}")  # fmt: skip
    return None


def _sampled(kept: Enclosure) -> bool:
    """Whether its gas was ever seen: what was only sealed over air may hold anything."""
    return kept.sample is not None and kept.sample.taken_mono_s >= kept.gas_since_mono_s


def _explained(before: Seen | None, gas: Mixture, where: Reach, sampled: bool) -> Verdict | None:
    """The other gas that makes up the difference, where there is one. From air anything is on the way to anything, so of what
    was never seen only the very gas of the line before tells.
    """
    airy = before is not None and max(abs(before.o2_pct - AIR.o2_pct), abs(before.co2_pct - AIR.co2_pct)) < APART_PCT_MIN
    if before is not None and not airy and (share := share_of(_mixture(before), gas, where)) is not None:
        told = f"{where.told(gas)}; {share:.0%} of the gas of line {before.line} explains it"
        if share >= SHARE_ALL or sampled:
            return Verdict("line_before" if share >= SHARE_ALL else "carry_over", told)
    if sampled and (share := share_of(AIR, gas, where)) is not None:
        held = f", which line {before.line} before it held as well" if before is not None and airy else ""
        return Verdict("room_air", f"{where.told(gas)}; {share:.0%} of room air explains it{held}")
    return None


def _weighed(desk: Desk, name: str, enclosure: str, seen: Seen, where: Reach, verdict: Verdict) -> Verdict:
    """Good after all, when an earlier visit found the same and nothing but the enclosure explains both."""
    analyser, kept = desk.state.analysers[name], desk.state.enclosures[enclosure]
    earlier = kept.candidate
    if earlier is not None and earlier.analyser == name and earlier.seen.taken_mono_s >= analyser.run_mono_s:
        return verdict  # of this very visit
    if _sampled(kept):
        analyser.suspects[seen.line] = verdict.measured
    kept.candidate = Candidate(name, verdict.name, seen, analyser.line_before(seen.line))
    if earlier is None or verdict.name == "apart":
        return verdict
    alone = not [line for line in analyser.suspects if line != seen.line]
    vouched = analyser.air_mono_s is not None and analyser.air_mono_s > earlier.seen.taken_mono_s
    if not (alone or vouched) or not _confirmed(desk, enclosure, earlier, kept.candidate, where, verdict):
        return verdict
    kept.candidate = None
    analyser.suspects.pop(seen.line, None)
    desk.say("reading_confirmed", "warning", enclosure=enclosure, measured=verdict.measured, verdict=verdict.name)
    return Verdict("good", f"a second visit found the same: {verdict.measured}")


def _confirmed(
    desk: Desk, enclosure: str, earlier: Candidate, now: Candidate, where: Reach, verdict: Verdict
) -> bool:
    gas = _mixture(now.seen)
    if verdict.name == "room_air":
        # A torn bag goes on towards air, a line that lets air in does so by the same share again and again. What reads as
        # air altogether may be either, and a person has to look.
        was, now_is = share_of(AIR, _mixture(earlier.seen), where) or 0.0, share_of(AIR, gas, where) or 0.0
        grown = _leaked(desk, enclosure, was, earlier.seen.taken_mono_s, now.seen.taken_mono_s) - was
        return was < SHARE_ALL and now_is - was >= max(GROWN_MIN, GROWN_SHARE * grown)
    if not plausible.reach(desk, enclosure, earlier.seen, now.seen.taken_mono_s).holds(gas):
        return False
    if verdict.name == "too_fast":
        return earlier.verdict == "too_fast"
    if earlier.before is None or now.before is None:
        return False
    # Gas of the line before would have come with another figure after another line.
    differ = max(abs(earlier.before.o2_pct - now.before.o2_pct), abs(earlier.before.co2_pct - now.before.co2_pct))
    return differ > APART_PCT_MIN


def _leaked(desk: Desk, enclosure: str, share: float, then_mono_s: float, now_mono_s: float) -> float:
    """The share of air by now, had a leak that began right after the last good sample made it `share` then."""
    against = plausible.base(desk, desk.state.enclosures[enclosure])
    since_s = then_mono_s - (then_mono_s if against is None else against[0].taken_mono_s)
    return 1.0 - (1.0 - min(share, 0.99)) ** ((now_mono_s - then_mono_s + since_s) / since_s) if since_s > 0.0 else share


# ------------------------------------------------------------------------------------------------ what it leads to


def stands(desk: Desk, enclosure: str, verdict: Verdict) -> None:
    """A complete reading of this enclosure was judged: doubt begins, goes on, or is over."""
    kept = desk.state.enclosures[enclosure]
    if verdict.row.holds:
        if verdict.name != kept.doubted:
            desk.touch(enclosure)
        if not kept.doubt:
            kept.doubted_mono_s = desk.now.mono_s
        kept.doubt, kept.doubted = verdict.text, verdict.name
    elif verdict.row.sample and kept.doubt:
        kept.doubt = kept.doubted = ""
        desk.touch(enclosure)
    for name in ("line_suspect", "reading_doubtful"):
        active = verdict.row.alarm == name
        if active or verdict.row.sample or verdict.row.holds:
            alarms.condition(desk, name, enclosure, active, verdict.text)


def begin_anew(desk: Desk, enclosure: str, over_air: bool) -> None:
    """People were at this enclosure: what was known of its gas is no measure for what comes."""
    kept: Enclosure = desk.state.enclosures[enclosure]
    kept.gas_since_mono_s, kept.sealed_over_air = desk.now.mono_s, over_air
    kept.doubt = kept.doubted = ""
    kept.candidate, kept.held_findings, kept.read_by = None, [], {}
    for name in ("line_suspect", "reading_doubtful"):
        alarms.condition(desk, name, enclosure, False)
