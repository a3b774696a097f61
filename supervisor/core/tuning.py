"""Tuning rules, and the gains they give a held enclosure.

SIMC: S. Skogestad, Simple analytic rules for model reduction and PID controller tuning, J. Process Control 13 (2003).
Ziegler & Nichols: Optimum settings for automatic controllers, Trans. ASME 64 (1942); kept to compare with.
"""

from typing import NamedTuple


class Gains(NamedTuple):
    """Controller gain, integral and derivative time, in the units of the process model they came from."""

    kc: float
    ti: float
    td: float = 0.0


def simc_first_order(gain: float, lag: float, delay: float, tau_c: float | None = None) -> Gains:
    """PI for k exp(-delay s) / (lag s + 1); `tau_c` is the wanted closed-loop lag, by default the delay."""
    tau_c = delay if tau_c is None else tau_c
    return Gains(lag / (gain * (tau_c + delay)), min(lag, 4.0 * (tau_c + delay)))


def simc_integrating(slope: float, delay: float, tau_c: float | None = None) -> Gains:
    """PI for slope exp(-delay s) / s."""
    tau_c = delay if tau_c is None else tau_c
    return Gains(1.0 / (slope * (tau_c + delay)), 4.0 * (tau_c + delay))


def ziegler_nichols_integrating_pi(slope: float, delay: float) -> Gains:
    """PI by the ultimate-gain rule for slope exp(-delay s) / s, whose Ku = pi / (2 slope delay) and Pu = 4 delay."""
    return Gains(0.45 * 3.141592653589793 / (2.0 * slope * delay), 4.0 * delay / 1.2)


def holding_gains(interval_s: float, transport_s: float) -> Gains:
    """Gains in 1/h and h for an enclosure sampled each `interval_s`.

    The move is asked in percent an hour, so the process is a pure integrator of slope one whatever the volume (the
    allocator knows the volume); its delay is half a sample interval, as for any sampled loop, and the sample's way.
    """
    delay_h = (interval_s / 2.0 + transport_s) / 3600.0
    return simc_integrating(1.0, delay_h)
