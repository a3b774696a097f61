"""What a look is worth: predicted pull-downs, doses, drift, suspicion, age."""

from collections.abc import Callable

import corekit
import pytest
from sampling_world import BEGUN_S, WALL_S, World, given, site_of

from supervisor.core import sample_worth, sampling
from supervisor.core.state import Alarm, Dose, Enclosure, Sample


def pair(first: str = "holding", second: str = "holding") -> World:
    """Two enclosures alike, `a` on the shorter line, each seen when the world begins."""
    lines = [
        {"id": "line-a", "transport_s": 20, "settling_s": 60}, {"id": "line-b", "transport_s": 30, "settling_s": 60},
    ]  # fmt: skip
    site = site_of({"az": lines}, {"a": 1200.0, "b": 1200.0})
    world = World(site, {"a": first, "b": second})  # type: ignore[dict-item]
    for kept in world.state.enclosures.values():
        seen(kept, BEGUN_S)
    return world


def seen(kept: Enclosure, at_mono_s: float, o2_pct: float = 3.0, co2_pct: float = 18.0) -> None:
    kept.before = kept.sample
    kept.sample = Sample("az", "b", 1, o2_pct, co2_pct, at_mono_s, WALL_S + at_mono_s)
    kept.visited_mono_s = at_mono_s


def steady(world: World, pct: float = 0.0) -> None:
    """Both were seen twice and moved by so much CO2 in half an hour; now is the second time."""
    world.mono_s = BEGUN_S + 1800.0
    for kept in world.state.enclosures.values():
        seen(kept, world.mono_s, co2_pct=18.0 + pct)


def open_dose(world: World, name: str, gas: str, volume_nl: float, flow_nl_min: float) -> None:
    kept = world.state.enclosures[name]
    dose = Dose(f"{name}-x", name, gas, "generator", volume_nl, flow_nl_min, world.mono_s, world.mono_s + 120.0)  # type: ignore[arg-type]
    kept.doses[dose.request_id] = dose
    kept.running[dose.gas] = dose.request_id


def worth(world: World, name: str) -> float:
    return sample_worth.cost_of_waiting(world.desk(), name, 60.0)


def chosen(world: World) -> str | None:
    world.state.analysers["az"].heard_mono_s = world.mono_s
    return sampling.choose(world.desk(), "az")


def test_when_a_pull_down_will_have_its_gas_is_reckoned_from_flow_and_what_is_left() -> None:
    """75 nl run at 50 nl/min, 90 s; 200 nl follow, 240 s; 5 nl of CO2 at 20 nl/min, 15 s."""
    world = pair("pulling_down")
    world.mono_s += 30.0
    open_dose(world, "a", "nitrogen", 75.0, 50.0)
    world.state.enclosures["a"].wanted_nl = {"nitrogen": 200.0, "co2": 5.0}
    assert sample_worth.settled_mono_s(world.desk(), "a") == pytest.approx(BEGUN_S + 30.0 + 90.0 + 240.0 + 15.0)


def test_nobody_knows_when_what_waits_for_its_turn_will_have_its_gas() -> None:
    world = pair("pulling_down")
    world.state.enclosures["a"].wanted_nl = {"nitrogen": 200.0}
    assert sample_worth.settled_mono_s(world.desk(), "a") is None
    world.mono_s += 600.0
    assert worth(world, "a") == 0.0


def test_the_visit_begins_so_that_its_gas_leaves_when_the_dose_is_in() -> None:
    """A sample is of the gas that leaves the enclosure when the cell begins to settle on it: 60 s after the call here."""
    world = pair("pulling_down")
    world.mono_s += 30.0
    open_dose(world, "a", "nitrogen", 100.0, 50.0)
    in_s = world.mono_s + 120.0
    calls_s = []
    while world.mono_s < in_s + 60.0:
        if worth(world, "a") > 0.0:
            calls_s.append(world.mono_s)
        world.mono_s += 1.0
    # and 10 s for the last word of the valve
    assert calls_s[0] == pytest.approx(in_s - 60.0 + 10.0, abs=1.0)


def test_the_analyser_goes_to_a_pull_down_when_its_gas_is_in() -> None:
    """The whole core: 0.3 volumes are left to give, 360 nl; the analyser stays away until they are in, and its visit has
    begun by then.
    """
    bench = corekit.sealed(o2_pct=6.4)  # 3.66 % is the aim: ln(5.9 / 3.16) = 0.62 volumes, and 0.1 are left open
    kept, analyser = bench.core.state.enclosures["e1"], bench.core.state.analysers["az"]
    bench.run(600, until=lambda: bool(bench.requests()))
    kept.wanted_nl = {"nitrogen": 90.0}
    begun_s = bench.mono_s
    bench.run(3000, until=lambda: analyser.visit is not None)
    sent_s = bench.mono_s
    bench.run(600, until=lambda: not kept.running and not any(kept.wanted_nl.values()))
    ended_s = bench.mono_s
    assert begun_s + 100.0 < sent_s < ended_s
    bench.run(600, until=lambda: analyser.visit is None)
    # It stands still from here to the sample, and that is less than the 80 s that a visit takes.
    assert bench.mono_s - ended_s < 45.0


def test_the_one_that_is_nearly_done_goes_before_the_one_with_more_to_come() -> None:
    world = pair("pulling_down", "pulling_down")
    world.mono_s += 300.0
    for name, gas in (("a", "nitrogen"), ("b", "co2")):
        world.state.enclosures[name].phase = "nitrogen"
        world.state.enclosures[name].doses = {"x": given(name, gas, BEGUN_S + 60.0, BEGUN_S + 120.0)}
    assert worth(world, "b") > worth(world, "a") > 0.0
    assert chosen(world) == "line-b"


def test_of_two_alike_the_one_that_costs_less_goes_first_and_then_the_one_that_waits_longer() -> None:
    world = pair("pulling_down", "pulling_down")
    world.mono_s += 300.0
    for name in ("a", "b"):
        world.state.enclosures[name].doses = {"x": given(name, "co2", BEGUN_S + 60.0, BEGUN_S + 120.0)}
    assert worth(world, "a") == worth(world, "b")
    assert chosen(world) == "line-a"  # a visit of 80 s and one of 90 s
    world.mono_s += 600.0
    world.state.enclosures["a"].doses = {"x": given("a", "co2", world.mono_s - 120.0, world.mono_s - 60.0)}
    assert chosen(world) == "line-b"


def _drifts(kept: Enclosure) -> None:
    kept.co2_loop.integral_pct_h = 2.0


def _was_dosed(kept: Enclosure) -> None:
    kept.doses = {"x": given("b", "co2", BEGUN_S + 1860.0, BEGUN_S + 1920.0, volume_nl=25.0)}


@pytest.mark.parametrize("why", [_drifts, _was_dosed])
def test_a_held_enclosure_is_looked_at_sooner(why: Callable[[Enclosure], None]) -> None:
    world = pair()
    steady(world)
    why(world.state.enclosures["b"])
    world.mono_s += 900.0
    assert worth(world, "a") == 0.0 and worth(world, "b") > 0.0
    assert chosen(world) == "line-b"


def test_a_drift_that_shows_between_two_samples_counts_before_the_loop_has_learned_it() -> None:
    world = pair()
    steady(world, pct=-0.8)
    # 0.8 % in half an hour is 1.6 % an hour, 1.6 bands; and what gas explains is no drift.
    assert sample_worth.drift_bands_h(world.desk(), "a") == pytest.approx(1.6)
    kept = world.state.enclosures["b"]
    kept.doses = {"x": given("b", "nitrogen", BEGUN_S + 600.0, BEGUN_S + 660.0, volume_nl=54.6)}
    # 54.6 nl of nitrogen with 0.5 % oxygen in 1200 leave exp(-54.6 / 1200) = 0.9555: 17.2 % CO2, 0.5 + 2.5 x 0.9555 % O2.
    kept.sample.o2_pct = 2.889
    assert sample_worth.drift_bands_h(world.desk(), "b") < 0.4


@pytest.mark.parametrize("alarm", ["unexplained_move", "out_of_band"])
def test_one_that_is_suspected_of_leaking_is_looked_at_sooner(alarm: str) -> None:
    world = pair()
    steady(world)
    world.state.problems["b"] = [alarm]
    world.state.alarms[f"{alarm}-b"] = Alarm(alarm, "b", state="unacknowledged", condition=True)
    world.mono_s += 1200.0
    assert worth(world, "a") == 0.0 and chosen(world) == "line-b"


def test_one_whose_reading_is_doubted_is_looked_at_again() -> None:
    """Nothing is given to it until then."""
    world = pair()
    steady(world)
    world.mono_s += 600.0
    assert chosen(world) is None
    world.state.enclosures["b"].doubt = "moved further than gas, fruit and leaks can have moved it"
    assert chosen(world) == "line-b"


def test_nitrogen_is_seen_to_arrive_before_much_of_it_is_gone() -> None:
    """0.15 volumes, 180 nl, and a look is worth it, until two samples have shown that oxygen falls."""
    world = pair("pulling_down")
    kept = world.state.enclosures["a"]
    kept.phase, kept.wanted_nl = "nitrogen", {"nitrogen": 800.0}
    seen(kept, BEGUN_S + 1.0, o2_pct=20.9, co2_pct=0.04)
    kept.before = None
    world.mono_s += 300.0
    kept.doses = {"x": given("a", "nitrogen", BEGUN_S + 60.0, BEGUN_S + 280.0, volume_nl=170.0)}
    assert worth(world, "a") == 0.0
    kept.doses["x"].delivered_nl = 181.0
    assert worth(world, "a") > 0.0
    seen(kept, world.mono_s, o2_pct=18.0)
    kept.doses = {"x": given("a", "nitrogen", world.mono_s, world.mono_s + 290.0, volume_nl=200.0)}
    world.mono_s += 300.0
    assert worth(world, "a") == 0.0
    kept.doses["x"].delivered_nl = 241.0  # 0.2 volumes: it may have come off meanwhile
    assert 0.0 < worth(world, "a") < 0.4
    kept.doses["x"].delivered_nl, kept.off_plan = 61.0, 1
    assert worth(world, "a") == 1.0


def test_a_sample_that_grows_old_is_worth_a_look_whatever_else() -> None:
    world = pair()
    steady(world)
    world.mono_s += 1700.0
    assert chosen(world) is None
    world.mono_s += 200.0
    assert chosen(world) == "line-a"


def test_without_a_sign_of_drift_a_held_enclosure_is_never_worth_more_than_a_pull_down_that_waits() -> None:
    world = pair("holding", "pulling_down")
    world.mono_s += 1800.0
    seen(world.state.enclosures["a"], BEGUN_S + 1.0)
    seen(world.state.enclosures["b"], world.mono_s)
    world.mono_s += 1000.0
    kept = world.state.enclosures["b"]
    kept.doses = {"x": given("b", "co2", world.mono_s - 120.0, world.mono_s - 60.0)}
    assert worth(world, "a") > 0.0
    assert worth(world, "b") > worth(world, "a")


def test_what_was_not_seen_since_the_start_is_wanted() -> None:
    world = pair()
    world.state.trusted_mono_s = world.mono_s = BEGUN_S + 100.0
    assert worth(world, "a") == worth(world, "b") == pytest.approx(0.5)


def test_a_vented_enclosure_is_seen_often_enough_to_be_opened() -> None:
    """It is opened on samples that are not older than 600 s."""
    world = pair("venting")
    world.on_sample = lambda name, kept: setattr(kept, "breathable_samples", 2)
    world.run(3600.0)
    ages = [age_s for at_s, age_s in world.ages_s["a"] if at_s > BEGUN_S + 600.0]
    assert len(ages) > 5 and max(ages) < 600.0
