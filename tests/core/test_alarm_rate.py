"""Chatter, bursts and floods of alarms: ISA-18.2-2016 (chatter: three times in a minute; flood: more than ten in ten
minutes; its end below five from memory)."""

import pytest
from alarmkit import Panel

from supervisor.core.alarm_words import subjects


def test_an_alarm_that_comes_three_times_in_a_minute_is_one_occurrence() -> None:
    panel = Panel()
    for _ in range(2):
        panel.do("on", 10.0), panel.do("off", 10.0)
    assert panel.alarm.occurrence == 2
    for _ in range(5):
        panel.do("on", 9.0), panel.do("off", 10.0)
    assert panel.alarm.occurrence == 2 and panel.alarm.trips == 6 and panel.told[-1].trips == 6
    assert panel.events("alarm_raised", "alarm_chattering") == ["alarm_raised", "alarm_raised", "alarm_chattering"]
    assert panel.do("ack 2") is None, "people acknowledge the occurrence that they were told of"


@pytest.mark.parametrize(("gap_s", "occurrences"), [(29.7, 2), (29.99, 2), (30.0, 3), (31.0, 3)])
def test_three_times_within_a_minute_and_not_in_one(gap_s: float, occurrences: int) -> None:
    panel = Panel()
    for _ in range(3):
        panel.do("on", gap_s - 1.0), panel.do("off", 1.0)
    assert panel.alarm.occurrence == occurrences and panel.alarm.chattering == (occurrences == 2)


def test_while_it_chatters_it_is_not_said_again_and_again_but_it_is_shown() -> None:
    panel = Panel()
    for _ in range(20):
        panel.do("on", 5.0), panel.do("off", 5.0)
    assert panel.events() == ["alarm_raised", "alarm_cleared", "alarm_raised", "alarm_cleared", "alarm_chattering"]
    assert len(panel.told) == 40
    told = next(one for one in panel.said if one.event == "alarm_chattering")
    assert (told.level, told.figures["trips"], told.figures["occurrence"]) == ("warning", 2, 2)
    panel.do("wait", 54.9)  # it came last five seconds before it went
    assert panel.events()[-1] == "alarm_chattering"
    panel.do("wait", 0.1)
    assert panel.events()[-1] == "alarm_calm" and panel.said[-1].figures["trips"] == 19
    panel.do("on")
    assert panel.alarm.occurrence == 3, "after a calm minute it is news again"


def test_chatter_after_an_acknowledgement_is_a_new_occurrence_once() -> None:
    panel = Panel()
    for _ in range(3):
        panel.do("on"), panel.do("off")
    panel.do("ack")
    seen = panel.alarm.occurrence
    for _ in range(4):
        panel.do("on"), panel.do("off")
    assert panel.alarm.occurrence == seen + 1 and panel.shown == "returned_unacknowledged"


def test_chatter_of_a_latched_alarm_never_takes_an_acknowledgement_along() -> None:
    panel = Panel("room_air_unsafe", "east")
    for _ in range(4):
        panel.do("on"), panel.do("ack"), panel.do("off")
        assert panel.shown == "latched_acknowledged"
    panel.do("on")
    assert panel.shown == "unacknowledged" and panel.alarm.occurrence == 5


def test_the_first_of_a_burst_is_marked() -> None:
    panel = Panel()
    panel.condition("unit_silent", "gw-east", True)
    panel.mono_s += 59.0
    panel.condition("unit_silent", "gw-west", True)
    panel.mono_s += 60.0
    panel.condition("unit_silent", "gw-plant", True)
    assert {one.subject: one.first for one in panel.told} == {"gw-east": True, "gw-west": False, "gw-plant": True}
    panel.mono_s += 59.9
    panel.condition("rejected_messages", "site", True)
    assert not panel.told[-1].first, "whatever came before, the latest counts"


def raise_many(panel: Panel, count: int) -> None:
    """So many new alarms, a second apart."""
    names = ["rejected_messages", "history_unreachable", "history_rows_refused", "inbound_overflow", "history_backlog_full"]
    everything = [(name, subject) for subject in sorted(subjects(panel.site)) for name in names]
    for name, subject in everything[:count]:
        panel.mono_s += 1.0
        panel.condition(name, subject, True)


def flooded(panel: Panel) -> bool:
    alarm = panel.state.alarms.get("alarm_flood-site")
    return alarm is not None and alarm.condition


def test_ten_alarms_in_ten_minutes_are_no_flood_and_eleven_are() -> None:
    ten, eleven = Panel(), Panel()
    raise_many(ten, 10), raise_many(eleven, 11)
    assert not flooded(ten) and flooded(eleven)
    told = next(one for one in eleven.told if one.alarm == "alarm_flood-site")
    assert told.text.endswith(
        "11 new alarms in ten minutes: 3 rejected_messages, 2 history_unreachable, 2 history_rows_refused, "
        "2 inbound_overflow, 2 history_backlog_full"
    ), "the most frequent first"


@pytest.mark.parametrize(("kinds", "more"), [(6, ""), (7, " and 1 kinds more"), (8, " and 2 kinds more")])
def test_a_flood_of_many_kinds_names_six_of_them(kinds: int, more: str) -> None:
    panel = Panel()
    names = ["rejected_messages", "history_unreachable", "history_rows_refused", "inbound_overflow", "history_backlog_full",
             "co2_stock_low", "unit_clock_off", "late_report"][:kinds]  # fmt: skip
    for number in range(12):
        panel.mono_s += 1.0
        panel.condition(names[number % kinds], f"e{number}", True)
    text = next(one.text for one in panel.told if one.alarm == "alarm_flood-site")
    assert text.count(", ") == 5 and (text.endswith(more) if more else "more" not in text)


def test_a_flood_ends_below_five() -> None:
    panel = Panel()
    raise_many(panel, 11)
    first_s = panel.mono_s - 10.0
    panel.do("wait", first_s + 600.0 + 5.0 - panel.mono_s)  # six of them are ten minutes old
    assert len(panel.state.announced) == 5 and flooded(panel)
    panel.do("wait", 1.0)
    assert not flooded(panel)


def test_a_flood_is_counted_over_a_restart_and_does_not_count_itself() -> None:
    panel = Panel()
    raise_many(panel, 10)
    panel.restart()
    panel.mono_s += 1.0
    panel.condition("unit_silent", "gw-east", True)
    assert flooded(panel) and len(panel.state.announced) == 11
