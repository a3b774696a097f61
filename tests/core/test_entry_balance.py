"""What gas makes of a room's air, by one-zone dilution: figures worked by hand from V dc/dt = Q (c_fresh - c) + q (c_in - c).

All are computed values, not measured ones; entry limits: 29 CFR 1910.146(b) (19.5 % oxygen), 29 CFR 1910.1000 Table Z-1
(0.5 % CO2), NIOSH (4 % CO2 immediately dangerous). Fresh air: 20.95 % oxygen, 0.04 % CO2.
"""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from supervisor.core.room_balance import after_pct, hours_to_pct, mixed_pct, steady_pct

O2, CO2 = 20.95, 0.04


@pytest.mark.parametrize(("volume_m3", "o2_pct", "co2_pct"), [(60.0, 20.59, 0.40), (150.0, 20.81, 0.184)])
def test_one_bag_mixed_into_a_closed_room(volume_m3: float, o2_pct: float, co2_pct: float) -> None:
    """1.2 m3 at 3 % oxygen and 18 % CO2."""
    assert mixed_pct(O2, 3.0, 1.2, volume_m3) == pytest.approx(o2_pct, abs=0.005)
    assert mixed_pct(CO2, 18.0, 1.2, volume_m3) == pytest.approx(co2_pct, abs=0.005)


@pytest.mark.parametrize(("fresh", "held", "limit", "bags"), [(O2, 3.0, 19.5, 4.04), (CO2, 18.0, 0.5, 1.28)])
def test_how_many_bags_a_closed_room_takes(fresh: float, held: float, limit: float, bags: float) -> None:
    """CO2 decides: one bag and a quarter, while oxygen would allow four."""
    assert mixed_pct(fresh, held, 1.2 * bags, 60.0) == pytest.approx(limit, abs=0.005)


@pytest.mark.parametrize(("limit_pct", "minutes"), [(0.5, 16.6), (1.5, 53.0), (3.0, 108.0), (4.0, 145.5)])
def test_a_co2_leak_of_one_cubic_metre_an_hour_into_a_closed_room(limit_pct: float, minutes: float) -> None:
    hours = hours_to_pct(CO2, limit_pct, 100.0, 1.0, 60.0)
    assert 60.0 * hours == pytest.approx(minutes, rel=0.004)
    assert after_pct(CO2, 100.0, 1.0, CO2, 0.0, 60.0, hours) == pytest.approx(limit_pct)


@pytest.mark.parametrize(("inflow_m3_h", "limit_pct", "minutes"), [
    (10.0, 19.5, 25.8), (10.0, 18.0, 54.6), (3.0, 19.5, 86.1), (3.0, 18.0, 182.0),
])  # fmt: skip
def test_a_nitrogen_leak_into_a_closed_room(inflow_m3_h: float, limit_pct: float, minutes: float) -> None:
    hours = hours_to_pct(O2, limit_pct, 0.0, inflow_m3_h, 60.0)
    assert 60.0 * hours == pytest.approx(minutes, rel=0.004)
    assert after_pct(O2, 0.0, inflow_m3_h, O2, 0.0, 60.0, hours) == pytest.approx(limit_pct)


def test_when_oxygen_shows_a_co2_leak_it_is_long_too_late() -> None:
    """At 4 % CO2 oxygen is still 20.11 %; 19.5 % oxygen means 6.92 % CO2."""
    to_4 = hours_to_pct(0.0, 4.0, 100.0, 1.0, 60.0)
    assert after_pct(O2, 0.0, 1.0, O2, 0.0, 60.0, to_4) == pytest.approx(20.11, abs=0.005)
    to_195 = hours_to_pct(O2, 19.5, 0.0, 1.0, 60.0)
    assert after_pct(0.0, 100.0, 1.0, 0.0, 0.0, 60.0, to_195) == pytest.approx(6.92, abs=0.005)


def test_where_a_ventilated_room_ends_up() -> None:
    """75 m3/h of fresh air (150 m3 at half an air change): 5.58 m3/h of nitrogen for 19.5 %, 0.347 of CO2 for 0.5 %."""
    assert steady_pct(0.0, 5.58, O2, 75.0) == pytest.approx(19.5, abs=0.005)
    assert steady_pct(100.0, 0.347, CO2, 75.0) == pytest.approx(0.5, abs=0.005)
    assert after_pct(CO2, 100.0, 0.347, CO2, 75.0, 150.0, 1000.0) == pytest.approx(0.5, abs=0.005)


def test_what_never_comes_is_said_to_never_come() -> None:
    assert hours_to_pct(0.04, 0.5, 100.0, 0.0, 60.0) is None, "nothing flows"
    assert hours_to_pct(0.04, 0.5, 100.0, -1.0, 60.0) is None
    assert hours_to_pct(0.6, 0.5, 100.0, 1.0, 60.0) is None, "past it already"
    assert hours_to_pct(0.04, 0.5, 0.5, 1.0, 60.0) is None, "the gas itself is no worse"
    assert hours_to_pct(0.5, 0.5, 100.0, 1.0, 60.0) == 0.0
    assert hours_to_pct(0.4999, 0.5, 100.0, 1.0, 60.0) == pytest.approx(60.0 * 1e-4 / 99.5, rel=1e-3), "as good as there"
    assert hours_to_pct(0.04, 0.5, 100.0, 0.01, 60.0) == pytest.approx(27.67, abs=0.01), "a hundredth of a cubic metre an hour"
    assert after_pct(1.0, 100.0, 0.0, CO2, 0.0, 60.0, 5.0) == 1.0
    # 0.05 m3/h of pure CO2 for an hour into 60 m3: 99 % x (1 - exp(-1 / 1200)).
    assert after_pct(1.0, 100.0, 0.05, CO2, 0.0, 60.0, 1.0) == pytest.approx(1.0825, abs=5e-5)


@given(
    room_pct=st.floats(0.0, 21.0), gas_pct=st.floats(0.0, 100.0), inflow_m3_h=st.floats(0.01, 50.0),
    ventilation_m3_h=st.floats(0.0, 2000.0), volume_m3=st.floats(30.0, 2000.0), hours=st.floats(0.01, 24.0),
)  # fmt: skip
@settings(deadline=None, max_examples=25)
def test_it_is_what_an_integrator_finds(room_pct, gas_pct, inflow_m3_h, ventilation_m3_h, volume_m3, hours) -> None:
    def slope(_t, c):
        return [(ventilation_m3_h * (CO2 - c[0]) + inflow_m3_h * (gas_pct - c[0])) / volume_m3]

    solved = solve_ivp(slope, (0.0, hours), [room_pct], rtol=1e-9, atol=1e-10, method="LSODA").y[0][-1]
    assert after_pct(room_pct, gas_pct, inflow_m3_h, CO2, ventilation_m3_h, volume_m3, hours) == pytest.approx(solved, abs=1e-5)
