"""People in a room: nobody alone, nobody into air that is not clear, everybody out in their time; and the room's permits."""

import corekit
import pytest
from corekit import FRESH, PermitRoom, status, told
from coresite import site_with

from supervisor.core import alarms
from supervisor.values import LinkChanged, PermitRefused, Stopping

AIR_AGE_S_MAX = 30
PERMIT_INTERVAL_S = 10
PERMIT_VALID_S = 45


def enter(bench: corekit.Bench, *people: str, room: str = "east", standby: str | None = "ono", minutes: int | None = 10):
    return bench.command("enter", room, people=list(people), standby=standby, minutes=minutes)


def test_nobody_goes_in_alone() -> None:
    bench = corekit.ready()
    for standby in (None, "mara"):
        answer = enter(bench, "mara", standby=standby)
        assert not answer.accepted and answer.reason == (
            "somebody else must stand by outside (standby): nobody goes in alone, and rescuers die too. Nobody goes in; "
            "sign out (leave) whoever asked"
        )
    assert bench.core.state.rooms["east"].people == {}
    assert enter(bench, "mara", standby="ono").accepted


def test_who_and_for_how_long_must_be_said() -> None:
    bench = corekit.ready()
    nobody = bench.command("enter", "east", standby="ono", minutes=5)
    for answer in (nobody, enter(bench), enter(bench, "mara", minutes=None)):
        assert not answer.accepted and answer.reason == (
            "say who goes in (people) and for how long (minutes). Nobody goes in; sign out (leave) whoever asked"
        )
        bench.run(1)
    assert "there is no room attic" in bench.command("enter", "attic", people=["mara"], standby="ono", minutes=5).reason


@pytest.mark.parametrize("air", [(19.0, 0.04), (20.9, 0.6), "fault"])
def test_nobody_goes_into_air_that_is_not_clear(air: tuple[float, float] | str) -> None:
    bench = corekit.ready()
    told(bench, door=air)
    answer = enter(bench, "mara")
    assert not answer.accepted and "room east is forbidden" in answer.reason and "door" in answer.reason
    told(bench, 600, door=FRESH)
    if air != "fault":
        answer = enter(bench, "mara")
        assert not answer.accepted and "waits for a named person" in answer.reason


def test_with_people_inside_nothing_is_permitted_and_the_room_is_restricted() -> None:
    bench = corekit.ready()
    entered_s = bench.mono_s
    assert enter(bench, "mara", "sol").accepted
    bench.run(1)
    assert status(bench) == "restricted" and bench.entry().reasons == ["entered by mara, sol; ono stands by outside"]
    last_s, last = bench.permits()[-1]
    assert (last.dosing_permitted, last.air_permitted) == (False, False) and last_s - entered_s <= 1.0
    assert status(bench, "west") == "clear"
    assert bench.command("leave", "east", people=["mara"]).accepted
    bench.run(2)
    assert status(bench) == "restricted" and bench.entry().reasons == ["entered by sol; ono stands by outside"]
    assert bench.command("leave", "east", people=["sol"]).accepted
    bench.run(2)
    assert status(bench) == "clear" and bench.permits()[-1][1].dosing_permitted


def test_others_may_follow_while_the_air_is_good_but_not_past_a_latched_alarm() -> None:
    bench = corekit.ready()
    assert enter(bench, "mara").accepted
    bench.run(2)
    assert enter(bench, "sol").accepted
    told(bench, door=(19.0, 0.04))
    told(bench, 120, door=FRESH)
    assert status(bench) == "restricted" and bench.core.state.rooms["east"].people
    answer = enter(bench, "kim")
    assert not answer.accepted and "room_air_unsafe" in answer.reason


def test_leaving_needs_names_that_are_known() -> None:
    bench = corekit.ready()
    enter(bench, "mara")
    assert bench.command("leave", "east").reason == "say who has left (people)"
    assert "there is no room attic" in bench.command("leave", "attic", people=["mara"]).reason
    answer = bench.command("leave", "east", people=["mara", "nobody"])
    assert not answer.accepted and "nobody" in answer.reason
    assert bench.core.state.rooms["east"].people == {}, "who did leave is out all the same"


def test_people_past_their_time_are_an_alarm_that_shuts_the_room() -> None:
    bench = corekit.ready()
    enter(bench, "mara", minutes=10)
    bench.run(599)
    assert bench.alarm("people_overdue-east") is None
    bench.run(3)
    told_alarm = bench.alarm("people_overdue-east")
    assert told_alarm.priority == "critical" and told_alarm.condition and "mara" in told_alarm.text
    assert bench.command("leave", "east", people=["mara"]).accepted
    bench.run(2)
    assert bench.alarm("people_overdue-east").state == "returned_unacknowledged"


def test_each_person_has_their_own_time() -> None:
    bench = corekit.ready()
    enter(bench, "mara", minutes=5)
    enter(bench, "sol", minutes=60)
    bench.run(120)
    assert bench.command("leave", "east", people=["mara"]).accepted
    bench.run(600)
    assert bench.alarm("people_overdue-east") is None, "mara's time was counted for sol"
    enter(bench, "sol", minutes=60)
    bench.run(3000)
    assert bench.alarm("people_overdue-east") is None, "signing in again gives more time"
    bench.run(700)
    assert bench.alarm("people_overdue-east").condition


def test_bad_air_and_people_inside_sound_and_keep_both_words() -> None:
    bench = corekit.ready()
    enter(bench, "mara")
    told(bench, floor=(17.5, 0.04))
    assert status(bench) == "forbidden" and bench.sounder()
    assert bench.core.state.rooms["east"].people.keys() == {"mara"}


# ------------------------------------------------------------------------------------------------ permits


def test_a_permit_is_renewed_on_its_interval_and_never_believed_for_longer_than_told() -> None:
    bench = corekit.ready()
    begun_s = bench.mono_s
    bench.run(100)  # ten intervals
    renewals = [(at_s, one) for at_s, one in bench.permits() if at_s >= begun_s]
    gaps = {later - earlier for (earlier, _), (later, _) in zip(renewals, renewals[1:], strict=False)}
    assert gaps == {float(PERMIT_INTERVAL_S)} and len(renewals) == 10
    for at_s, one in renewals:
        assert one.dosing_permitted and one.air_permitted
        assert one.valid_until_wall_s - corekit.WALL_S - (at_s - corekit.MONO_S) == pytest.approx(PERMIT_VALID_S)


@pytest.mark.parametrize("loss", ["silent", "fault", "unsafe"])
def test_a_permit_is_withdrawn_within_the_sensor_s_time(loss: str) -> None:
    bench = corekit.ready()
    lost_s = bench.mono_s
    if loss == "silent":
        del bench.air["east", "floor"]
    else:
        bench.air["east", "door"] = (20.0, 0.04)  # near enough to the other for both to measure one air
        bench.air["east", "floor"] = "fault" if loss == "fault" else (19.4, 0.04)
    bench.run(AIR_AGE_S_MAX + 2)
    at_s, first_no = next((at_s, one) for at_s, one in bench.permits() if at_s > lost_s and not one.dosing_permitted)
    assert at_s - lost_s <= (AIR_AGE_S_MAX + 1 if loss == "silent" else 5)
    # Withdrawn and said; a valve hears of no other permit for this room from then on.
    assert not any(one.dosing_permitted for later_s, one in bench.permits() if later_s >= at_s)
    assert first_no.air_permitted == (loss == "unsafe"), "air may be blown into air that is only unsafe, nothing else"


def test_no_permit_while_the_link_is_down() -> None:
    bench = corekit.ready()
    bench.step(LinkChanged(bench.now, False))
    bench.go(0.5)
    down_s = bench.mono_s
    bench.run(120)
    assert [one for at_s, one in bench.permits() if at_s >= down_s and (one.dosing_permitted or one.air_permitted)] == []
    bench.step(LinkChanged(bench.now, True))
    bench.run(2)
    assert bench.permits()[-1][1].dosing_permitted


def test_no_permit_before_every_unit_has_told_its_epoch_or_its_time_is_up() -> None:
    bench = corekit.Bench(site_with(**{"[limits.nitrogen]": "[timing]\nclear_after_s = 0\n[limits.nitrogen]"}))
    del bench.units["gw-west"]
    bench.start().run(29)
    assert not any(one.dosing_permitted for _, one in bench.permits())
    bench.run(5)
    assert bench.permits("east")[-1][1].dosing_permitted and status(bench, "west") == "forbidden"


def test_a_permit_that_the_guard_refused_is_withdrawn_and_tried_again_later() -> None:
    bench = corekit.ready()
    bench.step(PermitRefused(bench.now, "east", "room_air", "so much", "so little"))
    assert [one.figures["rule"] for one in bench.said("permit_refused_by_guard")] == ["room_air"]
    refused_s, last = bench.permits()[-1]
    assert not last.dosing_permitted and not last.air_permitted
    assert last.valid_until_wall_s == bench.now.wall_s + PERMIT_VALID_S, "hardware refuses what has expired on its way"
    bench.run(PERMIT_INTERVAL_S - 1)
    assert not bench.permits()[-1][1].dosing_permitted
    bench.run(2)
    assert bench.permits()[-1][1].dosing_permitted and bench.permits()[-1][0] - refused_s >= PERMIT_INTERVAL_S


def test_whatever_the_catalogue_says_closes_all_withdraws_every_permit_of_nitrogen_and_co2() -> None:
    bench = corekit.ready()
    desk = bench.desk()
    alarms.condition(desk, "epoch_overtaken", "site", True, "by nobody: only the alarm stands")
    bench.run(2)
    assert {room: bench.permits(room)[-1][1].dosing_permitted for room in ("east", "west")} == {"east": False, "west": False}
    alarms.condition(bench.desk(), "epoch_overtaken", "site", False)
    bench.run(2)
    assert bench.permits("east")[-1][1].dosing_permitted


def test_the_end_withdraws_every_permit() -> None:
    bench = corekit.ready()
    last = [one for one in bench.step(Stopping(bench.now)) if isinstance(one, PermitRoom)]
    assert {(one.room, one.dosing_permitted, one.air_permitted) for one in last} == {
        ("east", False, False), ("west", False, False),
    }  # fmt: skip
    assert {one.valid_until_wall_s for one in last} == {bench.now.wall_s + PERMIT_VALID_S}, "it must not expire on its way"
    bench.go(1.0)
    ended_s = bench.mono_s
    bench.run(60)
    assert not any(one.dosing_permitted or one.air_permitted for at_s, one in bench.permits() if at_s >= ended_s)
