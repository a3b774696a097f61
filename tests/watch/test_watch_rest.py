"""No gas was given: what moves then? Limits typed by hand, percent an hour: oxygen up 1, oxygen down 3, CO2 up or down 4;
a move counts above 0.4 %, samples at least 600 s apart, and no gas within 300 s before the first of them.
"""

import pytest
from watch_world import SETTLED_S, WAY_S, World

from supervisor.values import LinkChanged, Started

RATES = {"o2 up": (1.0, 0.0), "o2 down": (-3.0, 0.0), "co2 up": (0.0, 4.0), "co2 down": (0.0, -4.0)}
START = (13.0, 20.0)


def an_hour(world: World, o2: float, co2: float, *, apart_s=3600.0) -> World:
    world.visit(*START)
    world.tick(apart_s - 1 - SETTLED_S)
    world.visit(START[0] + o2, START[1] + co2)
    return world


@pytest.mark.parametrize("what", RATES)
def test_sweep_of_each_rate(what):
    o2, co2 = RATES[what]
    for share in (-0.2, 0.0, 0.5, 0.9, 0.99, 0.999, 1.001, 1.01, 1.1, 2.0):
        for hours in (0.5, 1.0, 2.0):
            world = an_hour(World(), o2 * share * hours, co2 * share * hours, apart_s=3600.0 * hours)
            assert world.findings() == (["unexplained_move"] if share > 1 else []), (share, hours)


def test_a_finding_names_what_moved_and_how_fast():
    world = an_hour(World(), 1.5, 0.0)
    finding = world.found[0]
    assert (finding.enclosure, finding.gas) == ("n1", None)
    assert finding.measured == "O2 moved by +1.50 % in 1.00 h with every valve shut"
    assert finding.limit == "at most 1 %/h"


def test_a_small_move_in_a_short_time_is_noise():
    """Over ten minutes 0.4 % would be 2.4 %/h: only the smallest move that counts keeps noise out."""
    for moved, expected in ((0.3, []), (0.39, []), (0.41, ["unexplained_move"])):
        assert an_hour(World(), moved, 0.0, apart_s=700.0).findings() == expected


@pytest.mark.parametrize("apart_s, expected", [(86.0, []), (599.0, []), (600.0, ["unexplained_move"])])
def test_samples_must_be_apart(apart_s, expected):
    assert an_hour(World(), 5.0, 0.0, apart_s=apart_s).findings() == expected


def test_a_sample_that_came_too_soon_is_not_the_next_to_compare_with():
    world = World()
    world.visit(*START)
    for step in range(1, 8):
        world.tick(200 - 1 - SETTLED_S)
        world.visit(START[0] + 0.2 * step, START[1])
    assert world.findings() == ["unexplained_move"]


@pytest.mark.parametrize("rate, expected", [(0.95, []), (1.1, ["unexplained_move"]), (3.0, ["unexplained_move"])])
def test_a_slow_leak_is_seen_however_often_it_is_sampled(rate, expected):
    """Visits 12 minutes apart: no two neighbours differ by a move that counts. Said once while it goes on."""
    world = World()
    for step in range(30):
        world.visit(3.0 + rate * step * 0.2, 20.0)
        world.tick(720 - 85)
    assert world.findings() == expected


def test_a_fast_move_is_told_at_once():
    assert an_hour(World(), 0.5, 0.0, apart_s=720.0).findings() == ["unexplained_move"]


def test_a_move_of_just_the_least_that_counts_does_not_yet():
    world = World()
    world.visit(0.0, 20.0)
    world.tick(700)
    world.visit(0.4, 20.0)
    assert world.findings() == []


@pytest.mark.parametrize("first_s", [700.0, 3600.0])
@pytest.mark.parametrize("quiet_s, expected", [(700.0, []), (1799.0, []), (1800.0, ["unexplained_move"])])
def test_it_is_over_after_a_quiet_half_hour(first_s, quiet_s, expected):
    world = an_hour(World(), 5.0, 0.0, apart_s=first_s)
    assert world.findings() == ["unexplained_move"]
    world.tick(quiet_s - 1 - SETTLED_S)
    world.visit(18.0, 20.0)
    world.tick(700)
    world.visit(23.0, 20.0)
    assert world.findings() == expected


def test_what_fruit_does_is_no_finding():
    """Warm raspberries breathe 1.3 %/h with a quotient of one; after its first CO2 fruit dissolves 2.5 %/h."""
    for o2, co2 in ((-1.3, 1.3), (0.45, -2.5), (-0.2, 0.2)):
        world = World()
        for step in range(6):
            world.visit(START[0] + o2 * step * 0.4, START[1] + co2 * step * 0.4)
            world.tick(1440 - 85)
        assert world.findings() == []


def test_only_a_sealed_enclosure_is_judged():
    assert an_hour(World(sealed=False), 5.0, 0.0).findings() == []
    for action in ("vent", "open"):
        world = World()
        world.command(action)
        assert an_hour(world, 5.0, 0.0).findings() == []
        world.command("seal")
        assert an_hour(world, 5.0, 0.0).findings() == ["unexplained_move"]


@pytest.mark.parametrize("action, expected", [("vent", []), ("open", []), ("seal", []), ("resume", []),
                                              ("acknowledge", ["unexplained_move"])])  # fmt: skip
def test_a_person_in_between_explains_it(action, expected):
    world = World()
    world.visit(*START)
    world.command(action)
    if action in ("vent", "open"):
        world.command("seal")
    world.tick(3600)
    world.visit(18.0, 20.0)
    assert world.findings() == expected


@pytest.mark.parametrize("action", ["resume", "seal"])
def test_it_is_said_again_when_a_person_thought_it_was_mended(action):
    world = an_hour(World(), 5.0, 0.0)
    assert world.findings() == ["unexplained_move"]
    world.command(action)
    assert an_hour(world, 5.0, 0.0).findings() == ["unexplained_move"]


def test_a_valve_that_is_open_explains_it():
    world = World()
    world.visit(*START)
    world.t += 1000
    world.flow(5.0, gas="air")
    world.t += 2600
    world.visit(18.0, 20.0)
    assert world.findings() == []


def test_it_is_said_once_and_again_after_it_was_over():
    world = World()
    o2 = 3.0
    for step, expected in ((0.0, []), (2.0, ["unexplained_move"]), (2.0, []), (2.0, []), (0.1, []),
                           (2.0, ["unexplained_move"])):  # fmt: skip
        o2 += step
        world.tick(3600)
        world.visit(o2, 15.0)
        assert world.findings() == expected


def test_a_request_that_may_have_given_gas_explains_it():
    """Even one of which nothing was heard, until its lease ends and what it may have given has mixed."""
    for lease_s in (120.0, 3299.0):
        world = World()
        world.visit(*START)
        world.request("air", ahead_s=lease_s)
        world.tick(3600)
        world.visit(18.0, 20.0)
        assert "unexplained_move" not in world.findings()
        world.tick(3600)
        world.visit(23.0, 20.0)
        assert "unexplained_move" in world.findings(), lease_s


def test_gas_explains_until_it_has_mixed():
    """The dose's last word came so long before the first sample left the enclosure."""
    for mixed_s, expected in ((-50.0, []), (200.0, []), (299.0, []), (300.0, ["unexplained_move"])):
        world = World()
        name = world.request("air", 5.0, ahead_s=1.0)
        world.report(name, "accepted", gas="air")
        world.t += 10
        world.report(name, "delivered", 5.0, gas="air")
        world.t += mixed_s + WAY_S - SETTLED_S
        an_hour(world, 5.0, 0.0)
        assert world.findings() == expected, mixed_s


@pytest.mark.parametrize("open_valve, flow, expected", [
    (True, 5.0, []), (True, 0.5, ["unexplained_move"]), (True, 0.51, []), (False, 5.0, ["unexplained_move"]),
])  # fmt: skip
def test_flow_explains_it_too(open_valve, flow, expected):
    world = World()
    world.visit(*START)
    world.t += 1000
    world.flow(flow, valve_open=open_valve, gas="air")
    world.flow(0.0, valve_open=False, gas="air")
    world.t += 2600
    world.visit(18.0, 20.0)
    assert world.findings() == expected


def test_the_end_of_a_flow_is_when_gas_ended():
    world = World()
    world.flow(5.0, gas="air")
    world.t += 600
    world.flow(0.0, valve_open=False, gas="air")
    world.t += 200
    an_hour(world, 5.0, 0.0)
    assert world.findings() == []


def test_an_unknown_report_spoils_the_rest():
    world = World()
    world.visit(*START)
    world.report("6-99", "progress", 5.0, gas="air")
    world.tick(3600)
    world.visit(18.0, 20.0)
    assert world.findings() == []


@pytest.mark.parametrize("what", ["start", "link"])
def test_over_a_gap_nothing_is_compared(what):
    world = World()
    world.visit(*START)
    world.observe(Started(world.now, 8, "test") if what == "start" else LinkChanged(world.now, False))
    world.observe(LinkChanged(world.now, True))
    world.tick(3600)
    world.visit(18.0, 20.0)
    assert world.findings() == []
    world.tick(3600)
    world.visit(23.0, 20.0)
    assert world.findings() == ["unexplained_move"]


def test_sealed_is_remembered_over_a_crash():
    world = World()
    world.crash()
    assert an_hour(world, 5.0, 0.0).findings() == ["unexplained_move"]
