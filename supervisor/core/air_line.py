"""Room air, drawn by the analyser now and then: it is known what that must read, so it shows whether the analyser can be
believed at all. It is never a measurement for people; what a room's air is, its own sensors say.
"""

from supervisor.core import calibration_plan, room_air
from supervisor.core.balance import AIR, Mixture
from supervisor.core.desk import Desk
from supervisor.core.state import Seen
from supervisor.core.verdict import GOOD, Verdict
from supervisor.settings_analyser import Line
from supervisor.settings_belief import Belief

MISREAD_MAX = 3  # readings running, so that one odd reading condemns no analyser
CO2_PCT_MIN = 0.03  # of air; less what a good instrument's noise and zero may take off
CO2_NOISE_PCT = 0.1
SENSOR_O2_PCT, SENSOR_CO2_PCT = 0.3, 0.15  # how nearly a room's fixed detectors tell its air: common practice, no source
VAPOUR_PCT = (0.6, 8.0)  # in a sample that is saturated at 0 degC and at 42 degC


def judge(desk: Desk, name: str, line: Line, gas: Mixture) -> Verdict:
    """A complete reading of a line that carries a room's air."""
    room = str(line.room)
    analyser, belief = desk.state.analysers[name], desk.site.analysers[name].belief
    if _is_air(gas, belief):
        trust_again(desk, name, "it reads room air as air")
        analyser.air_mono_s = desk.now.mono_s
        if abs(gas.o2_pct - AIR.o2_pct) > desk.site.analysers[name].calibration.o2.warn_pct:
            calibration_plan.ask(desk, name, "room air read a little wrong")
        return GOOD
    told = (
        f"line of room {room}: O2 {gas.o2_pct:.2f} %, CO2 {gas.co2_pct:.2f} %; air has {AIR.o2_pct:g} +-"
        f"{belief.air_o2_off_pct_max:g} % and {CO2_PCT_MIN:g} to {belief.air_co2_pct_max:g} %"
    )
    if _as_the_room_is(desk, room, gas):
        return Verdict("air_unclear", told)
    analyser.air_misread += 1
    verdict = Verdict("not_air", f"{told}; {_likely(gas, analyser.line_before(line.id), belief)}")
    if analyser.air_misread >= MISREAD_MAX and not analyser.untrue:
        analyser.untrue = verdict.text
        desk.say("analyser_disbelieved", "error", analyser=name, why=verdict.text)
        calibration_plan.ask(desk, name, "room air misread")
    return verdict


def trust_again(desk: Desk, name: str, why: str) -> None:
    """It has read air as air, or it was calibrated."""
    analyser = desk.state.analysers[name]
    analyser.air_misread = 0
    if analyser.untrue:
        analyser.untrue = ""
        desk.say("analyser_believed", analyser=name, why=why)


def _is_air(gas: Mixture, belief: Belief) -> bool:
    co2_fits = CO2_PCT_MIN - CO2_NOISE_PCT <= gas.co2_pct <= belief.air_co2_pct_max
    return abs(gas.o2_pct - AIR.o2_pct) <= belief.air_o2_off_pct_max and co2_fits


def _as_the_room_is(desk: Desk, room: str, gas: Mixture) -> bool:
    """Whether the room's own sensors say the same, or cannot say anything: then this tells nothing of the analyser."""
    heard = room_air.look(desk, room).heard
    if not heard:
        return True
    o2_pct, co2_pct = [one.o2_pct for _, one in heard], [one.co2_pct for _, one in heard]
    return (
        min(o2_pct) - SENSOR_O2_PCT <= gas.o2_pct <= max(o2_pct) + SENSOR_O2_PCT
        and min(co2_pct) - SENSOR_CO2_PCT <= gas.co2_pct <= max(co2_pct) + SENSOR_CO2_PCT
    )


def _likely(gas: Mixture, before: Seen | None, belief: Belief) -> str:
    """What it looks like, for whoever goes to the instrument. A likelihood and no more."""
    for factor in (100.0, 10_000.0):
        if abs(gas.o2_pct * factor - AIR.o2_pct) <= 1.0:
            return f"oxygen is {factor:g} times too small, as if another unit were read"
    if before is not None and abs(before.o2_pct - AIR.o2_pct) > 1.0:
        share = (gas.o2_pct - AIR.o2_pct) / (before.o2_pct - AIR.o2_pct)
        co2_pct = AIR.co2_pct + share * (before.co2_pct - AIR.co2_pct)
        if 0.01 < share <= 1.0 and co2_pct > belief.air_co2_pct_max and abs(gas.co2_pct - co2_pct) <= 0.2 * co2_pct:
            return f"as with {share:.0%} of the gas of line {before.line}, which was drawn before"
    thinner_pct = 100.0 * (1.0 - gas.o2_pct / AIR.o2_pct)
    if gas.co2_pct <= belief.air_co2_pct_max and VAPOUR_PCT[0] <= thinner_pct <= VAPOUR_PCT[1]:
        return f"thinner by {thinner_pct:.1f} %, as with moisture in the sample, or a span that has drifted"
    return f"oxygen is off by {gas.o2_pct - AIR.o2_pct:+.2f} %, CO2 by {gas.co2_pct - AIR.co2_pct:+.2f} %"
