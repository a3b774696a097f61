"""Entry permits: who, for how long, with whom outside, on what air; who is overdue, who is missing; who may open.

The rules come from how people die of these gases: alone (NIOSH FACE 08MI121), and going in after somebody (two rescuers in a
hazard alert of Ontario 1993). The minutes until an overdue person counts as missing are the site's (five by default, ours).
"""

import corekit
import pytest
from corekit import FRESH, status, told

from supervisor.core.site import Core
from supervisor.messages import RoomEntry, at

MISSING_AFTER_S = 300


def enter(bench: corekit.Bench, *people: str, room: str = "east", standby: str | None = "ono", minutes=10, **more):
    return bench.command("enter", room, people=list(people), standby=standby, minutes=minutes, **more)


def inside(bench: corekit.Bench, room: str = "east") -> set[str]:
    return set(bench.core.state.rooms[room].people)


# ------------------------------------------------------------------------------------------------ what a permit holds


def test_a_permit_records_who_stands_by_and_what_air_was_measured() -> None:
    bench = corekit.ready()
    told(bench, door=(20.7, 0.21), floor=(20.5, 0.31))
    assert enter(bench, "mara", "sol", operator="kim").accepted
    (said,) = bench.said("entry_permit")
    assert said.figures == {
        "room": "east", "people": "mara, sol", "standby": "ono", "minutes": 10, "operator": "kim", "inside": "mara, sol",
        "air": "door 20.70 % O2 0.21 % CO2, floor 20.50 % O2 0.31 % CO2",
    }  # fmt: skip
    permit = bench.core.state.rooms["east"].permits["mara"]
    assert (permit.standby, permit.given_wall_s, permit.air) == ("ono", bench.wall_s, said.figures["air"])
    bench.run(1)
    assert bench.entry().people == ["mara", "sol"]
    assert bench.command("leave", "east", people=["mara"], operator="kim").accepted
    (left,) = bench.said("entry_left")
    assert left.figures == {"room": "east", "people": "mara", "operator": "kim", "inside": "sol"}
    assert set(bench.core.state.rooms["east"].permits) == {"sol"}
    assert enter(bench, "kim", "lou").accepted
    assert bench.command("leave", "east", people=["kim"]).accepted
    assert bench.said("entry_left")[-1].figures["inside"] == "sol, lou"
    assert bench.command("leave", "east", people=["sol", "lou"]).accepted
    assert bench.said("entry_left")[-1].figures["people"] == "sol, lou"


def test_permits_go_on_over_a_restart() -> None:
    bench = corekit.ready()
    enter(bench, "mara", minutes=10)
    bench.core = Core.load(bench.site, bench.core.dump())
    bench.go(20.0)
    bench.start(epoch=4)
    bench.run(130)
    assert status(bench) == "restricted" and bench.entry().people == ["mara"]
    bench.run(460)
    assert bench.alarm("people_overdue-east").condition and "mara (ono stands by)" in bench.alarm("people_overdue-east").text


def test_air_that_got_bad_in_the_same_instant_counts_before_any_tick() -> None:
    bench = corekit.ready()
    bench.say_air("east", "floor", 20.9, 0.9)
    answer = enter(bench, "mara")
    assert not answer.accepted and "CO2 0.90 % at floor" in answer.reason and inside(bench) == set()
    assert status(bench) == "forbidden"


# ------------------------------------------------------------------------------------------------ who may not


@pytest.mark.parametrize("standby", [None, "mara lee", "Mara Lee", " mara  lee  ", "MARA\tLEE"])
def test_nobody_stands_by_for_himself(standby: str | None) -> None:
    bench = corekit.ready()
    answer = enter(bench, "mara lee", standby=standby)
    assert not answer.accepted and "rescuers die too" in answer.reason and inside(bench) == set()


@pytest.mark.parametrize("name", ["ono", "Ono"])
@pytest.mark.parametrize("room", ["east", "west"])
def test_whoever_stands_by_goes_into_no_room(name: str, room: str) -> None:
    bench = corekit.ready()
    assert enter(bench, "mara", standby="ono").accepted
    bench.run(2)
    answer = enter(bench, name, room=room, standby="kim")
    assert not answer.accepted and "stands by for room east and stays outside" in answer.reason
    assert "rescuers die too" in answer.reason and inside(bench) == {"mara"} and inside(bench, "west") == set()
    bench.command("leave", "east", people=["mara"])
    bench.command("leave", room, people=[name])
    bench.run(2)
    assert enter(bench, name, room=room, standby="kim").accepted, "once nobody depends on it"


def test_nobody_is_in_two_rooms() -> None:
    bench = corekit.ready()
    assert enter(bench, "mara").accepted
    answer = enter(bench, "Mara", room="west", standby="kim")
    assert not answer.accepted and "is in room east" in answer.reason and inside(bench, "west") == set()


def test_whoever_is_inside_stands_by_for_nobody_and_nobody_watches_two_doors() -> None:
    bench = corekit.ready()
    assert enter(bench, "mara", standby="ono").accepted
    bench.run(2)
    for room, standby, words in (
        ("west", "mara", "mara is in room east and cannot stand by"), ("east", "MARA", "MARA is in room east"),
        ("west", "ono", "cannot watch two doors"),
    ):  # fmt: skip
        answer = enter(bench, "sol", room=room, standby=standby)
        assert not answer.accepted and words in answer.reason
        bench.command("leave", room, people=["sol"])
        bench.run(2)
    assert enter(bench, "sol", standby="ono").accepted, "one may stand by for two in the same room"
    assert inside(bench) == {"mara", "sol"}


def test_the_same_name_twice_is_one_person() -> None:
    bench = corekit.ready()
    assert enter(bench, "mara", "mara").accepted
    assert bench.said("entry_permit")[0].figures["people"] == "mara"
    assert bench.command("leave", "east", people=["mara", "mara"]).accepted and inside(bench) == set()


# ------------------------------------------------------------------------------------------------ refused, and where then?


@pytest.mark.parametrize("how", ["alone", "no minutes", "bad air", "nobody named", "too old"])
def test_a_refused_entry_keeps_gas_off_until_whoever_asked_is_signed_out(how: str) -> None:
    """It is no proof that nobody went in; the guard counts them as well, so both agree."""
    bench = corekit.ready()
    if how == "bad air":
        bench.say_air("east", "floor", status="fault")
    people = [] if how == "nobody named" else ["mara"]
    more = {"issued_at": at(bench.wall_s - 200.0)} if how == "too old" else {}
    answer = bench.command("enter", "east", operator="kim", people=people, standby=None if how == "alone" else "ono",
                           minutes=None if how == "no minutes" else 10, **more)  # fmt: skip
    assert not answer.accepted and inside(bench) == set()
    bench.run(120)
    who = "kim" if how == "nobody named" else "mara"
    assert status(bench) == "restricted" and f"{who} wanted to go in and was refused" in bench.entry().reasons[0]
    room = bench.core.state.rooms["east"]
    assert not room.dosing_permitted and not room.air_permitted
    assert bench.alarm("people_overdue-east") is None
    assert bench.command("leave", "east", people=[who]).accepted
    bench.run(2)
    assert status(bench) == "clear" and room.dosing_permitted


def test_a_second_try_that_is_right_goes_through() -> None:
    bench = corekit.ready()
    assert not enter(bench, "mara", standby=None).accepted
    bench.run(2)
    assert enter(bench, "mara").accepted and bench.core.state.rooms["east"].at_door == {}


def test_a_refusal_of_somebody_inside_takes_no_permit_away() -> None:
    bench = corekit.ready()
    enter(bench, "mara")
    assert not enter(bench, "mara", standby=None).accepted
    assert inside(bench) == {"mara"} and bench.core.state.rooms["east"].at_door == {}


def test_one_room_s_refusal_is_not_another_s() -> None:
    bench = corekit.ready()
    enter(bench, "mara", standby=None)
    bench.run(2)
    assert status(bench, "west") == "clear"
    for more in ({}, {"issued_at": at(bench.wall_s - 500.0)}):
        assert not enter(bench, "mara", room="attic", **more).accepted
    assert all("attic" not in name for name in bench.core.state.rooms)


# ------------------------------------------------------------------------------------------------ overdue and missing


def test_overdue_escalates_to_missing_with_the_sounder_and_a_latch() -> None:
    bench = corekit.ready()
    enter(bench, "mara", minutes=1)
    bench.run(60)
    assert bench.alarm("people_overdue-east") is None
    bench.run(MISSING_AFTER_S)
    overdue = bench.alarm("people_overdue-east")
    assert overdue.condition and overdue.priority == "critical" and bench.alarm("people_missing-east") is None
    assert not bench.sounder()
    bench.run(2)
    missing = bench.alarm("people_missing-east")
    assert missing.condition and missing.priority == "critical" and "mara (ono stands by) have not come out" in missing.text
    assert bench.sounder() and "rescuers die too" in missing.advice.lower()
    assert not enter(bench, "sol").accepted, "nobody follows"
    bench.command("leave", "east", people=["sol"])
    assert bench.command("leave", "east", people=["mara"]).accepted
    bench.run(2)
    assert status(bench) == "restricted" and bench.sounder()
    assert bench.entry().reasons == ["alarm people_missing waits for a named person"]
    corekit.end_alarm(bench, "people_missing-east")
    bench.run(2)
    assert status(bench) == "clear" and not bench.sounder()


def test_everybody_who_is_overdue_is_named() -> None:
    bench = corekit.ready()
    enter(bench, "mara", "sol", minutes=1)
    bench.run(62)
    assert "mara (ono stands by), sol (ono stands by) should be out" in bench.alarm("people_overdue-east").text


def test_while_the_alarm_of_the_missing_stands_gas_stays_off_for_all_that() -> None:
    bench = corekit.ready()
    enter(bench, "mara", minutes=1)
    bench.run(60 + MISSING_AFTER_S + 300)
    assert not any(one.dosing_permitted or one.air_permitted for at_s, one in bench.permits() if at_s > bench.mono_s - 600)


# ------------------------------------------------------------------------------------------------ bad air inside


@pytest.mark.parametrize("air", [(19.3, 0.04), (20.9, 0.6), "fault"])
def test_people_inside_hear_of_air_that_is_not_good(air) -> None:
    bench = corekit.ready()
    told(bench, door=air, floor=air)
    assert not bench.sounder(), "nobody is inside"
    bench = corekit.ready()
    enter(bench, "mara")
    told(bench, door=air, floor=air)
    assert status(bench) == "forbidden" and bench.sounder()
    told(bench, 90, door=FRESH, floor=FRESH)
    assert not bench.sounder() and inside(bench) == {"mara"}


# ------------------------------------------------------------------------------------------------ opening counts as entry


def vented() -> corekit.Bench:
    """e1 has been brought back to breathable air."""
    bench = corekit.ready()
    bench.cell["line-1"] = (20.7, 0.2)
    assert bench.command("seal", "e1").accepted and bench.command("vent", "e1").accepted
    bench.run(900, until=lambda: bench.core.state.enclosures["e1"].breathable_samples >= 2)
    return bench


def test_nobody_opens_without_an_entry_permit_in_that_room() -> None:
    bench = vented()
    answer = bench.command("open", "e1")
    assert not answer.accepted and "sign in (enter) room east" in answer.reason and "rescuers die too" in answer.reason
    enter(bench, "mara", room="west")
    assert not bench.command("open", "e1").accepted, "a permit of another room"
    bench.command("leave", "west", people=["mara"])
    enter(bench, "mara")
    assert bench.command("open", "e1").accepted and bench.state("e1").state == "filling"


def test_nobody_opens_on_a_permit_that_is_over_or_was_refused() -> None:
    bench = vented()
    enter(bench, "mara", standby=None)
    assert not bench.command("open", "e1").accepted
    enter(bench, "mara", minutes=1)
    bench.run(60)
    bench.core.state.rooms["east"].permits.clear()
    assert not bench.command("open", "e1").accepted, "who went in under an older version has none"
    enter(bench, "mara", minutes=1)
    bench.run(60.25)
    answer = bench.command("open", "e1")
    assert not answer.accepted and "sign in (enter)" in answer.reason
    enter(bench, "mara", minutes=1)
    bench.run(60)
    assert bench.command("open", "e1").accepted, "to the last second"


def test_nobody_opens_in_bad_air_not_even_from_inside() -> None:
    bench = vented()
    enter(bench, "mara")
    bench.say_air("east", "floor", 20.9, 0.7)
    answer = bench.command("open", "e1")
    assert not answer.accepted and "room east is forbidden" in answer.reason and "CO2 0.70 %" in answer.reason


def test_every_status_that_left_names_who_is_inside() -> None:
    bench = corekit.ready()
    enter(bench, "mara")
    bench.run(70)
    shown = [one for one in bench.bodies(RoomEntry, "east") if one.status == "restricted"]
    assert len(shown) >= 3 and all(one.people == ["mara"] for one in shown)


def test_asking_to_go_in_renews_no_permit() -> None:
    """The guard counts whoever asks as inside from that instant on: a renewal then would be refused."""
    bench = corekit.ready()
    bench.run(20, until=lambda: bench.mono_s - bench.permits()[-1][0] >= 9.0)
    bench.go(1.0)
    for sensor in ("door", "floor"):
        bench.say_air("east", sensor)
    bench.log.clear()
    assert enter(bench, "mara").accepted
    assert bench.permits() == []
    bench.tick()
    assert [(one.dosing_permitted, one.air_permitted) for _, one in bench.permits()] == [(False, False)]


def test_nobody_follows_into_a_room_that_is_forbidden_by_doubt_alone() -> None:
    """No alarm holds it shut then; that somebody is inside opens it to nobody else."""
    bench = corekit.ready()
    assert enter(bench, "mara").accepted
    told(bench, floor="fault")
    answer = enter(bench, "sol")
    assert not answer.accepted and "sensor floor says fault" in answer.reason and inside(bench) == {"mara"}


def test_a_room_is_judged_by_the_next_tick_after_a_word_about_its_people() -> None:
    """Everything is looked at once a second; what has news, at once."""
    bench = corekit.ready()
    for act, expected in (
        (lambda: enter(bench, "mara"), "restricted"),
        (lambda: enter(bench, "sol", standby=None), "restricted"),
        (lambda: bench.command("leave", "east", people=["mara", "sol"]), "clear"),
    ):
        bench.go(0.1)
        act()
        bench.go(0.1)
        bench.tick()
        assert status(bench) == expected


def test_a_stranger_is_named_and_who_is_still_inside() -> None:
    bench = corekit.ready()
    enter(bench, "mara", "sol")
    answer = bench.command("leave", "east", people=["mara", "kim", "lou"])
    assert answer.reason == "not signed in: kim, lou; the others are signed out; inside are sol"
    answer = bench.command("leave", "east", people=["sol", "kim"])
    assert answer.reason == "not signed in: kim; the others are signed out"
    said = len(bench.said("entry_left"))
    bench.command("leave", "east", people=["kim"])
    assert len(bench.said("entry_left")) == said, "nobody has left"


def test_who_went_in_under_an_older_version_has_no_permit_and_is_missed_all_the_same() -> None:
    bench = corekit.ready()
    enter(bench, "mara", minutes=1)
    bench.core.state.rooms["east"].permits.clear()
    bench.run(62 + MISSING_AFTER_S)
    assert "mara have not come out" in bench.alarm("people_missing-east").text
    assert bench.entry().reasons[-1] == "entered by mara; nobody stands by outside"
