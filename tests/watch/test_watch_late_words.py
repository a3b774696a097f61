"""Words on a flow that waited somewhere, and what ran before the link. Typed by hand: 10 s, 30 s, 600 s."""

import pytest
from watch_world import World

from supervisor.messages import DoseFlow, UnitStatus, at
from supervisor.values import LinkChanged


def heartbeat(world: World, offset_s=0.0) -> None:
    body = UnitStatus(observed_at=at(world.now.wall_s + offset_s), online=True, boot="b", epoch_seen=0)
    world.send(body, "gateway-north")


def flow(world: World, flow_nl_min: float, observed_s: float) -> None:
    moment = at(world.now.wall_s + observed_s)
    world.send(DoseFlow(observed_at=moment, valve_open=flow_nl_min > 0, flow_nl_min=flow_nl_min), "n1", "nitrogen")


@pytest.mark.parametrize("offset_s", [-3600.0, 0.0, 3600.0])
@pytest.mark.parametrize("late_s, expected", [
    (9.0, ["unrequested_flow"]), (9.75, ["unrequested_flow"]), (10.0, ["unrequested_flow"]), (10.25, []), (11.0, []),
    (90.0, []),
])  # fmt: skip
def test_a_word_that_waited_in_a_broker_is_not_about_now(offset_s, late_s, expected):
    world = World()
    heartbeat(world, offset_s)
    flow(world, 50.0, offset_s - late_s)
    world.tick(6)
    assert world.findings() == expected


def test_an_opening_told_after_the_closing_that_followed_it_is_not_believed():
    world = World()
    heartbeat(world)
    flow(world, 0.0, -1.0)
    flow(world, 50.0, -3.0)
    world.tick(6)
    assert world.findings() == []


@pytest.mark.parametrize("older_s, expected", [
    (0.0, ["unrequested_flow"]), (0.03125, []), (1.0, []), (599.75, []), (600.0, ["unrequested_flow"]),
    (600.25, ["unrequested_flow"]),
])  # fmt: skip
def test_sweep_of_how_much_older_a_latecomer_is(older_s, expected):
    """Up to ten minutes it was overtaken; by more, the unit's clock was set back. Its heartbeat was not heard yet."""
    world = World()
    flow(world, 0.0, 0.0)
    flow(world, 50.0, -older_s)
    world.tick(6)
    assert world.findings() == expected


def test_clocks_of_strangers_are_not_followed():
    world = World()
    before = world.watch.dump()
    world.send(UnitStatus(observed_at=at(world.now.wall_s), online=True, boot="b", epoch_seen=0), "stranger")
    assert world.watch.dump() == before


def test_before_the_link_is_up_nothing_is_held_against_a_valve():
    world = World()
    world.observe(LinkChanged(world.now, False))
    world.flow(50.0)
    world.tick(3600)
    assert world.findings() == []


def test_a_unit_whose_clock_was_set_back_is_still_heard():
    world = World()
    heartbeat(world, 7200.0)
    flow(world, 0.0, 7200.0)
    heartbeat(world)
    flow(world, 50.0, 0.0)
    world.tick(6)
    assert world.findings() == ["unrequested_flow"]


def test_what_is_kept_of_words_survives_a_crash():
    world = World()
    heartbeat(world)
    flow(world, 0.0, -1.0)
    world.crash()
    flow(world, 50.0, -3.0)
    world.tick(6)
    assert world.findings() == []


@pytest.mark.parametrize("since_link_s, expected", [(20.0, []), (35.0, []), (35.25, ["unrequested_flow"])])
def test_what_ran_before_the_link_came_up_has_thirty_seconds_to_end(since_link_s, expected):
    """Typed by hand: 30 s for the stop or the lease, and the usual 5 s."""
    world = World()
    world.observe(LinkChanged(world.now, False))
    world.observe(LinkChanged(world.now, True))
    world.flow(50.0)
    world.tick(since_link_s)
    assert world.findings() == expected
