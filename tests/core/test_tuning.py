"""Tuning rules against their published worked values."""

import pytest

from supervisor.core.tuning import (
    holding_gains,
    simc_first_order,
    simc_integrating,
    ziegler_nichols_integrating_pi,
)


@pytest.mark.parametrize(("lag", "kc", "ti"), [(10.0, 1.25, 10.0), (20.0, 2.5, 16.0)])
def test_simc_for_a_first_order_process(lag: float, kc: float, ti: float) -> None:
    # Skogestad 2003, J. Process Control 13: Kc = tau1 / (k (tau_c + theta)), tau_I = min(tau1, 4 (tau_c + theta)), tau_c
    # by default theta. Gain 2, delay 2.
    assert simc_first_order(2.0, lag, 2.0) == pytest.approx((kc, ti, 0.0))


def test_simc_with_a_wished_closed_loop_lag() -> None:
    assert simc_first_order(2.0, 20.0, 2.0, tau_c=6.0) == pytest.approx((1.25, 20.0, 0.0))
    assert simc_integrating(1.0, 1.0, tau_c=3.0) == pytest.approx((0.25, 16.0, 0.0))


def test_simc_for_an_integrating_process() -> None:
    # The same paper (this form from memory): Kc = 1 / (k' (tau_c + theta)), tau_I = 4 (tau_c + theta).
    assert simc_integrating(1.0, 1.0) == pytest.approx((0.5, 8.0, 0.0))


def test_ziegler_nichols_for_an_integrating_process() -> None:
    # Ziegler & Nichols 1942 (from memory): PI at 0.45 Ku and Pu / 1.2, with Ku = pi / (2 k' theta), Pu = 4 theta.
    assert ziegler_nichols_integrating_pi(1.0, 1.0) == pytest.approx((0.707, 3.33, 0.0), abs=0.005)
    # and as the rule scales: the gain with 1/(k' theta), the integral time with theta
    assert ziegler_nichols_integrating_pi(2.5, 0.2) == pytest.approx((0.707 / 0.5, 3.33 * 0.2, 0.0), abs=0.005)


def test_oxygen_by_nitrogen_in_a_small_enclosure() -> None:
    # Computed: 1.2 m3 at 3 % moves by 2.5 %/h for each m3/h of nitrogen; with a delay of 0.2167 h that asks for
    # 0.923 m3/h for each percent and an integral time of 1.73 h.
    gains = simc_integrating(3.0 / 1.2, 0.2167)
    assert gains.kc == pytest.approx(0.923, abs=5e-4)
    assert gains.ti == pytest.approx(1.73, abs=5e-3)


def test_holding_counts_half_the_interval_and_the_line_as_delay() -> None:
    # 12 enclosures at 120 s each are seen every 24 min; with 60 s of line the delay is 13 min = 0.2167 h.
    assert holding_gains(1440.0, 60.0) == pytest.approx(simc_integrating(1.0, 0.21667), rel=1e-4)
    slow, fast = holding_gains(3600.0, 90.0), holding_gains(600.0, 90.0)
    assert slow.kc < fast.kc and slow.ti > fast.ti
