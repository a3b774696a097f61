"""Sources: shared capacity, purity that falls when a generator is overdriven, a finite bank."""

import pytest
from sim_plants import Hand, ready, small

from simulator.assumed import CO2_KG_PER_NL
from simulator.faults import Fault


def flow(hand: Hand, valve: str) -> float:
    return hand.last(f"dosing/{valve}/flow")["flow_nl_min"]


def test_enclosures_on_one_source_share_it_and_its_purity_falls() -> None:
    hand = ready()
    hand.ask("x", "a/nitrogen", 100.0)
    hand.hold(31.0)
    assert hand.last("source/generator/status")["o2_pct"] == 0.5
    hand.ask("y", "b/nitrogen", 100.0)
    hand.hold(31.0)
    # 100 nl/min asked of 80 rated: all of it, at 1.25 times the rating; the assumed curve gives 1.15 % there.
    assert flow(hand, "a/nitrogen") == flow(hand, "b/nitrogen") == 50.0
    assert hand.last("source/generator/status")["o2_pct"] == pytest.approx(1.15, abs=0.01)


def test_a_generator_gives_no_more_than_it_can_be_driven_to() -> None:
    hand = ready(faults=[Fault("source_weak", "generator", 0.0, size=0.5)])
    hand.ask("x", "a/nitrogen", 100.0)
    hand.ask("y", "b/nitrogen", 100.0, flow=25.0)
    assert flow(hand, "a/nitrogen") + flow(hand, "b/nitrogen") == pytest.approx(50.0, abs=2e-3)
    assert flow(hand, "a/nitrogen") == pytest.approx(2.0 * flow(hand, "b/nitrogen"), abs=2e-3)


def test_only_a_generator_can_be_overdriven() -> None:
    hand = ready(faults=[Fault("source_weak", "blower", 0.0, size=0.1)])
    hand.ask("x", "a/air", 50.0)
    hand.ask("y", "b/air", 50.0)
    assert flow(hand, "a/air") + flow(hand, "b/air") == pytest.approx(40.0, abs=2e-3)


def test_a_dose_that_is_slowed_by_another_still_delivers_its_volume() -> None:
    hand = ready(faults=[Fault("source_weak", "generator", 0.0, size=0.5)])
    hand.ask("x", "a/nitrogen", 40.0)
    hand.hold(24.0)
    hand.ask("y", "b/nitrogen", 10.0)
    hand.hold(24.0)
    # 20 nl alone at 50 nl/min, then 10 nl each at 25, then 10 alone at 50 again.
    assert hand.reports("y", "b/nitrogen")[-1] == ("delivered", 10.0, None)
    hand.hold(11.9)
    assert hand.reports("x")[-1][0] == "progress"
    hand.hold(0.2)
    assert hand.reports("x")[-1] == ("delivered", 40.0, None)


def test_impure_nitrogen_shows_in_the_status_and_in_the_enclosure() -> None:
    hand = ready(faults=[Fault("source_impure", "generator", 0.0, size=10.0)])
    hand.ask("x", volume_nl=40.0)
    hand.go(60.0)
    assert hand.last("source/generator/status")["o2_pct"] == 10.0
    assert hand.plant.gas("a")[0] == pytest.approx((1200.0 * 20.946 + 40.0 * 10.0) / 1240.0, abs=1e-4)


def test_the_bank_is_counted_in_kilograms_and_ends() -> None:
    # 0.1 kg is 50.6 nl (1.9768 kg/m3, CoolProp). One dose of 20, one of 20, and 10.6 of the third.
    hand = ready()
    for request_id in "xyz":
        hand.ask(request_id, "a/co2", 20.0, flow=20.0)
        hand.hold(61.0)
    left_nl = 0.1 / CO2_KG_PER_NL - 40.0
    outcome, delivered_nl, code = hand.reports("z", "a/co2")[-1]
    assert (outcome, code) == ("aborted", "no_flow") and delivered_nl == pytest.approx(left_nl, abs=5e-3)
    status = hand.last("source/bank/status")
    assert status["available"] is False and status["stock_kg"] == 0.0 and status["capacity_nl_min"] == 0.0
    # It is said at once, 31.8 s into the third dose, and not only with the next status.
    first = next(one for one in hand.on("source/bank/status") if not one["available"])
    assert first["observed_at"] == hand.at(2 * 61.0 + left_nl / 20.0 * 60.0 + 0.001 - (hand.plant.now_s - hand.start_s))
    hand.ask("w", "a/co2", 5.0)
    assert hand.reports("w", "a/co2") == [("refused", 0.0, "no_source")]
    assert hand.plant.gas("a")[1] > 3.0


def test_what_flows_is_taken_out_of_the_stock() -> None:
    hand = ready()
    hand.ask("x", "a/co2", 20.0)
    hand.go(90.0)
    used_kg = 0.1 - hand.last("source/bank/status")["stock_kg"]
    # 0.2381 m3 at 2 degC is 0.467 kg [D]; so 20 nl are 20 x 1.00732 / 238.1 of it.
    assert used_kg == pytest.approx(0.467 * 20.0 * 1.00732 / 238.1, abs=5e-4)


def test_status_tells_what_a_source_has() -> None:
    hand = small()
    hand.to(60.0)
    assert set(hand.last("source/blower/status")) == {"observed_at", "available", "capacity_nl_min"}
    assert len(hand.on("source/generator/status")) == 3
