"""What a source does beyond its rating: first gas after a stop, a buffer that runs empty, a vaporiser that ices up.

The figures are the simulator's assumptions, retyped: 12 % oxygen too much at first, a third of it after each 150 s; a buffer
of two minutes of rated flow between 0.8 and 1.4 of the least pressure; ice after 10 min at twice what is kept up.
"""

from math import exp

import pytest
from sim_plants import Hand, ready, small_site

from simulator.faults import Fault
from simulator.reserves import Buffer, Vaporiser


def with_pressure(**source: object) -> dict:
    site = small_site()
    site["source"][0] |= {"pressure_kpa_min": 500, **source}
    return site


def told(hand: Hand, source: str = "generator") -> dict:
    return hand.last(f"source/{source}/status")


# ------------------------------------------------------------------------------------------------ after a stop


def test_the_first_gas_after_a_stop_is_off_specification_until_the_generator_has_run() -> None:
    hand = ready(faults=[Fault("source_off", "generator", 60.0, 120.0)])
    hand.to(59.0)
    assert told(hand)["o2_pct"] == 0.5, "one that has been running is well"
    hand.to(120.0)
    assert told(hand)["available"] and told(hand)["o2_pct"] == pytest.approx(12.5, abs=0.01)
    hand.to(120.0 + 300.0)
    run_s = hand.on("source/generator/status")[-1]
    assert run_s["o2_pct"] < 0.5 + 12.0 * exp(-270.0 / 150.0) + 0.01
    hand.to(120.0 + 1200.0)
    assert told(hand)["o2_pct"] == pytest.approx(0.5, abs=0.01)


def test_what_is_drawn_meanwhile_goes_into_the_enclosure_as_it_is() -> None:
    """40 nl in 48 s straight after the start: 11 % and more of oxygen in them, by the mean of exp(-t / 150 s) over 48 s."""
    hand = ready(faults=[Fault("source_off", "generator", 10.0, 20.0)])
    hand.to(21.0)
    hand.permit()
    hand.ask("x", volume_nl=40.0)
    hand.go(50.0)
    mean_pct = 0.5 + 12.0 * 150.0 / 48.0 * (exp(-1.0 / 150.0) - exp(-49.0 / 150.0))
    assert hand.plant.gas("a")[0] == pytest.approx((1200.0 * 20.946 + 40.0 * mean_pct) / 1240.0, abs=0.04)


def test_a_bank_and_a_blower_have_no_first_gas() -> None:
    hand = ready(faults=[Fault("source_off", "bank", 10.0, 20.0), Fault("source_off", "blower", 10.0, 20.0)])
    hand.to(21.0)
    assert hand.plant.sources["bank"].composition == (0.0, 100.0) and not hand.plant.sources["blower"].settling


# ------------------------------------------------------------------------------------------------ purity by the data sheet


def test_a_data_sheet_tells_purity_by_flow() -> None:
    site = small_site()
    site["source"][0]["purity"] = [{"flow_nl_min": 40, "o2_pct": 0.1}, {"flow_nl_min": 80, "o2_pct": 0.5}]
    hand = ready(site=site)
    hand.ask("x", "a/nitrogen", 100.0)
    hand.hold(31.0)
    assert told(hand)["o2_pct"] == pytest.approx(0.2), "50 of 80 nl/min: a quarter of the way from 40"
    hand.ask("y", "b/nitrogen", 100.0, flow=30.0)
    hand.hold(31.0)
    assert told(hand)["o2_pct"] == pytest.approx(0.5)


# ------------------------------------------------------------------------------------------------ the buffer


def test_a_full_buffer_stands_at_its_highest_pressure_and_only_with_a_meter_is_it_told() -> None:
    hand = ready(site=with_pressure())
    hand.hold(31.0)
    assert told(hand)["pressure_kpa"] == pytest.approx(700.0)
    hand = ready()
    hand.hold(31.0)
    assert "pressure_kpa" not in told(hand)


def test_a_weak_compressor_is_not_told_but_drains_the_buffer_and_then_gives_no_more_than_it_makes() -> None:
    """Made 0.4 x 100 nl/min, drawn 50: the buffer of 160 nl lasts 16 min; then 40 flow."""
    hand = ready(site=with_pressure(), faults=[Fault("compressor_weak", "generator", 0.0, size=0.4)])
    for number in range(8):
        hand.ask(f"x{number}", volume_nl=90.0)
        hand.hold(109.0)
    assert told(hand)["capacity_nl_min"] == 80.0 and told(hand)["pressure_kpa"] < 500.0
    assert hand.reports("x7")[-1][0] == "delivered"
    for number in range(8, 12):
        hand.ask(f"x{number}", volume_nl=90.0)
        hand.hold(121.0)
    made_nl = 80.0 + 0.667  # 40 nl/min for two minutes, and the second of rest before
    assert hand.reports("x11")[-1] == ("aborted", pytest.approx(made_nl, abs=0.01), "expired")
    low_kpa = told(hand)["pressure_kpa"]
    assert low_kpa == pytest.approx(400.0, abs=10.0)
    hand.hold(300.0)
    assert told(hand)["pressure_kpa"] == pytest.approx(700.0), "left alone it fills again"


@pytest.mark.parametrize(("drawn", "made", "lasts"), [(80.0, 100.0, None), (100.0, 100.0, None), (120.0, 100.0, 8.0)])
def test_how_long_a_buffer_lasts(drawn: float, made: float, lasts: float | None) -> None:
    buffer = Buffer(80.0, 500.0)  # 160 nl
    assert buffer.lasts_min(drawn, made) == lasts
    buffer.advance(1000.0, drawn, made)
    assert buffer.empty == (lasts is not None) and 400.0 <= buffer.pressure_kpa <= 700.0


# ------------------------------------------------------------------------------------------------ the vaporiser


def test_a_vaporiser_overdrawn_ices_up_and_thaws() -> None:
    """At 1.5 times what is kept up: 20 min. Iced, 0.3 flows: from all ice to 0.3 of it takes 0.7 x 10 / 0.7 = 10 min."""
    one = Vaporiser()
    assert one.lasts_min(60.0, 60.0) is None and one.lasts_min(90.0, 60.0) == pytest.approx(20.0)
    one.advance(19.9, 90.0, 60.0)
    assert not one.iced
    one.advance(0.1, 90.0, 60.0)
    assert one.iced and one.share() == 0.3
    assert one.lasts_min(18.0, 60.0) == pytest.approx(10.0)
    one.advance(10.0, 18.0, 60.0)
    assert not one.iced and one.share() == 1.0


def test_a_bank_in_the_cold_gives_less_once_it_has_iced_and_says_so() -> None:
    """Half of 40 kept up, 40 drawn: iced after 10 min; then 12 flow, and it says 12."""
    site = small_site()
    site["source"][1] |= {"capacity_nl_min": 40, "stock_kg": 5.0}
    hand = ready(site=site, faults=[Fault("vaporiser_cold", "bank", 0.0, size=0.5)])
    for number in range(5):
        hand.ask(f"x{number}", "a/co2", 40.0, flow=20.0)
        hand.ask(f"y{number}", "b/co2", 40.0, flow=20.0)
        hand.hold(121.0)
    assert told(hand, "bank")["capacity_nl_min"] == 40.0
    hand.ask("x", "a/co2", 40.0, flow=20.0)
    hand.ask("y", "b/co2", 40.0, flow=20.0)
    hand.hold(60.0)
    assert told(hand, "bank")["capacity_nl_min"] == 12.0
    assert hand.last("dosing/a/co2/flow")["flow_nl_min"] == pytest.approx(6.0)
    hand.hold(1500.0)
    assert told(hand, "bank")["capacity_nl_min"] == 40.0


def test_drawn_as_its_capacity_says_it_never_ices() -> None:
    one = Vaporiser()
    one.advance(10_000.0, 60.0, 60.0)
    assert not one.iced
