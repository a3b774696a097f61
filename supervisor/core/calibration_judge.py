"""What follows from what an analyser read of a known gas.

    how far off (the worse of the gases that it shows)         what is done
    no further than the certificate and the mean are unsure    nothing: that is no drift
    up to the warning limit                                    corrected
    up to the action limit                                     corrected, and said
    beyond it                                                  nothing until a person has decided; an alarm
    beyond twice the action limit                              the same; what was measured since the last good one is marked,
                                                               and nothing that the analyser reads is good until then

Before anybody is troubled, another known gas bears witness: where it reads right as things stand, and would read wrong if the
result were believed, the bottle is not what its certificate says (empty, exchanged, a leak), and not the analyser.
"""

from supervisor.core import air_line, corrections
from supervisor.core.balance import Mixture
from supervisor.core.calibration_plan import PAIR_S, air_lines, gas_lines, of_use, pair_of
from supervisor.core.calibration_state import Calibration, Correction, Pending, Result
from supervisor.core.calibration_sums import (
    Level,
    bearable,
    corrected,
    level,
    one_point_span,
    one_point_zero,
    two_point,
    worst,
)  # fmt: skip
from supervisor.core.desk import Desk
from supervisor.messages import at, rfc3339
from supervisor.settings import AIR_O2_PCT
from supervisor.settings_calibration import CalibrationGas
from supervisor.values import Row

KEPT = 60  # results that are remembered of each analyser
# A room's air as a witness: 20.95 % O2 and up to 0.3 % CO2 (from memory).
ROOM_CO2_PCT, ROOM_O2_DOUBT_PCT, ROOM_CO2_DOUBT_PCT = 0.1, 0.15, 0.2


def take(desk: Desk, name: str, result: Result, own: bool) -> None:
    """A known gas has been read. `own`: the instrument corrects itself, so nothing of ours is applied to it."""
    cal = desk.state.analysers[name].calibration
    if cal.pending is not None and not cal.pending.judged and result.line in witnesses(desk, name, cal.pending):
        _bear_witness(desk, name, cal, cal.pending, result)
        return
    if not result.gas:
        return
    cal.results[result.gas] = result
    how_bad, changed = _levels(desk, name, result), None if own else _change(desk, name, cal, result)
    soluble = changed is not None
    worn = soluble and changed != (cal.o2, cal.co2) and not all(map(bearable, changed))
    if how_bad in ("small", "warned") and not worn and (soluble or own or result.use == "check"):
        if changed is not None:
            cal.o2, cal.co2 = changed
            cal.applied_mono_s = desk.now.mono_s
        _good(desk, name, cal, result, "applied" if soluble else "seen", "warning" if how_bad == "warned" else "info")
    elif how_bad == "none":
        _good(desk, name, cal, result, "no drift")
    elif result.use == "check" and _ask_for_others(desk, name, cal, result):
        _say(desk, name, cal, result, "to be drawn again after zero and span", "warning")
    else:
        hears = not own and result.use != "check"
        words = _words(desk, result) + ("; in total it would be corrected by more than can be" if worn else "")
        cal.pending = Pending(result, how_bad == "beyond_twice", words, hears, soluble and not worn)
        if changed is not None:
            cal.pending.o2, cal.pending.co2 = changed
        cal.came_of[result.gas] = "waits for a second gas"
        settle(desk, name)


def settle(desk: Desk, name: str) -> None:
    """Ends the hearing of witnesses when there is none left."""
    cal = desk.state.analysers[name].calibration
    pending = cal.pending
    if pending is None or pending.judged or witnesses(desk, name, pending):
        return
    if pending.result.use == "check" and _spans_are_good(desk, name, cal):
        _suspect(desk, name, cal, pending, "zero and span gas have just been read right")
    else:
        _drifted(desk, name, cal, pending, "no other gas could tell whether it is the gas" if pending.hears else "")


def witnesses(desk: Desk, name: str, pending: Pending) -> list[str]:
    """The lines that are still to be heard, the best first."""
    if not pending.hears or desk.now.mono_s - pending.result.taken_mono_s > PAIR_S:
        return []
    lines = gas_lines(desk, name)
    gases = of_use(desk, name, "check") + of_use(desk, name, "zero", "span_o2", "span_co2", "span")
    suspect = desk.state.analysers[name].calibration.suspect
    every = [lines[gas] for gas in gases if gas != pending.result.gas and gas not in suspect] + air_lines(desk, name)
    return [line for line in every if line not in pending.heard]


def decide(desk: Desk, name: str, accept: bool, operator: str) -> str | None:
    """A person's word on what waits for it. Why not, or None."""
    cal = desk.state.analysers[name].calibration
    pending = cal.pending
    if pending is None or not pending.judged:
        return f"nothing of {name} waits for a decision"
    if accept and not pending.applies:
        return f"there is nothing to accept: {pending.words}; adjust the analyser, then calibrate again"
    cal.pending, cal.untrue = None, ""
    result = pending.result
    result.by = operator
    if accept and pending.o2 is not None and pending.co2 is not None:
        cal.o2, cal.co2 = pending.o2, pending.co2
        cal.applied_mono_s = desk.now.mono_s
        _good(desk, name, cal, result, "applied")
        for gas in of_use(desk, name, "check"):
            cal.asked.setdefault(gas, "proof of what was accepted")
    else:
        _say(desk, name, cal, result, "refused", "warning")
    desk.say("calibration_decided", "warning", analyser=name, gas=result.gas, accepted=accept, operator=operator,
             words=pending.words)  # fmt: skip
    return None


# ------------------------------------------------------------------------------------------------ figures


def read(desk: Desk, name: str, gas: CalibrationGas | None) -> tuple[float, float, float, float]:
    """What an analyser without drift shows of what a line carries, O2 and CO2, and how surely that is known."""
    if gas is None:
        air = corrections.shown(desk, name, Mixture(AIR_O2_PCT, ROOM_CO2_PCT), dry=False)
        return *air, ROOM_O2_DOUBT_PCT, ROOM_CO2_DOUBT_PCT
    bottled = corrections.shown(desk, name, Mixture(gas.o2_pct, gas.co2_pct), dry=True)
    return *bottled, gas.o2_uncertainty_pct, gas.co2_uncertainty_pct


def _levels(desk: Desk, name: str, result: Result) -> Level:
    plan, gas = desk.site.analysers[name].calibration, desk.site.calibration_gases[result.gas]
    levels = []
    if gas.shows_o2:
        levels.append(level(result.o2_error_pct, result.o2_doubt_pct, plan.o2.warn_pct, plan.o2.action_pct))
    if gas.shows_co2:
        levels.append(level(result.co2_error_pct, result.co2_doubt_pct, plan.co2.warn_pct, plan.co2.action_pct))
    return worst(levels)


def _change(desk: Desk, name: str, cal: Calibration, result: Result) -> tuple[Correction, Correction] | None:
    """The corrections that make this result right; None where the gas is there to check only, or tells none.

    What is read right within what is known of the gas is left as it is.
    """
    if result.use == "check":
        return None
    wanted_o2, wanted_co2, _, _ = read(desk, name, desk.site.calibration_gases[result.gas])
    zero_o2, zero_co2 = (None, None) if result.use == "zero" else _fresh_zero(desk, name, cal, result)
    o2, co2 = cal.o2, cal.co2
    if result.use in ("zero", "span_o2", "span") and abs(result.o2_error_pct) > result.o2_doubt_pct:
        o2 = _solved(cal.o2, result.use, result.o2_told_pct, wanted_o2, zero_o2)
    if result.use in ("zero", "span_co2", "span") and abs(result.co2_error_pct) > result.co2_doubt_pct:
        co2 = _solved(cal.co2, result.use, result.co2_told_pct, wanted_co2, zero_co2)
    return None if o2 is None or co2 is None else (o2, co2)


def _solved(
    standing: Correction, use: str, told_pct: float, wanted_pct: float, zero: tuple[float, float] | None
) -> Correction | None:
    """A zero moves the offset. A span moves the gain; beside a fresh zero both follow from the straight line through them."""
    if use == "zero":
        return one_point_zero(standing, told_pct, wanted_pct)
    return one_point_span(standing, told_pct, wanted_pct) if zero is None else two_point(*zero, told_pct, wanted_pct)


def _fresh_zero(
    desk: Desk, name: str, cal: Calibration, result: Result
) -> tuple[tuple[float, float] | None, tuple[float, float] | None]:
    """For each gas what was told of a zero just now, and what should have been; None where none was drawn."""
    for gas in of_use(desk, name, "zero"):
        zero = pair_of(cal, gas, result.taken_mono_s)
        if zero is not None:
            wanted_o2, wanted_co2, _, _ = read(desk, name, desk.site.calibration_gases[gas])
            return (zero.o2_told_pct, wanted_o2), (zero.co2_told_pct, wanted_co2)
    return None, None


# ------------------------------------------------------------------------------------------------ witnesses


def _bear_witness(desk: Desk, name: str, cal: Calibration, pending: Pending, heard: Result) -> None:
    pending.heard.append(heard.line)
    plan, beyond = desk.site.analysers[name].calibration, _beyond(desk, name, pending.result)
    gas = desk.site.calibration_gases.get(heard.gas)
    wanted_o2, wanted_co2, _, _ = read(desk, name, gas)
    stands, believed = [], []
    for which, shows, error_pct, told_pct, wanted_pct, near_pct, change in (
        ("o2", gas is None or gas.shows_o2, heard.o2_error_pct, heard.o2_told_pct, wanted_o2,
         max(plan.o2.warn_pct, heard.o2_doubt_pct), pending.o2),
        ("co2", gas is None or gas.shows_co2, heard.co2_error_pct, heard.co2_told_pct, wanted_co2,
         max(plan.co2.warn_pct, heard.co2_doubt_pct), pending.co2),
    ):  # fmt: skip
        if shows and which in beyond:
            stands.append(abs(error_pct) <= near_pct)
            believed.append(change is not None and abs(corrected(change, told_pct) - wanted_pct) <= near_pct)
    if stands and all(stands) and not all(believed):
        _suspect(desk, name, cal, pending, f"{heard.gas or 'room air'} on {heard.line} is still read right")
    elif stands and all(believed) and not all(stands):
        _drifted(desk, name, cal, pending, f"{heard.gas or 'room air'} on {heard.line} shows the same")
    else:
        settle(desk, name)


def _beyond(desk: Desk, name: str, result: Result) -> list[str]:
    """Which of the two gases is beyond its action limit."""
    plan, gas = desk.site.analysers[name].calibration, desk.site.calibration_gases[result.gas]
    beyond = []
    if gas.shows_o2 and abs(result.o2_error_pct) > max(plan.o2.action_pct, result.o2_doubt_pct):
        beyond.append("o2")
    if gas.shows_co2 and abs(result.co2_error_pct) > max(plan.co2.action_pct, result.co2_doubt_pct):
        beyond.append("co2")
    return beyond


def _ask_for_others(desk: Desk, name: str, cal: Calibration, result: Result) -> bool:
    """A check gas that is off asks for a zero and spans first, once: they may put it right."""
    others = of_use(desk, name, "zero", "span_o2", "span_co2", "span")
    tried = [cal.tried_mono_s.get(gas) for gas in others]
    if not others or all(mono_s is not None and result.taken_mono_s - mono_s <= PAIR_S for mono_s in tried):
        return False
    for gas in [*others, result.gas]:
        cal.asked[gas] = f"{result.gas} is off"
    return True


def _spans_are_good(desk: Desk, name: str, cal: Calibration) -> bool:
    others = of_use(desk, name, "zero", "span_o2", "span_co2", "span")
    return bool(others) and all(pair_of(cal, gas, desk.now.mono_s) is not None for gas in others)


# ------------------------------------------------------------------------------------------------ outcomes


def _good(desk: Desk, name: str, cal: Calibration, result: Result, outcome: str, level: str = "info") -> None:
    cal.good_mono_s[result.gas] = result.taken_mono_s
    cal.suspect.pop(result.gas, None)
    cal.suspect_why.pop(result.gas, None)
    if cal.pending is not None and cal.pending.result.gas == result.gas:
        cal.pending, cal.untrue = None, ""
    if outcome == "applied":
        air_line.trust_again(desk, name, "calibrated")
    _say(desk, name, cal, result, outcome, level)


def _suspect(desk: Desk, name: str, cal: Calibration, pending: Pending, why: str) -> None:
    result = pending.result
    cal.pending, cal.untrue = None, ""
    cal.suspect[result.gas], cal.suspect_why[result.gas] = result.certificate, f"{pending.words}; {why}; nothing was changed"
    _say(desk, name, cal, result, "gas suspect", "warning")


def _drifted(desk: Desk, name: str, cal: Calibration, pending: Pending, why: str) -> None:
    pending.judged = True
    pending.words += f"; {why}" if why else ""
    result = pending.result
    _say(desk, name, cal, result, "waits for a decision" if pending.applies else "beyond the action limit", "warning")
    cal.untrue = ""
    if not pending.twice:
        return
    cal.untrue = f"{name} is beyond twice its action limit: {pending.words}"
    since_wall_s = desk.now.wall_s - (desk.now.mono_s - cal.good_mono_s.get(result.gas, cal.known_mono_s or desk.now.mono_s))
    since, until = (rfc3339(at(wall_s)) for wall_s in (since_wall_s, result.taken_wall_s))
    desk.effects.append(Row(
        "calibration_mark", (("analyser", name), ("gas", result.gas)),
        (("since", since), ("until", until), ("o2_error_pct", result.o2_error_pct), ("co2_error_pct", result.co2_error_pct)),
        result.taken_wall_s,
    ))  # fmt: skip
    desk.say("readings_doubtful", "error", analyser=name, gas=result.gas, since=since, until=until,
             o2_error_pct=round(result.o2_error_pct, 4), co2_error_pct=round(result.co2_error_pct, 4))  # fmt: skip


def _say(desk: Desk, name: str, cal: Calibration, result: Result, outcome: str, level: str) -> None:
    """Into the log, the audit and the history, with what stands now."""
    cal.came_of[result.gas] = outcome
    cal.log = [*cal.log, result][-KEPT:]
    figures = {
        "o2_told_pct": result.o2_told_pct, "co2_told_pct": result.co2_told_pct,
        "o2_error_pct": result.o2_error_pct, "co2_error_pct": result.co2_error_pct,
        "o2_doubt_pct": result.o2_doubt_pct, "co2_doubt_pct": result.co2_doubt_pct,
        "o2_offset_pct": cal.o2.offset_pct, "o2_gain": cal.o2.gain,
        "co2_offset_pct": cal.co2.offset_pct, "co2_gain": cal.co2.gain,
    }  # fmt: skip
    told = {key: round(value, 5) for key, value in figures.items()}
    tags = (("analyser", name), ("gas", result.gas))
    desk.effects.append(Row("calibration", tags, (*told.items(), ("outcome", outcome)), result.taken_wall_s))
    plan = desk.site.analysers[name].calibration
    desk.say(
        "calibration_result", level, analyser=name, gas=result.gas, use=result.use, line=result.line,
        certificate=result.certificate, outcome=outcome, by=result.by, taken_at=rfc3339(at(result.taken_wall_s)),
        o2_warn_pct=plan.o2.warn_pct, o2_action_pct=plan.o2.action_pct,
        co2_warn_pct=plan.co2.warn_pct, co2_action_pct=plan.co2.action_pct, **told,
    )  # fmt: skip


def _words(desk: Desk, result: Result) -> str:
    gas = desk.site.calibration_gases[result.gas]
    told = []
    if gas.shows_o2:
        told.append(_off("O2", result.o2_error_pct, result.o2_doubt_pct))
    if gas.shows_co2:
        told.append(_off("CO2", result.co2_error_pct, result.co2_doubt_pct))
    return f"{', '.join(told)} in {gas.id} ({gas.o2_pct:g} % O2, {gas.co2_pct:g} % CO2, certificate {gas.certificate})"


def _off(what: str, error_pct: float, doubt_pct: float) -> str:
    return f"{what} reads {abs(error_pct):.2f} % too {'high' if error_pct > 0 else 'low'} (known to {doubt_pct:.2f})"
