"""The analyser: sample timing and reading against published figures, and the contract's rules for a select."""

import math
import statistics

import pytest
from sim_plants import STILL, Hand, small, small_site

from simulator.assumed import AIR_CO2_PCT, AIR_O2_PCT, Assumptions, Cadence
from simulator.faults import Fault

READING = "analyser/an/reading"


def charged(**how: object) -> Hand:
    """A plant whose enclosure `a` stands at 3/18 and `b` in air."""
    hand = small(**how)
    bag = hand.plant.enclosures["a"]
    bag.o2_pct, bag.co2_pct = 3.0, 18.0
    return hand


def test_transport_and_settling_take_the_published_time() -> None:
    # 40 m of 4 mm tube at 1 l/min: 30.2 s; a 150 ml cell from 20.95 to within 0.02 % of 3 %: 61.2 s; 91.4 s in all [D].
    assert math.pi * 0.2**2 * 4000.0 / 1000.0 * 60.0 == pytest.approx(30.2, abs=0.05)
    hand = charged(cadence=Cadence(reading_s=0.1))
    hand.select("la")
    selected_s = hand.plant.now_s
    hand.go(30.0)
    assert hand.last(READING)["o2_pct"] == pytest.approx(AIR_O2_PCT, abs=2e-3)
    while abs(hand.last(READING)["o2_pct"] - (3.0 - 0.0027 * hand.last(READING)["co2_pct"])) > 0.02:
        assert hand.plant.now_s - selected_s < 120.0
        hand.go(0.1)
    assert hand.plant.now_s - selected_s == pytest.approx(91.4, abs=0.25)


def test_a_paramagnetic_cell_reads_low_in_co2() -> None:
    # 0.049 % O2 low at 18 % CO2.
    hand = charged()
    hand.select("la")
    hand.go(200.0)
    reading = hand.last(READING)
    assert reading["o2_pct"] == pytest.approx(3.0 - 0.049, abs=2e-3)
    assert reading["co2_pct"] == pytest.approx(18.0, abs=2e-3)
    assert reading["corrected"] is False


def test_without_cross_sensitivity_the_reading_counts_as_corrected() -> None:
    hand = charged(
        assumptions=Assumptions(leak_per_day_max=0.0, leak_per_day_min=0.0, o2_noise_pct=0.0, cross_sensitivity=False)
    )
    hand.select("la")
    hand.go(200.0)
    assert hand.last(READING)["o2_pct"] == pytest.approx(3.0, abs=2e-3)
    assert hand.last(READING)["corrected"] is True


def test_settled_is_said_only_after_transport_and_settling() -> None:
    hand = charged()
    hand.select("la")
    hand.go(200.0)
    on_line = [one for one in hand.on(READING) if one["line"] == "la"]
    first = next(i for i, one in enumerate(on_line) if one["settled"])
    assert first * 5 in (90, 95) and all(one["settled"] for one in on_line[first:])
    assert all(abs(one["o2_pct"] - 2.951) < 0.03 for one in on_line[first:])


def test_the_gas_that_stood_in_the_line_comes_first() -> None:
    hand = charged()
    hand.select("la")
    hand.go(200.0)
    hand.select("lb")
    hand.go(200.0)
    bag = hand.plant.enclosures["a"]
    bag.o2_pct, bag.co2_pct = 10.0, 11.0
    hand.select("la")
    hand.go(29.0)
    early = hand.last(READING)["o2_pct"]
    hand.go(200.0)
    # 29 s of the old 3 % on the way from 20.9 %: within 4 %; then the new gas.
    assert early < 4.5
    assert hand.last(READING)["o2_pct"] == pytest.approx(10.0 - 0.0027 * 11.0, abs=0.02)


def test_the_cell_lags_a_changing_enclosure_by_transport_and_mixing() -> None:
    hand = charged(cadence=Cadence(reading_s=1.0))
    hand.select("lb", 600.0)
    hand.go(200.0)
    hand.permit()
    hand.ask("x", "b/nitrogen", 40.0, flow=40.0)
    truth: list[tuple[float, float]] = []
    for _ in range(50):
        hand.go(1.0)
        truth.append((hand.plant.now_s, hand.plant.gas("b")[0]))
    seen = hand.last(READING)["o2_pct"] + 0.0027 * hand.last(READING)["co2_pct"]
    # A first-order cell behind a ramp lags by its time constant, behind the line's 20 s: 29 s in all.
    lagged = next(o2 for when, o2 in truth if when >= hand.plant.now_s - 29.0)
    assert truth[-1][1] < lagged - 0.2
    assert seen == pytest.approx(lagged, abs=0.06)


def test_after_the_lease_the_idle_line_is_drawn() -> None:
    hand = charged()
    hand.select("la", 120.0)
    hand.go(100.0)
    drawn_nl = hand.plant.enclosures["a"].sample_nl_min
    hand.go(200.0)
    assert drawn_nl == 1.0 and hand.plant.enclosures["a"].sample_nl_min == 0.0
    lines = [one["line"] for one in hand.on(READING)]
    # Every 5 s while the lease of 120 s lasts; the reading at its very end is the idle line's.
    assert lines.count("la") == 23 and lines[-1] == "idle"
    assert hand.last(READING)["o2_pct"] == pytest.approx(AIR_O2_PCT, abs=2e-3)


def test_a_select_of_another_line_replaces_the_one_before_and_the_same_prolongs() -> None:
    hand = charged()
    hand.select("la", 60.0)
    hand.go(50.0)
    hand.select("la", 60.0)
    hand.go(45.0)
    assert hand.last(READING)["line"] == "la" and hand.last(READING)["settled"] is True
    hand.select("lb", 60.0)
    hand.go(5.0)
    assert hand.last(READING)["line"] == "lb" and hand.last(READING)["settled"] is False


@pytest.mark.parametrize(
    ("line", "seconds", "retained", "why"),
    [
        ("la", 60.0, True, "select: retained"),
        ("la", 0.0, False, "select: expired"),
        ("zz", 60.0, False, "select: unknown line"),
    ],
)
def test_a_select_that_is_not_obeyed(line: str, seconds: float, retained: bool, why: str) -> None:
    hand = charged()
    hand.select(line, seconds, retained=retained)
    hand.go(10.0)
    assert hand.plant.dropped[why] == 1
    assert hand.last(READING)["line"] == "idle"


def test_each_sample_takes_its_gas_out_of_the_enclosure() -> None:
    hand = charged()
    before_nl = hand.plant.enclosures["a"].amount_nl
    hand.select("la", 300.0)
    hand.go(600.0)
    hand.plant.gas("a")
    assert before_nl - hand.plant.enclosures["a"].amount_nl == pytest.approx(5.0, abs=1e-6)


def test_calibration_gas_and_room_lines() -> None:
    hand = charged()
    hand.select("span")
    hand.go(150.0)
    assert hand.last(READING)["o2_pct"] == pytest.approx(5.0 - 0.027, abs=2e-3)
    hand.select("lr")
    hand.go(150.0)
    reading = hand.last(READING)
    assert (reading["o2_pct"], reading["co2_pct"]) == pytest.approx((AIR_O2_PCT, AIR_CO2_PCT), abs=2e-3)


def test_readings_bear_boot_and_rising_seq_every_five_seconds() -> None:
    hand = small(boot="x7")
    hand.to(60.0)
    readings = hand.on(READING)
    assert [one["seq"] for one in readings] == list(range(1, 14))
    assert {one["boot"] for one in readings} == {"x7-1"}
    assert [one["observed_at"][17:] for one in readings[:3]] == ["00.000Z", "05.000Z", "10.000Z"]


def test_noise_has_the_assumed_size() -> None:
    hand = small(assumptions=None)
    hand.to(4 * 3600.0)
    values = [one["o2_pct"] for one in hand.on(READING)]
    assert statistics.stdev(values) == pytest.approx(Assumptions().o2_noise_pct, rel=0.1)
    assert STILL.o2_noise_pct == 0.0


@pytest.mark.parametrize("size", [0.0, 1.0])
def test_a_wrong_line_is_drawn_and_seen_only_where_feedback_shows_it(size: float) -> None:
    hand = charged(faults=[Fault("analyser_wrong_line", "an/la", 0.0, size=size)])
    hand.select("lb")
    hand.go(200.0)
    reading = hand.last(READING)
    assert reading["line"] == "lb" and reading["o2_pct"] == pytest.approx(2.951, abs=2e-3)
    assert reading["line_confirmed"] is (size == 0.0)
    assert hand.plant.enclosures["a"].sample_nl_min == 1.0 and hand.plant.enclosures["b"].sample_nl_min == 0.0


def test_a_dead_a_flat_and_a_faulty_analyser() -> None:
    faults = [
        Fault("analyser_dead", "an", 100.0, 200.0),
        Fault("analyser_flat", "an", 300.0, 400.0),
        Fault("analyser_fault", "an", 500.0, 600.0),
    ]
    hand = small(faults=faults, assumptions=None, site=small_site())
    hand.to(700.0)
    seq = [one["seq"] for one in hand.on(READING)]
    assert seq == [*range(1, 21), *range(41, 142)]
    by_seq = {one["seq"]: one for one in hand.on(READING)}
    assert len({(by_seq[i]["o2_pct"], by_seq[i]["co2_pct"]) for i in range(61, 81)}) == 1
    assert len({by_seq[i]["o2_pct"] for i in range(81, 101)}) > 5
    assert {by_seq[i]["status"] for i in range(101, 121)} == {"fault"}
    assert by_seq[121]["status"] == "ok"
