"""Over random sites and states: nobody's sample passes the bound, nobody's gas the day's limit, no line is drawn by two."""

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sampling_world import STEP_S, World, site_of
from sampling_world import given as dose

from supervisor.core import sample_bound
from supervisor.core.state import Enclosure
from supervisor.values import State

STATES = ("pulling_down", "holding", "venting", "faulted")
LIMIT_S = 2700.0


@st.composite
def _worlds(draw: st.DrawFn) -> World:
    """Up to a dozen enclosures on one or two analysers, any tube, any state; the pull-downs always want to be seen at once,
    and what is held may drift as fast as the loop can learn."""
    names = [f"n{number}" for number in range(draw(st.integers(1, 12)))]
    tubes = {name: {"length_m": draw(st.integers(5, 100)), "bore_mm": draw(st.sampled_from([2, 4]))} for name in names}
    reach = {name: draw(st.sampled_from([("a",), ("a", "b"), ("b",)])) for name in names}
    lines: dict[str, list[dict[str, Any]]] = {
        one: [{"id": f"line-{name}", "tube": tubes[name]} for name in names if one in reach[name]] for one in ("a", "b")
    }
    for one in lines.values():
        one.append({"id": "hall", "transport_s": 5, "settling_s": 61, "room": "east"})
    site = site_of(lines, {name: draw(st.sampled_from([300.0, 600.0, 1200.0])) for name in names},
                   drawn_pct_max=draw(st.sampled_from([10.0, 20.0])))  # fmt: skip
    world = World(site, {name: draw(st.sampled_from(STATES)) for name in names}, late_s=draw(st.sampled_from([1.0, 10.0])))
    drift_pct_h = draw(st.sampled_from([0.0, 1.0, 4.0]))
    for name in names:
        world.state.enclosures[name].co2_loop.integral_pct_h = drift_pct_h

    def answer(name: str, kept: Enclosure) -> None:
        """Each sample is followed by gas that is in at once, so that the next is wanted straight away."""
        kept.doses = {"x": dose(name, "nitrogen", world.mono_s, world.mono_s + 1.0)}

    world.on_sample = answer
    return world


@settings(max_examples=5, deadline=None)
@given(_worlds())
def test_nobody_passes_the_bound_nor_the_gas_of_a_day(world: World) -> None:
    bounds_s: dict[str, float] = {}
    exchanged: dict[str, bool] = {}  # a pull-down and a vent are not held to the gas of a day
    for _ in range(25 * 4):
        for name, kept in world.state.enclosures.items():
            exchanged[name] = exchanged.get(name, False) or kept.state in sample_bound.EXCHANGED
        world.run(900.0)
        for name, bound in bounds_of(world).items():
            bounds_s[name] = max(bounds_s.get(name, 0.0), bound)
        drawing = [one.visit.line for one in world.state.analysers.values() if one.visit is not None]
        assert len(drawing) == len(set(drawing))
    assert bounds_s.keys() == world.site.enclosures.keys()
    for name, enclosure in world.site.enclosures.items():
        # A step of this world, and what a visit is longer than was learned so far.
        assert world.oldest_s(name) <= bounds_s[name] + STEP_S + 30.0, (name, world.oldest_s(name), bounds_s[name])
        drawn_nl_max = world.site.sampling.drawn_pct_max / 100.0 * enclosure.free_volume_nl
        if not exchanged[name]:
            assert world.most_drawn_nl(name) <= drawn_nl_max, (name, world.most_drawn_nl(name), drawn_nl_max)


def bounds_of(world: World) -> dict[str, float]:
    desk = world.desk()
    found = {}
    for analyser in world.site.analysers:
        jobs, bound = sample_bound.jobs(desk, analyser)
        found |= {job.enclosure: sample_bound.bound_of_s(desk, job.enclosure, bound) for job in jobs}
    return found


def one_analyser(count: int, volume_nl: float = 1200.0, states: tuple[State, ...] = ("holding",), **keys: float) -> World:
    """So many enclosures on one analyser, a visit of each 90 s and the usual 10 s until it is known."""
    names = [f"n{number:02}" for number in range(count)]
    lines = [{"id": f"line-{name}", "transport_s": 30, "settling_s": 60} for name in names]
    site = site_of({"a": lines}, dict.fromkeys(names, volume_nl), **keys)
    return World(site, {name: states[number % len(states)] for number, name in enumerate(names)}, late_s=10.0)


@pytest.mark.parametrize(
    ("enclosures", "bound_s"),
    [
        (1, 2025.0),  # three quarters of the 2700 s that gas may rest on a sample: 675 s of room
        (12, 2025.0),  # one round of 1200 s
        (16, 1600.0 / 0.75),  # one round takes three quarters of it
        (21, 2430.0),  # nine tenths of the greatest age, as long as a round leaves a tenth of that
        (27, 2700.0 / 0.75),  # more than the greatest age allows: then a quarter goes where it is worth most
        (40, 4000.0 / 0.75),
    ],
)
def test_the_bound_that_so_many_lines_can_keep(enclosures: int, bound_s: float) -> None:
    world = one_analyser(enclosures, 2400.0)
    assert bounds_of(world) == dict.fromkeys(world.site.enclosures, pytest.approx(bound_s))


def test_the_bound_leaves_room_for_an_outage_and_a_visit_in_vain() -> None:
    world = one_analyser(12)
    bound_s = max(bounds_of(world).values())
    assert bound_s + 120.0 + (30.0 + 60.0 + 45.0) + 120.0 + 100.0 < LIMIT_S


def test_outages_of_two_minutes_make_no_sample_overdue() -> None:
    """A dozen held enclosures, and each hour the broker is away for two minutes, whoever is being visited."""
    world = one_analyser(12)
    for _ in range(8):
        world.run(3600.0)
        world.state.link_up = False
        world.run(120.0)
        world.state.link_up = True
    assert len(world.visits) > 150
    assert all(world.oldest_s(name) < 2300.0 for name in world.site.enclosures)
    assert all(kept.missed_visits == 0 for kept in world.state.enclosures.values())


def test_held_enclosures_are_looked_at_no_more_often_than_it_is_worth() -> None:
    """Nothing drifts: a sample each half hour or a little later, and never past the bound."""
    world = one_analyser(12)
    world.on_sample = lambda name, kept: setattr(kept, "before", kept.sample)
    world.run(6 * 3600.0)
    for name in world.site.enclosures:
        ages = [age_s for at_s, age_s in world.ages_s[name] if at_s > 2 * 3600.0]
        assert 1500.0 < min(ages) and max(ages) <= 2025.0 + STEP_S


def test_too_many_lines_and_nobody_is_starved() -> None:
    """40 enclosures, of which eight want to be seen without end: they get a quarter of the analyser and no more."""
    world = one_analyser(40, 6000.0, ("pulling_down", "holding", "holding", "holding", "holding"))

    def answer(name: str, kept: Enclosure) -> None:
        kept.doses = {"x": dose(name, "nitrogen", world.mono_s, world.mono_s + 1.0)}

    world.on_sample = answer
    world.run(10 * 3600.0)
    for name, kept in world.state.enclosures.items():
        assert world.oldest_s(name) <= 4000.0 / 0.75 + 45.0
        visits = [line for at_s, _, line in world.visits if line == f"line-{name}"]
        assert len(visits) > (12 if kept.state == "pulling_down" else 5)


def test_after_an_outage_the_oldest_goes_first() -> None:
    world = one_analyser(6)
    world.run(3600.0)
    world.dead = ["a"]
    world.run(3 * 3600.0)
    world.dead = []
    oldest = sorted(world.state.enclosures, key=lambda name: world.state.enclosures[name].sample.taken_mono_s)
    back_s = world.mono_s
    world.run(900.0)
    assert [line for at_s, _, line in world.visits if at_s >= back_s][:6] == [f"line-{name}" for name in oldest]


def test_a_blocked_line_is_tried_less_and_less_and_takes_nobody_s_turn() -> None:
    world = one_analyser(12)
    world.blocked = ["line-n03"]
    world.run(8 * 3600.0)
    tried_s = [at_s for at_s, _, line in world.visits if line == "line-n03"]
    pauses_s = [later - earlier for earlier, later in zip(tried_s, tried_s[1:], strict=False)]
    # Two minutes, doubled each time: 135 s of a visit in vain and 120, 240, 480, 960 s of pause.
    assert pauses_s[0] < 400.0 and pauses_s[2] > 480.0 and pauses_s[4:] and min(pauses_s[4:]) > 1500.0
    for name in world.site.enclosures:
        assert name == "n03" or world.oldest_s(name) <= 2025.0 + 45.0
