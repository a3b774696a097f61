"""The people of a rehearsed site: they carry out the season's plan, make rounds, acknowledge alarms, and put right what waits
for a person once it is mended. They go by what consoles show them, and by what they mended themselves: the schedule of faults.
"""

from collections.abc import Callable, Iterable

from simulator.crew import Act
from simulator.kinds import Fault
from supervisor.messages import AlarmStatus, EnclosureState
from supervisor.rehearsal.reach import reach
from supervisor.rehearsal.season import DAY_S, HOUR_S, MINUTE_S, Filling
from supervisor.settings import SiteFile

ACKNOWLEDGE_S = 10 * MINUTE_S
RESUME_S, RESUME_AGAIN_S = 30 * MINUTE_S, 15 * MINUTE_S
DECIDE_S, DECIDE_AGAIN_S = 30 * MINUTE_S, HOUR_S
ROUND_H, ROUNDS_APART_S, ROUND_S, ROUND_MIN = 9.5, 30 * MINUTE_S, 12 * MINUTE_S, 20
O2_BREATHABLE_PCT, CO2_BREATHABLE_PCT = 19.5, 0.5  # 29 CFR 1910.146(b) and 1910.1000 Table Z-1: when the crew asks to open
WALKS, WAITS = "mara of the rehearsal", "sol of the rehearsal"

ASSUMED = (
    "Every alarm is acknowledged 10 minutes after it is shown, at any hour. A faulted enclosure is resumed 30 minutes after "
    "what broke is mended, and what an analyser's calibration leaves to a person is decided after 30 minutes.",
    "What makes an analyser drift is mended at the fault's end: it is adjusted to read right, and its gases are drawn anew.",
    "Two people make a round of each room each morning, one inside for 12 minutes and one standing by; no gas is given then.",
)


class Staff:
    """`act` puts an act of the crew on its schedule, so many seconds from now; `adjusted` makes an analyser read right.
    Times are seconds since the season began."""

    def __init__(
        self, site: SiteFile, plans: dict[str, list[Filling]], faults: Iterable[Fault],
        act: Callable[[Act], None], adjusted: Callable[[str], None], end_s: float,
    ) -> None:  # fmt: skip
        self._site, self._act, self._adjusted, self._end_s = site, act, adjusted, end_s
        self._mended_s: dict[str, list[tuple[float, float]]] = {name: [] for name in site.enclosures}
        self._wrong_gas: list[Fault] = []
        self._adjust: list[tuple[float, str]] = []
        for fault in faults:
            for name in reach(site, fault).enclosures:
                self._mended_s[name].append((fault.start_s, fault.end_s))
            if fault.name.startswith("analyser_drift"):
                self._adjust.append((fault.end_s, fault.target))
            if fault.name.startswith("calibration_gas"):
                self._wrong_gas.append(fault)
        self._plans = {name: list(fillings) for name, fillings in plans.items()}
        self._kept: dict[str, Filling | None] = dict.fromkeys(site.enclosures)
        self._vent_s: dict[str, float] = {}
        self._state: dict[str, tuple[str, float]] = {}
        self._last_s: dict[str, float] = {}
        self._drifts: dict[str, float] = {}
        self._words: dict[str, str] = {}
        self._rounds = 0
        for fillings in self._plans.values():
            self._seal(fillings, 0.0)

    def lot(self, name: str) -> str:
        """What is in an enclosure, or was last."""
        kept = self._kept[name]
        return "" if kept is None else kept.lot

    # ---- what consoles show

    def see_state(self, name: str, shown: EnclosureState, at_s: float) -> None:
        """An enclosure's state was published."""
        was, _ = self._state.get(name, ("", 0.0))
        if shown.state != was:
            self._state[name] = (shown.state, at_s)
            if shown.state == "filling" and was in ("venting", "faulted"):
                self._opened(name, at_s)
        breathable = shown.o2_pct is not None and shown.o2_pct >= O2_BREATHABLE_PCT
        breathable = breathable and shown.co2_pct is not None and shown.co2_pct <= CO2_BREATHABLE_PCT
        if shown.state == "venting" and breathable and self._due(f"open {name}", at_s, 6 * HOUR_S):
            self._act(Act(0.0, "open", name))

    def see_alarm(self, key: str, shown: AlarmStatus, at_s: float) -> None:
        """An alarm was published. A drift that waits for a word is remembered; the rest the crew acknowledges."""
        if key.startswith("analyser_drift-"):
            if shown.condition:
                self._drifts.setdefault(shown.subject, at_s)
            else:
                self._drifts.pop(shown.subject, None)
                self._words.pop(shown.subject, None)

    # ---- what is due by time

    def look(self, at_s: float) -> None:
        """Now and then, in order of time."""
        for name, due_s in list(self._vent_s.items()):
            state = self._state.get(name, ("", 0.0))[0]
            if at_s >= due_s and state in ("pulling_down", "holding"):
                del self._vent_s[name]
                self._act(Act(0.0, "vent", name))
        for name, (state, since_s) in self._state.items():
            if state == "faulted" and at_s - max(since_s, self._mended(name, at_s)) >= RESUME_S:
                if self._due(f"resume {name}", at_s, RESUME_AGAIN_S):
                    self._act(Act(0.0, "resume", name))
        for analyser, since_s in self._drifts.items():
            if at_s - since_s >= DECIDE_S and self._due(f"decide {analyser}", at_s, DECIDE_AGAIN_S):
                wrong = any(one.start_s <= at_s < one.end_s + HOUR_S for one in self._wrong_gas)
                # What cannot be accepted is refused the next time, and measured anew.
                accept = not wrong and self._words.get(analyser) != "accept"
                self._words[analyser] = "accept" if accept else "refuse"
                self._act(Act(0.0, "calibrate", analyser, {"decision": self._words[analyser]}))
        for adjusted in [one for one in self._adjust if one[0] <= at_s]:
            self._adjust.remove(adjusted)
            self._adjusted(adjusted[1])
            self._act(Act(0.0, "calibrate", adjusted[1]))
        self._walk(at_s)

    def _walk(self, at_s: float) -> None:
        """The morning's round of each room."""
        if at_s < self._rounds * DAY_S + ROUND_H * HOUR_S:
            return
        self._rounds += 1
        for number, room in enumerate(self._site.rooms):
            begins_s = number * ROUNDS_APART_S
            more = {"people": [WALKS], "standby": WAITS, "minutes": ROUND_MIN}
            self._act(Act(begins_s, "enter", room, more))
            self._act(Act(begins_s + ROUND_S, "leave", room, {"people": [WALKS]}))

    # ---- within

    def _seal(self, fillings: list[Filling], now_s: float) -> None:
        if not fillings:
            return
        next_one = fillings.pop(0)
        self._kept[next_one.enclosure] = next_one
        seal_s = max(next_one.seal_s, now_s)
        self._act(Act(seal_s - now_s, "seal", next_one.enclosure, {"lot": next_one.lot}))
        if next_one.keep_s is not None:
            self._vent_s[next_one.enclosure] = seal_s + next_one.keep_s

    def _opened(self, name: str, at_s: float) -> None:
        """Empty: the next lot comes when the enclosure has stood open for long enough."""
        kept = self._kept[name]
        if kept is None:
            return
        if self._plans[name] and at_s + kept.empty_s < self._end_s - HOUR_S:
            following = self._plans[name][0]
            self._plans[name][0] = Filling(name, following.lot, at_s + kept.empty_s, following.keep_s, following.empty_s)
            self._seal(self._plans[name], at_s)

    def _mended(self, name: str, at_s: float) -> float:
        """When the last fault was mended of those that have begun; infinitely late while one stands."""
        ends_s = [end_s for start_s, end_s in self._mended_s[name] if start_s <= at_s]
        return max(ends_s, default=0.0)

    def _due(self, what: str, at_s: float, every_s: float) -> bool:
        if at_s - self._last_s.get(what, -every_s) < every_s:
            return False
        self._last_s[what] = at_s
        return True
