"""Which gas an analyser is to draw next, and whether there is time for it.

Daily zero, weekly span is the plan that common practice has; a zero comes before the spans that rest on it. Samples come
first: no gas is drawn where that would leave somebody's sample overdue, and a pull-down goes before a gas that has only just
become due.
"""

from supervisor.core import sample_bound
from supervisor.core.calibration_state import Calibration, Result
from supervisor.core.desk import Desk
from supervisor.messages import at
from supervisor.settings_calibration import USES, CalibrationGas, Use

HOUR_S = 3600.0
PAIR_S = 2.0 * HOUR_S  # zero and span are one pair when they lie no further apart: drift between them stays small
REST_S = 6.0 * HOUR_S  # before a gas that gave nothing to go by is drawn again
DECISION_S = 24.0 * HOUR_S  # or one that waits for a person
YIELD_S = 2.0 * HOUR_S  # so long does a gas that has become due let pull-downs and vents go first
STILL_S = 60.0  # beside transport and settling: until enough readings have stood still
PATIENCE_S = 180.0  # and when they do not, until it is given up
OVERHEAD_S = 10.0  # of a visit: until a reading comes and the next line is chosen
AGAIN_S = 1.0 * HOUR_S  # before room air sends for a gas again that has just been drawn
OVERDUE = 2.0  # so many intervals without a good calibration, and it is overdue


def gas_lines(desk: Desk, name: str) -> dict[str, str]:
    """The line of each calibration gas that this analyser draws, zero first, then span, then check."""
    site = desk.site
    lines: dict[str, str] = {}
    for line in site.analysers[name].lines:
        if line.gas is not None:
            lines.setdefault(line.gas, line.id)
    return {gas: lines[gas] for gas in sorted(lines, key=lambda one: USES.index(site.calibration_gases[one].serves))}


def air_lines(desk: Desk, name: str) -> list[str]:
    return [line.id for line in desk.site.analysers[name].lines if line.room is not None]


def expired(desk: Desk, gas: str) -> bool:
    """Whether the last day of its certificate is over, in UTC. Asked before each run: it keeps no site from running."""
    return at(desk.now.wall_s).date().isoformat() > desk.site.calibration_gases[gas].expires


def of_use(desk: Desk, name: str, *uses: Use) -> list[str]:
    return [gas for gas in gas_lines(desk, name) if desk.site.calibration_gases[gas].serves in uses and not expired(desk, gas)]


def past_due_s(desk: Desk, name: str, gas: str) -> float | None:
    """How long a gas has been due by the plan, negative while it is not; None where the plan does not draw it."""
    every_s = desk.site.analysers[name].calibration.every_h(desk.site.calibration_gases[gas].serves) * HOUR_S
    cal = desk.state.analysers[name].calibration
    if every_s <= 0.0:
        return None
    good_mono_s = cal.good_mono_s.get(gas)
    if good_mono_s is None:
        return None if cal.known_mono_s is None else desk.now.mono_s - cal.known_mono_s
    return desk.now.mono_s - good_mono_s - every_s


def pair_of(cal: Calibration, gas: str, at_mono_s: float) -> Result | None:
    """What came of a gas, when it was good and lies so near that the two make one pair."""
    result = cal.results.get(gas)
    if result is None or cal.good_mono_s.get(gas) != result.taken_mono_s:
        return None
    return result if abs(at_mono_s - result.taken_mono_s) <= PAIR_S else None


def next_gas(desk: Desk, name: str) -> tuple[str, str] | None:
    """The gas that is wanted now and who wants it, or None."""
    cal = desk.state.analysers[name].calibration
    lines = [gas for gas in gas_lines(desk, name) if not expired(desk, gas)]
    for gas in lines:
        if gas in cal.asked:
            return gas, cal.asked[gas]
    for gas in lines:
        late_s = past_due_s(desk, name, gas)
        if late_s is None or late_s < 0.0 or _rests(desk, cal, gas) or waits(desk, cal, gas):
            continue
        if late_s < YIELD_S and _somebody_is_changing(desk, name):
            continue
        return _zero_first(desk, name, cal, gas), "plan"
    return None


def ask(desk: Desk, name: str, why: str) -> None:
    """Room air is read a little wrong, or quite wrong: what oxygen rests on is drawn now, and not when the plan has it due."""
    cal = desk.state.analysers[name].calibration
    for gas in of_use(desk, name, "zero", "span_o2", "span"):
        tried_mono_s = cal.tried_mono_s.get(gas)
        just_drawn = tried_mono_s is not None and desk.now.mono_s - tried_mono_s < AGAIN_S
        undecided = cal.pending is not None and (cal.pending.result.gas == gas or waits(desk, cal, gas))
        if not just_drawn and not undecided:
            cal.asked.setdefault(gas, why)


def _rests(desk: Desk, cal: Calibration, gas: str) -> bool:
    """Drawn not long ago, and nothing good came of it: the same again would come of it now."""
    tried_mono_s = cal.tried_mono_s.get(gas)
    if tried_mono_s == cal.good_mono_s.get(gas):
        return False
    rest_s = DECISION_S if cal.pending is not None and cal.pending.result.gas == gas else REST_S
    return tried_mono_s is not None and desk.now.mono_s - tried_mono_s < rest_s


def waits(desk: Desk, cal: Calibration, gas: str) -> bool:
    """While somebody must still decide about one gas, only that and the zero are drawn: whatever rests on it would be wrong."""
    if cal.pending is None or cal.pending.result.gas == gas:
        return False
    return desk.site.calibration_gases[gas].serves != "zero"


def _zero_first(desk: Desk, name: str, cal: Calibration, gas: str) -> str:
    """A span rests on a fresh zero, where there is one to be had."""
    if not desk.site.calibration_gases[gas].serves.startswith("span"):
        return gas
    for zero in of_use(desk, name, "zero"):
        if pair_of(cal, zero, desk.now.mono_s) is None and not _rests(desk, cal, zero):
            return zero
    return gas


def _somebody_is_changing(desk: Desk, name: str) -> bool:
    """A pull-down or a vent that this analyser follows: gas is flowing, and each sample early is gas and time saved."""
    enclosures = [desk.site.enclosure_of_line.get(line.id) for line in desk.site.analysers[name].lines]
    return any(one is not None and desk.state.enclosures[one].state in ("pulling_down", "venting") for one in enclosures)


def affordable(desk: Desk, name: str, lasting_s: float) -> bool:
    """Whether everybody's sample still comes within its bound when this analyser first draws something else for so long. One
    that nothing is believed of has no samples to lose.
    """
    if desk.state.analysers[name].disbelieved:
        return True
    jobs, _ = sample_bound.jobs(desk, name)
    return sample_bound.keeps_all(jobs, desk.now.mono_s, None, lasting_s)


def late(desk: Desk, name: str, gases: list[str]) -> tuple[list[str], list[str]]:
    """The gases that are due, and those that are overdue, in words for a person."""
    due, overdue = [], []
    for gas in gases:
        past_s = past_due_s(desk, name, gas)
        if past_s is None or past_s < 0.0:
            continue
        known = desk.site.calibration_gases[gas]
        every_h = desk.site.analysers[name].calibration.every_h(known.serves)
        words = f"{_what(known)} {past_s / HOUR_S:.1f} h past its time (every {every_h:g} h)"
        came_of = "expired" if expired(desk, gas) else desk.state.analysers[name].calibration.came_of.get(gas, "")
        words += f", {came_of}" if came_of not in ("", "applied", "no drift") else ""
        (overdue if past_s >= (OVERDUE - 1.0) * every_h * HOUR_S else due).append(words)
    return due, overdue


def _what(gas: CalibrationGas) -> str:
    return f"{gas.serves.replace('_', ' ')} gas {gas.id}"
