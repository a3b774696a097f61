"""Alarms on fake time: titled scripts, each step with the state after it, and what is told of them."""

from typing import get_args

import pytest
from alarmkit import Panel

from supervisor.core.catalogue import CATALOGUE, Consequence, Priority, worst

PLAIN, LATCHING, SLOW, SLUGGISH = "unit_silent", "room_air_unsafe", "analyser_silent", "source_unavailable"
SLOW_S, SLUGGISH_S = 60.0, 60.0  # on-delay of SLOW and off-delay of SLUGGISH, retyped from the catalogue
SUBJECT = {PLAIN: "gw-east", LATCHING: "east", SLOW: "az", SLUGGISH: "bank"}
HOUR_S = 3600.0

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
    ("latched: returns unseen, is acknowledged, and reset by a second word", LATCHING,
     [("on", "unacknowledged"), ("off", "latched_unacknowledged"), ("off", "latched_unacknowledged"),
      ("ack", "latched_acknowledged"), ("wait", "latched_acknowledged"), ("ack", "normal")]),
    ("latched: seen, returns, still stands, reset by a second word", LATCHING,
     [("on", "unacknowledged"), ("ack", "acknowledged"), ("off", "latched_acknowledged"), ("ack", "normal")]),
    ("latched: comes again while latched unseen", LATCHING,
     [("on", "unacknowledged"), ("off", "latched_unacknowledged"), ("on", "unacknowledged")]),
    ("latched: comes again while latched and seen", LATCHING,
     [("on", "unacknowledged"), ("ack", "acknowledged"), ("off", "latched_acknowledged"), ("on", "unacknowledged")]),
    ("shelved while it stands, the shelf ends, it is told anew", PLAIN,
     [("on", "unacknowledged"), ("shelve 1", "shelved"), ("wait", "shelved"), ("unshelve", "unacknowledged")]),
    ("shelved, over meanwhile: nothing is left to tell", PLAIN,
     [("on", "unacknowledged"), ("ack", "acknowledged"), ("shelve 1", "shelved"), ("off", "shelved"), ("unshelve", "normal")]),
    ("shelved before it comes", PLAIN, [("shelve 1", "shelved"), ("on", "shelved"), ("unshelve", "unacknowledged")]),
    ("a restart changes nothing", LATCHING,
     [("on", "unacknowledged"), ("restart", "unacknowledged"), ("ack", "acknowledged"), ("restart", "acknowledged"),
      ("off", "latched_acknowledged"), ("restart", "latched_acknowledged"), ("ack", "normal"), ("restart", "normal")]),
]  # fmt: skip


def panel_of(name: str) -> Panel:
    return Panel(name, SUBJECT[name])


@pytest.mark.parametrize(("name", "steps"), [script[1:] for script in SCRIPTS], ids=[script[0] for script in SCRIPTS])
def test_transitions(name: str, steps: list[tuple[str, str]]) -> None:
    panel, condition = panel_of(name), False
    for number, (what, expected) in enumerate(steps):
        answer = panel.do(what)
        condition = what == "on" or (condition and what != "off")
        assert answer is None, f"step {number} was refused: {answer}"
        assert panel.shown == panel.alarm.state == expected, f"step {number}, {what}"
        assert panel.told[-1].condition == condition
        assert panel.told[-1].latched == (name == LATCHING and expected != "normal")


def test_each_coming_is_its_own_occurrence_and_unacknowledged_again() -> None:
    panel = panel_of(PLAIN)
    for expected in (1, 2, 3):
        panel.do("on", 61.0)
        assert (panel.alarm.occurrence, panel.shown) == (expected, "unacknowledged")
        assert panel.told[-1].acknowledged_by is None and panel.told[-1].acknowledged_at is None
        assert panel.told[-1].cleared_at is None
        panel.do("ack", operator="mara")
        assert panel.told[-1].acknowledged_by == "mara"
        panel.do("off")


def test_an_acknowledgement_of_another_occurrence_is_refused() -> None:
    panel = panel_of(PLAIN)
    panel.do("on")
    panel.do("off")
    panel.do("on")
    for seen in (1, 3):
        answer = panel.do(f"ack {seen}")
        assert answer is not None and f"occurrence {seen}" in answer and "stands at 2" in answer
    assert panel.shown == "unacknowledged"
    assert panel.do("ack 2") is None


def test_an_acknowledgement_without_its_occurrence_is_refused() -> None:
    panel = panel_of(PLAIN)
    panel.do("on")
    answer = panel.acknowledge(panel.key, None)
    assert answer is not None and "say which occurrence" in answer and "1" in answer
    assert panel.shown == "unacknowledged"


def test_an_acknowledgement_carries_who_when_and_a_note() -> None:
    panel = panel_of(PLAIN)
    panel.do("on")
    assert panel.acknowledge(panel.key, 1, "mara", "fuse is out, replaced at noon") is None
    assert panel.told[-1].note == "fuse is out, replaced at noon" and panel.told[-1].acknowledged_by == "mara"
    assert panel.said[-1].figures["note"] == "fuse is out, replaced at noon"
    assert (panel.said[-1].figures["was"], panel.said[-1].figures["state"]) == ("unacknowledged", "acknowledged")
    panel.do("off"), panel.do("on")
    assert panel.told[-1].note is None, "another occurrence has a note of its own"


def test_a_latched_alarm_is_not_reset_while_its_cause_stands() -> None:
    panel = panel_of(LATCHING)
    panel.do("on"), panel.do("ack", operator="mara")
    answer = panel.do("ack", operator="mara")
    assert answer is not None and "once its cause is gone" in answer and panel.shown == "acknowledged"


def test_what_is_not_there_or_already_seen_is_not_acknowledged() -> None:
    panel = panel_of(PLAIN)
    assert "there is no alarm" in (panel.do("ack 1") or "")
    panel.do("on")
    panel.do("ack", operator="mara")
    assert "by mara already" in (panel.do("ack", operator="ono") or "")
    assert panel.told[-1].acknowledged_by == "mara"
    panel.do("off")
    assert "there is no alarm" in (panel.do("ack 1") or "")


def test_times_and_words_are_told() -> None:
    panel = panel_of(LATCHING)
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
    panel = Panel(name, "nowhere")
    panel.do("on")
    panel.do("on", 100_000.0)  # past every delay
    panel.do("off")
    panel.do("off", 100_000.0)
    panel.do("ack")
    assert panel.events() == ["alarm_raised", "alarm_cleared", "alarm_acknowledged"]
    loud = "error" if CATALOGUE[name].priority in ("critical", "high") else "warning"
    assert [one.level for one in panel.said] == [loud, "info", "info"]
    assert all(one.figures["alarm"] == panel.key and one.figures["occurrence"] == 1 for one in panel.said)
    steps = [(one.figures["was"], one.figures["state"]) for one in panel.said]
    assert steps[0] == ("normal", "unacknowledged")
    assert all(before[1] == next_[0] for before, next_ in zip(steps, steps[1:], strict=False))


# ------------------------------------------------------------------------------------------------ delays


def test_a_condition_must_hold_for_its_delay() -> None:
    panel = panel_of(SLOW)
    panel.do("on")
    panel.do("on", SLOW_S - 1.0)
    assert panel.told == []
    panel.do("on", 1.0)
    assert panel.shown == "unacknowledged"


def test_a_condition_that_went_away_counts_its_delay_anew() -> None:
    panel = panel_of(SLOW)
    panel.do("on")
    panel.do("on", SLOW_S - 1.0)
    panel.do("off", 1.0)
    panel.do("on", 1.0)
    panel.do("on", SLOW_S - 1.0)
    assert panel.told == []
    panel.do("on", 1.0)
    assert panel.shown == "unacknowledged" and panel.alarm.occurrence == 1


def test_time_alone_ends_an_on_delay() -> None:
    """Whoever said that the condition holds need not say it again."""
    panel = panel_of(SLOW)
    panel.do("on")
    panel.do("wait", SLOW_S - 1.0)
    assert panel.told == []
    panel.do("wait", 1.0)
    assert panel.shown == "unacknowledged" and panel.told[-1].text.endswith("measured at 101")


def test_a_condition_must_be_gone_for_the_off_delay() -> None:
    panel = panel_of(SLUGGISH)
    panel.do("on"), panel.do("wait", 120.0)
    assert panel.shown == "unacknowledged"
    panel.do("off")
    panel.do("wait", SLUGGISH_S - 1.0)
    assert panel.told[-1].condition
    panel.do("on", 0.5)
    panel.do("wait", 3600.0)
    assert panel.told[-1].condition, "it came back within its off-delay: it was never over"
    panel.do("off")
    panel.do("wait", SLUGGISH_S)
    assert panel.shown == "returned_unacknowledged" and panel.alarm.occurrence == 1


def test_a_delay_goes_on_over_a_restart() -> None:
    panel = panel_of(SLOW)
    panel.do("on")
    panel.do("restart", SLOW_S - 1.0)
    assert panel.shown == "normal"
    panel.do("wait", 1.0)
    assert panel.shown == "unacknowledged"


def test_personnel_alarms_wait_for_nothing() -> None:
    rows = [row for row in CATALOGUE.values() if row.personnel]
    assert [row.name for row in rows if row.on_delay_s > 0.0 or row.off_delay_s > 0.0] == []


def test_nothing_waits_when_nothing_is_due() -> None:
    panel = panel_of(SLUGGISH)
    for what in ("on", "wait", "off", "wait", "ack"):
        panel.do(what, 1000.0)
    assert panel.state.alarm_timers == {}


# ------------------------------------------------------------------------------------------------ the catalogue


@pytest.mark.parametrize("row", CATALOGUE.values(), ids=list(CATALOGUE))
def test_every_row_has_words_for_a_person(row) -> None:
    assert row.priority in get_args(Priority) and row.consequence in get_args(Consequence)
    for words in (row.text, row.cause, row.ignored, row.advice):
        assert len(words) >= 7, "a word is missing"
    assert row.advice[-1] in ".?"
    assert row.name == row.name.lower() and " " not in row.name
    assert row.on_delay_s >= 0.0 and row.off_delay_s >= 0.0 and row.deadband >= 0.0
    assert "acknowledge" in row.ends and ("latched" in row.ends) == row.latches
    assert (f"{row.off_delay_s:g} s" in row.ends) == (row.off_delay_s > 0.0)
    if row.personnel:
        assert row.priority in ("high", "critical") and row.consequence in ("close_room", "close_all")


def test_the_rows_about_people_are_these() -> None:
    assert {row.name for row in CATALOGUE.values() if row.personnel} == {
        "room_air_dangerous", "room_air_unsafe", "room_air_unknown", "room_air_exposure", "people_overdue", "people_missing",
        "people_unaccounted",
    }  # fmt: skip
    assert CATALOGUE["room_air_dangerous"].latches and CATALOGUE["room_air_unsafe"].latches


@pytest.mark.parametrize("name", [row.name for row in CATALOGUE.values() if row.personnel])
def test_a_personnel_alarm_is_normal_only_when_it_is_over_and_a_person_said_so(name: str) -> None:
    """Rule 8: never before both, in either order."""
    seen_first = Panel(name, "east")
    seen_first.do("on")
    seen_first.do("ack")
    assert seen_first.shown != "normal"
    over_first = Panel(name, "east")
    over_first.do("on")
    over_first.do("off")
    assert over_first.shown != "normal"
    for _ in range(100):
        over_first.do("off", 3600.0)
    assert over_first.shown != "normal", "time alone ended it"
    over_first.do("ack", operator="mara")
    if CATALOGUE[name].latches:
        assert over_first.shown == "latched_acknowledged"
        over_first.do("ack", operator="mara")
    assert over_first.shown == "normal" and over_first.told[-1].acknowledged_by == "mara"


def test_the_worst_consequence_wins_and_stands_while_latched() -> None:
    assert worst([]) == "none" and worst(["none", "close_room", "no_dose"]) == "close_room"
    assert worst(["fault", "no_dose"]) == "fault" and worst(["close_all", "close_room"]) == "close_all"
    panel = panel_of(LATCHING)
    panel.condition("room_air_unknown", "east", True)
    panel.do("on")
    assert panel.state.problems["east"] == ["room_air_unknown", "room_air_unsafe"]
    panel.condition("room_air_unknown", "east", False)
    panel.do("off")
    assert panel.state.problems["east"] == [] and panel.state.consequences["east"] == "close_room", "it is latched"
    panel.do("ack"), panel.do("ack")
    assert panel.state.consequences["east"] == "none"
