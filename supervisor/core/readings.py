"""From an analyser's readings to samples that may be believed.

A reading becomes a sample when the instrument is well, the gateway calls it settled, the line has been drawn long enough
for the last line's gas to be gone, and the figures are possible at all. Its time is when the gas left the enclosure: what
the unit says, corrected by its clock offset, less the line's way to the analyser.
"""

from supervisor.core import calibration
from supervisor.core.calibration_sums import applied
from supervisor.core.desk import Desk
from supervisor.core.state import Sample
from supervisor.core.units import our_times, usable
from supervisor.messages import AnalyserReading
from supervisor.values import Row, SampleRef

SUM_PCT_MAX = 100.5


def on_reading(desk: Desk, name: str, reading: AnalyserReading) -> None:
    analyser = desk.state.analysers[name]
    if reading.boot == analyser.boot and reading.seq <= analyser.seq:
        return  # a repeat or a latecomer; QoS 1 may deliver twice
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
    enclosure = desk.site.enclosure_of_line.get(reading.line)
    if reading.line not in desk.site.lines:
        return
    line = desk.site.lines[reading.line]
    # By the unit's clock and by ours, whichever says less: a burst of late messages is no long draw.
    drawn_s = min(observed_s - analyser.run_observed_s, desk.now.mono_s - analyser.run_heard_mono_s)
    drawn_long = drawn_s >= line.transport_s + line.settling_s
    if enclosure is None:
        if sound and reading.settled and drawn_long:
            calibration.on_reading(desk, name, reading.line, reading)
        return
    if _believable(reading) and drawn_long:
        ref = SampleRef(name, reading.boot, reading.seq)
        _take(desk, enclosure, ref, reading, in_cell_mono_s - line.transport_s, in_cell_wall_s - line.transport_s)


def _believable(reading: AnalyserReading) -> bool:
    in_range = 0.0 <= reading.o2_pct <= 100.0 and 0.0 <= reading.co2_pct <= 100.0
    return (
        reading.status == "ok"
        and reading.settled
        and reading.line_confirmed is not False
        and in_range
        and reading.o2_pct + reading.co2_pct <= SUM_PCT_MAX
    )


def _take(
    desk: Desk, enclosure: str, ref: SampleRef, reading: AnalyserReading, taken_mono_s: float, taken_wall_s: float
) -> None:
    kept, o2_pct, co2_pct = desk.state.enclosures[enclosure], reading.o2_pct, reading.co2_pct
    if not reading.corrected:
        o2_pct, co2_pct = applied(desk.state.analysers[ref.analyser].calibration, o2_pct, co2_pct)
    first_of_visit = kept.sample is None or kept.sample.taken_mono_s < desk.state.analysers[ref.analyser].run_mono_s
    if first_of_visit:
        kept.before = kept.sample
        desk.effects.append(
            Row(
                "sample", (("enclosure", enclosure), ("analyser", ref.analyser)),
                (("o2_pct", o2_pct), ("co2_pct", co2_pct)), taken_wall_s,
            )
        )  # fmt: skip
    kept.sample = Sample(*ref, o2_pct, co2_pct, taken_mono_s, taken_wall_s)
    kept.visited_mono_s = desk.now.mono_s
    kept.missed_visits = 0
    desk.touch(enclosure)
