"""Each correction against its published figure; none is carried out that nobody asked for."""

import corekit
import pytest
from coresite import site_with

from supervisor.core.balance import Mixture
from supervisor.core.corrections import corrected, shown, true_of, vapour_pa
from supervisor.messages import AnalyserReading, RoomClimate, at
from supervisor.settings_belief import Corrections

PARAMAGNETIC = Corrections(o2_principle="paramagnetic")


def test_nothing_is_corrected_that_nobody_stated() -> None:
    assert corrected(Mixture(2.951, 18.0), Corrections(), 95_000.0) == (2.951, 18.0)
    electrochemical = Corrections(o2_principle="electrochemical", pressure_compensated=False)
    assert corrected(Mixture(2.951, 18.0), electrochemical, 95_000.0) == (2.951, 18.0)


def test_a_paramagnetic_cell_reads_low_in_co2() -> None:
    """Manuals of paramagnetic instruments: -0.27 % O2 in pure CO2 at 20 degC, linear; so 3.00 % at 18 % CO2 reads 2.951."""
    assert corrected(Mixture(2.951, 18.0), PARAMAGNETIC, None).o2_pct == pytest.approx(3.00, abs=0.0005)
    assert corrected(Mixture(-0.27, 100.0), PARAMAGNETIC, None) == pytest.approx((0.0, 100.0))


def test_an_instrument_that_was_spanned_in_the_same_gas_reads_right() -> None:
    spanned = Corrections(o2_principle="paramagnetic", o2_spanned_in_co2_pct=18.0)
    assert corrected(Mixture(3.0, 18.0), spanned, None).o2_pct == pytest.approx(3.0)
    assert corrected(Mixture(20.95, 0.0), spanned, None).o2_pct == pytest.approx(20.95 - 0.0486)


@pytest.mark.parametrize(("temperature_c", "pa", "share"), [(2.0, 706.0, 0.0070), (20.0, 2339.0, 0.0231)])
def test_a_wet_sample_is_thinned_by_its_vapour(temperature_c: float, pa: float, share: float) -> None:
    """Vapour pressure of water from CoolProp (IAPWS-95): 706 Pa at 2 degC, 2339 Pa at 20 degC."""
    assert vapour_pa(temperature_c) == pytest.approx(pa, abs=1.0)
    wet = Corrections(dried=False, saturated_at_c=temperature_c)
    read = Mixture(20.95 * (1.0 - share), 18.0 * (1.0 - share))
    assert corrected(read, wet, None) == pytest.approx((20.95, 18.0), abs=0.002)


def test_an_uncompensated_cell_reads_with_the_pressure() -> None:
    """Proportional to absolute pressure (from memory): 1 kPa is about 1 % of the reading."""
    bare = Corrections(o2_principle="paramagnetic", pressure_compensated=False)
    assert corrected(Mixture(20.95 * 98_000 / 101_325, 0.0), bare, 98_000.0).o2_pct == pytest.approx(20.95)
    assert corrected(Mixture(20.0, 0.0), bare, None).o2_pct == 20.0, "nobody measures it: nothing is made up"


def told(bench: corekit.Bench, barometer_pa: float, **fields: object) -> Mixture:
    bench.hear(RoomClimate, "east", temperature_c=1.0, rh_pct=90.0, barometer_pa=barometer_pa)
    return read(bench, **fields)


def read(bench: corekit.Bench, **fields: object) -> Mixture:
    told = {"boot": "a1", "seq": 1, "line": "line-1", "o2_pct": 3.0, "co2_pct": 18.0, "settled": True, "status": "ok"} | fields
    return true_of(bench.desk(), "az", AnalyserReading(observed_at=at(bench.wall_s), **told))


def bare() -> corekit.Bench:
    table = 'idle_line = "idle"\ncorrections = { o2_principle = "paramagnetic", pressure_compensated = false }'
    return corekit.ready(site_with(**{'idle_line = "idle"': table}))


def test_the_barometer_of_any_room_is_the_site_s() -> None:
    assert told(bare(), 100_000.0).o2_pct == pytest.approx(3.0 * 1.01325 + 0.0486)


@pytest.mark.parametrize("nonsense_pa", [0.0, 1009.0, 400_000.0])
def test_a_barometer_that_tells_another_unit_is_none(nonsense_pa: float) -> None:
    assert told(bare(), nonsense_pa).o2_pct == pytest.approx(3.0 + 0.0486)


def test_a_barometer_that_fell_silent_is_none() -> None:
    bench = bare()
    told(bench, 100_000.0)
    bench.go(3601.0)
    assert read(bench).o2_pct == pytest.approx(3.0 + 0.0486)


def test_what_is_corrected_already_stays() -> None:
    assert told(bare(), 100_000.0, corrected=True) == (3.0, 18.0)


def test_a_sample_holds_what_is_true_and_what_was_read() -> None:
    table = 'idle_line = "idle"\ncorrections = { o2_principle = "paramagnetic" }'
    bench = corekit.sealed(the_site=site_with(**{'idle_line = "idle"': table}), o2_pct=2.951, co2_pct=18.0)
    bench.run(600, until=lambda: bench.core.state.enclosures["e1"].sample is not None)
    sample = bench.core.state.enclosures["e1"].sample
    assert (sample.o2_pct, sample.co2_pct) == pytest.approx((2.9996, 18.0))
    assert (sample.read_o2_pct, sample.read_co2_pct) == (2.951, 18.0)
    bench.run(3)
    assert bench.state("e1").o2_pct == 3.0


def test_what_the_guard_reads_below_the_floor_gets_no_nitrogen() -> None:
    """Corrected it is just above the floor of 1.5 %, as read just below: the guard would refuse it."""
    table = 'idle_line = "idle"\ncorrections = { o2_principle = "paramagnetic" }'
    bench = corekit.sealed(the_site=site_with(**{'idle_line = "idle"': table}), o2_pct=1.47, co2_pct=16.0)
    bench.run(900)
    assert bench.core.state.enclosures["e1"].sample.o2_pct > 1.5
    assert bench.requests("e1", "nitrogen") == [] and bench.requests("e1", "co2") == []


ALL = 'o2_principle = "paramagnetic", pressure_compensated = false, dried = false'


@pytest.mark.parametrize("table", ["", ALL], ids=["bare", "all"])
def test_what_an_instrument_shows_is_what_it_is_corrected_back_from(table: str) -> None:
    bench = corekit.ready(site_with(**{'idle_line = "idle"': f'idle_line = "idle"\ncorrections = {{ {table} }}'}))
    told(bench, 98_000.0)
    shows = shown(bench.desk(), "az", Mixture(3.0, 18.0), dry=False)
    assert (shows == (3.0, 18.0)) == (table == "")
    assert read(bench, o2_pct=shows.o2_pct, co2_pct=shows.co2_pct) == pytest.approx((3.0, 18.0))


def test_calibration_is_taken_off_first() -> None:
    table = 'idle_line = "idle"\ncorrections = { o2_principle = "paramagnetic" }'
    bench = corekit.ready(site_with(**{'idle_line = "idle"': table}))
    drifted = bench.core.state.analysers["az"].calibration
    drifted.o2.offset_pct, drifted.co2.offset_pct = 0.5, -1.0
    assert read(bench, o2_pct=2.951 + 0.5, co2_pct=17.0) == pytest.approx((2.9996, 18.0))
