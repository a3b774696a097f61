"""Calibration as it goes on: a gas is due or asked for, its line is drawn until the readings stand still, and something is
made of them (`calibration_judge`).

Sampling sends the analyser: it asks for `wanted_line`, and leaves the line when `visit_over`. A run that would leave a sample
overdue is broken off and begun anew later; so is one that a restart or a jump of the clock broke.
"""

from supervisor.core import alarms, calibration_judge
from supervisor.core.calibration_plan import (
    OVERHEAD_S,
    PATIENCE_S,
    STILL_S,
    affordable,
    air_lines,
    expired,
    gas_lines,
    late,
    next_gas,
    waits,
)  # fmt: skip
from supervisor.core.calibration_state import Calibration, Result, Run
from supervisor.core.calibration_sums import corrected, doubt_pct, mean, steady
from supervisor.core.desk import Desk
from supervisor.core.units import our_times
from supervisor.messages import AnalyserReading, OperatorCommand

FLOW_SHARE_MIN = 0.5  # with less of the sample flow than that no gas comes


def wanted_line(desk: Desk, name: str) -> str | None:
    """The line that this analyser is to draw now for calibration, or None."""
    run = desk.state.analysers[name].calibration.run
    return None if run is None else run.line


def waits_for_time(desk: Desk, name: str) -> bool:
    """Whether a gas is wanted and there was no time for it yet: then sampling goes ahead of its time to make some."""
    cal = desk.state.analysers[name].calibration
    return cal.run is None and bool(gas_lines(desk, name)) and _can(desk, name) and _wanted(desk, name, cal) is not None


def visit_over(desk: Desk, name: str, line: str) -> bool:
    return wanted_line(desk, name) != line


def visit_s(desk: Desk, line: str) -> float:
    """How long the analyser may be sent there: a little longer than until it is given up."""
    return desk.site.lines[line].visit_s + PATIENCE_S + OVERHEAD_S


def judge(desk: Desk, name: str) -> None:
    """Begins, breaks off and gives up runs; raises and clears what there is to say."""
    cal = desk.state.analysers[name].calibration
    if not gas_lines(desk, name):
        cal.run = cal.pending = None
        return
    if cal.known_mono_s is None:
        cal.known_mono_s = desk.now.mono_s
    calibration_judge.settle(desk, name)
    if not _can(desk, name):
        cal.run = None
    elif cal.run is None:
        _begin(desk, name, cal)
    else:
        _go_on(desk, name, cal, cal.run)
    _alarms(desk, name, cal)


def on_reading(desk: Desk, name: str, line: str, reading: AnalyserReading) -> None:
    """A reading of a line that carries known gas, drawn for long enough."""
    cal = desk.state.analysers[name].calibration
    run = cal.run
    if run is None or run.line != line:
        return
    nominal_nl_min = desk.site.analysers[name].sample_flow_nl_min
    if reading.sample_flow_nl_min is not None and reading.sample_flow_nl_min < FLOW_SHARE_MIN * nominal_nl_min:
        _give_up(desk, name, cal, run, f"no gas comes: {reading.sample_flow_nl_min:.2f} nl/min")
        return
    plan = desk.site.analysers[name].calibration
    run.own = reading.corrected
    run.o2_pct = [*run.o2_pct, reading.o2_pct][-plan.readings :]
    run.co2_pct = [*run.co2_pct, reading.co2_pct][-plan.readings :]
    enough = len(run.o2_pct) == plan.readings
    if enough and steady(run.o2_pct, plan.stable_o2_pct) and steady(run.co2_pct, plan.stable_co2_pct):
        cal.run = None
        _tried(desk, cal, run)
        wall_s = our_times(desk, desk.site.analysers[name].unit, reading.observed_at.timestamp())[1]
        calibration_judge.take(desk, name, _result(desk, name, cal, run, wall_s), run.own)


def _result(desk: Desk, name: str, cal: Calibration, run: Run, taken_wall_s: float) -> Result:
    gas = desk.site.calibration_gases[run.gas] if run.gas else None
    wanted_o2, wanted_co2, unsure_o2, unsure_co2 = calibration_judge.read(desk, name, gas)
    told_o2, told_co2 = mean(run.o2_pct), mean(run.co2_pct)
    return Result(
        line=run.line, gas=run.gas, use="air" if gas is None else gas.serves,
        certificate="" if gas is None else gas.certificate,
        o2_told_pct=told_o2, co2_told_pct=told_co2,
        o2_error_pct=(told_o2 if run.own else corrected(cal.o2, told_o2)) - wanted_o2,
        co2_error_pct=(told_co2 if run.own else corrected(cal.co2, told_co2)) - wanted_co2,
        o2_doubt_pct=doubt_pct(unsure_o2, run.o2_pct), co2_doubt_pct=doubt_pct(unsure_co2, run.co2_pct),
        taken_mono_s=desk.now.mono_s, taken_wall_s=taken_wall_s, by=run.by,
    )  # fmt: skip


# ------------------------------------------------------------------------------------------------ runs


def _can(desk: Desk, name: str) -> bool:
    """Whether anything can be drawn at all."""
    if desk.state.stopping or not desk.state.link_up:
        return False
    return not alarms.active(desk, "analyser_silent", name) and desk.state.analysers[name].status == "ok"


def _begin(desk: Desk, name: str, cal: Calibration) -> None:
    wanted = _wanted(desk, name, cal)
    if wanted is None:
        return
    line, gas, by = wanted
    if any(one.calibration.run is not None and one.calibration.run.line == line for one in desk.state.analysers.values()):
        return  # another analyser draws it now
    if affordable(desk, name, desk.site.lines[line].visit_s + STILL_S):
        cal.run = Run(line, gas, desk.now.mono_s, by)


def _wanted(desk: Desk, name: str, cal: Calibration) -> tuple[str, str, str] | None:
    """Line, gas and who wants it: a witness of what is being judged, or what is asked for, or what is due."""
    if cal.pending is not None and not cal.pending.judged:
        line = calibration_judge.witnesses(desk, name, cal.pending)[0]
        by = f"witness of {cal.pending.result.gas}"
        return line, desk.site.lines[line].gas or "", by
    wanted = next_gas(desk, name)
    return None if wanted is None else (gas_lines(desk, name)[wanted[0]], *wanted)


def _go_on(desk: Desk, name: str, cal: Calibration, run: Run) -> None:
    if run.line not in (*gas_lines(desk, name).values(), *air_lines(desk, name)):
        cal.run = None  # the site file has lost it
        return
    visit = desk.state.analysers[name].visit
    if run.sent_mono_s is None:
        if visit is not None and visit.line == run.line:
            run.sent_mono_s = visit.asked_mono_s
        elif not affordable(desk, name, desk.site.lines[run.line].visit_s + STILL_S):
            cal.run = None  # somebody else was wanted more urgently, and now there is no time any more
        return
    spent_s = desk.now.mono_s - run.sent_mono_s
    left_s = max(0.0, desk.site.lines[run.line].visit_s + STILL_S - spent_s)
    if spent_s > desk.site.lines[run.line].visit_s + PATIENCE_S:
        steadiness = "readings do not stand still" if run.o2_pct else "no settled reading"
        _give_up(desk, name, cal, run, steadiness)
    elif not affordable(desk, name, left_s):
        cal.run = None
        desk.say("calibration_interrupted", analyser=name, line=run.line, after_s=round(spent_s, 1))


def _give_up(desk: Desk, name: str, cal: Calibration, run: Run, why: str) -> None:
    """Nothing came of it. For a witness: it is not to be heard. For a gas: it is drawn again after a rest."""
    cal.run = None
    _tried(desk, cal, run)
    desk.say("calibration_given_up", "warning", analyser=name, line=run.line, gas=run.gas, why=why, by=run.by)
    if cal.pending is not None and not cal.pending.judged:
        cal.pending.heard.append(run.line)
        calibration_judge.settle(desk, name)
    elif run.gas:
        cal.came_of[run.gas] = why
        if why.startswith("no gas"):
            cal.suspect[run.gas] = desk.site.calibration_gases[run.gas].certificate
            cal.suspect_why[run.gas] = f"{why} on {run.line}; nothing was changed"


def _tried(desk: Desk, cal: Calibration, run: Run) -> None:
    if run.gas and not run.by.startswith("witness"):
        cal.tried_mono_s[run.gas] = desk.now.mono_s
        cal.asked.pop(run.gas, None)


def _alarms(desk: Desk, name: str, cal: Calibration) -> None:
    gases = list(gas_lines(desk, name))
    due, overdue = late(desk, name, gases)
    alarms.condition(desk, "calibration_due", name, bool(due) and not overdue, "; ".join(due))
    alarms.condition(desk, "calibration_overdue", name, bool(overdue), "; ".join(overdue))
    judged = cal.pending is not None and cal.pending.judged
    alarms.condition(desk, "analyser_drift", name, judged, cal.pending.words if cal.pending is not None else "")
    for gas in gases:
        known = desk.site.calibration_gases[gas]
        if cal.suspect.get(gas, known.certificate) != known.certificate:
            del cal.suspect[gas], cal.suspect_why[gas]  # another bottle hangs there now
        good_to = f"certificate {known.certificate} was good to {known.expires}"
        alarms.condition(desk, "calibration_gas_expired", gas, expired(desk, gas), good_to)
        whys = [words for one in desk.state.analysers.values() if (words := one.calibration.suspect_why.get(gas))]
        alarms.condition(desk, "calibration_gas_suspect", gas, bool(whys), " / ".join(whys))


# ------------------------------------------------------------------------------------------------ what a person wants


def calibrate(desk: Desk, command: OperatorCommand) -> str | None:
    """Carries a person's word out: draw a gas or all, accept or refuse what waits. Why not, or None."""
    name = command.target
    if name not in desk.site.analysers:
        return f"there is no analyser {name}"
    if command.decision is not None:
        if command.gas is not None:
            return "a decision is about what waits, and names no gas"
        return calibration_judge.decide(desk, name, command.decision == "accept", command.operator)
    gases = list(gas_lines(desk, name))
    if not gases:
        return f"no line of {name} carries calibration gas: the site file gives lines gas = ... and has a [[calibration_gas]]"
    if command.gas is not None and command.gas not in gases:
        return f"{name} draws no gas {command.gas}; it draws {', '.join(gases)}"
    wanted = [command.gas] if command.gas is not None else gases
    good = [gas for gas in wanted if not expired(desk, gas)]
    if not good:
        known = desk.site.calibration_gases[wanted[0]]
        return f"the certificate of {known.id} was good to {known.expires}: hang a new bottle, and write its certificate down"
    cal = desk.state.analysers[name].calibration
    if any(waits(desk, cal, gas) for gas in good):
        return f"{name} waits for a word about {cal.pending.result.gas if cal.pending else ''}: accept or refuse it first"
    if not _can(desk, name):
        return f"{name} cannot be calibrated now: its status is {desk.state.analysers[name].status}"
    for gas in good:
        cal.asked[gas] = command.operator
    return None
