"""Which readings are samples to the watch. Typed by hand: 84 s on the line, 60 s of lateness."""

import pytest
from watch_world import SETTLED_S, World


@pytest.mark.parametrize("flaw", [
    {"settled": False}, {"status": "fault"}, {"status": "calibrating"}, {"confirmed": False}, {"age_s": 60.25},
    {"age_s": -60.25}, {"line": "line-02"}, {"line": "line-99"}, {"seq": 1}, {"boot": "b"}, {"analyser": "analyser-2"},
])  # fmt: skip
def test_only_good_readings_are_samples(flaw):
    world = World()
    world.visit(20.9, 0.04)
    world.tick(10)
    world.give("nitrogen", 625.0)
    world.tick(600)
    world.read(20.9, 0.04, settled=False)
    world.t += SETTLED_S
    world.read(20.9, 0.04, **flaw)
    assert world.findings() == []


@pytest.mark.parametrize("fine", [{}, {"confirmed": True}, {"age_s": 60.0}, {"age_s": -60.0}])
def test_good_readings_are_samples(fine):
    world = World()
    world.visit(20.9, 0.04)
    world.tick(10)
    world.give("nitrogen", 625.0)
    world.tick(600)
    world.read(20.9, 0.04, settled=False)
    world.t += SETTLED_S
    world.read(20.9, 0.04, **fine)
    assert world.findings() == ["no_response"]


@pytest.mark.parametrize("drawn_s, expected", [(62.0, []), (83.75, []), (84.0, ["no_response"]), (84.25, ["no_response"])])
def test_a_line_must_have_been_drawn_long_enough(drawn_s, expected):
    world = World()
    world.visit(20.9, 0.04)
    world.tick(10)
    world.give("nitrogen", 625.0)
    world.tick(600)
    world.read(20.9, 0.04)
    world.t += drawn_s
    world.read(20.9, 0.04)
    assert world.findings() == expected


@pytest.mark.parametrize("flaw", [{"status": "fault"}, {"confirmed": False}, {"boot": "b"}, {"line": "line-02"}])
def test_a_flaw_in_between_begins_the_line_anew(flaw):
    world = World()
    world.visit(20.9, 0.04)
    world.tick(10)
    world.give("nitrogen", 625.0)
    world.tick(600)
    world.read(20.9, 0.04)
    world.t += 42
    world.read(20.9, 0.04, **flaw)
    world.t += 42
    world.read(20.9, 0.04)
    assert world.findings() == []
    world.t += 84
    world.read(20.9, 0.04)
    assert world.findings() == ["no_response"]


def test_each_enclosure_is_compared_with_itself():
    world = World()
    world.visit(20.9, 0.04)
    world.tick(10)
    world.give("nitrogen", 625.0)
    world.tick(600)
    world.read(20.9, 0.04, line="line-02", settled=False)
    world.t += 86
    world.read(20.9, 0.04, line="line-02")
    assert world.findings() == []
    world.visit(20.9, 0.04)
    assert world.findings() == ["no_response"]
