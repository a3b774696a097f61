"""The alarm life cycle against an independent model, over random sequences: conditions, delays, words, shelves, causes, out of
service, restarts, and time (Hypothesis, stateful).

The model has no table of states. It keeps facts (is the condition there, has somebody seen this occurrence, is it latched,
who keeps it away until when) and derives from them what must be shown.
"""

import math
from dataclasses import dataclass, field

from alarmkit import WALL_S, Panel
from coresite import site_with
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

SAMPLE_AGE_S_MAX = 2700.0


@dataclass
class Facts:
    """What is true of one alarm. Delays and flags are retyped from the catalogue."""

    on_s: float
    off_s: float
    latches: bool
    explained: bool
    personnel: bool
    there: bool = False
    wish: bool = False
    wish_since_s: float = 0.0
    seen: bool = True
    latched: bool = False
    number: int = 0
    away: str = ""
    shelf_until_s: float = math.inf
    cause_gone_s: float | None = None
    comes: list[float] = field(default_factory=list)
    chatters: bool = False

    def shown(self) -> str:
        if self.away:
            return self.away
        if self.there:
            return "acknowledged" if self.seen else "unacknowledged"
        if self.latched:
            return "latched_acknowledged" if self.seen else "latched_unacknowledged"
        return "normal" if self.seen else "returned_unacknowledged"

    def news(self, now_s: float) -> None:
        unseen = not self.seen
        self.comes.append(now_s)
        lately = [one for one in self.comes if one > now_s - 60.0]
        self.chatters = self.chatters or len(lately) >= 3
        self.seen = False
        if not (self.chatters and unseen):
            self.number += 1

    def rest(self, now_s: float) -> None:
        """What time brings about, in the order in which the alarm system looks at it."""
        waited_s = now_s - self.wish_since_s
        if self.wish and not self.there and waited_s >= self.on_s:
            self.there, self.latched = True, self.latched or self.latches
            if not self.away:
                if self.explained and self.cause and self.seen and not self.latched:
                    self.away, self.cause_gone_s = "suppressed_by_design", None
                else:
                    self.news(now_s)
        elif not self.wish and self.there and waited_s >= self.off_s:
            self.there = False
        if self.away == "shelved" and now_s >= self.shelf_until_s:
            self.home(now_s)
        if self.away == "suppressed_by_design":
            if self.cause:
                self.cause_gone_s = None
            elif self.cause_gone_s is None:
                self.cause_gone_s = now_s
            if not self.cause and (not self.there or now_s >= self.cause_gone_s + SAMPLE_AGE_S_MAX):
                self.home(now_s)
        if self.chatters and now_s - self.comes[-1] >= 60.0:
            self.chatters, self.comes = False, []

    cause: bool = False

    def home(self, now_s: float) -> None:
        self.away = ""
        self.seen = not self.latched
        if self.there:
            self.seen = True  # nobody has seen it since it was put away; whoever did before saw an older occurrence
            self.news(now_s)


# Name, subject; on-delay and off-delay in seconds, latches, explained by another alarm, about people.
KINDS = {
    "unit_silent": ("gw-east", 0.0, 0.0, False, False, False),
    "sample_overdue": ("e1", 0.0, 0.0, False, True, False),
    "analyser_silent": ("az", 60.0, 30.0, False, True, False),
    "guard_refusals": ("e1", 600.0, 60.0, False, True, False),
    "no_response": ("e1", 0.0, 0.0, True, False, False),
    "room_air_dangerous": ("east", 0.0, 0.0, True, False, True),
}
CAUSE = ("unit_silent", "gw-plant")
SECONDS = st.sampled_from([0.0, 1.0, 15.0, 29.0, 30.0, 31.0, 59.0, 60.0, 61.0, 599.0, 600.0, 1800.0, 2700.0, 3600.0, 43200.0])


class Life(RuleBasedStateMachine):
    @initialize(kind=st.sampled_from(sorted(KINDS)))
    def begin(self, kind: str) -> None:
        subject, *figures = KINDS[kind]
        self.panel, self.facts = Panel(kind, subject), Facts(*figures)
        self.out = False
        self.panel.do("wait")

    def _went(self) -> None:
        self.facts.rest(self.panel.mono_s)

    @rule(seconds=SECONDS)
    def time(self, seconds: float) -> None:
        self.panel.do("wait", seconds)
        self._went()

    @rule(active=st.booleans(), seconds=SECONDS)
    def says(self, active: bool, seconds: float) -> None:
        self.panel.do("wait", seconds)
        self._went()
        self.panel.do("on" if active else "off", 0.0)
        if active != self.facts.wish:
            self.facts.wish, self.facts.wish_since_s = active, self.panel.mono_s
        self._went()

    @precondition(lambda self: self.facts.explained)
    @rule(active=st.booleans())
    def cause(self, active: bool) -> None:
        self.panel.mono_s += 1.0
        self.panel.condition(*CAUSE, active)
        self.facts.cause = active
        self._went()

    @rule(behind=st.integers(0, 2))
    def acknowledge(self, behind: int) -> None:
        facts = self.facts
        answer = self.panel.acknowledge(self.panel.key, self.panel.alarm.occurrence - behind if behind < 2 else None)
        shown = facts.shown()
        possible = behind == 0 and not facts.away and shown not in ("normal", "acknowledged")
        assert (answer is None) == possible, answer
        if possible:
            facts.latched = facts.latched and shown != "latched_acknowledged"
            facts.seen = True

    @rule(hours=st.sampled_from([-1.0, 0.5, 1.0, 12.0, 12.1]), note=st.sampled_from(["", "works on it"]))
    def shelve(self, hours: float, note: str) -> None:
        answer = self.panel.shelve(self.panel.key, hours * 3600.0, note=note)
        possible = not self.facts.personnel and not self.out and 0 < hours <= 12 and bool(note)
        assert (answer is None) == possible, answer
        if possible:
            self.facts.away, self.facts.shelf_until_s = "shelved", self.panel.mono_s + hours * 3600.0
            self.facts.cause_gone_s = None

    @rule()
    def unshelve(self) -> None:
        answer = self.panel.do("unshelve", 0.0)
        assert (answer is None) == (self.facts.away == "shelved")
        if answer is None:
            self.facts.home(self.panel.mono_s)

    @rule()
    def restart(self) -> None:
        self.panel.restart()

    @precondition(lambda self: not self.facts.personnel)
    @rule()
    def site_file(self) -> None:
        """The site file takes the alarm out of service, or names it no more."""
        self.out = not self.out
        begin = '[[room]]\nid = "east"'
        entry = f'[[out_of_service]]\nalarm = "{self.panel.key}"\nreason = "being rebuilt"\n'
        self.panel.restart(site_with(**{begin: entry + begin}) if self.out else site_with())
        if self.out:
            self.facts.away = "out_of_service"
        elif self.facts.away == "out_of_service":
            self.facts.home(self.panel.mono_s)

    @invariant()
    def agrees(self) -> None:
        alarm, facts = self.panel.alarm, self.facts
        assert (alarm.state, alarm.condition, alarm.latched, alarm.occurrence) == (
            facts.shown(), facts.there, facts.latched, facts.number,
        )  # fmt: skip
        assert not (facts.personnel and alarm.state in ("shelved", "suppressed_by_design", "out_of_service"))
        if alarm.state != "normal":
            assert self.panel.shown == alarm.state, "what is shown is what is"
        assert (self.panel.key in self.panel.state.alarm_timers) or not (
            alarm.pending_mono_s or alarm.clearing_mono_s or alarm.state in ("shelved", "suppressed_by_design")
        )
        if alarm.shelved_until_wall_s is not None:
            assert alarm.shelved_until_wall_s - WALL_S > self.panel.mono_s - 1e-3 or alarm.state == "shelved"


Life.TestCase.settings = settings(max_examples=400, stateful_step_count=40, deadline=None)
TestLife = Life.TestCase
