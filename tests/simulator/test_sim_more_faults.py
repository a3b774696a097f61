"""Faults of valves, hoses, reports, clocks, sensors, stocks and power: each does what it says, and no more than that."""

import statistics

import pytest
from sim_plants import STILL, ready, small, small_site

from simulator.assumed import AIR_CO2_PCT, AIR_O2_PCT, CO2_KG_PER_NL
from simulator.faults import Fault, FaultError
from simulator.stamp import to_ms

FLOW = "dosing/a/nitrogen/flow"


def offset_s(hand, unit: str) -> float:
    return to_ms(hand.plant.units[unit].stamp()) / 1000.0 - hand.plant.now_s


# ------------------------------------------------------------------------------------------------ hoses and valves


def test_a_kinked_hose_lets_less_through_and_the_meter_says_so() -> None:
    hand = ready(faults=[Fault("hose_kinked", "a/nitrogen", size=0.2)])
    hand.ask("x", volume_nl=40.0, lease_s=120.0)
    hand.hold(150.0)
    assert hand.reports("x")[-1] == ("aborted", pytest.approx(20.0), "expired")  # 50 nl/min, a fifth of it, two minutes
    assert {one["flow_nl_min"] for one in hand.on(FLOW)} == {0.0, 10.0}
    assert hand.plant.enclosures["a"].fill_pct == pytest.approx(100.0 + 100.0 * 20.0 / 1200.0)


def test_swapped_hoses_lead_each_enclosure_s_gas_into_the_other_and_back_again() -> None:
    hand = ready(faults=[Fault("hoses_swapped", "a+b", 0.0, 100.0)])
    hand.ask("x", volume_nl=40.0)
    hand.go(60.0)
    assert hand.reports("x")[-1] == ("delivered", 40.0, None)
    fills = [hand.plant.enclosures[one].fill_pct for one in "ab"]
    assert fills == [pytest.approx(100.0), pytest.approx(100.0 + 100.0 * 40.0 / 1200.0)]
    hand.hold(50.0)
    hand.ask("y", volume_nl=20.0)
    hand.go(60.0)
    assert hand.plant.enclosures["a"].fill_pct == pytest.approx(100.0 + 100.0 * 20.0 / 1200.0)


def test_hoses_that_are_swapped_during_a_dose() -> None:
    hand = ready(faults=[Fault("hoses_swapped", "a+b", 24.0)])
    hand.ask("x", volume_nl=40.0)
    hand.go(60.0)
    fills = [hand.plant.enclosures[one].fill_pct for one in "ab"]
    assert fills == [pytest.approx(100.0 + 100.0 * 20.0 / 1200.0)] * 2


def test_only_hoses_of_one_room_can_be_swapped() -> None:
    site = small_site()
    site["room"].append({"id": "q", "volume_m3": 60.0, "sensor": [{"id": "door", "unit": "u"}]})
    site["enclosure"][1]["room"] = "q"
    with pytest.raises(FaultError, match="a\\+b"):
        small(site=site, faults=[Fault("hoses_swapped", "a+b")])


def test_a_slow_valve_opens_late_shuts_late_and_reports_all_that_passed() -> None:
    hand = ready(faults=[Fault("valve_slow", "a/nitrogen", size=6.0)])
    hand.ask("x", volume_nl=25.0, lease_s=120.0)
    hand.go(5.0)
    assert hand.last(FLOW)["flow_nl_min"] == 0.0
    hand.go(2.0)
    assert hand.last(FLOW)["flow_nl_min"] == 50.0
    hand.go(6.0 + 30.0)
    # Half a minute after it opened 25 nl are through; six seconds more let 5 nl follow.
    assert hand.reports("x")[-1] == ("delivered", pytest.approx(30.0), None)
    assert hand.last(FLOW)["valve_open"] is False
    assert hand.plant.enclosures["a"].fill_pct == pytest.approx(100.0 + 100.0 * 30.0 / 1200.0)


def test_a_slow_valve_shuts_at_once_when_its_unit_loses_power_and_late_when_it_is_stopped() -> None:
    slow = Fault("valve_slow", "a/nitrogen", size=6.0)
    hand = ready(faults=[slow])
    hand.ask("x", volume_nl=100.0)
    hand.go(30.0)
    hand.stop("x")
    hand.ask("y")
    assert hand.reports("y")[-1] == ("refused", 0.0, "busy"), "it has not shut yet"
    hand.go(10.0)
    assert hand.reports("x")[-1] == ("aborted", pytest.approx(25.0), "stopped")
    hand = ready(faults=[slow, Fault("unit_off", "u", 30.0, 40.0)])
    hand.ask("x", volume_nl=100.0)
    hand.go(50.0)
    hand.ask("x")
    assert hand.reports("x")[-1] == ("aborted", pytest.approx(20.0), "stopped")


def test_a_valve_slower_than_the_flow_watchdog_gives_nothing() -> None:
    hand = ready(faults=[Fault("valve_slow", "a/nitrogen", size=30.0)])
    hand.ask("x", volume_nl=25.0)
    hand.hold(60.0)
    assert hand.reports("x")[-1] == ("aborted", 0.0, "no_flow")
    assert hand.plant.enclosures["a"].fill_pct == pytest.approx(100.0)


# ------------------------------------------------------------------------------------------------ reports


def test_reports_are_lost_while_the_valve_gives_its_gas() -> None:
    hand = ready(faults=[Fault("report_lost", "a/nitrogen", 0.0, 60.0)])
    hand.ask("x", volume_nl=25.0)
    hand.hold(70.0)
    assert hand.reports("x") == [] and hand.last(FLOW)["flow_nl_min"] == 0.0
    assert hand.plant.enclosures["a"].fill_pct == pytest.approx(100.0 + 100.0 * 25.0 / 1200.0)
    hand.ask("x")
    assert hand.reports("x") == [("delivered", 25.0, None)], "asked again it says what came of it"


def test_late_reports_come_with_the_time_of_what_they_tell() -> None:
    hand = ready(faults=[Fault("report_late", "a/nitrogen", size=40.0)])
    hand.ask("x", volume_nl=25.0)
    asked_at = hand.at(0.0)
    hand.go(35.0)
    assert hand.reports("x") == []
    hand.go(10.0)
    assert hand.reports("x") == [("accepted", 0.0, None)]
    assert hand.on("dosing/a/nitrogen/report")[0]["observed_at"] == asked_at
    hand.go(30.0)
    assert hand.reports("x")[-1] == ("delivered", 25.0, None)


def test_doubled_reports_are_the_same_twice() -> None:
    hand = ready(faults=[Fault("report_doubled", "a/nitrogen")])
    hand.ask("x", volume_nl=10.0)
    hand.go(20.0)
    said = hand.on("dosing/a/nitrogen/report")
    assert len(said) == 4 and said[0] == said[1] and said[2] == said[3]


def test_a_false_report_says_that_gas_was_given_and_none_was() -> None:
    hand = ready(faults=[Fault("report_false", "a/nitrogen")])
    hand.ask("x", volume_nl=25.0)
    hand.go(40.0)
    assert hand.reports("x")[-1] == ("delivered", 25.0, None)
    assert hand.on("dosing/a/nitrogen/report")[-1]["metered"] is False
    assert {one["flow_nl_min"] for one in hand.on(FLOW)} == {0.0, 50.0}
    assert hand.plant.enclosures["a"].fill_pct == pytest.approx(100.0)
    assert hand.plant.sources["generator"].flow_nl_min == 0.0


# ------------------------------------------------------------------------------------------------ clocks, sensors, analyser


def test_a_clock_that_drifts_gains_by_the_hour_until_it_is_set() -> None:
    hand = small(faults=[Fault("clock_drift", "u", 3600.0, 10_800.0, 30.0)])
    hand.to(7200.0)
    assert offset_s(hand, "u") == pytest.approx(30.0, abs=0.1) and offset_s(hand, "p") == 0.0
    hand.to(10_790.0)
    assert offset_s(hand, "u") == pytest.approx(60.0, abs=0.3)
    hand.to(10_810.0)
    assert offset_s(hand, "u") == 0.0


def test_a_clock_that_stands_still_says_the_same_time_and_goes_right_afterwards() -> None:
    hand = small(faults=[Fault("clock_frozen", "u", 100.0, 400.0)])
    hand.to(390.0)
    told = {one["observed_at"] for one in hand.on("hardware/u/status")[12:]}
    assert told == {hand.at(-290.0)}
    hand.to(420.0)
    assert offset_s(hand, "u") == 0.0


def test_a_drifting_sensor_reads_more_oxygen_by_the_day_and_a_poisoned_one_less_co2() -> None:
    faults = [Fault("sensor_drift", "r/door", 0.0, 43_200.0, 2.0), Fault("sensor_poisoned", "r/floor", size=0.25)]
    hand = small(faults=[*faults, Fault("co2_release", "r", 0.0, 600.0, size=60.0)])
    hand.to(43_190.0)
    door, floor = (hand.last(f"room/r/air/{one}") for one in ("door", "floor"))
    assert door["o2_pct"] - floor["o2_pct"] == pytest.approx(1.0, abs=0.005)
    assert floor["co2_pct"] == pytest.approx(0.25 * door["co2_pct"], abs=1e-3) and door["co2_pct"] > 0.5
    hand.to(43_300.0)
    assert hand.last("room/r/air/door")["o2_pct"] == hand.last("room/r/air/floor")["o2_pct"], "adjusted"


def test_noise_scatters_both_figures_without_moving_their_mean_and_leaves_other_chances_alone() -> None:
    noisy = small(faults=[Fault("analyser_noise", "an", 600.0, 6600.0, 0.5)])
    noisy.to(6600.0)
    said = noisy.on("analyser/an/reading")
    for gas, mean in (("o2_pct", AIR_O2_PCT), ("co2_pct", AIR_CO2_PCT)):
        figures = [one[gas] for one in said[130:]]
        assert statistics.stdev(figures) == pytest.approx(0.5, rel=0.1)
        assert statistics.mean(figures) == pytest.approx(mean, abs=0.06)
    assert len({one["o2_pct"] for one in said[:100]}) == 1


# ------------------------------------------------------------------------------------------------ stock, supply, bag, power


def test_an_empty_stock_gives_nothing_until_it_is_filled_again() -> None:
    hand = ready(faults=[Fault("stock_empty", "bank", 100.0, 200.0)])
    hand.to(110.0)
    assert hand.last("source/bank/status") | {"observed_at": ""} == {
        "observed_at": "", "available": False, "capacity_nl_min": 0.0, "stock_kg": 0.0,
    }  # fmt: skip
    hand.permit()
    hand.ask("x", "a/co2", 5.0, flow=20.0)
    assert hand.reports("x", "a/co2") == [("refused", 0.0, "no_source")]
    hand.to(210.0)
    assert hand.last("source/bank/status")["stock_kg"] == 0.1
    with pytest.raises(FaultError, match="stock_empty: 'generator' is no stock"):
        small(faults=[Fault("stock_empty", "generator")])


def test_a_leaking_supply_line_takes_from_the_stock_what_no_valve_gave() -> None:
    hand = small(faults=[Fault("supply_leak", "bank", 0.0, 600.0, 2.0)])
    hand.to(1200.0)
    assert hand.last("source/bank/status")["stock_kg"] == pytest.approx(0.1 - 20.0 * CO2_KG_PER_NL, abs=1e-3)
    assert all(one["flow_nl_min"] == 0.0 for one in hand.on("dosing/a/co2/flow"))
    hand = small(faults=[Fault("supply_leak", "bank", size=60.0)])
    hand.to(600.0)
    assert hand.last("source/bank/status")["available"] is False, "it runs empty by itself"


def test_a_torn_bag_exchanges_its_gas_beside_its_own_leak() -> None:
    hand = small(faults=[Fault("bag_torn", "a", 0.0, size=24.0)])
    bag = hand.plant.enclosures["a"]
    bag.o2_pct = 3.0
    hand.to(3600.0)
    # One exchange an hour: 20.946 - 17.946/e; the room's air gets a little poorer by it.
    assert hand.plant.gas("a")[0] == pytest.approx(AIR_O2_PCT - (AIR_O2_PCT - 3.0) / 2.71828, abs=0.15)


def test_a_power_cut_takes_units_sources_and_fans_and_gives_them_back() -> None:
    site = small_site(ventilation_m3_h=120.0)
    hand = ready(site=site, faults=[Fault("power_cut", "small", 20.0, 60.0)], boot="k")
    hand.ask("x", volume_nl=100.0)
    hand.to(50.0)
    plant = hand.plant
    assert all(unit.off for unit in plant.units.values()) and plant.rooms["r"].ventilation_nl_min == 0.0
    assert not any(source.available for source in plant.sources.values())
    assert plant.enclosures["a"].fill_pct == pytest.approx(100.0 + 100.0 * 50.0 / 3.0 / 1200.0, abs=0.02)
    hand.to(90.0)
    assert {one.boot for one in plant.units.values()} == {"k-2"} and plant.rooms["r"].ventilation_nl_min == 2000.0
    assert all(source.available for source in plant.sources.values())
    assert plant.sources["generator"].composition[0] > 5.0, "a generator that has just been started"


def test_a_power_cut_of_a_room_leaves_the_plant_room_alone_and_a_fault_beside_it_stands_on() -> None:
    hand = small(faults=[Fault("power_cut_room", "r", 20.0, 60.0), Fault("unit_off", "u", 0.0, 100.0)], assumptions=STILL)
    hand.to(50.0)
    assert [one.off for one in hand.plant.units.values()] == [True, True, False]
    hand.to(80.0)
    assert [one.off for one in hand.plant.units.values()] == [True, False, False]
    assert list(hand.plant.units) == ["u", "u2", "p"]
