"""What the rest of the core asks of the alarms: what is active, what follows from it, and by how much better is good again."""

import pytest
from alarmkit import Panel

from supervisor.core import alarms
from supervisor.core.state import Alarm


def ask(panel: Panel, question, *words):
    """The answer to a question of the core, at the panel's time."""
    return panel._with(lambda desk: question(desk, *words))


def test_what_never_was_is_no_alarm_and_nothing_is_kept_of_it() -> None:
    panel = Panel()
    panel.do("off")
    assert panel.state.alarms == {} and panel.state.alarm_timers == {} and panel.told == []
    for question in (alarms.active, alarms.holds):
        assert ask(panel, question, "unit_silent", "gw-east") is False
    assert ask(panel, alarms.problems, "gw-east") == [] and ask(panel, alarms.deadband, "unit_silent", "gw-east") == 0.0


def test_active_is_the_condition_and_holds_is_the_latch_too() -> None:
    panel = Panel("room_air_unsafe", "east")
    answers = []
    for what in ("on", "ack", "off", "ack"):
        panel.do(what)
        answers.append((ask(panel, alarms.active, *panel.key.split("-")), ask(panel, alarms.holds, *panel.key.split("-"))))
    assert answers == [(True, True), (True, True), (False, True), (False, False)]
    plain = Panel()
    plain.do("on")
    assert ask(plain, alarms.holds, "unit_silent", "gw-east") is True
    plain.do("off")
    assert ask(plain, alarms.holds, "unit_silent", "gw-east") is False, "unacknowledged, but it latches nothing"


def test_the_deadband_counts_only_while_the_alarm_is_active() -> None:
    panel = Panel("o2_below_floor", "e1")
    assert ask(panel, alarms.deadband, "o2_below_floor", "e1") == 0.0
    panel.do("on")
    assert ask(panel, alarms.deadband, "o2_below_floor", "e1") == 0.1
    panel.do("off")
    assert ask(panel, alarms.deadband, "o2_below_floor", "e1") == 0.0


def test_a_room_is_closed_by_its_own_alarms_and_by_what_closes_all() -> None:
    panel = Panel("room_air_unknown", "east")
    assert not ask(panel, alarms.closes, "east")
    panel.do("on")
    assert ask(panel, alarms.closes, "east") and not ask(panel, alarms.closes, "west")
    panel.do("off")
    assert not ask(panel, alarms.closes, "east"), "it does not latch"
    panel.condition("link_lost", "site", True)
    assert not ask(panel, alarms.closes, "east"), "what closes by itself needs no closing"
    panel.condition("epoch_overtaken", "site", True)
    assert ask(panel, alarms.closes, "east") and ask(panel, alarms.closes, "west")


def test_what_is_missing_is_no_alarm_yet_while_all_starts_and_none_that_stands_is_over() -> None:
    panel = Panel()
    gone = lambda gone: panel._with(lambda desk: alarms.missing(desk, "unit_silent", "gw-east", gone, "silent"))  # noqa: E731
    panel.mono_s = panel.state.trusted_mono_s = 500.0
    gone(True)
    assert panel.alarm.state == "normal"
    panel.mono_s += 120.0  # start_grace_s
    gone(True)
    assert panel.alarm.state == "unacknowledged" and panel.told[-1].text.endswith("silent")
    panel.state.trusted_mono_s = panel.mono_s
    gone(True)
    assert panel.alarm.condition, "a start ends nothing"
    gone(False)
    assert not panel.alarm.condition
    panel.state.link_up = False
    panel.mono_s += 1000.0
    gone(True)
    assert not panel.alarm.condition, "without a link nothing can be heard"


def test_everything_is_shown_again_after_a_new_link() -> None:
    panel = Panel()
    panel.do("on"), panel.do("ack"), panel.do("off")
    panel.condition("unit_silent", "gw-west", True)
    panel.told.clear()
    panel._with(alarms.show_all)
    assert {one.alarm: one.state for one in panel.told} == {
        "unit_silent-gw-east": "normal", "unit_silent-gw-west": "unacknowledged",
    }  # fmt: skip


@pytest.mark.parametrize("first", ["one", "two"])
def test_alarms_that_this_version_does_not_know_any_more_are_no_problems_of_their_subject(first: str) -> None:
    panel = Panel("room_air_unknown", "east")
    for name in sorted(["one", "two"], key=lambda name: name != first):
        panel.state.alarms[f"{name}-east"] = Alarm(name, "east", 1, "unacknowledged", True)
    panel.do("on")
    panel.restart()
    assert panel.state.problems["east"] == ["room_air_unknown"]
    assert {panel.state.alarms[f"{name}-east"].state for name in ("one", "two")} == {"returned_unacknowledged"}
