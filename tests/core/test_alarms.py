"""Alarms on fake time: the states of ISA-18.2-2016 / IEC 62682 and what leads from one to the next.

State names confirmed in published texts, the transitions from memory. Acknowledge and reset are one action here: a latched
alarm ends by a named person's acknowledgement with the condition gone, as the design's rule 8 has it.
"""

from typing import get_args

import corekit
import pytest

from supervisor.core import alarms
from supervisor.core.catalogue import CATALOGUE, Consequence, Priority
from supervisor.core.desk import Desk
from supervisor.core.state import SiteState
from supervisor.messages import AlarmStatus
from supervisor.values import Now, Publish, Say

PLAIN, LATCHING, SLOW = "unit_silent", "room_air_unsafe", "analyser_silent"
SLOW_S = 60.0  # the catalogue's on-delay of SLOW, retyped


class Panel:
    """One alarm of one subject on fake time. Steps: `on`, `off`, `ack`, `ack N`; the return of `do` is the state."""

    def __init__(self, name: str) -> None:
        self.name, self.state, self.mono_s = name, SiteState(), 100.0
        self.told: list[AlarmStatus] = []
        self.said: list[Say] = []

    def do(self, what: str, seconds: float = 1.0, operator: str = "kit") -> str | None:
        self.mono_s += seconds
        desk = Desk(corekit.site(), self.state, Now(self.mono_s, 1_790_000_000.0 + self.mono_s))
        answer = None
        if what in ("on", "off"):
            alarms.condition(desk, self.name, "x", what == "on", f"measured at {self.mono_s:g}")
        else:
            _, _, number = what.partition(" ")
            occurrence = int(number) if number else self.occurrence
            answer = alarms.acknowledge(desk, f"{self.name}-x", occurrence, operator)
        self.told += [one.body for one in desk.effects if isinstance(one, Publish)]
        self.said += [one for one in desk.effects if isinstance(one, Say)]
        return answer

    @property
    def occurrence(self) -> int:
        return self.told[-1].occurrence if self.told else 0

    @property
    def shown(self) -> str:
        return self.told[-1].state if self.told else "normal"


# Title, alarm, and each step with the state after it.
SCRIPTS = [
    ("occurs", PLAIN, [("on", "unacknowledged")]),
    ("occurs, acknowledged, returns", PLAIN, [("on", "unacknowledged"), ("ack", "acknowledged"), ("off", "normal")]),
    ("returns before anybody saw it, then acknowledged", PLAIN,
     [("on", "unacknowledged"), ("off", "returned_unacknowledged"), ("ack", "normal")]),
    ("comes again before it was acknowledged", PLAIN,
     [("on", "unacknowledged"), ("off", "returned_unacknowledged"), ("on", "unacknowledged"), ("ack", "acknowledged")]),
    ("comes again after it was over", PLAIN,
     [("on", "unacknowledged"), ("ack", "acknowledged"), ("off", "normal"), ("on", "unacknowledged")]),
    ("goes on: still one occurrence", PLAIN, [("on", "unacknowledged"), ("on", "unacknowledged"), ("ack", "acknowledged"),
     ("on", "acknowledged")]),
    ("latched: returns unseen, ends by acknowledgement", LATCHING,
     [("on", "unacknowledged"), ("off", "latched_unacknowledged"), ("off", "latched_unacknowledged"), ("ack", "normal")]),
    ("latched: seen, returns, still stands, ended by a second word", LATCHING,
     [("on", "unacknowledged"), ("ack", "acknowledged"), ("off", "latched_acknowledged"), ("ack", "normal")]),
    ("latched: comes again while latched unseen", LATCHING,
     [("on", "unacknowledged"), ("off", "latched_unacknowledged"), ("on", "unacknowledged")]),
    ("latched: comes again while latched and seen", LATCHING,
     [("on", "unacknowledged"), ("ack", "acknowledged"), ("off", "latched_acknowledged"), ("on", "unacknowledged")]),
]  # fmt: skip


@pytest.mark.parametrize(("name", "steps"), [script[1:] for script in SCRIPTS], ids=[script[0] for script in SCRIPTS])
def test_transitions(name: str, steps: list[tuple[str, str]]) -> None:
    panel = Panel(name)
    for number, (what, expected) in enumerate(steps):
        answer = panel.do(what)
        assert answer is None, f"step {number} was refused: {answer}"
        assert panel.shown == expected, f"step {number}, {what}"
        assert panel.told[-1].condition == (expected in ("unacknowledged", "acknowledged"))
        assert panel.told[-1].latched == (name == LATCHING and expected != "normal")


def test_each_coming_is_its_own_occurrence_and_unacknowledged_again() -> None:
    panel = Panel(PLAIN)
    for expected in (1, 2, 3):
        panel.do("on")
        assert (panel.occurrence, panel.shown) == (expected, "unacknowledged")
        assert panel.told[-1].acknowledged_by is None and panel.told[-1].acknowledged_at is None
        assert panel.told[-1].cleared_at is None
        panel.do("ack", operator="mara")
        assert panel.told[-1].acknowledged_by == "mara"
        panel.do("off")


def test_an_acknowledgement_of_another_occurrence_is_refused() -> None:
    panel = Panel(PLAIN)
    panel.do("on")
    panel.do("off")
    panel.do("on")
    for seen in (1, 3):
        answer = panel.do(f"ack {seen}")
        assert answer is not None and f"occurrence {seen}" in answer and "stands at 2" in answer
    assert panel.shown == "unacknowledged"
    assert panel.do("ack 2") is None


def test_an_acknowledgement_without_its_occurrence_is_refused() -> None:
    panel = Panel(PLAIN)
    panel.do("on")
    desk = Desk(corekit.site(), panel.state, Now(200.0, 1_790_000_200.0))
    answer = alarms.acknowledge(desk, f"{PLAIN}-x", None, "mara")
    assert answer is not None and "say which occurrence" in answer and "1" in answer
    assert panel.state.alarms[f"{PLAIN}-x"].state == "unacknowledged" and not desk.effects


def test_what_is_not_there_or_already_seen_is_not_acknowledged() -> None:
    panel = Panel(PLAIN)
    assert "there is no alarm" in (panel.do("ack 1") or "")
    panel.do("on")
    panel.do("ack", operator="mara")
    assert "by mara already" in (panel.do("ack", operator="ono") or "")
    assert panel.told[-1].acknowledged_by == "mara"
    panel.do("off")
    assert "there is no alarm" in (panel.do("ack 1") or "")


def test_times_and_words_are_told() -> None:
    panel = Panel(LATCHING)
    panel.do("on")
    raised_at = panel.told[-1].raised_at
    assert "measured at 101" in panel.told[-1].text and panel.told[-1].text.startswith(CATALOGUE[LATCHING].text)
    assert panel.told[-1].advice == CATALOGUE[LATCHING].advice
    panel.do("off", 30.0)
    assert panel.told[-1].cleared_at is not None and (panel.told[-1].cleared_at - raised_at).total_seconds() == 30.0
    panel.do("ack", 60.0, operator="mara")
    assert panel.told[-1].acknowledged_by == "mara"
    assert (panel.told[-1].acknowledged_at - raised_at).total_seconds() == 90.0
    assert panel.told[-1].raised_at == raised_at


@pytest.mark.parametrize("name", list(CATALOGUE))
def test_each_step_is_said_for_the_log_as_loud_as_it_is_urgent(name: str) -> None:
    panel = Panel(name)
    panel.do("on")
    panel.do("on", 10_000.0)  # past every on-delay
    panel.do("off")
    panel.do("ack")
    assert [one.event for one in panel.said] == ["alarm_raised", "alarm_cleared", "alarm_acknowledged"]
    loud = "error" if CATALOGUE[name].priority in ("critical", "high") else "warning"
    assert [one.level for one in panel.said] == [loud, "info", "info"]
    assert all(one.figures["alarm"] == f"{name}-x" and one.figures["occurrence"] == 1 for one in panel.said)


# ------------------------------------------------------------------------------------------------ on-delay


def test_a_condition_must_hold_for_its_delay() -> None:
    panel = Panel(SLOW)
    panel.do("on")
    panel.do("on", SLOW_S - 1.0)
    assert panel.told == []
    panel.do("on", 1.0)
    assert panel.shown == "unacknowledged"


def test_a_condition_that_went_away_counts_its_delay_anew() -> None:
    panel = Panel(SLOW)
    panel.do("on")
    panel.do("on", SLOW_S - 1.0)
    panel.do("off", 1.0)
    panel.do("on", 1.0)
    panel.do("on", SLOW_S - 1.0)
    assert panel.told == []
    panel.do("on", 1.0)
    assert panel.shown == "unacknowledged" and panel.occurrence == 1


def test_personnel_alarms_wait_for_nothing() -> None:
    assert [row.name for row in CATALOGUE.values() if row.personnel and row.on_delay_s > 0.0] == []


# ------------------------------------------------------------------------------------------------ the catalogue


@pytest.mark.parametrize("row", CATALOGUE.values(), ids=list(CATALOGUE))
def test_every_row_has_words_for_a_person(row) -> None:
    assert row.priority in get_args(Priority) and row.consequence in get_args(Consequence)
    for words in (row.text, row.cause, row.ignored, row.advice):
        assert len(words) >= 7, "a word is missing"
    assert row.advice[-1] in ".?"
    assert row.name == row.name.lower() and " " not in row.name
    assert row.on_delay_s >= 0.0
    if row.personnel:
        assert row.priority in ("high", "critical") and row.consequence in ("close_room", "close_all")


def test_the_rows_about_people_are_these() -> None:
    assert {row.name for row in CATALOGUE.values() if row.personnel} == {
        "room_air_dangerous", "room_air_unsafe", "room_air_unknown", "room_air_exposure", "people_overdue", "people_missing",
    }  # fmt: skip
    assert CATALOGUE["room_air_dangerous"].latches and CATALOGUE["room_air_unsafe"].latches


@pytest.mark.parametrize("name", [row.name for row in CATALOGUE.values() if row.personnel])
def test_a_personnel_alarm_is_normal_only_when_it_is_over_and_a_person_said_so(name: str) -> None:
    """Rule 8: never before both, in either order."""
    seen_first = Panel(name)
    seen_first.do("on")
    seen_first.do("ack")
    assert seen_first.shown != "normal"
    over_first = Panel(name)
    over_first.do("on")
    over_first.do("off")
    assert over_first.shown != "normal"
    for _ in range(100):
        over_first.do("off", 3600.0)
    assert over_first.shown != "normal", "time alone ended it"
    over_first.do("ack", operator="mara")
    assert over_first.shown == "normal" and over_first.told[-1].acknowledged_by == "mara"
