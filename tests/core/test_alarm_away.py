"""Alarms that lie apart: shelved by a person, held back by what explains them, taken out of service; and those whose point
is gone."""

import pytest
from alarmkit import Panel
from coresite import site, site_with

from supervisor.core.alarm_causes import EXPLAINED, explaining
from supervisor.core.catalogue import CATALOGUE
from supervisor.core.state import Alarm

HOUR_S = 3600.0
SAMPLE_AGE_S_MAX = 2700.0  # the bench site's, by default

# ------------------------------------------------------------------------------------------------ shelved


@pytest.mark.parametrize("name", [row.name for row in CATALOGUE.values() if row.personnel])
@pytest.mark.parametrize("raised", [True, False])
def test_an_alarm_about_people_is_never_shelved(name: str, raised: bool) -> None:
    panel = Panel(name, "east")
    if raised:
        panel.do("on")
    answer = panel.do("shelve 1")
    assert answer is not None and "never shelved" in answer and panel.alarm.state != "shelved"


@pytest.mark.parametrize(("ahead_s", "note", "occurrence", "why"), [
    (None, "works on it", None, "until when"),
    (0.0, "works on it", None, "above 0"),
    (-60.0, "works on it", None, "above 0"),
    (12 * HOUR_S + 1.0, "works on it", None, "at most 12 h"),
    (HOUR_S, None, None, "say why"),
    (HOUR_S, "  ", None, "say why"),
    (HOUR_S, "works on it", 2, "look again"),
])  # fmt: skip
def test_a_shelf_needs_a_reason_an_end_and_the_right_occurrence(ahead_s, note, occurrence, why) -> None:
    panel = Panel()
    panel.do("on")
    answer = panel.shelve(panel.key, ahead_s, note=note, occurrence=occurrence)
    assert answer is not None and why in answer and panel.shown == "unacknowledged"


@pytest.mark.parametrize("key", ["unit_silent-nowhere", "no_such_alarm-gw-east", "unit_silent"])
def test_what_is_no_alarm_is_not_shelved(key: str) -> None:
    answer = Panel().shelve(key, HOUR_S)
    assert answer is not None and "there is no alarm" in answer


def test_a_shelf_ends_by_itself_and_what_still_stands_is_a_new_occurrence() -> None:
    panel = Panel()
    panel.do("on"), panel.do("ack")
    assert panel.shelve(panel.key, 12 * HOUR_S, operator="mara", occurrence=1) is None
    shown = panel.told[-1]
    assert (shown.state, shown.note) == ("shelved", "works on it") and shown.shelved_until is not None
    panel.do("restart", HOUR_S)
    panel.do("wait", 11 * HOUR_S - 1.0)
    assert panel.shown == "shelved"
    panel.do("wait", 1.0)
    assert panel.shown == "unacknowledged" and panel.alarm.occurrence == 2 and panel.told[-1].shelved_until is None
    assert panel.events("alarm_shelved", "alarm_unshelved", "alarm_raised") == [
        "alarm_raised", "alarm_shelved", "alarm_unshelved", "alarm_raised"
    ]  # fmt: skip
    assert [one.figures["operator"] for one in panel.said if "shelved" in one.event] == ["mara", "time"]


def test_what_comes_and_goes_on_the_shelf_is_recorded_and_not_announced() -> None:
    panel = Panel()
    panel.do("shelve 1")
    panel.do("on"), panel.do("off"), panel.do("on")
    assert panel.events() == ["alarm_shelved", *["alarm_unannounced"] * 3]
    assert [one.figures["condition"] for one in panel.said[1:]] == [True, False, True]
    assert panel.told[-1].condition and panel.told[-1].state == "shelved"
    assert "shelved" in (panel.acknowledge(panel.key, panel.alarm.occurrence) or "")


@pytest.mark.parametrize("end", ["wait", "unshelve"])
def test_one_that_flaps_on_the_shelf_is_recorded_as_one_that_chatters(end: str) -> None:
    """Three times in a minute, as for one that is announced: else a loose wire could fill a disk while nobody is told."""
    panel = Panel()
    panel.do("shelve 1")
    for _ in range(200):
        panel.do("on", 5.0), panel.do("off", 5.0)
    assert panel.events() == ["alarm_shelved", *["alarm_unannounced"] * 4, "alarm_away_chattering"]
    panel.do("restart", 1.0)
    panel.do(end, 53.9 if end == "wait" else 0.0)
    if end == "wait":  # it came last a minute ago, less a moment
        assert panel.events()[-1] == "alarm_away_chattering"
        panel.do("wait", 0.1)
    calm = next(one for one in panel.said if one.event == "alarm_away_calm")
    assert (calm.figures["trips"], calm.figures["condition"], calm.figures["state"]) == (200, False, "shelved")
    assert panel.alarm.occurrence == 0 and panel.alarm.trips == 0 and not panel.alarm.chattering
    panel.do("on", 200.0)
    assert panel.events()[-1] == ("alarm_unannounced" if end == "wait" else "alarm_raised")


def test_the_consequence_of_a_shelved_alarm_goes_on_and_a_latch_outlives_the_shelf() -> None:
    panel = Panel("no_response", "e1")
    panel.do("on"), panel.do("shelve 1"), panel.do("off")
    assert panel.state.consequences["e1"] == "fault"
    panel.do("unshelve")
    assert panel.shown == "latched_unacknowledged" and panel.state.consequences["e1"] == "fault"


def test_a_longer_shelf_replaces_the_shorter_and_only_a_shelved_alarm_is_taken_back() -> None:
    panel = Panel()
    assert "not shelved" in (panel.do("unshelve") or "")
    panel.do("shelve 1"), panel.do("shelve 3")
    panel.do("wait", 2 * HOUR_S)
    assert panel.shown == "shelved"
    assert panel.do("unshelve", operator="ono") is None and panel.shown == "normal"
    assert panel.said[-1].figures["operator"] == "ono"


# ------------------------------------------------------------------------------------------------ held back by design


def test_a_dead_analyser_is_one_alarm_and_not_one_more_for_each_enclosure() -> None:
    panel = Panel("analyser_silent", "az")
    panel.do("on"), panel.do("wait", 60.0)
    for name in ("e1", "e2", "w1"):
        panel.condition("sample_overdue", name, True)
    panel.do("wait")
    assert [one.holds_back for one in panel.told if one.alarm == panel.key] == [0, 1, 2, 3]
    assert {one.alarm: one.state for one in panel.told} == {
        "analyser_silent-az": "unacknowledged",
        **{f"sample_overdue-{name}": "suppressed_by_design" for name in ("e1", "e2", "w1")},
    }
    assert all(one.cause == "analyser_silent-az" for one in panel.told if one.alarm.startswith("sample_overdue"))
    assert panel.events("alarm_raised") == ["alarm_raised"]
    assert "suppressed by design" in (panel.acknowledge("sample_overdue-e1", 0) or "")
    assert panel.state.problems["e1"] == ["sample_overdue"], "it is a problem all the same"


def test_once_the_cause_is_over_what_it_held_back_has_a_sample_s_age_to_end_by_itself() -> None:
    panel = Panel("analyser_silent", "az")
    panel.do("on"), panel.do("wait", 60.0)
    for name in ("e1", "e2"):
        panel.condition("sample_overdue", name, True)
    panel.do("off"), panel.do("wait", 30.0)  # its off-delay
    over_s = panel.mono_s
    panel.condition("sample_overdue", "e1", False)
    assert panel.state.alarms["sample_overdue-e1"].state == "normal" and panel.told[-1].holds_back == 1
    panel.restart()
    panel.do("wait", SAMPLE_AGE_S_MAX - 1.0)
    assert panel.state.alarms["sample_overdue-e2"].state == "suppressed_by_design"
    panel.do("wait", over_s + SAMPLE_AGE_S_MAX - 0.5 - panel.mono_s)
    assert panel.state.alarms["sample_overdue-e2"].state == "suppressed_by_design"
    panel.do("wait", 0.5)
    assert panel.state.alarms["sample_overdue-e2"].state == "unacknowledged"
    assert [one.figures["alarm"] for one in panel.said if one.event == "alarm_raised"][1:] == ["sample_overdue-e2"]


def test_what_is_over_while_its_cause_stands_is_held_back_until_that_is_over_too() -> None:
    panel = Panel("analyser_silent", "az")
    panel.do("on"), panel.do("wait", 60.0)
    panel.condition("sample_overdue", "e1", True)
    panel.condition("sample_overdue", "e1", False)
    panel.do("wait", 5000.0)
    assert panel.state.alarms["sample_overdue-e1"].state == "suppressed_by_design"
    panel.do("off"), panel.do("wait", 30.0), panel.do("wait")
    assert panel.state.alarms["sample_overdue-e1"].state == "normal"
    assert panel.events("alarm_suppressed", "alarm_unsuppressed") == ["alarm_suppressed", "alarm_unsuppressed"]
    shown = [one for one in panel.told if one.alarm == "sample_overdue-e1"]
    assert [one.cause for one in shown] == ["analyser_silent-az", "analyser_silent-az", None]


def test_what_was_told_and_comes_again_while_its_cause_stands_is_told_again() -> None:
    panel = Panel("analyser_silent", "az")
    panel.condition("sample_overdue", "e1", True)
    panel.condition("sample_overdue", "e1", False)
    panel.do("on"), panel.do("wait", 60.0)
    panel.condition("sample_overdue", "e1", True)
    alarm = panel.state.alarms["sample_overdue-e1"]
    assert (alarm.state, alarm.occurrence, alarm.cause) == ("unacknowledged", 2, "")


def test_a_cause_that_comes_back_in_that_time_holds_on() -> None:
    panel = Panel("analyser_silent", "az")
    panel.do("on"), panel.do("wait", 60.0)
    panel.condition("sample_overdue", "e1", True)
    panel.do("off"), panel.do("wait", 30.0)
    panel.do("on", 2000.0), panel.do("wait", 60.0)
    panel.do("wait", 2000.0)
    assert panel.state.alarms["sample_overdue-e1"].state == "suppressed_by_design"


def test_what_people_were_told_of_stays_before_their_eyes() -> None:
    panel = Panel("analyser_silent", "az")
    panel.condition("sample_overdue", "e1", True)
    panel.do("on"), panel.do("wait", 600.0)
    assert panel.state.alarms["sample_overdue-e1"].state == "unacknowledged"
    panel.acknowledge("sample_overdue-e1", 1)
    assert panel.state.alarms["sample_overdue-e1"].state == "acknowledged"


def test_a_unit_s_silence_explains_its_analyser_s_and_that_explains_the_rest() -> None:
    panel = Panel("unit_silent", "gw-plant")
    panel.do("on")
    panel.condition("analyser_silent", "az", True), panel.do("wait", 60.0)
    panel.condition("sample_overdue", "e1", True)
    assert panel.events("alarm_raised") == ["alarm_raised"]
    assert panel.state.alarms["analyser_silent-az"].cause == "unit_silent-gw-plant"
    assert panel.state.alarms["sample_overdue-e1"].cause in ("analyser_silent-az", "unit_silent-gw-plant")


def test_only_the_absence_of_inputs_is_explained_away_and_nothing_about_people() -> None:
    assert not [name for name in EXPLAINED if CATALOGUE[name].personnel or CATALOGUE[name].latches]
    about_the_plant = {
        "o2_below_floor", "co2_above_ceiling", "out_of_band", "o2_low_no_air", "unexplained_move", "enclosure_faulted",
        "pulldown_off_plan", "nitrogen_impure", "co2_stock_low", "unrequested_flow", "no_response",
    }  # fmt: skip
    assert about_the_plant <= set(CATALOGUE) and not about_the_plant & set(EXPLAINED)
    panel = Panel("analyser_silent", "az")
    panel.do("on"), panel.do("wait", 60.0)
    panel.condition("o2_below_floor", "e1", True)
    assert panel.state.alarms["o2_below_floor-e1"].state == "unacknowledged"


def test_what_explains_an_alarm_is_what_its_point_hangs_on() -> None:
    analyser = {("analyser_silent", "az"), ("analyser_untrue", "az")}
    assert set(explaining(site(), "sample_overdue", "e1")) == analyser | {
        ("unit_silent", "gw-plant"), ("line_suspect", "e1"), ("reading_doubtful", "e1"),
    }  # fmt: skip
    assert set(explaining(site(), "line_suspect", "e1")) == {("analyser_untrue", "az")}
    assert set(explaining(site(), "analyser_untrue", "az")) == {("unit_silent", "gw-plant")}
    assert set(explaining(site(), "late_report", "e1")) == {("unit_silent", site().enclosures["e1"].unit)}
    assert set(explaining(site(), "source_unavailable", "bank")) == {("unit_silent", "gw-plant")}
    assert ("source_unavailable", "generator") in set(explaining(site(), "dose_failing", "e1"))
    assert list(explaining(site(), "sample_overdue", "nowhere")) == list(explaining(site(), "out_of_band", "e1")) == []


# ------------------------------------------------------------------------------------------------ out of service, gone


def out_of_service(key: str):
    return site_with(**{"[[room]]\nid = \"east\"": f'[[out_of_service]]\nalarm = "{key}"\nreason = "being rebuilt"\n'
                        "[[room]]\nid = \"east\""})  # fmt: skip


def test_an_alarm_that_the_site_file_takes_out_of_service_comes_back_when_it_names_it_no_more() -> None:
    panel = Panel()
    panel.do("on")
    panel.restart(out_of_service(panel.key))
    assert panel.alarm.state == "out_of_service" and panel.alarm.note == "being rebuilt"
    assert "out of service" in (panel.do("shelve 1") or "") and "out of service" in (panel.do("ack") or "")
    panel.restart()
    assert panel.events("alarm_out_of_service") == ["alarm_out_of_service"], "said once"
    panel.restart(site())
    assert panel.alarm.state == "unacknowledged" and panel.alarm.occurrence == 2
    assert panel.events("alarm_in_service") == ["alarm_in_service"]


def test_one_that_flaps_out_of_service_says_how_often_when_it_has_been_calm_for_a_minute() -> None:
    """No delay of it runs and nobody waits for it: the calm alone has to be noticed."""
    panel = Panel()
    panel.restart(out_of_service(panel.key))
    for _ in range(5):
        panel.do("on", 5.0), panel.do("off", 5.0)
    for _ in range(70):
        panel.do("wait", 1.0)
    calm = [one for one in panel.said if one.event == "alarm_away_calm"]
    assert [(one.figures["trips"], one.figures["state"]) for one in calm] == [(5, "out_of_service")]
    assert panel.state.alarm_timers == {}, "and nothing is waited for after it"


@pytest.mark.parametrize("key", ["room_air_unsafe-east", "unit_silent-nowhere", "no_such-east"])
def test_what_is_about_people_or_is_no_alarm_is_not_taken_out_of_service(key: str) -> None:
    panel = Panel(*key.split("-"))
    panel.restart(out_of_service(key))
    assert key not in panel.state.alarms and panel.events() == ["out_of_service_refused"]


@pytest.mark.parametrize(("steps", "expected"), [
    (["on"], "returned_unacknowledged"),
    (["on", "ack"], "returned_unacknowledged"),
    (["on", "shelve 1"], "returned_unacknowledged"),
    (["on", "off"], "returned_unacknowledged"),
    (["on", "ack", "off"], "normal"),
    (["shelve 1"], "normal"),
])  # fmt: skip
def test_an_alarm_whose_point_is_gone_waits_for_a_person_s_word(steps: list[str], expected: str) -> None:
    panel = Panel("unit_silent", "gw-gone")
    panel.state.alarms[panel.key] = Alarm("unit_silent", "gw-gone")
    for what in steps:
        panel.do(what)
    panel.restart()
    assert panel.alarm.state == expected and not panel.alarm.condition
    if expected != "normal":
        assert panel.do("ack") is None and panel.alarm.state == "normal"
    panel.restart()
    assert panel.alarm.state == "normal"


def test_an_alarm_that_this_version_does_not_know_any_more_waits_for_a_person_s_word() -> None:
    panel = Panel("of_an_older_version", "east")
    panel.state.alarms[panel.key] = Alarm(panel.name, "east", 3, "acknowledged", True, True)
    panel.restart()
    assert panel.alarm.state == "latched_unacknowledged"
    panel.do("wait")
    assert panel.do("ack 3") is None and panel.do("ack 3") is None and panel.alarm.state == "normal"
    assert "does not know any more" in panel.told[-1].text


def test_how_often_one_came_on_the_shelf_is_said_when_its_point_is_gone() -> None:
    panel = Panel("unit_silent", "gw-gone")
    panel.state.alarms[panel.key] = Alarm("unit_silent", "gw-gone")
    panel.do("shelve 1")
    for _ in range(4):
        panel.do("on", 5.0), panel.do("off", 5.0)
    panel.restart()
    calm = [one.figures for one in panel.said if one.event == "alarm_away_calm"]
    assert [one["trips"] for one in calm] == [4] and panel.alarm.away_trips == 0
