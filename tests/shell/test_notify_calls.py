"""Who is told, when the next one, and when it ends. Each test is a short story; the times are seconds after its last line."""

import pytest
from notifykit import MINUTE, MONDAY_10, Story, crew

HOUR = 3600.0
UNIT = "unit_silent-gateway-north"
AIR = "room_air_dangerous-north"


def test_the_one_on_duty_is_told_at_once_and_the_next_after_five_minutes_without_an_acknowledgement() -> None:
    story = Story()
    assert story.say(UNIT) == [f"ada raised {UNIT}"]
    assert story.go(10 * MINUTE) == [f"300: cleo escalated {UNIT}"]
    assert story.go(10 * MINUTE) == [f"300: ada repeated {UNIT}", f"300: cleo repeated {UNIT}"]


def test_an_acknowledgement_ends_it_and_those_who_were_told_are_told_so() -> None:
    story = Story()
    story.say(UNIT)
    story.go(6 * MINUTE)
    assert story.say(UNIT, "acknowledged", acknowledged_by="ada") == [f"ada acknowledged {UNIT}", f"cleo acknowledged {UNIT}"]
    assert story.parcels[-1].notes[0].by == "ada"
    assert story.go(2 * HOUR) == []
    assert story.say(UNIT, "normal") == [f"ada over {UNIT}", f"cleo over {UNIT}"]
    assert story.calls.calls == {}


def test_a_return_to_normal_ends_it_too_and_who_was_not_told_hears_nothing() -> None:
    story = Story()
    story.say(UNIT)
    assert story.say(UNIT, "returned_unacknowledged") == [f"ada over {UNIT}"]
    assert story.go(2 * HOUR) == []
    assert story.say(UNIT, "normal") == []


def test_the_words_at_the_end_can_be_left_out() -> None:
    story = Story(crew(tell_acknowledged=False, tell_over=False))
    story.say(UNIT)
    assert story.say(UNIT, "acknowledged", acknowledged_by="ada") == [] and story.say(UNIT, "normal") == []
    assert story.go(HOUR) == [] and story.calls.calls == {}


def test_the_words_at_the_end_can_be_left_out_one_by_one() -> None:
    for flags, acknowledged, latched, over in (
        ({"tell_acknowledged": False}, [], ["ada latched no_response-n1"], ["ada over no_response-n1"]),
        ({"tell_over": False}, ["ada acknowledged no_response-n1"], [], []),
    ):
        story = Story(crew(**flags))
        story.say("no_response-n1")
        assert story.say("no_response-n1", "acknowledged", acknowledged_by="ada") == acknowledged
        assert story.say("no_response-n1", "latched_acknowledged", acknowledged_by="ada") == latched
        assert story.say("no_response-n1", "normal", acknowledged_by="ada") == over


def test_what_still_waits_is_brought_up_to_date_whatever_is_left_out() -> None:
    """Else somebody would be called about what is over."""
    story = Story(crew(tell_acknowledged=False, tell_over=False, merge_over=1))
    story.burst([UNIT, "unit_silent-u2"])
    story.say("unit_silent-u3")
    assert story.say("unit_silent-u3", "returned_unacknowledged") == []
    assert story.go(MINUTE) == ["60: ada over unit_silent-u3"]


def test_a_latched_alarm_whose_cause_comes_back_is_told_again() -> None:
    story = Story()
    story.say("no_response-n1")
    story.say("no_response-n1", "latched_unacknowledged")
    assert story.say("no_response-n1") == ["ada again no_response-n1"]


def test_an_acknowledged_alarm_that_is_shelved_is_told_as_shelved() -> None:
    story = Story()
    story.say(UNIT)
    story.say(UNIT, "acknowledged", acknowledged_by="ada")
    assert story.say(UNIT, "shelved") == [f"ada quiet {UNIT}"]


def test_a_latched_alarm_whose_cause_is_gone_still_calls() -> None:
    story = Story()
    story.say("no_response-n1")
    assert story.say("no_response-n1", "latched_unacknowledged") == ["ada latched no_response-n1"]
    assert story.go(5 * MINUTE) == ["300: cleo escalated no_response-n1"]
    assert story.say("no_response-n1", "latched_acknowledged", acknowledged_by="cleo")[0] == "ada acknowledged no_response-n1"
    assert story.go(HOUR) == []


def test_an_acknowledged_one_that_latches_says_that_it_waits_for_its_reset() -> None:
    story = Story()
    story.say("no_response-n1")
    story.say("no_response-n1", "acknowledged", acknowledged_by="ada")
    assert story.say("no_response-n1", "latched_acknowledged", acknowledged_by="ada") == ["ada latched no_response-n1"]
    assert story.say("no_response-n1", "normal", acknowledged_by="ada") == ["ada over no_response-n1"]


def test_a_new_occurrence_is_a_new_call() -> None:
    story = Story()
    story.say(UNIT)
    story.say(UNIT, "acknowledged", acknowledged_by="ada")
    story.go(HOUR)
    assert story.say(UNIT, occurrence=2) == [f"ada raised {UNIT}"]
    assert story.go(5 * MINUTE) == [f"300: cleo escalated {UNIT}"]


def test_what_is_published_again_as_it_was_tells_nobody_again() -> None:
    """The whole picture goes out on each connect."""
    story = Story()
    story.say(UNIT)
    for _ in range(5):
        assert story.say(UNIT) == []
    assert story.go(5 * MINUTE) == [f"300: cleo escalated {UNIT}"]


def test_shelving_ends_the_calls_and_its_end_begins_them_again() -> None:
    story = Story()
    story.say(UNIT)
    assert story.say(UNIT, "shelved") == [f"ada quiet {UNIT}"]
    assert story.go(HOUR) == []
    assert story.say(UNIT) == [f"ada again {UNIT}"]
    assert story.go(5 * MINUTE) == [f"300: cleo escalated {UNIT}"]


def test_a_critical_personnel_alarm_goes_to_the_whole_chain_at_once_on_duty_or_not() -> None:
    story = Story()
    everybody = ["ada", "ben", "cleo", "dov"]
    assert story.say(AIR, priority="critical") == [f"{one} raised {AIR}" for one in everybody]
    assert story.go(15 * MINUTE) == [f"900: {one} repeated {AIR}" for one in everybody]


def test_a_critical_alarm_that_is_not_about_people_takes_the_steps() -> None:
    story = Story()
    assert story.say("epoch_overtaken-site", priority="critical") == ["ada raised epoch_overtaken-site"]


def test_at_night_it_is_the_other_ones_duty() -> None:
    story = Story(wall_s=MONDAY_10 + 9 * HOUR)  # 19:00
    assert story.say(UNIT) == [f"ben raised {UNIT}"]


def test_a_step_in_which_nobody_is_on_duty_is_passed_over() -> None:
    story = Story(wall_s=MONDAY_10 + 5 * 24 * HOUR)  # Saturday
    assert story.say(UNIT) == [f"cleo raised {UNIT}"]


def test_a_gap_in_the_roster_falls_back_to_everybody_in_the_chain() -> None:
    chains = {"high": {"steps": [["ada"], ["ben"]], "escalate_after_s": 300}}
    story = Story(crew(chains=chains), wall_s=MONDAY_10 + 5 * 24 * HOUR)  # Saturday: neither
    assert story.say(UNIT) == [f"ada raised {UNIT}", f"ben raised {UNIT}"]
    assert story.go(HOUR) == []


def test_of_the_worst_the_last_step_is_everybody_on_duty_or_not() -> None:
    story = Story()
    story.say("epoch_overtaken-site", priority="critical")
    assert story.go(11 * MINUTE) == [
        "300: cleo escalated epoch_overtaken-site",
        "600: ben escalated epoch_overtaken-site",
        "600: dov escalated epoch_overtaken-site",
    ]


def test_where_it_can_wait_the_next_is_told_when_his_duty_begins() -> None:
    story = Story(wall_s=MONDAY_10 + 7.5 * HOUR)  # 17:30: ada is on, ben from 18:00
    assert story.say("out_of_band-n1", priority="medium") == ["ada raised out_of_band-n1"]
    assert story.go(40 * MINUTE) == ["1800: ben escalated out_of_band-n1"]


def test_after_a_change_of_shift_a_repeat_goes_to_whoever_is_on_now() -> None:
    chains = {"high": {"steps": [["ada", "ben"]], "repeat_every_s": 1800}}
    story = Story(crew(chains=chains), wall_s=MONDAY_10 + 7.9 * HOUR)  # 17:54
    assert story.say(UNIT) == [f"ada raised {UNIT}"]
    assert story.go(31 * MINUTE) == [f"1800: ben repeated {UNIT}"]
    assert story.say(UNIT, "acknowledged", acknowledged_by="ben") == [f"ada acknowledged {UNIT}", f"ben acknowledged {UNIT}"]


def test_low_priority_waits_for_the_daily_summary_and_is_told_as_it_is_by_then() -> None:
    story = Story()
    assert story.say("late_report-u1", priority="low") == []
    assert story.say("history_unreachable-site", priority="low") == []
    story.say("late_report-u1", "returned_unacknowledged", priority="low")
    assert story.go(20 * HOUR, step_s=60.0) == []
    assert story.go(2 * HOUR, step_s=60.0) == ["3600: ada digest raised history_unreachable-site over late_report-u1"]
    assert story.say("history_unreachable-site", "normal", priority="low") == []  # in the next one
    assert story.go(24 * HOUR, step_s=60.0) == ["82800: ada digest over history_unreachable-site"]


def test_of_a_priority_without_a_chain_nobody_is_told() -> None:
    story = Story(crew(chains={"critical": {"steps": [["cleo"]]}}))
    assert story.say(UNIT) == [] and story.go(HOUR) == [] and story.calls.calls == {}


def test_a_controller_that_was_off_for_hours_escalates_once_and_not_for_each_missed_interval() -> None:
    story = Story()
    story.say(UNIT)
    assert story.go(5 * HOUR, step_s=5 * HOUR) == [f"18000: cleo escalated {UNIT}", f"18000: ada repeated {UNIT}"]
    assert story.go(14 * MINUTE) == []


def test_someone_who_is_no_longer_in_the_site_file_is_left_out() -> None:
    story = Story()
    story.say(UNIT)
    story.go(6 * MINUTE)
    smaller = crew(person=[{"id": "cleo"}], chains={"high": {"steps": [["cleo"]]}})
    story.rules = Story(smaller).rules
    assert story.say(UNIT, "acknowledged", acknowledged_by="cleo") == [f"cleo acknowledged {UNIT}"]


def test_a_high_alarm_about_people_takes_the_steps_too() -> None:
    story = Story()
    assert story.say("room_air_unsafe-north") == ["ada raised room_air_unsafe-north"]
    assert story.go(6 * MINUTE) == ["300: cleo escalated room_air_unsafe-north"]


def test_its_repeats_go_to_those_who_were_told() -> None:
    chain = {"steps": [["ada"], ["cleo"]], "escalate_after_s": 300, "repeat_every_s": 120}
    story = Story(crew(chains={"high": chain}))
    story.say("room_air_unsafe-north")
    assert story.go(2 * MINUTE) == ["120: ada repeated room_air_unsafe-north"]


def test_an_alarm_that_the_catalogue_does_not_know_any_more_takes_the_steps() -> None:
    story = Story()
    assert story.say("long_gone-x", priority="critical") == ["ada raised long_gone-x"]


def test_the_daily_summary_goes_to_everybody_in_its_chain_on_duty_or_not() -> None:
    story = Story(crew(chains={"low": {"steps": [["ada"], ["dov"]], "digest_at": "07:00"}}))
    story.say("late_report-u1", priority="low")
    assert story.go(22 * HOUR, step_s=60.0) == [
        "75600: ada digest raised late_report-u1", "75600: dov digest raised late_report-u1",
    ]  # fmt: skip


def test_a_repeat_goes_to_those_who_were_told_and_not_to_the_steps_to_come() -> None:
    for alarm, priority in ((UNIT, "high"), ("epoch_overtaken-site", "critical")):
        chain = {"steps": [["ada"], ["cleo"]], "escalate_after_s": 300, "repeat_every_s": 120}
        story = Story(crew(chains={priority: chain}))
        story.say(alarm, priority=priority)
        assert story.go(299.0, step_s=1.0) == [f"120: ada repeated {alarm}", f"240: ada repeated {alarm}"]


def test_a_repeat_in_a_gap_of_the_roster_goes_to_everybody() -> None:
    chains = {"high": {"steps": [["ada"], ["ben"]], "escalate_after_s": 300, "repeat_every_s": 120}}
    story = Story(crew(chains=chains), wall_s=MONDAY_10 + 5 * 24 * HOUR)
    story.say(UNIT)
    assert story.go(2 * MINUTE) == [f"120: ada repeated {UNIT}", f"120: ben repeated {UNIT}"]


def test_after_the_last_step_no_timer_runs_on() -> None:
    story = Story()
    story.say(AIR, priority="critical")
    assert story.calls.calls[AIR].escalate_mono_s is None
    story.say("epoch_overtaken-site", priority="critical")
    story.say(UNIT)
    story.go(16 * MINUTE)
    assert [story.calls.calls[one].escalate_mono_s for one in ("epoch_overtaken-site", UNIT)] == [None, None]
    gap = Story(crew(chains={"high": {"steps": [["ada"], ["ben"]], "escalate_after_s": 300}}), MONDAY_10 + 5 * 24 * HOUR)
    gap.say(UNIT)
    assert gap.calls.calls[UNIT].escalate_mono_s is None


def test_a_chain_that_was_taken_out_of_the_site_file_calls_nobody_and_still_tells_the_end() -> None:
    story = Story()
    story.say(UNIT)
    story.rules = Story(crew(chains={"critical": {"steps": [["cleo"]]}})).rules
    assert story.go(HOUR) == []
    assert story.say(UNIT, "shelved") == [f"ada quiet {UNIT}"]
    assert story.say(UNIT) == [] and story.go(HOUR) == []
    assert story.say(UNIT, "acknowledged", acknowledged_by="ada") == [f"ada acknowledged {UNIT}"]


def test_a_change_in_the_minute_of_the_daily_summary_does_not_put_it_off_by_a_day() -> None:
    story = Story()
    story.say("late_report-u1", priority="low")
    story.now = story.now._replace(wall_s=MONDAY_10 + 21 * HOUR + 1.0)  # Tuesday 07:00:01, and no tick in between
    told = story.say("late_report-u1", "acknowledged", priority="low", acknowledged_by="ada")
    assert told == ["ada digest acknowledged late_report-u1"]


def test_who_needs_it_at_once_now_does_not_wait_for_a_summary_any_more() -> None:
    story = Story()
    story.say("late_report-u1", priority="low")
    story.rules = Story(crew(chains={"low": {"steps": [["ada"]]}})).rules
    assert story.say("late_report-u1", "acknowledged", priority="low") == ["ada acknowledged late_report-u1"]


def test_a_note_that_waits_keeps_its_age_when_it_is_brought_up_to_date() -> None:
    story = Story(crew(merge_over=1))
    story.burst([UNIT, "unit_silent-u2"])
    story.go(30.0)
    story.say("unit_silent-u3")
    since = story.calls.notes["ada", "unit_silent-u3"].since_mono_s
    story.go(10.0)
    story.say("unit_silent-u3", "acknowledged", acknowledged_by="ada")
    note = story.calls.notes["ada", "unit_silent-u3"]
    assert (note.since_mono_s, note.kind, note.by) == (since, "acknowledged", "ada")


@pytest.mark.parametrize(
    ("state", "given", "detail"),
    [
        ("shelved", {"note": "valve on order"}, "shelved: valve on order"),
        ("shelved", {}, "shelved"),
        ("out_of_service", {"note": "sensor in repair"}, "out of service: sensor in repair"),
        ("suppressed_by_design", {}, "suppressed by design"),
        ("suppressed_by_design", {"cause": "link_lost-site"}, "explained by link_lost-site, which holds it back"),
        ("acknowledged", {"note": "on my way"}, "on my way"),
        ("latched_acknowledged", {"note": "looked at"}, "looked at"),
        ("acknowledged", {}, ""),
    ],
)
def test_why_it_is_quiet_is_told_along(state: str, given: dict, detail: str) -> None:
    story = Story()
    story.say("no_response-n1")
    assert story.parcels[-1].notes[0].detail == ""
    story.say("no_response-n1", state, **given)
    assert story.parcels[-1].notes[0].detail == detail


@pytest.mark.parametrize("state", ["acknowledged", "normal", "shelved", "returned_unacknowledged", "out_of_service"])
def test_an_alarm_that_was_never_called_about_calls_nobody_at_its_end(state: str) -> None:
    assert Story().say(UNIT, state) == []
