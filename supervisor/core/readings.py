"""From an analyser's readings to samples that may be believed.

Each reading gets a verdict (`verdict.py` has them all in one table), and only a good one becomes a sample. Its time is when the
gas left the enclosure: what the unit says, corrected by its clock offset, less the line's way to the analyser.
"""

from supervisor.core import air_line, alarms, calibration, corrections, doubt, findings, instrument
from supervisor.core.balance import Mixture
from supervisor.core.desk import Desk
from supervisor.core.state import Analyser, Sample, Seen
from supervisor.core.units import our_times, usable
from supervisor.core.verdict import GOOD, Draw, Verdict
from supervisor.messages import AnalyserReading
from supervisor.values import Row, SampleRef

BY_FIGURES = ("fault_code", "end_stop", "sum_over_100")  # shown by each reading alone, settled or not
NO_GAS = (*BY_FIGURES, "flat_line", "scale_slip")  # figures that no gas in the cell has made
SUSPECTS_MIN = 2  # lines at one time are the instrument, or the valve that chooses among them


def on_reading(desk: Desk, name: str, reading: AnalyserReading) -> None:
    analyser = desk.state.analysers[name]
    if reading.boot == analyser.boot and reading.seq <= analyser.seq:
        return  # a repeat or a latecomer; QoS 1 may deliver twice
    draw = _follow(desk, name, analyser, reading)
    gas = corrections.true_of(desk, name, reading)
    verdict = _judged(desk, name, reading, gas, draw)
    _record(desk, name, analyser, reading, verdict, draw)
    enclosure = desk.site.enclosure_of_line.get(reading.line)
    if enclosure is not None and (draw.complete or verdict.name == "line_denied"):
        doubted = desk.state.enclosures[enclosure].doubt
        doubt.stands(desk, enclosure, verdict)
        if verdict.row.sample:
            if doubted:
                findings.release(desk, enclosure, confirmed=verdict.measured != "")
            _take(desk, enclosure, SampleRef(name, reading.boot, reading.seq), reading, gas, draw)
    line = desk.site.lines.get(reading.line)
    if enclosure is None and line is not None and draw.complete and verdict.name not in NO_GAS:
        calibration.on_reading(desk, name, reading.line, reading)
    # Air that was misread is looked at until it is certain that it was.
    if enclosure is None and line is not None and draw.complete and (verdict.name != "not_air" or analyser.untrue):
        analyser.seen_mono_s[reading.line] = draw.taken_mono_s + line.transport_s
    if draw.complete and verdict.name not in NO_GAS:
        _remember(analyser, Seen(reading.line, *gas, draw.taken_mono_s))
    _say_untrue(desk, name, analyser)


def _follow(desk: Desk, name: str, analyser: Analyser, reading: AnalyserReading) -> Draw:
    """Follows the run of readings from one line; how this one was drawn."""
    unbroken = (reading.boot, reading.line, reading.seq) == (analyser.boot, analyser.run_line, analyser.seq + 1)
    known = usable(desk, desk.site.analysers[name].unit) is None  # else its clock says nothing
    observed_s = reading.observed_at.timestamp()
    in_cell_mono_s, in_cell_wall_s = our_times(desk, desk.site.analysers[name].unit, observed_s)
    analyser.boot, analyser.seq, analyser.status = reading.boot, reading.seq, reading.status
    analyser.heard_mono_s = desk.now.mono_s
    sound = known and reading.status == "ok" and reading.line_confirmed is not False
    if not unbroken or not sound:
        analyser.run_line = reading.line if sound else ""
        analyser.run_mono_s, analyser.run_heard_mono_s = in_cell_mono_s, desk.now.mono_s
        analyser.run_observed_s = observed_s
    line = desk.site.lines.get(reading.line)
    transport_s = 0.0 if line is None else line.transport_s
    lines = desk.site.analysers[name].lines if line is None else (line,)
    wait_s = max(one.transport_s + one.settling_s for one in lines)
    # By the unit's clock and by ours, whichever says less: a burst of late messages is no long draw.
    drawn_s = min(observed_s - analyser.run_observed_s, desk.now.mono_s - analyser.run_heard_mono_s)
    return Draw(
        known, sound and reading.settled and drawn_s >= wait_s, desk.now.mono_s - in_cell_mono_s,
        in_cell_mono_s - transport_s, in_cell_wall_s - transport_s,
    )  # fmt: skip


def _judged(desk: Desk, name: str, reading: AnalyserReading, gas: Mixture, draw: Draw) -> Verdict:
    verdict = instrument.judge(desk, name, reading, draw)
    if verdict is not None:
        return verdict
    enclosure, line = desk.site.enclosure_of_line.get(reading.line), desk.site.lines.get(reading.line)
    if enclosure is not None and (slip := doubt.slip(desk, name, enclosure, reading, draw)) is not None:
        return slip
    if (still := instrument.flat(desk, name, reading)) is not None:
        return still
    if enclosure is not None and line is not None:
        return doubt.judge(desk, name, enclosure, gas, draw)
    if line is not None and line.room is not None:
        return air_line.judge(desk, name, line, gas)
    return GOOD


def _record(desk: Desk, name: str, analyser: Analyser, reading: AnalyserReading, verdict: Verdict, draw: Draw) -> None:
    """Counts the verdict, says what is new, and keeps what it shows of the instrument and its lines."""
    if verdict.name not in ("good", "settling"):
        analyser.odd[verdict.name] = analyser.odd.get(verdict.name, 0) + 1
        if f"{verdict.name} {reading.line}" != analyser.verdict:
            desk.say("reading_doubted", "warning" if verdict.row.alarm else "info", analyser=name, line=reading.line,
                     verdict=verdict.name, quality=verdict.row.quality, measured=verdict.measured)  # fmt: skip
    analyser.verdict = f"{verdict.name} {reading.line}"
    wrong = analyser.wrong[0]
    if verdict.row.alarm == "analyser_untrue" and verdict.name not in ("not_air", "disbelieved"):
        analyser.wrong = verdict.name, verdict.text
    elif wrong == "flat_line":
        if not any(one.flat for one in analyser.still.values()):
            analyser.wrong = "", ""
    elif (wrong in BY_FIGURES and reading.status == "ok") or (
        verdict.row.sample and draw.complete and reading.line in desk.site.enclosure_of_line
    ):
        analyser.wrong = "", ""


def _remember(analyser: Analyser, seen: Seen) -> None:
    if analyser.drawn is not None and analyser.drawn.line != seen.line:
        analyser.before = analyser.drawn
    analyser.drawn = seen


def _say_untrue(desk: Desk, name: str, analyser: Analyser) -> None:
    suspects = sorted(line for line in analyser.suspects if line in desk.site.lines)
    why = analyser.disbelieved or analyser.wrong[1]
    if not why and len(suspects) >= SUSPECTS_MIN:
        why = f"lines {', '.join(suspects)} read what their enclosures cannot hold: {analyser.suspects[suspects[0]]}"
    alarms.condition(desk, "analyser_untrue", name, why != "", why)


def _take(desk: Desk, enclosure: str, ref: SampleRef, reading: AnalyserReading, gas: Mixture, draw: Draw) -> None:
    kept = desk.state.enclosures[enclosure]
    first_of_visit = kept.sample is None or kept.sample.taken_mono_s < desk.state.analysers[ref.analyser].run_mono_s
    if first_of_visit:
        kept.before = kept.sample
        desk.effects.append(
            Row(
                "sample", (("enclosure", enclosure), ("analyser", ref.analyser)),
                (("o2_pct", gas.o2_pct), ("co2_pct", gas.co2_pct)), draw.taken_wall_s,
            )
        )  # fmt: skip
    kept.sample = Sample(*ref, *gas, draw.taken_mono_s, draw.taken_wall_s, reading.o2_pct, reading.co2_pct)
    kept.visited_mono_s = desk.now.mono_s
    kept.missed_visits = 0
    desk.touch(enclosure)
