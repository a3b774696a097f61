"""An analyser that drifts, and bottles of calibration gas that are empty or hold something else."""

import pytest
from sim_plants import SPARSE, Hand, small

from simulator.assumed import AIR_CO2_PCT, AIR_O2_PCT
from simulator.faults import Fault, FaultError

DAY_S = 86_400.0
READING = "analyser/an/reading"


def drifting(*faults: Fault) -> Hand:
    return small(faults=faults, cadence=SPARSE)


def shown(hand: Hand) -> tuple[float, float]:
    reading = hand.last(READING)
    return reading["o2_pct"], reading["co2_pct"]


def test_an_offset_grows_by_the_day_and_stays() -> None:
    hand = drifting(Fault("analyser_drift", "an", 0.0, DAY_S, 0.4), Fault("analyser_drift_co2", "an", 0.0, DAY_S, -0.03))
    before = shown(drifting())
    hand.to(DAY_S / 2)
    assert shown(hand) == pytest.approx((before[0] + 0.2, before[1] - 0.015), abs=2e-3)
    hand.to(3 * DAY_S)
    assert shown(hand) == pytest.approx((before[0] + 0.4, before[1] - 0.03), abs=2e-3)


def test_a_gain_shows_with_what_is_read() -> None:
    """Five per cent of 20.946 % O2 after a day, of next to no CO2 nothing."""
    hand = drifting(Fault("analyser_drift_gain", "an", 0.0, DAY_S, 5.0))
    hand.to(2 * DAY_S)
    o2_pct, co2_pct = shown(hand)
    assert o2_pct == pytest.approx(1.05 * (AIR_O2_PCT - 0.0027 * AIR_CO2_PCT), abs=2e-3)
    assert co2_pct == pytest.approx(1.05 * AIR_CO2_PCT, abs=2e-3)


# ------------------------------------------------------------------------------------------------ bottles


def with_gas(*faults: Fault) -> Hand:
    """Line `span` carries `mix`, 5 % O2 and 10 % CO2."""
    return small(faults=faults)


def drawn(hand: Hand, line: str = "span") -> dict:
    hand.select(line)
    hand.go(150.0)
    return hand.last(READING)


def test_a_line_carries_what_its_certificate_says() -> None:
    reading = drawn(with_gas())
    assert reading["line"] == "span" and reading["sample_flow_nl_min"] == 1.0
    # 0.0027 * 10 % low by the paramagnetic cell
    assert (reading["o2_pct"], reading["co2_pct"]) == pytest.approx((5.0 - 0.027, 10.0), abs=2e-3)


def test_an_empty_bottle_lets_room_air_in() -> None:
    reading = drawn(with_gas(Fault("calibration_gas_empty", "mix", size=0.0)))
    assert (reading["o2_pct"], reading["co2_pct"]) == pytest.approx((AIR_O2_PCT, AIR_CO2_PCT), abs=2e-3)


def test_from_a_shut_bottle_nothing_comes_and_the_cell_keeps_what_it_held() -> None:
    hand = with_gas(Fault("calibration_gas_empty", "mix", size=1.0))
    bag = hand.plant.enclosures["a"]
    bag.o2_pct, bag.co2_pct = 3.0, 18.0
    held = drawn(hand, "la")
    reading = drawn(hand)
    assert reading["line"] == "span" and reading["sample_flow_nl_min"] == 0.0 and reading["settled"]
    assert reading["co2_pct"] == pytest.approx(held["co2_pct"], abs=0.01)


def test_a_wrong_bottle_holds_other_oxygen() -> None:
    reading = drawn(with_gas(Fault("calibration_gas_wrong", "mix", size=15.0)))
    assert (reading["o2_pct"], reading["co2_pct"]) == pytest.approx((15.0 - 0.027, 10.0), abs=2e-3)


def test_a_bottle_that_is_not_there_has_no_fault() -> None:
    with pytest.raises(FaultError, match="no calibration gas of this site; there are mix"):
        with_gas(Fault("calibration_gas_empty", "argon"))
