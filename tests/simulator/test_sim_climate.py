"""Temperature and barometer: refrigeration with its cycle, fruit that follows, bags that swell, and all of it by hand."""

import math
from dataclasses import replace

import pytest
from sim_plants import IDLE, SPARSE, STILL, Hand, small, small_site

from simulator.assumed import AIR_O2_PCT, STANDARD_PA, Assumptions
from simulator.climate import follow
from simulator.faults import Fault
from simulator.fruit import Fruit, respiration_nl_kg_h
from simulator.gas import Enclosure
from simulator.site import Plant

DAY_S = 86_400.0


def replaced(**how) -> Assumptions:
    return replace(STILL, **how)


def test_without_refrigeration_the_room_grows_warm_and_its_fruit_after_it_and_back_again() -> None:
    hand = small(faults=[Fault("refrigeration_off", "r", 0.0, 8 * 3600.0)], cadence=SPARSE, site=small_site(fruit_kg=500.0))
    hand.to(8 * 3600.0 - 1.0)
    room_c = hand.plant._yard.climates["r"].mean_c
    assert room_c == pytest.approx(15.0 + (1.5 - 15.0) / math.e, abs=0.15)
    fruit = hand.plant.enclosures["a"].fruit
    assert 2.0 < fruit.temperature_c < room_c - 1.5
    assert fruit.vmax_nl_min == pytest.approx(
        Fruit(500.0, respiration_nl_kg_h("blueberry", fruit.temperature_c), fruit.temperature_c).vmax_nl_min, rel=1e-9
    ), "by the same temperature law as the fruit that is that warm from the start"
    assert hand.last("room/r/climate")["temperature_c"] == pytest.approx(room_c, abs=0.5)
    assert hand.last("enclosure/a/pulp")["temperature_c"] == pytest.approx(fruit.temperature_c, abs=0.25)
    hand.to(48 * 3600.0)
    assert hand.plant._yard.climates["r"].mean_c == pytest.approx(1.5, abs=0.01)
    assert fruit.temperature_c == pytest.approx(2.0, abs=0.3)


def test_warm_fruit_uses_oxygen_up_faster() -> None:
    left = {}
    for off in (False, True):
        faults = [Fault("refrigeration_off", "r", 0.0)] if off else []
        hand = small(faults=faults, cadence=SPARSE, site=small_site(fruit_kg=500.0))
        hand.to(12 * 3600.0)
        left[off] = hand.plant.gas("a")[0]
    assert left[True] < left[False] - 0.4


def test_fruit_from_the_field_is_warm_when_its_bag_is_sealed_and_cools_in_it() -> None:
    hand = Hand(Plant(small_site(fruit_kg=500.0), 1, crew=IDLE, assumptions=replaced(arrives_c=18.0), cadence=SPARSE))
    fruit = hand.plant.enclosures["a"].fruit
    assert fruit.temperature_c == 2.0
    hand.plant.close_bag("a")
    assert fruit.temperature_c == 18.0 and hand.plant.enclosures["b"].fruit.temperature_c == 2.0
    hand.to(12 * 3600.0)
    assert fruit.temperature_c == pytest.approx(2.0 + 16.0 / math.e, abs=0.3)


def test_the_cycle_moves_the_air_and_neither_the_fruit_nor_the_mean() -> None:
    hand = small(assumptions=replaced(cycle_k=0.5, cycle_s=1200.0))
    hand.to(6 * 3600.0)
    told = [one["temperature_c"] for one in hand.on("room/r/climate")]
    assert max(told) - min(told) == pytest.approx(1.0, abs=0.6) and sum(told) / len(told) == pytest.approx(1.5, abs=0.1)
    assert hand.plant.enclosures["a"].fruit.temperature_c == 2.0


def test_the_barometer_wanders_within_its_swing_and_by_the_seed() -> None:
    courses = []
    for seed in (1, 2):
        plant = Plant(small_site(), seed, crew=IDLE, assumptions=replaced(barometer_swing_pa=1000.0), cadence=SPARSE)
        hand = Hand(plant)
        hand.to(6 * DAY_S)
        courses.append([one["barometer_pa"] for one in hand.on("room/r/climate")])
        assert max(abs(one - STANDARD_PA) for one in courses[-1]) <= 1000.0
        assert max(courses[-1]) - min(courses[-1]) > 900.0
        steps = [abs(b - a) for a, b in zip(courses[-1], courses[-1][1:], strict=False)]
        assert max(steps) < 30.0, "in ten minutes"
    assert courses[0] != courses[1]


def test_a_bag_that_is_full_lets_gas_out_when_it_swells_and_one_that_is_slack_draws_air() -> None:
    bag = Enclosure(1000.0, Fruit(0.0, 0.0, 2.0, dissolves=False), 0.0, 3.0, 18.0)
    bag.amount_nl = 1050.0
    bag.swell(0.98, AIR_O2_PCT, 0.0)
    assert bag.amount_nl == pytest.approx(1029.0) and (bag.o2_pct, bag.co2_pct) == (3.0, 18.0)
    assert bag.take_to_room() == pytest.approx((21.0, 0.63, 3.78))
    bag.amount_nl = 950.0
    bag.swell(1.02, AIR_O2_PCT, 0.0)
    assert bag.amount_nl == pytest.approx(969.0)
    assert bag.o2_pct == pytest.approx((950.0 * 3.0 + 19.0 * AIR_O2_PCT) / 969.0)
    assert bag.take_to_room() == pytest.approx((-19.0, -0.19 * AIR_O2_PCT, 0.0))


def test_to_follow_is_exact_however_long_the_steps() -> None:
    at_once, here = follow(10.0, 2.0, 36_000.0, 5.0), 10.0
    for _ in range(100):
        here = follow(here, 2.0, 360.0, 5.0)
    assert here == pytest.approx(at_once) == pytest.approx(2.0 + 8.0 * math.exp(-2.0))


# ------------------------------------------------------------------------------------------------ people and doors


def test_people_do_what_their_faults_say() -> None:
    hand = small(faults=[Fault("person_alone", "r", 10.0, 50.0), Fault("person_overdue", "r", 20.0, 60.0, 12.0)])
    hand.to(100.0)
    said = [(one["action"], one["people"], one.get("standby"), one.get("minutes")) for one in hand.on("operator/command")]
    assert said[:2] == [
        ("enter", ["somebody alone"], None, 10), ("enter", ["somebody late"], "second of the crew", 12),
    ]  # fmt: skip
    assert ("leave", ["somebody alone"], None, None) in said and ("leave", ["somebody late"], None, None) in said


def test_a_door_tells_when_it_opens_and_shuts_and_in_between() -> None:
    hand = small(faults=[Fault("people_unsigned", "r", 30.0, 100.0)])
    hand.to(150.0)
    assert [one["open"] for one in hand.on("room/r/door")] == [False, True, True, False, False]
    assert hand.on("room/r/door")[1]["observed_at"] == hand.at(-120.0)
