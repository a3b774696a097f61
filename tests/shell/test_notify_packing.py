"""How many messages a person gets for what there is to say: few at once, one for many, never faster than the limit."""

from typing import get_args

from notifykit import MINUTE, MONDAY_10, Story, crew

from supervisor.core.catalogue import Priority
from supervisor.shell.notify import words
from supervisor.shell.notify.packing import PRIORITIES, Sent
from supervisor.shell.notify.roster import Roster

HOUR = 3600.0
ONE = {"high": {"steps": [["cleo"]]}, "critical": {"steps": [["cleo"]]}, "medium": {"steps": [["cleo"]]}}


def alone(**changed: object) -> Story:
    """Only Cleo, no escalation and no repeats."""
    return Story(crew(chains=ONE, **changed))


def units(first: int, count: int) -> list[str]:
    return [f"unit_silent-u{n:02d}" for n in range(first, first + count)]


def test_a_few_are_told_one_by_one_and_the_next_of_the_same_minute_wait_for_its_end() -> None:
    story = alone(merge_over=5)
    assert story.burst(units(0, 5)) == [f"cleo raised {one}" for one in units(0, 5)]
    assert story.burst(units(5, 3)) == []
    assert story.go(2 * MINUTE) == ["60: cleo merged 3, worst high unit_silent-u05"]


def test_more_than_a_few_at_once_are_one_message_right_away() -> None:
    story = alone(merge_over=5)
    assert story.burst(units(0, 6)) == ["cleo merged 6, worst high unit_silent-u00"]


def test_the_minute_is_a_minute_and_the_ten_seconds_are_ten() -> None:
    story = alone(merge_over=1)
    story.burst(units(0, 2))
    story.say("unit_silent-u09")
    assert story.go(65.0, step_s=1.0) == ["60: cleo raised unit_silent-u09"]
    story.say("unit_silent-u10")
    assert story.say("epoch_overtaken-site", priority="critical") == []
    assert story.go(60.0, step_s=1.0) == ["5: cleo merged 2, worst critical epoch_overtaken-site"]
    story = alone(merge_over=1)
    story.burst(units(0, 2))
    story.go(50.0)
    story.say("epoch_overtaken-site", priority="critical")  # ten seconds are over: at once
    story.say("room_air_dangerous-north", priority="critical")
    assert story.go(20.0, step_s=1.0) == ["10: cleo raised room_air_dangerous-north"]


def test_exactly_as_many_as_the_hour_allows_go_out_one_by_one() -> None:
    story = alone(per_hour_max=3, merge_over=50)
    assert len(story.burst(units(0, 3))) == 3
    story = alone(per_hour_max=3, merge_over=50)
    assert len(story.burst(units(0, 4))) == 1


def test_one_that_waited_and_a_new_one_are_one_message_however_few_they_are() -> None:
    story = alone()
    story.stuck = {"cleo"}
    story.sent["cleo"] = Sent([story.now.mono_s])
    story.say("unit_silent-u1")
    story.go(2 * MINUTE)
    story.stuck = set()
    assert story.say("unit_silent-u2") == ["cleo merged 2, worst high unit_silent-u1"]


def test_a_daily_summary_in_a_flood_is_one_message_and_nothing_beside_it() -> None:
    story = Story()
    story.say("alarm_flood-site", priority="medium", condition=True)
    story.say("late_report-u1", priority="low")
    story.go(20 * HOUR, step_s=60.0)
    assert story.go(2 * HOUR, step_s=60.0) == ["3600: ada digest raised late_report-u1"]


def test_one_that_waited_takes_a_new_one_along() -> None:
    story = alone(merge_over=2)
    story.burst(units(0, 3))
    story.burst(units(3, 2))
    story.go(59.0, step_s=1.0)
    story.now = story.now._replace(mono_s=story.now.mono_s + 1.0)
    assert story.say("unit_silent-u07") == ["cleo merged 3, worst high unit_silent-u03"]


def test_a_declared_flood_merges_even_two_and_its_end_ends_that() -> None:
    story = alone()
    story.say("alarm_flood-site", priority="low", condition=True)  # no chain of its own: nobody is told of it
    assert story.burst(units(0, 2)) == ["cleo merged 2, worst high unit_silent-u00"]
    assert story.burst(units(2, 1)) == []
    assert story.go(2 * MINUTE) == ["60: cleo raised unit_silent-u02"]
    story.say("alarm_flood-site", "returned_unacknowledged", priority="low", condition=False)
    story.go(2 * MINUTE)
    assert story.burst(units(3, 2)) == [f"cleo raised {one}" for one in units(3, 2)]


def test_a_critical_one_waits_ten_seconds_at_most_and_takes_along_what_waits() -> None:
    story = alone(merge_over=2)
    story.burst(units(0, 3))
    story.burst(units(3, 2))
    assert story.say("epoch_overtaken-site", priority="critical") == []
    assert story.go(MINUTE) == ["10: cleo merged 3, worst critical epoch_overtaken-site"]


def test_what_is_about_people_is_as_urgent_as_what_is_critical() -> None:
    story = alone(merge_over=1)
    story.burst(units(0, 3))
    story.say("room_air_unsafe-north")
    assert story.go(MINUTE) == ["10: cleo raised room_air_unsafe-north"]


def test_an_hours_messages_used_up_hold_back_all_but_the_critical() -> None:
    story = alone(per_hour_max=4)
    for n in range(4):
        assert story.say(f"unit_silent-u{n}") == [f"cleo raised unit_silent-u{n}"]
        story.go(2 * MINUTE)
    story.say("unit_silent-u5")
    story.say("unit_silent-u6")
    assert story.go(10 * MINUTE) == []
    assert story.say("room_air_dangerous-north", priority="critical") == [
        "cleo merged 3, worst critical room_air_dangerous-north"
    ]
    story.say("unit_silent-u7")
    assert story.go(HOUR, step_s=30.0) == ["2640: cleo raised unit_silent-u7"]  # then the first two are an hour old


def test_while_no_server_takes_anything_what_comes_is_gathered() -> None:
    story = alone()
    story.stuck = {"cleo"}
    story.go(30 * MINUTE)
    assert story.say("unit_silent-u0") == ["cleo raised unit_silent-u0"]  # one more try, should one message be at fault
    for n in range(1, 20):
        assert story.say(f"unit_silent-u{n}") == []
        assert story.go(MINUTE) == []
    story.stuck = set()
    assert story.go(5.0) == ["5: cleo merged 19, worst high unit_silent-u1"]


def test_stuck_people_hear_of_critical_ones_every_five_minutes_at_most() -> None:
    story = alone()
    story.stuck = {"cleo"}
    assert story.say("room_air_dangerous-a", priority="critical") == ["cleo raised room_air_dangerous-a"]
    assert story.say("room_air_dangerous-b", priority="critical") == []
    assert story.go(10 * MINUTE, step_s=1.0) == ["300: cleo raised room_air_dangerous-b"]
    story = alone()
    story.stuck = {"cleo"}
    story.sent["cleo"] = Sent([story.now.mono_s - 3000.0, story.now.mono_s])
    story.say("unit_silent-u1")
    assert story.go(40 * MINUTE, step_s=1.0) == ["1800: cleo raised unit_silent-u1"]


def test_what_changed_while_it_waited_is_told_as_it_is_now() -> None:
    story = alone(merge_over=1)
    story.burst(units(0, 2))
    story.say("unit_silent-u05")
    story.say("unit_silent-u05", "acknowledged", acknowledged_by="ada")
    assert story.go(2 * MINUTE) == ["60: cleo acknowledged unit_silent-u05"]


def test_one_persons_flood_is_not_anothers() -> None:
    chains = {"high": {"steps": [["cleo"]]}, "medium": {"steps": [["dov"]]}}
    story = Story(crew(chains=chains), wall_s=MONDAY_10)
    story.burst(units(0, 9))
    assert story.say("out_of_band-n1", priority="medium") == ["dov raised out_of_band-n1"]


# ------------------------------------------------------------------------------------------------ words


def told(story: Story) -> tuple[str, str]:
    parcel = story.parcels[-1]
    return words.title("Quillfen", parcel), words.body(parcel, Roster(story.rules.notify), "abcd-7")


def test_one_alarm_says_what_where_when_and_what_to_do() -> None:
    story = alone()
    story.say("unit_silent-u1", text="Hardware unit is silent: 50 s, limit 45 s", advice="Check power.")
    title, body = told(story)
    assert title == "Quillfen: Alarm: Hardware unit is silent, u1 (high)"
    for part in ("50 s, limit 45 s", "occurrence 1", "2026-08-31 10:00:00 UTC+0100", "What to do: Check power.", "abcd-7"):
        assert part in body
    assert words.CAUTION not in body


def test_an_acknowledgement_is_told_with_who_and_what_was_noted_and_what_is_held_back_with_its_cause() -> None:
    story = alone()
    story.say("unit_silent-u1", holds_back=4)
    assert "It explains 4 others, which are held back." in told(story)[1]
    story.say("unit_silent-u1", "acknowledged", acknowledged_by="ben", note="fuse blown, on my way")
    title, body = told(story)
    assert title.startswith("Quillfen: Acknowledged: ") and "What to do" not in body
    assert "Acknowledged by ben.\nFuse blown, on my way.\nThat ends the calls about it, not its cause." in body
    story.say("out_of_band-n1", priority="medium")
    story.say("out_of_band-n1", "suppressed_by_design", priority="medium", cause="unit_silent-u1")
    title, body = told(story)
    assert "Not called about any more" in title and "Explained by unit_silent-u1, which holds it back." in body


def test_many_are_grouped_by_alarm_worst_first_and_say_what_this_is_not_where_it_is_about_air() -> None:
    story = alone()
    story.stuck = {"cleo"}
    story.sent["cleo"] = Sent([story.now.mono_s])
    for alarm, priority in [("out_of_band-n1", "medium"), ("unit_silent-u1", "high"), ("out_of_band-n2", "medium"),
                            ("room_air_dangerous-north", "critical"), ("unit_silent-u2", "high"),
                            ("sample_overdue-n1", "medium")]:  # fmt: skip
        story.say(alarm, priority=priority)
    story.stuck = set()
    story.go(2 * MINUTE)
    title, body = told(story)
    assert title.startswith("Quillfen: 6 notifications, worst: ") and title.endswith("north (critical)")
    groups = ["room_air_dangerous, critical): 1", "unit_silent, high): 2", "out_of_band, medium): 2"]
    places = [body.index(one) for one in [*groups, "sample_overdue, medium): 1"]]
    assert places == sorted(places)
    assert words.CAUTION in body and "Rescuers" not in title


def test_very_many_are_counted_and_not_listed() -> None:
    story = alone()
    story.burst(units(0, 100))
    _, body = told(story)
    assert "(unit_silent, high): 100" in body and body.count("occurrence") == words.NOTES_SHOWN_MAX
    assert "see the console" in body and len(body) < 12_000


def test_every_priority_of_the_contract_has_its_place() -> None:
    assert sorted(PRIORITIES) == sorted(get_args(Priority))
