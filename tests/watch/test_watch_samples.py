"""Which readings are samples to the watch. Typed by hand: 84 s on the line, 60 s of lateness."""

import pytest
from watch_world import SETTLED_S, SITE, World

from supervisor.watch import Watch


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
    world.t += 42
    world.read(20.9, 0.04)
    assert world.findings() == [], "84 s after the flaw, 42 after the line was sound again"
    world.t += 42
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


def test_a_reading_that_comes_twice_is_one_sample():
    """Its repeat, much later, would be a sample of the same gas at another time."""
    world = World()
    world.visit(13.0, 20.0)
    world.read(13.0, 20.0, settled=False)
    world.t += SETTLED_S
    world.read(13.0, 20.0)
    world.t += 3600
    world.read(18.0, 20.0, seq=world.seq, age_s=0.0)
    assert world.findings() == []


def test_another_boot_counts_from_nought():
    world = World()
    world.visit(20.9, 0.04)
    world.tick(10)
    world.give("nitrogen", 625.0)
    world.tick(600)
    world.read(20.9, 0.04, boot="b", seq=0)
    world.t += SETTLED_S
    world.read(20.9, 0.04, boot="b", seq=1)
    assert world.findings() == ["no_response"]


def stood_still(readings: int, *, before: int = 1, nudge: float = 0.0) -> list[str]:
    """625 nl of nitrogen go in; then `before` readings of the line before and `readings` of n1 are all alike."""
    world = World()
    world.visit(20.9, 0.04)
    world.tick(10)
    world.give("nitrogen", 625.0)
    world.tick(600)
    for _ in range(before):
        world.read(20.8, 0.04, line="line-02", still=True)
    for number in range(readings):
        world.read(20.8 + (nudge if number == 1 else 0.0), 0.04, settled=False, still=True)
        world.t += SETTLED_S / (readings - 1) if number < readings - 1 else 0.0
    world.read(20.8, 0.04, still=True)
    return world.findings()


def test_an_instrument_that_stands_still_from_one_line_into_the_next_says_nothing_about_the_plant():
    assert stood_still(4, before=1) == [], "six in a row, one of them from the line before"
    assert stood_still(20, before=1) == []
    assert stood_still(3, before=1) == ["no_response"], "five in a row may happen"
    assert stood_still(20, before=1, nudge=0.001) == ["no_response"], "a digit has moved since the line was changed"
    assert stood_still(20, before=0) == ["no_response"], "still on one line: it may be coarse and the gas may stand"


def test_a_line_that_is_no_enclosures_is_no_sample():
    site = SITE.model_copy(update={"enclosure": tuple(one for one in SITE.enclosure if one.id != "n2")})
    for name in ("enclosures", "enclosure_of_line"):
        site.__dict__.pop(name, None)
    world = World()
    world.watch = Watch(site)
    world.read(20.9, 0.04, line="line-02")
    world.t += 100
    world.read(20.9, 0.04, line="line-02")
    assert world.findings() == []


def test_what_the_core_does_not_believe_is_compared_with_nothing():
    world = World()
    world.visit(20.9, 0.04)
    world.tick(10)
    world.give("nitrogen", 625.0)
    world.tick(600)
    world.watch.announce("n1", False)
    world.visit(20.9, 0.04)
    assert world.findings() == []
    world.crash()
    world.tick(1800)
    world.visit(3.0, 18.0)
    assert world.findings() == []
    world.watch.announce("n1", True)
    world.tick(1800)
    world.visit(20.9, 0.04)
    assert world.findings() == [], "nor is what comes after compared with it"
    world.tick(10)
    world.give("nitrogen", 625.0)
    world.tick(600)
    world.visit(20.9, 0.04)
    assert world.findings() == ["no_response"]


def test_a_valve_is_judged_whatever_the_core_believes_of_readings():
    world = World()
    world.watch.announce("n1", False)
    world.tick(60)
    world.flow(20.0)
    world.tick(60)
    assert world.findings() == ["unrequested_flow"]
