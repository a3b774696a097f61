"""Delivered against requested, valve by valve. Typed by hand: a tenth and 1 nl of slack, three times in a row."""

import pytest
from watch_world import World

from supervisor.messages import DoseReport, at


def dose(world: World, delivered: float, *, enclosure="n1", outcome="aborted", code="expired", volume=100.0, gas="nitrogen"):
    name = world.request(gas, volume, enclosure=enclosure)
    world.report(name, "accepted", gas=gas, enclosure=enclosure)
    world.tick(100.0)
    body = DoseReport(observed_at=at(world.now.wall_s), request_id=name, outcome=outcome, delivered_nl=delivered, metered=True,
                      code=code)  # fmt: skip
    world.send(body, enclosure, gas)
    world.send(body, enclosure, gas)  # a broker may bring it twice
    world.tick(1.0)


@pytest.mark.parametrize(("delivered", "expected"), [
    (0.0, ["short_delivery"]), (88.9, ["short_delivery"]), (89.0, []), (100.0, []), (111.0, []), (111.1, ["over_delivery"]),
])  # fmt: skip
def test_a_valve_that_is_off_three_times_in_a_row_is_told_once(delivered: float, expected: list[str]) -> None:
    world = World()
    for _ in range(2):
        dose(world, delivered)
    assert world.findings() == []
    dose(world, delivered)
    assert world.findings() == expected
    for _ in range(3):
        dose(world, delivered)
    assert world.findings() == []


@pytest.mark.parametrize("outcome", ["delivered", "aborted"])
def test_what_counts_is_the_volume_and_not_the_word_for_it(outcome: str) -> None:
    world = World()
    for _ in range(3):
        dose(world, 60.0, outcome=outcome, code=None)
    (found,) = world.found
    assert (found.finding, found.enclosure, found.gas) == ("short_delivery", "n1", "nitrogen")
    assert "60.0 of 100.0 nl" in found.measured and "3 times" in found.measured and "10%" in found.limit


def test_a_full_dose_between_begins_the_count_anew_and_what_was_told_is_told_again() -> None:
    world = World()
    for _ in range(2):
        dose(world, 50.0)
    dose(world, 100.0, outcome="delivered", code=None)
    for _ in range(2):
        dose(world, 50.0)
    assert world.findings() == []
    dose(world, 50.0)
    assert world.findings() == ["short_delivery"]
    dose(world, 95.0)
    for _ in range(3):
        dose(world, 50.0)
    assert world.findings() == ["short_delivery"]


def test_too_little_and_too_much_in_turn_are_two_things() -> None:
    world = World()
    for delivered in (50.0, 50.0, 150.0, 150.0, 50.0, 50.0):
        dose(world, delivered)
    assert world.findings() == []


@pytest.mark.parametrize("code", ["stopped", "no_permit", "no_source", "old_epoch", "repeated", "busy"])
def test_a_dose_that_was_cut_says_nothing_of_its_valve(code: str) -> None:
    world = World()
    for _ in range(5):
        dose(world, 10.0, code=code)
        dose(world, 0.0, outcome="refused", code="expired")
    assert world.findings() == []


def test_several_that_fall_short_together_hang_on_a_weak_source() -> None:
    world = World()
    for _ in range(6):
        for enclosure in ("n1", "n2", "s1"):
            dose(world, 50.0, enclosure=enclosure)
    assert world.findings() == []


def test_one_that_falls_short_beside_others_that_are_well_served_is_the_valve() -> None:
    world = World()
    for _ in range(3):
        dose(world, 50.0, enclosure="n1")
        dose(world, 50.0, enclosure="n2")
        dose(world, 100.0, enclosure="s1", outcome="delivered", code=None)
    assert sorted(one.enclosure for one in world.found) == ["n1", "n2"]
    assert {one.finding for one in world.found} == {"short_delivery"}


def test_other_gases_have_other_sources() -> None:
    world = World()
    for _ in range(3):
        dose(world, 50.0, gas="co2", enclosure="n2")
        dose(world, 50.0, gas="nitrogen")
    assert sorted((one.enclosure, one.gas) for one in world.found) == [("n1", "nitrogen"), ("n2", "co2")]


def test_what_was_counted_survives_a_crash_and_a_person_s_work_begins_anew() -> None:
    world = World()
    for _ in range(2):
        dose(world, 50.0)
    world.crash()
    dose(world, 50.0)
    assert world.findings() == ["short_delivery"]
    world.command("resume")
    dose(world, 50.0)
    assert world.findings() == ["short_delivery"], "said again when it is not mended"
