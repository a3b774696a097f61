"""The gas balance against published figures, an independent integrator, and CoolProp's densities."""

from math import exp, log

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from supervisor import guard
from supervisor import settings as site_settings
from supervisor.core import balance, books
from supervisor.core.balance import AIR, CO2, Mixture, Unreachable, feed_of, sweep_volume_nl, swept

# Volumes of nitrogen per free volume from 20.95 to 3 % oxygen, by the nitrogen's residual oxygen. Well-mixed sweep purging:
# Crowl & Louvar, Chemical Process Safety, ch. 7; NFPA 69 annex. The figures are computed from that form.
PURGE_V = {0.0: 1.9435, 0.1: 1.9726, 0.5: 2.1017, 1.0: 2.3001, 2.0: 2.9418, 2.5: 3.6082}
# The same for 1.2 m3 at 3 m3/h, in minutes.
PURGE_MIN = {0.0: 46.64, 0.5: 50.44, 1.0: 55.20}


@pytest.mark.parametrize(("nitrogen_o2_pct", "volumes"), PURGE_V.items())
def test_purge_volumes_by_purity(nitrogen_o2_pct: float, volumes: float) -> None:
    assert sweep_volume_nl(20.95, nitrogen_o2_pct, 3.0, 1.0) == pytest.approx(volumes, abs=5e-5)


@pytest.mark.parametrize(("nitrogen_o2_pct", "minutes"), PURGE_MIN.items())
def test_purge_times_by_purity(nitrogen_o2_pct: float, minutes: float) -> None:
    assert sweep_volume_nl(20.95, nitrogen_o2_pct, 3.0, 1200.0) / 50.0 == pytest.approx(minutes, abs=0.005)


@pytest.mark.parametrize("nitrogen_o2_pct", [3.0, 3.0001, 5.0, 20.95, 30.0])
def test_a_feed_that_holds_as_much_oxygen_as_the_target_never_arrives(nitrogen_o2_pct: float) -> None:
    with pytest.raises(Unreachable, match="never brings"):
        sweep_volume_nl(20.95, nitrogen_o2_pct, 3.0, 1200.0)


def test_a_feed_on_the_wrong_side_is_refused_and_nothing_to_do_costs_nothing() -> None:
    assert sweep_volume_nl(3.0, 0.5, 3.0, 1200.0) == 0.0
    with pytest.raises(Unreachable):
        sweep_volume_nl(3.0, 0.5, 4.0, 1200.0)  # nitrogen brings no oxygen back
    with pytest.raises(Unreachable):
        sweep_volume_nl(0.5, 0.5, 3.0, 1200.0)


def test_worked_examples_of_the_handbooks() -> None:
    # Branan, Rules of Thumb for Chemical Engineers: 21 to 1 % with pure inert gas takes ln 21 volumes.
    assert sweep_volume_nl(21.0, 0.0, 1.0, 1.0) == pytest.approx(3.045, abs=5e-4)
    # Crowl & Louvar (problem from memory, number computed): 1,000 ft3, nitrogen with 0.01 % oxygen, 21 to 1.25 %.
    assert sweep_volume_nl(21.0, 0.01, 1.25, 1000.0) == pytest.approx(2829.0, abs=0.5)


def test_correcting_oxygen_by_nitrogen_alone_drags_co2_along() -> None:
    # Computed from the same balance: 3.4 to 3.0 % takes 0.1252 V of pure nitrogen and leaves 15.88 % of 18 % CO2;
    # with 0.5 % oxygen in it 0.1484 V and 15.52 %.
    for purity_pct, volumes, co2_pct in ((0.0, 0.1252, 15.88), (0.5, 0.1484, 15.52)):
        fed = sweep_volume_nl(3.4, purity_pct, 3.0, 1.0)
        assert fed == pytest.approx(volumes, abs=5e-5)
        after = swept(Mixture(3.4, 18.0), feed_of("nitrogen", purity_pct), fed, 1.0)
        assert after.o2_pct == pytest.approx(3.0, abs=1e-9)
        assert after.co2_pct == pytest.approx(co2_pct, abs=0.005)


def test_one_percent_of_co2_costs_14_litres_and_some_oxygen() -> None:
    fed_nl = sweep_volume_nl(17.0, 100.0, 18.0, 1200.0)
    assert fed_nl == pytest.approx(1200.0 * log(83.0 / 82.0))
    # 14.5 l at the enclosure's 2 degC, where CO2 has 1.9621 g/l (CoolProp): 28.5 g
    assert fed_nl == pytest.approx(14.5, abs=0.05)
    assert fed_nl * 1.9621 == pytest.approx(28.5, abs=0.05)
    after = swept(Mixture(3.0, 17.0), CO2, fed_nl, 1200.0)
    assert after.o2_pct == pytest.approx(2.964, abs=5e-4)
    assert after.co2_pct == pytest.approx(18.0, abs=1e-9)


def test_a_leak_is_a_feed_of_air() -> None:
    # 24 h from 3 % without fruit: leak 0.01 of the volume an hour gives 6.83 %, 0.001 gives 3.43 %; computed.
    assert swept(Mixture(3.0, 0.0), AIR, 0.24, 1.0).o2_pct == pytest.approx(6.83, abs=0.005)
    assert swept(Mixture(3.0, 0.0), AIR, 0.024, 1.0).o2_pct == pytest.approx(3.43, abs=0.005)


def test_leaks_into_a_closed_room() -> None:
    # 60 m3 closed: 10 m3/h of nitrogen brings 19.5 % after 25.8 min; 1 m3/h of CO2 brings 0.5 / 1.5 / 4 % after
    # 16.6 / 53.0 / 145.5 min; computed. By the time oxygen alone would tell, CO2 is far beyond the 4 % of NIOSH's IDLH.
    assert sweep_volume_nl(20.95, 0.0, 19.5, 60.0) / 10.0 * 60.0 == pytest.approx(25.8, abs=0.05)
    for co2_pct, minutes in ((0.5, 16.6), (1.5, 53.0), (4.0, 145.5)):
        assert sweep_volume_nl(AIR.co2_pct, 100.0, co2_pct, 60.0) * 60.0 == pytest.approx(minutes, abs=0.05)
    until_o2_tells = sweep_volume_nl(20.95, 0.0, 19.5, 60.0)
    without_co2 = Mixture(20.95, 0.0)
    assert swept(without_co2, CO2, until_o2_tells, 60.0).co2_pct == pytest.approx(6.92, abs=0.005)
    at_idlh = swept(without_co2, CO2, sweep_volume_nl(0.0, 100.0, 4.0, 60.0), 60.0)
    assert at_idlh.o2_pct == pytest.approx(20.11, abs=0.005)


def test_air_holds_what_the_standard_says() -> None:
    # US Standard Atmosphere 1976 / ISO 2533: 20.9476 %; CO2 of today about 0.042 % (from memory).
    assert AIR.o2_pct == round(20.9476, 2)
    assert pytest.approx(0.042, abs=0.005) == AIR.co2_pct
    assert (balance.AIR_O2_PCT, balance.AIR_CO2_PCT) == (site_settings.AIR_O2_PCT, site_settings.AIR_CO2_PCT)


def test_feeds_are_what_the_sources_give() -> None:
    assert feed_of("nitrogen", 0.5) == (0.5, 0.0)
    assert feed_of("co2", 0.5) == (0.0, 100.0)
    assert feed_of("air", 0.5) == AIR


# ------------------------------------------------------------------------------------------------ another integrator

pct = st.floats(0.0, 50.0)
doses = st.lists(st.tuples(st.sampled_from(["nitrogen", "co2", "air"]), st.floats(0.0, 2000.0)), min_size=1, max_size=5)


@given(o2_pct=pct, co2_pct=pct, doses=doses, purity_pct=st.floats(0.0, 5.0), volume_nl=st.floats(200.0, 5000.0))
@settings(deadline=None, max_examples=60)
def test_swept_agrees_with_an_integrator(
    o2_pct: float, co2_pct: float, doses: list, purity_pct: float, volume_nl: float
) -> None:
    """The balance equation of the design, V dc/dt = q (c_feed - c), by SciPy, dose after dose."""
    gas = Mixture(o2_pct, co2_pct)
    by_scipy = [o2_pct, co2_pct]
    for name, fed_nl in doses:
        feed = {"nitrogen": (purity_pct, 0.0), "co2": (0.0, 100.0), "air": (20.95, 0.04)}[name]
        gas = swept(gas, feed_of(name, purity_pct), fed_nl, volume_nl)
        flow_nl_min = 40.0

        def slope(_t: float, c: list[float], feed: tuple = feed, q: float = flow_nl_min) -> list[float]:
            return [q / volume_nl * (feed[0] - c[0]), q / volume_nl * (feed[1] - c[1])]

        solved = solve_ivp(slope, (0.0, fed_nl / flow_nl_min + 1e-9), by_scipy, rtol=1e-8, atol=1e-9)
        by_scipy = [solved.y[0][-1], solved.y[1][-1]]
    assert gas.o2_pct == pytest.approx(by_scipy[0], abs=1e-4)
    assert gas.co2_pct == pytest.approx(by_scipy[1], abs=1e-4)


@given(start=pct, feed=st.floats(0.0, 100.0), share=st.floats(0.01, 0.999), volume_nl=st.floats(100.0, 1e6))
@settings(deadline=None, max_examples=60)
def test_the_volume_that_is_asked_for_arrives(start: float, feed: float, share: float, volume_nl: float) -> None:
    if abs(start - feed) < 1e-3:
        return
    target = start + share * (feed - start)
    fed_nl = sweep_volume_nl(start, feed, target, volume_nl)
    assert fed_nl > 0.0
    assert swept(Mixture(start, 0.0), Mixture(feed, 0.0), fed_nl, volume_nl).o2_pct == pytest.approx(target, abs=1e-6)
    assert fed_nl == pytest.approx(-volume_nl * log(1.0 - share), rel=1e-6)
    assert exp(-fed_nl / volume_nl) == pytest.approx(1.0 - share, rel=1e-6)


# ------------------------------------------------------------------------------------------------ densities


@pytest.mark.parametrize(
    ("gas", "fluid", "known"), [("nitrogen", "Nitrogen", 1.2504), ("co2", "CO2", 1.9768), ("air", "Air", 1.2931)]
)
def test_densities_at_normal_conditions(gas: str, fluid: str, known: float) -> None:
    """0 degC and 101.325 kPa by CoolProp (Bell et al. 2014), kg per normal litre wherever a constant stands in code."""
    from CoolProp.CoolProp import PropsSI

    density = PropsSI("D", "T", 273.15, "P", 101325.0, fluid)
    assert density == pytest.approx(known, abs=5e-4)
    assert guard.KG_PER_NL[gas] == pytest.approx(density / 1000.0, rel=2e-4)
    assert books.KG_PER_NL[gas] == pytest.approx(density / 1000.0, rel=2e-4)
