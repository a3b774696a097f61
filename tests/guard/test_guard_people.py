"""Rule 2: nobody in the room, by what people said; whoever asked counts as inside until they are signed out."""

import pytest
from guard_both import Both
from guard_world import SITE, World, ready, verdict

from supervisor.guard import Guard
from supervisor.messages import RoomDoor
from supervisor.settings import SiteFile

READY = ready()


def asked(world, gas):
    """The same question as a request and as a permit; both must agree."""
    by_request = verdict(world.fork().ask(gas=gas))
    by_permit = verdict(world.fork().permit(dosing=gas != "air", air=gas == "air"))
    assert (by_request == "cleared") == (by_permit == "cleared"), (by_request, by_permit)
    return by_request


@pytest.mark.parametrize("gas", ["nitrogen", "co2", "air"])
def test_people_in_the_room(gas):
    world = READY.fork()
    world.command("enter", "north", people=["bo", "cy"])
    assert asked(world, gas) == "room_entered"
    world.command("leave", "north", people=["bo"])
    assert asked(world, gas) == "room_entered"
    world.command("leave", "north", people=["dee"])
    assert asked(world, gas) == "room_entered"
    world.command("leave", "north")
    world.command("leave", "south", people=["cy"])
    world.command("leave", "n1", people=["cy"])
    assert asked(world, gas) == "room_entered"
    world.command("leave", "north", people=["cy"])
    assert asked(world, gas) == "cleared"


@pytest.mark.parametrize("action", ["acknowledge", "calibrate", "seal", "vent", "resume", "stop"])
def test_only_leaving_is_leaving(action):
    world = READY.fork()
    world.command("enter", "north", people=["bo"])
    world.command(action, "north", people=["bo"])
    assert asked(world, "air") == "room_entered"


def test_who_enters_twice_leaves_once():
    world = READY.fork()
    world.command("enter", "north", people=["bo"])
    world.command("enter", "north", people=["bo"])
    world.command("leave", "north", people=["bo"])
    assert asked(world, "nitrogen") == "cleared"


def test_an_entry_without_names_is_the_operator():
    for people in (None, []):
        world = READY.fork()
        world.command("enter", "north", people=people)
        world.command("leave", "north", people=["bo"])
        assert asked(world, "air") == "room_entered"
        world.command("leave", "north", people=["ada"])
        assert asked(world, "air") == "cleared"


def test_more_people_than_can_be_named_are_counted_as_one():
    world = READY.fork()
    for number in range(60):
        world.command("enter", "north", people=[f"p{number}", "p0"])
    assert len(world.guard._memory.kept.inside["north"]) == 51
    world.command("leave", "north", people=[f"p{number}" for number in range(50)])
    assert asked(world, "air") == "room_entered"
    world.command("leave", "north", people=[f"p{number}" for number in range(50, 60)])
    assert asked(world, "air") == "room_entered", "nobody knows whether those are all"
    world.command("leave", "north", people=["others"])
    assert asked(world, "nitrogen") == "cleared"
    world.command("enter", "north", people=[f"q{number}" for number in range(50)])
    world.command("enter", "north", people=["q7"])
    world.command("leave", "north", people=[f"q{number}" for number in range(50)])
    assert asked(world, "nitrogen") == "cleared", "fifty can be named"


def without(world, room):
    """The same world and guard by a site file that has lost this room, its enclosures in it."""
    raw = world.site.model_dump()
    raw["room"] = [one for one in raw["room"] if one["id"] != room]
    raw["enclosure"] = [one for one in raw["enclosure"] if one["room"] != room]
    other = World(SiteFile.model_validate(raw), world.guard.dump())
    other.t, other.ref = world.t, world.ref
    other.numbers.update(world.numbers)
    return other


@pytest.mark.parametrize("gas", ["nitrogen", "co2", "air"])
def test_people_in_a_room_that_the_site_file_has_lost(gas):
    world = READY.fork()
    world.command("enter", "south", people=["bo", "cy"])
    assert asked(world, gas) == "cleared"
    world = without(world, "south")
    assert asked(world, gas) == "room_entered", "it may be this one by another name"
    world.command("leave", "south", people=["bo"], age_s=3601)
    world.command("leave", "south", people=["bo"])
    world.command("leave", "north", people=["cy"])
    world.command("enter", "south", people=["dee"])
    assert asked(world, gas) == "room_entered"
    world.command("leave", "south", people=["cy"])
    assert asked(world, gas) == "cleared", "and the core has refused whoever asked since"


def test_nobody_in_a_room_that_the_site_file_has_lost():
    world = READY.fork()
    world.command("enter", "south", people=["bo"])
    world.command("leave", "south", people=["bo"])
    assert asked(without(world, "south"), "air") == "cleared"


def test_entry_to_another_room_or_to_nowhere_changes_nothing_here():
    world = READY.fork()
    world.command("enter", "south", people=["bo"])
    world.command("enter", "attic", people=["bo"])
    assert asked(world, "nitrogen") == "cleared"
    assert verdict(world.permit(room="south")) == "room_entered"


def test_leaving_counts_once_and_only_when_it_is_new():
    world = READY.fork()
    world.command("enter", "north", people=["bo"])
    name = world.command("leave", "north", people=["bo"])
    world.command("enter", "north", people=["bo"])
    world.command("leave", "north", people=["bo"], command_id=name)
    assert asked(world, "air") == "room_entered"
    world.command("leave", "north", people=["bo"], age_s=3601)
    assert asked(world, "air") == "room_entered"
    world.command("enter", "south", people=["bo"], age_s=1e6)
    assert verdict(world.permit(room="south")) == "room_entered"


def test_who_is_inside_is_remembered_over_a_crash():
    world = READY.fork()
    world.command("enter", "north", people=["bo"])
    world = world.fork()
    world.start(8)
    world.link()
    world.live(120)
    world.announce("holding")
    assert verdict(world.ask(epoch=8)) == "room_entered"
    assert verdict(world.permit(epoch=8)) == "room_entered"


def test_core_and_guard_agree_about_people_whom_the_site_file_has_lost():
    def lived(world, seconds):
        end = world.t + seconds
        while world.t < end:
            world.live(5.0)
            world.tick()

    world = World(SITE)
    world.rooms = ("north", "south")
    both = world.guard = Both(SITE)
    world.start(), world.link(), lived(world, 150.0)
    assert both.allowed > 0
    crowd = [["bo", *(f"p{number}" for number in range(first, first + 30))] for first in (0, 30)]
    for people in crowd:
        world.command("enter", "south", people=people)
    lived(world, 20.0)
    raw = SITE.model_dump()
    raw["room"] = [one | {"id": "hall"} if one["id"] == "south" else one for one in raw["room"]]
    raw["enclosure"] = [one | {"room": "hall"} if one["room"] == "south" else one for one in raw["enclosure"]]
    renamed = SiteFile.model_validate(raw)
    other = World(renamed)
    after = other.guard = Both(renamed, both)
    other.t, other.numbers = world.t, world.numbers
    other.start(8), other.link(), lived(other, 150.0)
    assert after.allowed == 0 and after.refused == [] == both.refused
    for people in [*crowd, ["others"]]:
        other.command("leave", "south", people=people)
        assert bool(after.core.state.gone_rooms["south"].at_door) == bool(after.guard._memory.inside("north"))
    lived(other, 60.0)
    assert after.allowed > 0 and after.refused == []


# ------------------------------------------------------------------------------------------------ a door


def door(world, is_open: bool, room: str = "north", age_s: float = 0.0) -> None:
    world.send(RoomDoor(observed_at=world.moment(age_s), open=is_open), room)


@pytest.mark.parametrize("gas", ["nitrogen", "co2", "air"])
def test_behind_an_open_door_somebody_may_be(gas):
    world = READY.fork()
    door(world, False)
    assert asked(world, gas) == "cleared"
    door(world, True, "south")
    assert asked(world, gas) == "cleared", "another room's"
    door(world, True)
    assert asked(world, gas) == "room_entered"
    door(world, False)
    assert asked(world, gas) == "cleared"


def test_a_late_word_opens_a_door_and_shuts_none():
    world = READY.fork()
    door(world, True)
    door(world, False, age_s=30.0)
    assert asked(world, "nitrogen") == "room_entered"
    world = READY.fork()
    door(world, False)
    door(world, True, age_s=30.0)
    assert asked(world, "nitrogen") == "room_entered"
    door(world, False)
    assert asked(world, "nitrogen") == "cleared"
    door(world, False, age_s=60.0)
    assert asked(world, "nitrogen") == "cleared", "nor does a late word that it is shut open it"


def test_a_word_from_a_time_to_come_makes_no_latecomers_of_those_that_follow():
    world = READY.fork()
    door(world, True, age_s=-86_400.0)
    assert asked(world, "air") == "room_entered"
    door(world, False)
    assert asked(world, "air") == "cleared"


def test_an_open_door_outlives_a_start():
    world = READY.fork()
    door(world, True)
    assert Guard.load(world.site, world.guard.dump())._memory.kept.doors["north"][0]
