"""Several analysers, room air, and analysers that cannot be believed."""

from typing import Any

import pytest
from sampling_world import BEGUN_S, World, site_of

from supervisor.core import sample_bound
from supervisor.core.state import Alarm

HOUR_S = 3600.0


def two(count: int = 12, only_a: tuple[str, ...] = ("n00",), **keys: float) -> World:
    """So many held enclosures on two analysers, each line 90 s; `only_a` are out of reach of `b`. Both draw the hall."""
    names = [f"n{number:02}" for number in range(count)]
    lines: dict[str, list[dict[str, Any]]] = {
        one: [
            {"id": f"line-{name}", "transport_s": 30, "settling_s": 60} for name in names if one == "a" or name not in only_a
        ] + [{"id": f"hall-{one}", "transport_s": 5, "settling_s": 61, "room": "east"}]
        for one in ("a", "b")
    }  # fmt: skip
    world = World(site_of(lines, dict.fromkeys(names, 2400.0), **keys), dict.fromkeys(names, "holding"))
    return world


def lines_of(world: World, analyser: str, since_s: float = 0.0) -> list[str]:
    return [line for at_s, name, line in world.visits if name == analyser and at_s >= since_s and line.startswith("line-")]


def test_two_that_work_share_the_lines() -> None:
    world = two()
    shares = sample_bound.shares(world.desk())
    assert sorted(shares["a"] + shares["b"]) == sorted(world.site.enclosures)
    assert len(shares["a"]) == len(shares["b"]) == 6 and "n00" in shares["a"]
    world.run(6 * HOUR_S)
    a, b = lines_of(world, "a"), lines_of(world, "b")
    assert 0.6 < len(a) / len(b) < 1.7
    assert "line-n00" in a and "line-n00" not in b


def test_no_line_is_drawn_by_two_at_once() -> None:
    world = two(4)
    for _ in range(400):
        world.run(45.0)
        drawing = [one.visit.line for one in world.state.analysers.values() if one.visit is not None]
        assert len(drawing) == len(set(drawing))


@pytest.mark.parametrize("how", ["silent", "fault"])
def test_one_takes_over_for_the_other(how: str) -> None:
    world = two()
    world.run(2 * HOUR_S)
    failed_s = world.mono_s
    world.dead = ["b"]
    if how == "fault":
        world.state.analysers["b"].status = "fault"
    world.run(4 * HOUR_S)
    assert set(lines_of(world, "a", failed_s)) == {f"line-{name}" for name in world.site.enclosures}
    assert lines_of(world, "b", failed_s + 60.0) == []
    world.dead = []
    world.run(2 * HOUR_S)
    assert lines_of(world, "b", failed_s + 4 * HOUR_S)
    for name in world.site.enclosures:
        assert world.oldest_s(name) < 2700.0


def test_a_line_that_only_the_failed_one_reaches_waits_for_it() -> None:
    world = two()
    world.run(HOUR_S)
    world.dead = ["a"]
    world.run(2 * HOUR_S)
    assert "n00" not in sample_bound.shares(world.desk())["b"]
    assert world.oldest_s("n00") > 2 * HOUR_S and world.oldest_s("n01") < 2700.0


def test_a_silent_analyser_keeps_its_line_until_its_order_is_over() -> None:
    """It may be drawing all the same: two at one tube would read each other's suction."""
    world = two(2, ())
    world.run(2.0)
    line = world.state.analysers["b"].visit.line
    until_s = world.state.analysers["b"].visit.until_mono_s
    world.dead = ["b"]
    world.state.analysers["b"].status = "fault"
    world.run(3 * HOUR_S)
    taken = [at_s for at_s, name, one in world.visits if name == "a" and one == line]
    assert taken[0] >= until_s
    assert world.state.enclosures[world.site.enclosure_of_line[line]].missed_visits == 0


def test_room_air_is_drawn_as_often_as_the_site_file_says() -> None:
    world = two(6, room_air_per_day=12)
    world.run(12.5 * HOUR_S)
    for name in ("a", "b"):
        drawn_s = [at_s for at_s, _, line in world.visits if line == f"hall-{name}"]
        assert drawn_s[0] < BEGUN_S + HOUR_S  # once after the start
        assert 5 <= len(drawn_s) <= 7
        pauses_s = [later - earlier for earlier, later in zip(drawn_s, drawn_s[1:], strict=False)]
        assert all(2 * HOUR_S <= pause_s < 2.5 * HOUR_S for pause_s in pauses_s)


def test_a_line_of_room_air_that_gives_nothing_takes_nobody_s_time() -> None:
    world = two(6)
    world.blocked = ["hall-a", "hall-b"]
    world.run(13 * HOUR_S)
    assert 3 <= sum(line == "hall-a" for _, _, line in world.visits) <= 4
    assert all(world.oldest_s(name) < 2100.0 for name in world.site.enclosures)


def test_the_visit_to_room_air_is_marked_as_one() -> None:
    world = two(1)
    purposes = []
    for _ in range(60):
        world.run(30.0)
        purposes += [(one.visit.line[:4], one.visit.purpose) for one in world.state.analysers.values() if one.visit]
    assert set(purposes) == {("line", "sample"), ("hall", "room_air")}


@pytest.mark.parametrize("why", ["air", "bottle"])
def test_the_other_answers_for_the_share_of_one_that_is_not_believed(why: str) -> None:
    world = two()
    world.run(HOUR_S)
    analyser, since_s = world.state.analysers["b"], world.mono_s
    if why == "air":
        analyser.untrue = "it reads 19 % in room air"
    else:
        analyser.calibration.untrue = "beyond twice its action limit"
    assert sample_bound.shares(world.desk())["b"] == []
    world.run(2 * HOUR_S)
    proofs = [at_s for at_s, _, line in world.visits if line == "hall-b" and at_s > since_s]
    # By room air, where that is what it misread: a visit of 71 s, five minutes of pause, and what is under way.
    assert (14 <= len(proofs) <= 20) if why == "air" else len(proofs) <= 1
    analyser.untrue = analyser.calibration.untrue = ""
    assert len(sample_bound.shares(world.desk())["b"]) == 6


def test_one_alone_that_is_not_believed_goes_its_rounds() -> None:
    """Each enclosure must come to know that its readings are no samples."""
    world = two(4, ("n00", "n01", "n02", "n03"))
    world.dead = ["b"]
    world.state.analysers["a"].untrue = "it reads 19 % in room air"
    world.run(HOUR_S)
    assert set(lines_of(world, "a")) == {f"line-{name}" for name in world.site.enclosures}


def test_an_analyser_whose_readings_look_wrong_goes_on_and_the_other_answers_for_its_share() -> None:
    """What is wrong shows and ends in its readings, so it must go on reading; but nobody's bound may rest on it."""
    world = two()
    world.state.alarms["analyser_untrue-b"] = Alarm("analyser_untrue", "b", state="unacknowledged", condition=True)
    assert sample_bound.shares(world.desk())["b"] == []
    world.run(HOUR_S)
    assert lines_of(world, "b")


def test_visits_in_vain_to_one_line_after_the_other_are_no_line_s_fault() -> None:
    world = two(4, ("n00", "n01", "n02", "n03"))
    world.blocked = [f"line-{name}" for name in world.site.enclosures]
    world.run(2 * HOUR_S)
    assert all(kept.missed_visits > 1 for kept in world.state.enclosures.values())
    world.blocked, back_s = [], world.mono_s
    world.run(1800.0)
    assert set(lines_of(world, "a", back_s)) == {f"line-{name}" for name in world.site.enclosures}
    assert all(kept.missed_visits == 0 for kept in world.state.enclosures.values())
