"""What is told of people's words: the answers, the log, what is shown; and which of a subject's latches a word covers."""

import pytest
from alarmkit import WALL_S, Panel
from coresite import site

from supervisor.core import alarm_words
from supervisor.core.alarm_causes import explaining
from supervisor.core.state import Alarm
from supervisor.settings import SiteFile

HOUR_S = 3600.0


def test_a_second_acknowledgement_is_refused_in_words_that_fit() -> None:
    plain, latched = Panel(), Panel("room_air_unsafe", "east")
    for panel, more in ((plain, ""), (latched, "; once its cause is gone, acknowledge it again to reset it")):
        panel.do("on"), panel.do("ack", operator="mara")
        assert panel.do("ack", operator="ono") == f"{panel.key} was acknowledged by mara already{more}"


@pytest.mark.parametrize(("note", "ahead_s", "answer"), [
    (None, HOUR_S, "say why (note): whoever comes next must know"),
    ("works on it", None, "say until when (until): a shelf has an end"),
    ("works on it", 12.5 * HOUR_S, "until is 12.5 h ahead, above 0 and at most 12 h are possible"),
])  # fmt: skip
def test_a_shelf_that_is_refused_says_what_is_missing(note: str | None, ahead_s: float | None, answer: str) -> None:
    assert Panel().shelve("unit_silent-gw-east", ahead_s, note=note) == answer


def test_a_shelf_of_a_moment_is_a_shelf() -> None:
    panel = Panel()
    assert panel.shelve(panel.key, 0.05) is None and panel.alarm.state == "shelved"
    panel.do("wait", 0.5)
    assert panel.alarm.state == "normal"


def test_what_was_never_an_alarm_is_shelved_whatever_occurrence_was_seen() -> None:
    panel = Panel()
    assert panel.shelve(panel.key, HOUR_S, occurrence=3) is None


def test_an_alarm_that_is_known_is_shelved_although_its_point_is_gone() -> None:
    panel = Panel("unit_silent", "gw-gone")
    panel.state.alarms[panel.key] = Alarm("unit_silent", "gw-gone")
    assert panel.shelve(panel.key, HOUR_S) is None


def test_a_shelf_is_told_whole() -> None:
    panel = Panel()
    panel.do("on")
    panel.shelve(panel.key, 1.5 * HOUR_S, operator="mara")
    said, shown = panel.said[-1], panel.told[-1]
    assert (said.event, said.level) == ("alarm_shelved", "warning")
    assert said.figures == {
        "alarm": panel.key, "occurrence": 1, "operator": "mara", "note": "works on it", "hours": pytest.approx(1.5),
        "was": "unacknowledged", "state": "shelved",
    }  # fmt: skip
    assert shown.shelved_until.timestamp() == pytest.approx(WALL_S + panel.mono_s + 1.5 * HOUR_S)
    panel.do("unshelve", operator="ono")
    assert [one.event for one in panel.said[-2:]] == ["alarm_unshelved", "alarm_raised"]
    assert panel.said[-2].figures == {
        "alarm": panel.key, "was": "shelved", "state": "unacknowledged", "operator": "ono",
    }  # fmt: skip


def test_what_was_held_back_and_is_then_shelved_has_no_cause_any_more() -> None:
    panel = Panel("sample_overdue", "e1")
    panel.condition("unit_silent", "gw-plant", True)
    panel.do("on")
    assert panel.told[-1].holds_back == 1 and panel.alarm.cause == "unit_silent-gw-plant"
    panel.do("shelve 1"), panel.do("wait")
    assert panel.alarm.cause == "" and panel.told[-1].holds_back == 0


def test_what_was_never_heard_of_is_not_shelved_and_so_not_taken_back() -> None:
    panel = Panel()
    assert panel.do("unshelve") == "unit_silent-gw-east is not shelved"
    panel.do("on")
    assert panel.do("unshelve") == "unit_silent-gw-east is not shelved" and panel.alarm.state == "unacknowledged"


def test_the_site_itself_is_something_that_an_alarm_can_be_about() -> None:
    assert {"site", "gw-east", "gw-plant", "e1", "w1", "east", "az", "bank"} <= alarm_words.subjects(site())
    assert Panel("link_lost", "site").do("shelve 1") is None


def test_resuming_covers_this_enclosure_s_latches_once_all_are_over_and_seen() -> None:
    panel = Panel("no_response", "e1")
    latches = lambda: panel._with(lambda desk: alarm_words.unseen_latches(desk, "e1"))  # noqa: E731
    reset = lambda: panel._with(lambda desk: alarm_words.reset(desk, "e1", "mara", "resumed"))  # noqa: E731
    panel.condition("no_response", "e2", True)
    panel.condition("sample_overdue", "e1", True)  # latches nothing
    assert latches() == []
    panel.do("on")
    assert latches() == ["no_response-e1"]
    panel.do("ack")
    assert latches() == ["no_response-e1"], "seen, and not over"
    reset()
    assert panel.alarm.state == "acknowledged"
    panel.do("off")
    assert latches() == []
    panel.condition("no_response", "e2", False), panel.acknowledge("no_response-e2", 1)
    reset()
    assert panel.alarm.state == "normal" and (panel.alarm.acknowledged_by, panel.alarm.note) == ("mara", "resumed")
    assert panel.state.alarms["no_response-e2"].state == "latched_acknowledged", "another enclosure's stays"
    assert panel.state.alarms["sample_overdue-e1"].state == "unacknowledged"


# ------------------------------------------------------------------------------------------------ the site file's word


def out_of_service(key: str) -> SiteFile:
    raw = site().model_dump()
    raw["out_of_service"] = [{"alarm": key, "reason": "being rebuilt"}]
    return SiteFile.model_validate(raw)


def test_going_out_of_service_is_told_and_shown_and_ends_a_shelf() -> None:
    panel = Panel()
    panel.do("on"), panel.do("shelve 1")
    panel.restart(out_of_service(panel.key))
    said = panel.said[-1]
    assert (said.event, said.level, said.figures["was"]) == ("alarm_out_of_service", "warning", "shelved")
    assert panel.told[-1].state == "out_of_service" and panel.told[-1].shelved_until is None
    panel.do("wait", 2 * HOUR_S)
    assert panel.alarm.state == "out_of_service", "the shelf's end is not its end"


def test_what_was_never_an_alarm_is_one_of_its_point_when_it_goes_out_of_service() -> None:
    panel = Panel("unit_silent", "gw-east")
    panel.restart(out_of_service("unit_silent-gw-east"))
    alarm = panel.state.alarms["unit_silent-gw-east"]
    assert (alarm.name, alarm.subject, alarm.note) == ("unit_silent", "gw-east", "being rebuilt")


def test_what_cannot_go_out_of_service_is_an_error_with_its_mend() -> None:
    panel = Panel()
    panel.restart(out_of_service("room_air_unsafe-east"))
    said = panel.said[-1]
    assert (said.event, said.level) == ("out_of_service_refused", "error")
    assert said.figures == {
        "alarm": "room_air_unsafe-east", "mend": "name an alarm of this site that is not about people",
    }  # fmt: skip


def gone(*steps: str, latching: bool = False) -> Panel:
    panel = Panel("no_response" if latching else "unit_silent", "gone")
    panel.state.alarms[panel.key] = Alarm(panel.name, "gone")
    for what in steps:
        panel.do(what)
    panel.mono_s += 100.0
    panel.told.clear(), panel.said.clear()
    panel.restart()
    return panel


@pytest.mark.parametrize(("steps", "expected"), [
    (("on",), "latched_unacknowledged"),
    (("on", "off"), "latched_unacknowledged"),
    (("on", "ack"), "latched_unacknowledged"),
    (("on", "ack", "off"), "latched_acknowledged"),
    (("on", "ack", "off", "shelve 1"), "latched_unacknowledged"),
])  # fmt: skip
def test_a_latch_of_a_point_that_is_gone_stays_one(steps: tuple[str, ...], expected: str) -> None:
    panel = gone(*steps, latching=True)
    assert (panel.alarm.state, panel.alarm.latched, panel.alarm.condition) == (expected, True, False)


def test_an_alarm_of_a_point_that_is_gone_is_told_once_with_its_end() -> None:
    panel = gone("on", "ack")
    assert [one.state for one in panel.told] == ["returned_unacknowledged"]
    said = panel.said[-1]
    assert (said.event, said.level) == ("alarm_removed", "warning")
    assert said.figures == {
        "alarm": "unit_silent-gone", "was": "acknowledged", "state": "returned_unacknowledged",
        "why": "the site file or this version does not know it any more",
    }  # fmt: skip
    assert panel.alarm.cleared_wall_s == WALL_S + panel.mono_s and panel.state.problems["gone"] == []
    panel.told.clear(), panel.said.clear()
    panel.restart()
    assert panel.told == [] and panel.said == []


def test_what_had_ended_before_its_point_went_keeps_its_end() -> None:
    panel = gone("on", "off")
    assert panel.alarm.cleared_wall_s == WALL_S + panel.mono_s - 100.0
    assert panel.told == [] and panel.alarm.state == "returned_unacknowledged"
    never = gone()
    assert never.alarm.state == "normal" and never.told == []


def test_a_shelf_of_a_point_that_is_gone_ends_with_it() -> None:
    panel = gone("shelve 1")
    assert panel.alarm.state == "normal" and panel.told[-1].shelved_until is None
    panel.do("wait", 2 * HOUR_S)
    assert panel.alarm.state == "normal"


# ------------------------------------------------------------------------------------------------ what explains what


def with_a_second_analyser() -> SiteFile:
    raw = site().model_dump()
    raw["analyser"] = [*raw["analyser"], {**raw["analyser"][0], "id": "spare", "lines": raw["analyser"][0]["lines"][:1]}]
    return SiteFile.model_validate(raw)


def test_with_two_analysers_on_its_line_neither_alone_explains_that_no_sample_comes() -> None:
    own = [("line_suspect", "e1"), ("reading_doubtful", "e1")]
    assert list(explaining(with_a_second_analyser(), "sample_overdue", "e1")) == own
    assert list(explaining(with_a_second_analyser(), "sample_overdue", "e2")) == [
        ("unit_silent", "gw-plant"), ("analyser_silent", "az"), ("analyser_untrue", "az"),
        ("line_suspect", "e2"), ("reading_doubtful", "e2"),
    ]  # fmt: skip


OF_SOURCES = ("source_unavailable", "source_impure", "source_pressure_low", "source_short")


@pytest.mark.parametrize(("name", "subject", "expected"), [
    ("guard_refusals", "w1", [
        ("unit_silent", "gw-west"), ("unit_silent", "gw-plant"), ("unit_silent", "gw-plant"), ("unit_silent", "gw-plant"),
        ("analyser_silent", "az"), ("analyser_untrue", "az"),
        *[(alarm, "generator") for alarm in OF_SOURCES], *[(alarm, "bank") for alarm in OF_SOURCES],
    ]),
    ("dose_failing", "e1", [
        ("unit_silent", "gw-east"), *[("unit_silent", "gw-plant")] * 3,
        *[(alarm, source) for source in ("generator", "bank", "blower") for alarm in OF_SOURCES],
    ]),
    ("analyser_silent", "az", [("unit_silent", "gw-plant")]),
    ("analyser_silent", "e1", []),
    ("source_unavailable", "bank", [("unit_silent", "gw-plant")]),
    ("late_report", "e2", [("unit_silent", "gw-east")]),
    ("late_report", "az", []),
])  # fmt: skip
def test_each_point_hangs_on_what_is_further_up(name: str, subject: str, expected: list[tuple[str, str]]) -> None:
    assert list(explaining(site(), name, subject)) == expected


def test_whoever_acknowledges_an_alarm_that_does_not_stand_is_shown_so() -> None:
    """The broker may keep one of another supervisor, or have lost the word that ended it; nobody could ever end that."""
    panel = Panel()
    for key in ("epoch_overtaken-site", "unit_silent-gw-east"):
        assert panel.acknowledge(key, 3) == f"there is no alarm {key} to acknowledge"
        assert (panel.told[-1].alarm, panel.told[-1].state, panel.told[-1].condition) == (key, "normal", False)
    shown = len(panel.told)
    for key in ("no_such_alarm-site", "unit_silent-gw-nowhere"):
        assert panel.acknowledge(key, 1) is not None
    assert len(panel.told) == shown, "what cannot be an alarm of this site is not made one"
    panel.do("on"), panel.do("ack"), panel.do("off")
    shown = len(panel.told)
    panel.do("ack")
    assert len(panel.told) == shown + 1 and panel.told[-1].state == "normal"
