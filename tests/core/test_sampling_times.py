"""What a visit costs, against published and computed figures."""

import math

import pytest
from sampling_world import World, site_of

from simulator.sitefile import read_site
from supervisor.core import sample_bound
from supervisor.settings_analyser import Analyser, Line, Tube, settling_s, transport_s

TUBE = {"length_m": 40, "bore_mm": 4}


def analyser(**keys: object) -> Analyser:
    one = {"id": "a", "unit": "u", "idle_line": "idle", "lines": [{"id": "x", "tube": TUBE}]}
    return Analyser.model_validate(one | keys)


def test_transport_through_a_tube() -> None:
    """40 m of 4 mm bore hold pi/4 x 0.4 cm x 0.4 cm x 4000 cm = 502.7 ml: 30.2 s at 1 l/min, 60.3 s at half of it."""
    assert math.pi / 4.0 * 0.4 * 0.4 * 4000.0 == pytest.approx(502.7, abs=0.05)
    tube = Tube(length_m=40, bore_mm=4)
    assert tube.volume_nl == pytest.approx(0.5027, abs=5e-5)
    assert transport_s(tube, 1.0) == pytest.approx(30.2, abs=0.05)
    assert transport_s(tube, 0.5) == pytest.approx(60.3, abs=0.05)
    assert transport_s(Tube(length_m=60, bore_mm=4), 1.0) == pytest.approx(45.2, abs=0.05)


def test_settling_of_the_cell() -> None:
    """150 ml at 1 l/min is 9 s; of a step from 20.95 to 3 %, 17.95 %, less than 0.02 % is left after 9 s x ln(17.95 / 0.02)."""
    took_s = settling_s(150.0, 1.0)
    assert took_s == pytest.approx(61.2, abs=0.05)
    assert 17.95 * math.exp(-took_s / 9.0) == pytest.approx(0.02)
    assert 17.95 * math.exp(-41.4 / 9.0) == pytest.approx(0.01 * 17.95, rel=0.01)  # t99 of such a cell: 41.4 s


def test_a_visit_by_the_published_example() -> None:
    (line,) = analyser().lines
    assert line.visit_s == pytest.approx(91.4, abs=0.05)
    half = analyser(sample_flow_nl_min=0.5, cell_ml=75).lines[0]
    assert (half.transport_s, half.settling_s) == (pytest.approx(60.3, abs=0.05), pytest.approx(61.2, abs=0.05))


def test_a_time_that_was_measured_counts_more_than_one_computed() -> None:
    (line,) = analyser(lines=[{"id": "x", "tube": TUBE, "transport_s": 41}]).lines
    assert (line.transport_s, line.settling_s) == (41, pytest.approx(61.2, abs=0.05))
    (line,) = analyser(lines=[{"id": "x", "transport_s": 41, "settling_s": 62}]).lines
    assert (line.transport_s, line.settling_s) == (41, 62)


def test_the_plant_takes_as_long_as_the_supervisor_thinks() -> None:
    ours = analyser(sample_flow_nl_min=0.8, cell_ml=120).lines[0]
    raw = {"id": "a", "unit": "u", "idle_line": "i", "sample_flow_nl_min": 0.8, "cell_ml": 120,
           "lines": [{"id": "x", "tube": TUBE}]}  # fmt: skip
    theirs = read_site({"site": {"id": "s"}, "analyser": [raw]}).analysers[0].lines["x"]
    assert (theirs.transport_s, theirs.settling_s) == (pytest.approx(ours.transport_s), pytest.approx(ours.settling_s))


def test_what_a_day_of_samples_takes() -> None:
    """1 l/min for 120 s, 60 times a day, is 120 litres: 10 % of 1200. Air that comes in its place raises oxygen by 10 % of
    20.95 - 3, 1.8 % a day. That is the limit that a site has unless it says otherwise.
    """
    assert 1.0 * 120 / 60 * 60 == 120.0
    assert 120.0 / 1200.0 * (20.95 - 3.0) == pytest.approx(1.8, abs=0.01)
    lines: list[dict[str, object]] = [{"id": "line-e", "transport_s": 50, "settling_s": 60}]
    world = World(site_of({"a": lines}, {"e": 1200.0}), {"e": "holding"})
    desk = world.desk()
    assert sample_bound.drawn_nl_max(desk, "e") == pytest.approx(120.0)
    assert sample_bound.drawn_by_visit_nl(desk, "e") == pytest.approx(2.0)  # 110 s and 10 s until the reading is here


def test_an_enclosure_too_small_for_its_samples_is_seen_less_often() -> None:
    """100 nl may lose 10 a day, and a visit of 100 s takes 1.67: six a day at most, and some kept back."""
    lines: list[dict[str, object]] = [{"id": "line-e", "transport_s": 30, "settling_s": 60}]
    world = World(site_of({"a": lines}, {"e": 100.0}), {"e": "holding"}, late_s=10.0)
    assert sample_bound.bound_of_s(world.desk(), "e", 2025.0) > 86400.0 / 6.0
    world.run(2 * 86400.0)
    assert world.most_drawn_nl("e") <= 10.0
    assert len(world.visits) >= 3


def test_a_line_without_times_has_none() -> None:
    assert Line(id="x").transport_s is None
