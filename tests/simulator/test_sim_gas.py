"""The enclosure's gas against closed forms and published figures. [D]: computed from the stated inputs, not from here."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulator.fruit import Fruit
from simulator.gas import Enclosure

O2_AIR, CO2_AIR = 20.95, 0.04
EMPTY = {"mass_kg": 0.0, "uptake_nl_kg_h": 0.0, "temperature_c": 2.0}


def rigid(
    volume_nl: float = 1200.0,
    o2_pct: float = O2_AIR,
    co2_pct: float = CO2_AIR,
    *,
    fruit: Fruit | None = None,
    leak_per_h: float = 0.0,
) -> Enclosure:
    """An enclosure of fixed volume: what comes in pushes as much out."""
    return Enclosure(
        volume_nl,
        fruit or Fruit(**EMPTY),
        0.0,
        o2_pct,
        co2_pct,
        leak_nl_min=leak_per_h * volume_nl / 60.0,
        relief_fill=1.0,
        draw_fill=1.0,
    )


def purge(inside: Enclosure, volumes: float, o2_pct: float, co2_pct: float, flow_nl_min: float = 50.0) -> None:
    inside.set_inflow(flow_nl_min, flow_nl_min * o2_pct / 100.0, flow_nl_min * co2_pct / 100.0)
    inside.advance(inside.time_s + 60.0 * volumes * inside.nominal_nl / flow_nl_min, O2_AIR, CO2_AIR)
    inside.set_inflow(0.0, 0.0, 0.0)


@pytest.mark.parametrize(
    ("residual_pct", "volumes"), [(0.0, 1.9435), (0.1, 1.9726), (0.5, 2.1017), (1.0, 2.3001), (2.0, 2.9418), (2.5, 3.6082)]
)
def test_purging_air_to_three_percent_takes_the_published_volumes(residual_pct: float, volumes: float) -> None:
    # Well-mixed sweep, Crowl & Louvar ch. 7 / NFPA 69 annex; volumes [D].
    inside = rigid()
    purge(inside, volumes, residual_pct, 0.0)
    assert inside.o2_pct == pytest.approx(3.0, abs=1e-3)


def test_pull_down_time_of_an_enclosure() -> None:
    # V 1.2 m3, 3 m3/h of nitrogen at 0.5 % O2, 20.95 -> 3 %: 50.44 min [D].
    inside = rigid()
    inside.set_inflow(50.0, 0.25, 0.0)
    inside.advance(50.44 * 60.0, O2_AIR, CO2_AIR)
    assert inside.o2_pct == pytest.approx(3.0, abs=2e-3)


def test_nitrogen_first_then_co2_reaches_three_and_eighteen() -> None:
    # Stop nitrogen at 3.6585 % (1.7451 V), then 0.1985 V of CO2 [D]; nitrogen to 3 % first would end at 2.46 %.
    inside = rigid()
    purge(inside, 1.7451, 0.0, 0.0)
    assert inside.o2_pct == pytest.approx(3.6585, abs=1e-3)
    purge(inside, 0.1985, 0.0, 100.0)
    # The published volume has four digits: 0.0001 V is worth 0.008 % CO2.
    assert (inside.o2_pct, inside.co2_pct) == pytest.approx((3.0, 18.0), abs=0.01)
    other = rigid(o2_pct=3.0, co2_pct=0.0)
    purge(other, math.log(100.0 / 82.0), 0.0, 100.0)
    assert other.o2_pct == pytest.approx(2.46, abs=1e-3)


def test_correcting_oxygen_with_nitrogen_drags_co2_down() -> None:
    # 3.4 -> 3.0 % by pure nitrogen: 0.1252 V, CO2 18 -> 15.88 [D].
    inside = rigid(o2_pct=3.4, co2_pct=18.0)
    purge(inside, 0.1252, 0.0, 0.0)
    assert (inside.o2_pct, inside.co2_pct) == pytest.approx((3.0, 15.88), abs=5e-3)


def test_a_bag_that_expands_takes_co2_by_dilution() -> None:
    # Not vented: V (18 - 0.04) / 82 = 0.2628 m3 into 1.2 m3 [D].
    inside = Enclosure(1200.0, Fruit(**EMPTY), 0.0, O2_AIR, CO2_AIR, relief_fill=2.0, draw_fill=0.5)
    purge(inside, 262.8 / 1200.0, 0.0, 100.0)
    assert inside.co2_pct == pytest.approx(18.0, abs=2e-3)
    assert inside.amount_nl == pytest.approx(1462.8)


def test_a_bag_fills_before_it_lets_out_and_shrinks_before_it_draws_in() -> None:
    inside = Enclosure(1000.0, Fruit(**EMPTY), 0.0, O2_AIR, CO2_AIR)
    inside.set_inflow(50.0, 0.0, 0.0)
    inside.advance(59.0, O2_AIR, CO2_AIR)
    assert inside.fill_pct == pytest.approx(100.0 + 50.0 * 59.0 / 60.0 / 10.0)
    assert inside.take_to_room()[0] == pytest.approx(0.0, abs=1e-9)
    inside.advance(120.0, O2_AIR, CO2_AIR)
    assert inside.fill_pct == pytest.approx(105.0)
    assert inside.take_to_room()[0] == pytest.approx(50.0)
    inside.set_inflow(0.0, 0.0, 0.0)
    inside.sample_nl_min = 10.0
    inside.advance(120.0 + 600.0, O2_AIR, CO2_AIR)
    assert inside.fill_pct == pytest.approx(95.0)
    assert inside.take_to_room()[0] == pytest.approx(0.0, abs=1e-9)
    before_pct = inside.o2_pct
    inside.advance(720.0 + 60.0, O2_AIR, CO2_AIR)
    assert inside.fill_pct == pytest.approx(95.0)
    assert inside.take_to_room()[0] == pytest.approx(-10.0)
    assert inside.o2_pct > before_pct


@pytest.mark.parametrize(("leak_per_h", "o2_pct"), [(0.01, 6.83), (0.001, 3.43)])
def test_oxygen_after_a_day_of_leak(leak_per_h: float, o2_pct: float) -> None:
    # 24 h from 3 % without fruit: 6.83 % at 0.01 per hour, 3.43 % at 0.001 [D].
    inside = rigid(o2_pct=3.0, co2_pct=18.0, leak_per_h=leak_per_h)
    inside.advance(86_400.0, O2_AIR, CO2_AIR)
    assert inside.o2_pct == pytest.approx(o2_pct, abs=6e-3)


def test_at_three_and_eighteen_a_leak_looks_like_a_slower_respiration() -> None:
    # (A, r) = (0.0048 /h, 0.0862 %/h) and (0.0100, 0.1796) differ by at most 0.0013 % over 24 h [D].
    ends = []
    for leak_per_h, uptake_pct_h in ((0.0048, 0.0862), (0.0100, 0.1796)):
        fruit = Fruit(600.0, 0.0, 2.0, dissolves=False, km_o2_pct=1e-12)
        fruit.vmax_nl_min = uptake_pct_h / 100.0 * 1200.0 / 60.0
        inside = rigid(o2_pct=3.0, co2_pct=18.0, fruit=fruit, leak_per_h=leak_per_h)
        inside.advance(86_400.0, 20.95, 0.04)
        ends.append((inside.o2_pct, inside.co2_pct))
    assert ends[0] == pytest.approx(ends[1], abs=2e-3)


@pytest.mark.parametrize(("km_o2_pct", "hours"), [(1e-9, 92.1), (5.6, 116.7)])
def test_a_sealed_enclosure_is_pulled_down_by_respiration_alone(km_o2_pct: float, hours: float) -> None:
    # 600 kg blueberry at 3.90 ml/kg/h in 1.2 m3: 20.95 -> 3 % in 92.1 h at constant rate, 116.7 h with Km 5.6
    # (Joles et al. 1994 for Km; times [D]). O2 + CO2 stays 20.99.
    fruit = Fruit(600.0, 3.90e-3, 2.0, dissolves=False, km_o2_pct=km_o2_pct)
    inside = rigid(fruit=fruit)
    inside.advance(hours * 3600.0, O2_AIR, CO2_AIR)
    assert inside.o2_pct == pytest.approx(3.0, abs=0.02)
    assert inside.o2_pct + inside.co2_pct == pytest.approx(20.99, abs=1e-9)


def test_venting_is_decided_by_co2() -> None:
    # From 3/18 with fresh air: 19.5 % O2 at 2.516 volumes with CO2 still 1.49 %; CO2 0.5 % at 3.665, 0.25 % at 4.449 [D].
    inside = rigid(o2_pct=3.0, co2_pct=18.0)
    purge(inside, 2.516, O2_AIR, CO2_AIR)
    assert (inside.o2_pct, inside.co2_pct) == pytest.approx((19.5, 1.49), abs=5e-3)
    purge(inside, 3.665 - 2.516, O2_AIR, CO2_AIR)
    assert inside.co2_pct == pytest.approx(0.5, abs=1e-3)
    purge(inside, 4.449 - 3.665, O2_AIR, CO2_AIR)
    assert inside.co2_pct == pytest.approx(0.25, abs=1e-3)


def test_samples_that_are_not_returned_let_air_in() -> None:
    # 120 l a day out of 1.2 m3 at 3 %: 10 % of the volume and +1.8 % O2 a day at the outset [D].
    inside = rigid(o2_pct=3.0, co2_pct=18.0)
    inside.sample_nl_min = 120.0 / 1440.0
    inside.advance(3600.0, O2_AIR, CO2_AIR)
    assert (inside.o2_pct - 3.0) * 24.0 == pytest.approx(1.8, abs=0.02)
    inside.advance(86_400.0, O2_AIR, CO2_AIR)
    assert inside.take_to_room()[0] == pytest.approx(-120.0)


FLOWS = st.lists(
    st.tuples(st.floats(0.0, 80.0), st.floats(0.0, 5.0), st.floats(0.0, 100.0), st.floats(1.0, 7200.0)), min_size=1, max_size=8
)


@settings(max_examples=60, deadline=None)
@given(FLOWS, st.floats(0.0, 0.05), st.floats(0.0, 900.0))
def test_no_gas_is_made_or_lost(flows: list[tuple[float, float, float, float]], leak: float, fruit_kg: float) -> None:
    """Nitrogen balances by itself; oxygen, CO2 and what the fruit holds balance together at a quotient of 1."""
    fruit = Fruit(fruit_kg, 0.0039, 2.0)
    inside = Enclosure(1200.0, fruit, 0.0, O2_AIR, CO2_AIR, leak_nl_min=leak * 1200.0)
    held = fruit.dissolved_nl
    n2_in = other_in = 0.0
    for flow, o2_pct, co2_pct, seconds in flows:
        co2_pct = min(co2_pct, 100.0 - o2_pct)
        inside.set_inflow(flow, flow * o2_pct / 100.0, flow * co2_pct / 100.0)
        inside.advance(inside.time_s + seconds, 20.1, 0.6)
        other_in += flow * seconds / 60.0 * (o2_pct + co2_pct) / 100.0
        n2_in += flow * seconds / 60.0 * (100.0 - o2_pct - co2_pct) / 100.0
    total, o2, co2 = inside.take_to_room()
    other = inside.amount_nl * (inside.o2_pct + inside.co2_pct) / 100.0
    start = 1200.0 * (O2_AIR + CO2_AIR) / 100.0
    assert other + o2 + co2 + fruit.dissolved_nl - held == pytest.approx(start + other_in, abs=1e-6)
    n2 = inside.amount_nl - other
    assert n2 + total - o2 - co2 == pytest.approx(1200.0 - start + n2_in, abs=1e-6)
    assert 0.0 <= inside.o2_pct <= 21.0 and 0.0 <= inside.co2_pct <= 100.0
    assert 0.95 - 1e-6 <= inside.amount_nl / 1200.0 <= 1.05 + 1e-6
