"""Rule 7: sensors that disagree, and sensors that stand still, tell nothing; the guard judges that for itself.

Figures of the example site, typed by hand: sensors of one room differ by at most 1 % oxygen and 0.3 % CO2, and one whose last
digit has stood still for 1800 s is dead; the guard gives it 45 s more (the core must be the first to see it).
"""

import json
import random

import pytest
from guard_both import Both
from guard_world import SITE, World, ready, verdict

from supervisor.guard import Guard
from supervisor.settings import SiteFile

READY = ready()
FLAT_S, LATER_S = 1800.0, 45.0


def asked(world: World, gas: str = "air") -> str:
    by_request = verdict(world.fork().ask(gas=gas))
    by_permit = verdict(world.fork().permit(dosing=gas != "air", air=gas == "air"))
    assert by_request == by_permit
    return by_request


# ------------------------------------------------------------------------------------------------ sensors at odds


@pytest.mark.parametrize("gas", ["nitrogen", "co2", "air"])
@pytest.mark.parametrize(("door", "floor", "expected"), [
    ((20.5, 0.25), (20.5, 0.25), "cleared"),
    ((20.5, 0.25), (19.5, 0.25), "cleared"), ((20.5, 0.25), (19.4921875, 0.25), "room_unknown"),
    ((19.5, 0.25), (20.5, 0.25), "cleared"), ((19.4921875, 0.25), (20.5, 0.25), "room_unknown"),
    ((20.5, 0.0), (20.5, 0.3), "cleared"), ((20.5, 0.0), (20.5, 0.3125), "room_unknown"),
    ((20.5, 0.296875), (20.5, 0.0), "cleared"), ((20.5, 0.3125), (20.5, 0.0), "room_unknown"),
])  # fmt: skip
def test_how_far_the_sensors_of_a_room_may_differ(door, floor, expected, gas):
    world = READY.fork()
    world.t += 1
    world.air("north-door", o2=door[0], co2=door[1])
    world.air("north-floor", o2=floor[0], co2=floor[1])
    if gas != "air" and min(door[0], floor[0]) < 19.5:
        expected = "room_air"
    assert asked(world, gas) == expected


def test_sensors_that_agree_again_are_believed_at_once():
    """How long the air must have been good is each sensor's affair; the core waits a minute more."""
    world = READY.fork()
    world.t += 1
    world.air("north-door", o2=19.75)
    assert asked(world, "nitrogen") == "room_unknown"
    world.t += 1
    world.air("north-floor", o2=20.0)
    assert asked(world, "nitrogen") == "cleared"


def test_sensors_of_two_rooms_are_not_compared():
    world = READY.fork()
    world.t += 1
    world.air("north-door", "north-floor", o2=19.75, co2=0.4)
    world.air(room="south", o2=21.0, co2=0.0)
    assert asked(world, "nitrogen") == "cleared" and verdict(world.permit(room="south", dosing=False)) == "cleared"


def test_a_word_that_is_not_taken_does_not_disagree():
    world = READY.fork()
    world.air("north-door", o2=18.5, age_s=10)
    assert asked(world) == "cleared", "a latecomer"
    world.t += 1
    world.air("north-wall", o2=18.5)
    assert asked(world) == "cleared", "a stranger"


def test_each_pair_of_three_sensors_is_compared():
    north = next(one for one in SITE.model_dump()["room"] if one["id"] == "north")
    more = [{"id": "north-roof", "unit": "gateway-north"}]
    site = changed(sensor=[*north["sensor"], *more])
    for values in ((20.0, 20.5, 21.25), (21.25, 20.5, 20.0), (20.5, 20.0, 21.25), (20.5, 21.25, 20.0), (20.0, 21.25, 20.5)):
        world = World(site)
        world.start(), world.link(), world.beat()
        for sensor, o2 in zip(("north-door", "north-floor", "north-roof"), values, strict=True):
            world.air(sensor, o2=o2)
        assert verdict(world.permit(dosing=False)) == "room_unknown", values
        world.t += 1
        world.air("north-door", "north-floor", "north-roof", o2=20.5)
        assert verdict(world.permit(dosing=False)) == "cleared"


# ------------------------------------------------------------------------------------------------ sensors that stand still


def changed(**north) -> SiteFile:
    raw = SITE.model_dump()
    raw["room"] = [one | north if one["id"] == "north" else one for one in raw["room"]]
    return SiteFile.model_validate(raw)


def still_for(seconds: float, site: SiteFile = SITE, o2=(20.75, 20.75), co2=(0.25, 0.25)) -> World:
    """The north room's sensors are heard for so long; the floor's figures alternate between the two given."""
    world = World(site)
    world.start(), world.link(), world.beat()
    world.t += 1
    begun = world.t
    world.air("north-door", o2=20.5, co2=0.125)
    world.air("north-floor", o2=o2[0], co2=co2[0])
    turn = 0
    while world.t < begun + seconds:
        world.t, turn = min(world.t + 15.0, begun + seconds), 1 - turn
        world.beat()
        world.air("north-door", o2=20.5 + turn * 0.0078125, co2=0.125 + turn * 0.0078125)
        world.air("north-floor", o2=o2[turn], co2=co2[turn])
    return world


@pytest.mark.parametrize(("still", "o2", "co2"), [
    ("both", (20.75, 20.75), (0.25, 0.25)), ("oxygen", (20.75, 20.75), (0.25, 0.2578125)),
    ("CO2", (20.75, 20.7578125), (0.25, 0.25)),
])  # fmt: skip
def test_a_cell_whose_last_digit_stands_still_is_dead_whatever_the_other_does(still, o2, co2):
    for seconds, expected in ((FLAT_S + LATER_S, "cleared"), (FLAT_S + LATER_S + 0.25, "room_unknown")):
        for dosing in (True, False):
            assert verdict(still_for(seconds, o2=o2, co2=co2).permit(dosing=dosing)) == expected, (seconds, still)


def test_a_cell_that_moves_is_alive_and_one_that_moves_again_as_well():
    world = still_for(4000.0, o2=(20.75, 20.7578125), co2=(0.25, 0.2578125))
    assert verdict(world.permit()) == "cleared"
    world = still_for(2000.0)
    assert verdict(world.permit()) == "room_unknown"
    world.t += 1
    world.air("north-floor", o2=20.7578125, co2=0.25)
    assert verdict(world.permit()) == "room_unknown", "its CO2 stands still"
    world.t += 1
    world.air("north-floor", o2=20.7578125, co2=0.2578125)
    assert verdict(world.permit()) == "cleared"


def test_nought_is_for_sensors_that_round_so_coarsely_that_they_stand_still():
    sensors = [{"id": one, "unit": "gateway-north", "flat_line_s_max": 0.0} for one in ("north-door", "north-floor")]
    assert verdict(still_for(4000.0, changed(sensor=sensors)).permit()) == "cleared"
    sensors[1]["flat_line_s_max"] = 60.0
    assert verdict(still_for(60.0 + LATER_S, changed(sensor=sensors)).permit()) == "cleared"
    assert verdict(still_for(60.25 + LATER_S, changed(sensor=sensors)).permit()) == "room_unknown"


def test_a_start_brings_no_dead_cell_to_life():
    world = still_for(FLAT_S).fork()
    world.start(8), world.link(), world.beat()
    world.t += 15
    world.air("north-door", o2=20.625, co2=0.1875)
    world.air("north-floor", o2=20.75, co2=0.25)
    assert verdict(world.permit(dosing=False, epoch=8)) == "cleared"
    world.t += 31
    world.beat()
    world.air("north-door", o2=20.5, co2=0.125)
    world.air("north-floor", o2=20.75, co2=0.25)
    assert verdict(world.permit(dosing=False, epoch=8)) == "room_unknown"


def test_a_sensor_that_the_site_file_had_lost_begins_anew():
    world = still_for(FLAT_S + LATER_S + 1.0)
    assert verdict(world.permit()) == "room_unknown"
    door_only = [one for one in SITE.model_dump()["room"] if one["id"] == "north"][0]["sensor"][:1]
    between = World(changed(sensor=door_only), world.guard.dump())
    world.guard = Guard.load(SITE, between.guard.dump())
    world.t += 1
    world.air("north-door", "north-floor", o2=20.75, co2=0.25)
    assert verdict(world.permit()) == "cleared"


def test_the_guard_of_an_older_version_noted_no_words_and_goes_on():
    kept = json.loads(READY.guard.dump())
    del kept["words"]
    world = READY.fork()
    world.guard = Guard.load(SITE, json.dumps(kept).encode())
    assert verdict(world.permit()) == "cleared"
    world.air("north-door", o2=20.0, age_s=-1)
    assert verdict(world.permit(dosing=False)) == "cleared", "there is nothing yet to compare it with"
    world.air("north-floor", o2=18.75, age_s=-1)
    assert verdict(world.permit(dosing=False)) == "room_unknown"


# ------------------------------------------------------------------------------------------------ the core must be first


def life(seed: int) -> Both:
    """An hour of a room with sensors that drift apart, stick and come back, units that fall silent, and restarts."""
    chance = random.Random(seed)
    flat = [{"id": one, "unit": "gateway-north", "flat_line_s_max": 120.0} for one in ("north-door", "north-floor")]
    world = World(changed(sensor=flat))
    both = world.guard = Both(world.site)
    world.start(), world.link()
    said = dict.fromkeys(("north-door", "north-floor"), (20.5, 0.125))
    stuck: dict[str, float] = {}
    epoch, mute_s = 7, 0.0
    for _ in range(720):
        world.t += 5.0
        if world.t >= mute_s:
            world.beat("gateway-plant", "gateway-south", "gateway-north", epoch_seen=0)
        for sensor in said:
            if chance.random() < 0.004:
                stuck[sensor] = world.t + chance.choice((100.0, 150.0, 300.0))
            if world.t >= stuck.get(sensor, 0.0):
                apart = chance.random() < 0.02
                o2_pct = chance.choice((19.25, 21.0) if apart else (20.25, 20.5)) + chance.randint(0, 9) / 64.0
                co2_pct = chance.choice((0.0, 0.4) if apart else (0.125, 0.25)) + chance.randint(0, 9) / 512.0
                said[sensor] = (o2_pct, co2_pct)
            world.air(sensor, o2=said[sensor][0], co2=said[sensor][1])
        world.tick()
        if chance.random() < 0.002:
            mute_s = world.t + chance.choice((60.0, 200.0))
        if chance.random() < 0.002:
            epoch += 1
            world.start(epoch), world.link()
    return both


def test_the_guard_refuses_nothing_that_the_core_asks_of_a_room():
    lives = [life(seed) for seed in range(4)]
    assert [one.refused for one in lives] == [[]] * len(lives)
    assert all(one.allowed > 20 for one in lives), "nothing was asked"
    reasons = [reason for one in lives for reason in one.reasons]
    assert any("sensors disagree" in reason for reason in reasons) and any("not a digit" in reason for reason in reasons)


# ------------------------------------------------------------------------------------------------ times from the future


def test_a_word_from_the_future_is_none_and_makes_no_latecomers_of_those_that_follow():
    """As after a slip of a digit, or while a unit's clock that was set ahead is still believed; clocks may be 10 s apart."""
    for ahead_s, expected in ((10.0, "cleared"), (10.25, "room_unknown"), (7200.0, "room_unknown")):
        world = READY.fork()
        world.t += 5
        world.hear(without=("north-door",))
        world.air("north-door", age_s=-ahead_s)
        assert asked(world) == expected, ahead_s
    world.live(20.0)
    assert asked(world) == "cleared", "what it says now counts"
