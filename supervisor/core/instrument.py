"""What a reading shows of the instrument itself, whatever line it is of: its own word, its range, its age, a flat line."""

from supervisor.core.balance import Mixture, feed_of, swept
from supervisor.core.desk import Desk
from supervisor.core.ledger import given_nl
from supervisor.core.state import Analyser, Still
from supervisor.core.verdict import Draw, Verdict
from supervisor.messages import AnalyserReading
from supervisor.settings_belief import Belief

SUM_PCT_MAX = 100.5  # everything there is, and half a percent for the instrument
NOISE_PCT = 0.1  # a sound instrument's zero; an enclosure's gas further below nothing is none
CODE_PCT = -0.9  # the usual fault code is -1; a zero that has drifted less far is for known gas to show
END_SHARE = 0.995  # of its range: an amplifier at its stop does not quite say the last digit
DIFFER_PCT = 0.5  # a gas that has moved, or differs from another line's, by more must show in its digits


def judge(desk: Desk, name: str, reading: AnalyserReading, draw: Draw) -> Verdict | None:
    """What is wrong with it, or None when it is a sound reading of whatever was drawn."""
    belief = desk.site.analysers[name].belief
    if reading.status != "ok":
        return Verdict("not_ready", f"status {reading.status}")
    _follow_digits(desk, desk.state.analysers[name], reading)
    if not draw.known:
        return Verdict("time_unknown", f"unit {desk.site.analysers[name].unit}")
    if reading.line_confirmed is False:
        return Verdict("line_denied", f"line {reading.line} was asked for")
    read = Mixture(reading.o2_pct, reading.co2_pct)
    enclosed = reading.line in desk.site.enclosure_of_line
    wrong = _impossible(read, belief, -NOISE_PCT if enclosed else CODE_PCT)
    if wrong is not None:
        return wrong
    if not draw.complete:
        return Verdict("settling", f"line {reading.line}")
    if draw.age_s > belief.reading_age_s_max:
        return Verdict("late", f"{draw.age_s:.0f} s old, at most {belief.reading_age_s_max:g} s")
    return _below_zero(read) if enclosed else None


def _impossible(read: Mixture, belief: Belief, least_pct: float) -> Verdict | None:
    told = f"O2 {read.o2_pct:.2f} %, CO2 {read.co2_pct:.2f} %"
    if min(read) < least_pct:
        return Verdict("fault_code", f"{told}; nothing is below {least_pct:g} %")
    ends = Mixture(belief.o2_range_pct, belief.co2_range_pct)
    for what, here, end in zip(("O2", "CO2"), read, ends, strict=True):
        if here >= END_SHARE * end:
            return Verdict("end_stop", f"{told}; {what} ends at {end:g} %")
    if sum(read) > SUM_PCT_MAX:
        return Verdict("sum_over_100", f"{told}; at most {SUM_PCT_MAX:g} % together")
    return None


def _below_zero(read: Mixture) -> Verdict | None:
    """Noise, and no fault. But the guard believes nothing below zero, so it cannot be a sample."""
    return Verdict("below_zero", f"O2 {read.o2_pct:.2f} %, CO2 {read.co2_pct:.2f} %") if min(read) < 0.0 else None


def _follow_digits(desk: Desk, analyser: Analyser, reading: AnalyserReading) -> None:
    for gas, pct in (("o2", reading.o2_pct), ("co2", reading.co2_pct)):
        still = analyser.still.get(gas)
        if still is None or still.pct != pct:
            analyser.still[gas] = Still(pct, 1, reading.line, desk.now.mono_s)
        else:
            still.readings += 1


def flat(desk: Desk, name: str, reading: AnalyserReading) -> Verdict | None:
    """Gas may well stand still; what tells is that it must have changed, by gas that was given or another line, and the
    digits have not. It is over with the first digit that moves.
    """
    belief, enclosure = desk.site.analysers[name].belief, desk.site.enclosure_of_line.get(reading.line)
    for gas, still in desk.state.analysers[name].still.items():
        if belief.flat_line_readings == 0 or still.readings < belief.flat_line_readings:
            continue
        if enclosure is not None and not still.flat:
            still.flat = _should_differ(desk, enclosure, gas, still, reading.line)
        if still.flat:
            lasting_s = desk.now.mono_s - still.since_mono_s
            told = f"{gas.upper()} {still.pct:g} % on {still.readings} readings running, since line {still.line}"
            return Verdict("flat_line", f"{told}, {lasting_s:.0f} s ago")
    return None


def _should_differ(desk: Desk, enclosure: str, gas: str, still: Still, line: str) -> bool:
    sample = desk.state.enclosures[enclosure].sample
    if sample is not None and still.line != line and sample.taken_mono_s < still.since_mono_s:
        there_pct = sample.o2_pct if gas == "o2" else sample.co2_pct
        if abs(there_pct - still.pct) > DIFFER_PCT:
            return True
    if sample is None:
        return False
    start = moved = Mixture(sample.o2_pct, sample.co2_pct)
    for one, fed_nl in given_nl(desk, enclosure, still.since_mono_s):
        moved = swept(moved, feed_of(one, 0.0), fed_nl, desk.site.enclosures[enclosure].free_volume_nl)
    off = Mixture(moved.o2_pct - start.o2_pct, moved.co2_pct - start.co2_pct)
    return abs(off.o2_pct if gas == "o2" else off.co2_pct) > DIFFER_PCT
