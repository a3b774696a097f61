"""Several gases between two samples, gas that spoils a pair, and what a gap or a crash leaves. Limits typed by hand."""


import pytest
from watch_world import SETTLED_S, WAY_S, World, a_pair, swept

from supervisor.values import LinkChanged, Started


def test_another_gas_that_came_late_excuses_until_it_has_mixed():
    world = World()
    world.visit(20.9, 0.04)
    world.tick(10)
    world.give("nitrogen", 625.0)
    world.tick(240)
    world.give("air", 150.0)
    world.visit(20.9, 0.04)
    assert world.findings() == []
    world.tick(600)
    world.visit(20.9, 0.04)
    assert "from 775 nl in 0.32 h" in world.found[0].limit


@pytest.mark.parametrize("mixed_s, expected", [(100.0, []), (299.0, []), (300.0, ["no_response"])])
def test_another_gas_that_came_just_before_the_first_sample_excuses(mixed_s, expected):
    world = World(sealed=False)
    world.give("air", 150.0)
    world.t += mixed_s + WAY_S - SETTLED_S
    a_pair("nitrogen", 625.0, (20.9, 0.04), (20.9, 0.04), world=world)
    assert world.findings() == expected


def test_a_valve_that_passed_gas_unasked_spoils_the_pair():
    world = World()
    world.visit(20.9, 0.04)
    world.tick(10)
    world.give("nitrogen", 625.0)
    world.flow(50.0, gas="air")
    world.tick(60)
    world.flow(0.0, valve_open=False, gas="air")
    world.tick(600)
    world.visit(20.9, 0.04)
    assert world.findings() == ["unrequested_flow"]


def test_more_of_the_same_gas_that_came_late_does_not_excuse():
    world = World()
    world.visit(20.9, 0.04)
    world.tick(10)
    world.give("nitrogen", 625.0)
    world.tick(240)
    world.give("nitrogen", 625.0)
    world.visit(20.9, 0.04)
    assert "from 625 nl" in world.found[0].limit


def test_gases_that_move_it_to_and_fro_are_reckoned_together():
    world = World()
    world.visit(10.0, 5.0)
    world.tick(10)
    world.give("nitrogen", 125.0)
    world.give("air", 120.0)
    world.tick(600)
    after = swept(*swept(10.0, 5.0, "nitrogen", 125.0), "air", 120.0)
    world.visit(*after)
    assert world.findings() == []


def test_the_gas_of_which_most_was_given_is_named():
    world = World()
    world.visit(20.9, 0.04)
    world.tick(10)
    world.give("co2", 50.0)
    world.give("nitrogen", 625.0)
    world.tick(600)
    world.visit(20.9, 0.04)
    assert world.found[0].gas == "nitrogen"
    assert "from 675 nl" in world.found[0].limit
    assert "O2 moved by +0.00 %, CO2 moved by +0.00 %" == world.found[0].measured


def test_gas_under_another_name_spoils_the_pair():
    """A report of a request that nobody here sent: how much went in since the sample is not known."""
    for delivered, expected in ((0.0, ["no_response"]), (0.5, []), (5.0, [])):
        world = World()
        world.visit(20.9, 0.04)
        world.tick(10)
        world.give("nitrogen", 625.0)
        world.report("6-99", "delivered", delivered, gas="air")
        world.tick(600)
        world.visit(20.9, 0.04)
        assert world.findings() == expected


def test_reports_of_what_is_no_valve_spoil_nothing():
    world = World()
    world.visit(20.9, 0.04)
    world.tick(10)
    world.give("nitrogen", 625.0)
    world.report("6-99", "delivered", 5.0, gas="helium")
    world.report("6-99", "delivered", 5.0, enclosure="n2")
    world.tick(600)
    world.visit(20.9, 0.04)
    assert world.findings() == ["no_response"]


@pytest.mark.parametrize("what", ["start", "link"])
def test_over_a_gap_nothing_is_compared(what):
    world = World()
    world.visit(20.9, 0.04)
    world.tick(10)
    world.give("nitrogen", 625.0)
    world.crash()
    if what == "start":
        world.observe(Started(world.now, 8, "test"))
    else:
        world.observe(LinkChanged(world.now, False))
    world.observe(LinkChanged(world.now, True))
    world.tick(600)
    world.visit(20.9, 0.04)
    assert world.findings() == []


def test_a_crash_without_a_gap_loses_nothing():
    world = World()
    world.visit(20.9, 0.04)
    world.crash()
    world.tick(10)
    world.give("nitrogen", 625.0)
    world.crash()
    world.tick(600)
    world.visit(20.9, 0.04)
    assert world.findings() == ["no_response"]
