"""What goes wrong with the hardware: found, named, and answered; nothing unsafe is ever requested on the way."""

import pytest
from inprocess import acts, example

from simulator.faults import Fault

HOUR_S = 3600.0
SITE = example("n1", "s1")
CREW = acts((180, "seal", "n1"), (300, "seal", "s1"))


def run(run_site, *faults, hours, **options):
    site = run_site(site_text=SITE, faults=faults, crew=CREW, **options)
    site.run_to(hours * HOUR_S)
    return site


def raised(site) -> list[str]:
    return [str(one.figures["alarm"]) for one in site.events("alarm_raised")]


def test_a_hose_that_is_off_is_found_within_minutes(run_site):
    site = run(run_site, Fault("hose_off", "n1/nitrogen", 600), hours=3)
    assert "no_response-n1" in raised(site)
    assert site.state("n1")["state"] == "faulted"
    assert site.state("s1")["state"] == "holding", "the neighbour is none the worse"
    lost_nl = sum(one.volume_nl for mono_s, one in site.requests if one.enclosure == "n1" and mono_s > 1000.0 + 600)
    assert lost_nl < 0.6 * 1250, "a third of a purge; without the watch it would go on for ever"


def test_a_valve_stuck_open_is_found_and_the_enclosure_faulted(run_site):
    site = run(run_site, Fault("valve_stuck_open", "n1/nitrogen", 7200, 9000, 20.0), hours=2.6)
    assert "unrequested_flow-n1" in raised(site)
    assert site.state("n1")["state"] == "faulted"
    alarm = site.retained["alarm/unrequested_flow-n1"]
    assert "20.0 nl/min" in alarm["text"] and "at most" in alarm["text"]


def test_a_valve_stuck_shut_is_told_with_its_code_and_mends_itself(run_site):
    site = run(run_site, Fault("valve_stuck_shut", "n1/nitrogen", 600, 5400), hours=4)
    assert "dose_failing-n1" in raised(site)
    assert "no_flow" in site.retained["alarm/dose_failing-n1"]["text"]
    assert site.state("n1")["state"] == "holding"


@pytest.mark.parametrize("fault", ["sensor_silent", "sensor_fault"])
def test_a_lost_room_sensor_withdraws_the_permit_in_time_and_shuts_the_valves(run_site, fault):
    site = run_site(site_text=SITE, faults=[Fault(fault, "north/north-door", 1500, 2600)], crew=CREW)
    site.run_to(1495)
    assert site.engine._core.state.rooms["north"].dosing_permitted
    timing = site.site.timing
    site.run_to(1500 + timing.air_age_s_max + 5 + 2 * timing.tick_s)
    assert not site.engine._core.state.rooms["north"].dosing_permitted
    assert site.retained["room/north/entry"]["status"] == "forbidden"
    requests = len([one for _, one in site.requests if one.enclosure == "n1"])
    assert site.plant.valves["n1/nitrogen"].flow_nl_min == 0.0
    site.run_to(2600)
    assert len([one for _, one in site.requests if one.enclosure == "n1"]) == requests
    assert site.engine._core.state.rooms["south"].dosing_permitted, "the other room goes on"
    site.run_to(4 * HOUR_S)
    assert site.state("n1")["state"] == "holding"
    # Loss of input is an alarm of its own; good air again does not end it, a named person does.
    assert site.retained["alarm/room_air_unknown-north"]["state"] == "returned_unacknowledged"


def test_a_dead_analyser_stops_gas_when_samples_are_old_and_control_comes_back(run_site):
    site = run(run_site, Fault("analyser_dead", "analyser-1", 1200, 12_000), hours=5.5)
    assert "analyser_silent-analyser-1" in raised(site)
    held_back = {one.figures["alarm"] for one in site.events("alarm_suppressed")}
    assert {"sample_overdue-n1", "sample_overdue-s1"} <= held_back - set(raised(site)), "one alarm, not one for each enclosure"
    dosed_s = [mono_s - 1000.0 for mono_s, _ in site.requests]
    assert not [one for one in dosed_s if 1200 + site.site.timing.sample_age_s_max < one < 12_000]
    assert {site.state(name)["state"] for name in ("n1", "s1")} == {"holding"}


def test_nothing_is_dosed_through_a_unit_that_is_off_or_whose_clock_is_off(run_site):
    off, slow = Fault("unit_off", "gateway-north", 1200, 2400), Fault("clock_offset", "gateway-north", 1200, 2400, size=60.0)
    for fault in (off, slow):
        site = run(run_site, fault, hours=3.5)
        dosed_s = [mono_s - 1000.0 for mono_s, one in site.requests if one.enclosure == "n1"]
        assert not [one for one in dosed_s if 1200 + 50 < one < 2400], fault.name
        assert any(name.startswith(("unit_silent", "unit_clock_off")) for name in raised(site))
        assert site.state("n1")["state"] == "holding"


def test_a_clock_a_little_off_is_corrected_and_harms_nothing(run_site):
    faults = [Fault("clock_offset", f"gateway-{one}", 0, size=8.0) for one in ("north", "south", "plant")]
    site = run(run_site, *faults, hours=3)
    assert site.state("n1")["state"] == site.state("s1")["state"] == "holding"
    assert raised(site) == []


def test_a_source_that_is_off_is_asked_for_nothing_and_said_once(run_site):
    site = run(run_site, Fault("source_off", "generator", 1200, 6000), hours=4)
    dosed_s = [mono_s - 1000.0 for mono_s, one in site.requests if one.gas == "nitrogen"]
    assert not [one for one in dosed_s if 1200 + 60 < one < 6000]
    assert raised(site).count("source_unavailable-generator") == 1
    assert {site.state(name)["state"] for name in ("n1", "s1")} == {"holding"}


def test_impure_nitrogen_stops_a_purge_that_would_never_arrive(run_site):
    site = run(run_site, Fault("source_impure", "generator", 1200, 6000, size=8.0), hours=4.5)
    dosed_s = [mono_s - 1000.0 for mono_s, one in site.requests if one.gas == "nitrogen"]
    assert not [one for one in dosed_s if 1200 < one < 6000 + 100]
    assert raised(site) == ["source_impure-generator"], "one alarm, not one for each enclosure"
    assert {site.state(name)["state"] for name in ("n1", "s1")} == {"holding"}


def test_co2_in_the_room_is_found_by_co2_long_before_oxygen_shows_it(run_site):
    # An air change an hour, so that the room is good again within the afternoon.
    airy = SITE.replace("ventilation_m3_h = 120", "ventilation_m3_h = 400")
    site = run_site(site_text=airy, faults=[Fault("co2_release", "north", 3000, 6000, size=300.0)], crew=CREW)
    site.run_to(6000)
    names = raised(site)
    assert names.index("room_air_unsafe-north") < names.index("room_air_dangerous-north")
    assert site.retained["room/north/sounder"]["on"] is True
    worst = min(sensor.o2_pct for sensor in site.engine._core.state.rooms["north"].sensors.values())
    assert worst > 20.0, "oxygen alone would have called this room good"
    assert site.retained["room/north/entry"]["status"] == "forbidden"
    site.run_to(5 * HOUR_S)
    alarm = site.retained["alarm/room_air_dangerous-north"]
    assert (alarm["state"], alarm["condition"]) == ("latched_unacknowledged", False)
    assert site.retained["room/north/entry"]["status"] == "restricted", "good air alone does not open the room again"
    assert site.retained["room/north/sounder"]["on"] is True


def test_a_burst_seal_is_named_and_no_gas_is_poured_after_it(run_site):
    site = run(run_site, Fault("leak", "n1", 9000, size=20.0), hours=6, step_s=10.0)
    requested_nl = sum(one.volume_nl for mono_s, one in site.requests if one.enclosure == "n1" and one.gas == "nitrogen"
                       and mono_s > site.mono_s - 86_400)  # fmt: skip
    assert requested_nl <= site.site.limits.nitrogen.per_day_nl + 1e-6
    assert "no_response-n1" in raised(site)
    assert site.state("n1")["state"] == "faulted", "gas was given and nothing moved: a person has to look"
