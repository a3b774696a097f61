"""From what an analyser says to what the gas is: each correction with its published figure, and only where the site file says
that it applies and the reading is not `corrected` already.

The guard goes on judging what the analyser says, so dosing looks at both (`Sample.read_*`).
"""

from math import exp

from supervisor.core.balance import Mixture
from supervisor.core.calibration_sums import applied
from supervisor.core.desk import Desk
from supervisor.messages import AnalyserReading
from supervisor.settings_belief import Corrections

# A paramagnetic oxygen cell in pure CO2 reads -0.27 % O2 (manuals of such instruments at 20 degC; IEC 61207-3 has the same kind
# of table). It is linear in the CO2.
O2_PER_CO2 = -0.27 / 100.0
# Air pressure moves slowly; one figure a minute is usual, and none for an hour means that nobody measures it.
BAROMETER_AGE_S_MAX = 3600.0
PA = 101_325.0


def true_of(desk: Desk, analyser: str, reading: AnalyserReading) -> Mixture:
    """The dry gas that stood in the cell, as well as it can be told."""
    if reading.corrected:
        return Mixture(reading.o2_pct, reading.co2_pct)
    read = Mixture(*applied(desk.state.analysers[analyser].calibration, reading.o2_pct, reading.co2_pct))
    return corrected(read, desk.site.analysers[analyser].corrections, _pressure_pa(desk))


def corrected(read: Mixture, known: Corrections, pressure_pa: float | None) -> Mixture:
    """Backwards in the order in which the errors come about: vapour dilutes the gas, its CO2 acts on the oxygen cell, and the
    pressure on all that the cell says.
    """
    o2_pct, co2_pct = read
    if known.o2_principle == "paramagnetic":
        if not known.pressure_compensated and pressure_pa is not None:
            o2_pct *= known.calibrated_at_pa / pressure_pa
        o2_pct -= O2_PER_CO2 * (co2_pct - known.o2_spanned_in_co2_pct)
    if not known.dried:
        dry_share = 1.0 - vapour_pa(known.saturated_at_c) / (pressure_pa or PA)
        o2_pct, co2_pct = o2_pct / dry_share, co2_pct / dry_share
    return Mixture(o2_pct, co2_pct)


def shown(desk: Desk, analyser: str, gas: Mixture, dry: bool) -> Mixture:
    """The other way round: what an instrument without drift shows of this gas. What comes out of a bottle is dry, whether
    samples are or not.
    """
    known, pressure_pa = desk.site.analysers[analyser].corrections, _pressure_pa(desk)
    o2_pct, co2_pct = gas
    if not known.dried and not dry:
        dry_share = 1.0 - vapour_pa(known.saturated_at_c) / (pressure_pa or PA)
        o2_pct, co2_pct = o2_pct * dry_share, co2_pct * dry_share
    if known.o2_principle == "paramagnetic":
        o2_pct += O2_PER_CO2 * (co2_pct - known.o2_spanned_in_co2_pct)
        if not known.pressure_compensated and pressure_pa is not None:
            o2_pct *= pressure_pa / known.calibrated_at_pa
    return Mixture(o2_pct, co2_pct)


def vapour_pa(temperature_c: float) -> float:
    """Pressure of water vapour over water: Buck 1981, with his coefficients of 1996. 706 Pa at 2 degC, 2339 Pa at 20 degC."""
    return 611.21 * exp((18.678 - temperature_c / 234.5) * (temperature_c / (257.14 + temperature_c)))


def on_barometer(desk: Desk, barometer_pa: float | None) -> None:
    """Air pressure is the same all over a site, so whichever room tells it last is right. No place has less than 50 kPa."""
    if barometer_pa is not None and 50_000.0 <= barometer_pa <= 110_000.0:
        desk.state.barometer_pa, desk.state.barometer_mono_s = barometer_pa, desk.now.mono_s


def _pressure_pa(desk: Desk) -> float | None:
    return desk.state.barometer_pa if desk.fresh(desk.state.barometer_mono_s, BAROMETER_AGE_S_MAX) else None
