"""Each fault does what it says, begins and ends, and one that cannot be is refused with the mend."""

from pathlib import Path

import pytest
from sim_plants import SPARSE, ready, small, small_site

from simulator.assumed import AIR_O2_PCT, Assumptions
from simulator.faults import Fault, FaultError, load_faults, targets_of
from simulator.library import LIBRARY
from simulator.sitefile import read_site


def test_a_leak_begins_and_ends() -> None:
    hand = small(faults=[Fault("leak", "a", 0.0, 86_400.0, 0.24)], cadence=SPARSE)
    bag = hand.plant.enclosures["a"]
    bag.o2_pct = 3.0
    hand.to(86_400.0)
    # 0.01 per hour: 6.83 % after a day from 3 % [D]; room air here hardly falls below 20.946.
    assert hand.plant.gas("a")[0] == pytest.approx(6.83, abs=0.04)
    hand.to(2 * 86_400.0)
    assert hand.plant.gas("a")[0] == pytest.approx(6.83, abs=0.04)


def test_with_a_hose_off_gas_is_metered_and_goes_into_the_room() -> None:
    hand = ready(faults=[Fault("hose_off", "a/nitrogen", 0.0)], site=small_site(room_m3=10.0))
    hand.ask("x", volume_nl=40.0)
    hand.go(60.0)
    assert hand.reports("x")[-1] == ("delivered", 40.0, None)
    assert hand.plant.gas("a")[0] == pytest.approx(AIR_O2_PCT)
    assert hand.plant.enclosures["a"].fill_pct == pytest.approx(100.0)
    # 40 nl of nitrogen at 0.5 % O2 into 10 m3.
    assert hand.plant.rooms["r"].o2_pct == pytest.approx(AIR_O2_PCT - 40.0 / 10_000.0 * (AIR_O2_PCT - 0.5), abs=1e-3)


def test_a_sensor_that_stands_still_says_its_last_word_again_and_one_that_is_off_reads_too_much() -> None:
    faults = [Fault("sensor_flat", "r/door", 100.0, 200.0), Fault("sensor_off", "r/floor", 100.0, 200.0, -2.0)]
    hand = small(faults=faults, assumptions=Assumptions())
    hand.to(300.0)
    said = {name: hand.on(f"room/r/air/{name}") for name in ("door", "floor")}
    flat = {(one["o2_pct"], one["co2_pct"]) for one in said["door"][21:39]}
    assert len(flat) == 1 and len({one["o2_pct"] for one in said["door"][:19]}) > 5
    assert len({one["o2_pct"] for one in said["door"][41:]}) > 5
    assert max(one["o2_pct"] for one in said["floor"][21:39]) < 19.1 < min(one["o2_pct"] for one in said["floor"][41:])
    assert {one["co2_pct"] for one in said["floor"][21:39]} == {0.0}, "a sensor does not read less than nothing"


def test_a_hose_that_comes_off_during_a_dose() -> None:
    hand = ready(faults=[Fault("hose_off", "a/nitrogen", 24.0)])
    hand.ask("x", volume_nl=40.0)
    hand.go(60.0)
    assert hand.reports("x")[-1] == ("delivered", 40.0, None)
    assert hand.plant.enclosures["a"].fill_pct == pytest.approx(100.0 + 100.0 * 20.0 / 1200.0)


def test_a_valve_stuck_open_flows_unasked_and_shows_it() -> None:
    hand = small(faults=[Fault("valve_stuck_open", "a/nitrogen", 10.0, 70.0)])
    hand.to(100.0)
    flows = [(one["valve_open"], one["flow_nl_min"]) for one in hand.on("dosing/a/nitrogen/flow")]
    assert flows == [(False, 0.0), (True, 50.0), (True, 50.0), (False, 0.0)]
    assert hand.plant.enclosures["a"].fill_pct == pytest.approx(100.0 + 100.0 * 50.0 / 1200.0)


def test_a_valve_that_sticks_during_a_dose_reports_its_dose_and_flows_on() -> None:
    hand = ready(faults=[Fault("valve_stuck_open", "a/nitrogen", 12.0, size=5.0)])
    hand.ask("x", volume_nl=12.0)
    hand.go(50.0)
    assert hand.reports("x")[-1] == ("delivered", 12.0, None)
    assert hand.last("dosing/a/nitrogen/flow") | {"observed_at": ""} == {
        "observed_at": "",
        "valve_open": True,
        "flow_nl_min": 5.0,
    }
    hand.permit(dosing=False)
    hand.go(50.0)
    assert hand.last("dosing/a/nitrogen/flow")["valve_open"] is True


def test_a_silent_sensor_alone_falls_silent_and_a_faulty_one_says_so() -> None:
    hand = small(faults=[Fault("sensor_silent", "r/door", 100.0, 200.0), Fault("sensor_fault", "r/floor", 150.0, 200.0)])
    hand.to(300.0)
    assert [one["seq"] for one in hand.on("room/r/air/door")] == [*range(1, 21), *range(41, 62)]
    assert [one["status"] for one in hand.on("room/r/air/floor")] == ["ok"] * 30 + ["fault"] * 10 + ["ok"] * 21


def test_a_unit_whose_clock_is_off_stamps_everything_with_it() -> None:
    hand = small(faults=[Fault("clock_offset", "u2", 0.0, size=3600.0)])
    hand.to(30.0)
    assert hand.last("room/r/air/floor")["observed_at"] == hand.at(3600.0)
    assert hand.last("hardware/u2/status")["observed_at"] > hand.at(3500.0)
    assert hand.last("room/r/air/door")["observed_at"] == hand.at(0.0)


def test_a_unit_that_loses_power_shuts_its_valves_falls_silent_and_comes_back_with_a_new_boot() -> None:
    hand = ready(faults=[Fault("unit_off", "u", 12.0, 40.0)], boot="k")
    hand.ask("x", volume_nl=40.0)
    hand.go(20.0)
    assert hand.last("hardware/u/status")["online"] is False
    assert ("hardware/u/status", True) in [(topic, retain) for topic, _, retain in hand.said]
    said = len(hand.said)
    hand.ask("y")
    hand.permit()
    hand.go(15.0)
    assert not any(topic.startswith(("dosing/", "enclosure/", "hardware/u/")) for topic, _, _ in hand.said[said:])
    assert hand.plant.enclosures["a"].fill_pct == pytest.approx(100.0 + 100.0 * 10.0 / 1200.0)
    hand.go(10.0)
    assert hand.last("hardware/u/status") | {"observed_at": ""} == {
        "observed_at": "",
        "online": True,
        "boot": "k-2",
        "epoch_seen": 1,
    }
    hand.ask("z")
    assert hand.reports("z") == [("refused", 0.0, "no_permit")]
    hand.ask("x")
    assert hand.reports("x")[-1] == ("aborted", 10.0, "stopped")


def test_a_room_without_its_fan_keeps_what_is_released() -> None:
    site = small_site(ventilation_m3_h=600.0)
    release = Fault("co2_release", "r", 0.0, size=1000.0 / 60.0)
    aired = small(site=site, faults=[release])
    aired.to(3600.0)
    still = small(site=site, faults=[release, Fault("ventilation_off", "r", 0.0)])
    still.to(3600.0)
    # 1 m3/h: 0.042 + 100/601 where 600 m3/h air it; 0.042 + 60 min into 60 m3 where nothing does.
    assert aired.plant.rooms["r"].co2_pct == pytest.approx(0.042 + 100.0 / 601.0, abs=1e-3)
    assert still.plant.rooms["r"].co2_pct == pytest.approx(1.69, abs=0.01)
    assert still.last("room/r/climate")["ventilation_m3_h"] == 0.0


@pytest.mark.parametrize(
    "fault",
    [
        Fault("gremlin", "a"),
        Fault("leak", "zz"),
        Fault("leak", "a", 10.0, 5.0),
        Fault("leak", "a", size=float("nan")),
        Fault("source_weak", "generator", size=1.1),
        Fault("clock_offset", "u", size=1e9),
        Fault("unit_off", "u", size=1.0),
        Fault("hose_off", "a"),
        Fault("sensor_silent", "door"),
        Fault("analyser_wrong_line", "an"),
    ],
)
def test_a_fault_that_cannot_be_is_refused_and_named(fault: Fault) -> None:
    with pytest.raises(FaultError, match=f"{fault.name}"):
        small(faults=[fault])


def test_faults_from_a_file(tmp_path: Path) -> None:
    file = tmp_path / "faults.toml"
    file.write_text('[[fault]]\nname = "leak"\ntarget = "a"\nstart_s = 5\nsize = 0.5\n')
    assert load_faults(file) == [Fault("leak", "a", 5, size=0.5)]
    file.write_text('[[fault]]\nname = "leak"\nbegin = 5\n')
    with pytest.raises(FaultError, match="faults.toml: .*begin.*allowed: name, target, start_s, end_s, size"):
        load_faults(file)
    file.write_text('[[fault]]\nname = "leak"\ntarget = "a"\nsize = "big"\n')
    with pytest.raises(FaultError, match="size must be a number, found 'big'"):
        load_faults(file)
    file.write_text("[[fault")
    with pytest.raises(FaultError, match="faults.toml"):
        load_faults(file)


def test_every_kind_of_fault_can_come_and_go_without_breaking_the_plant() -> None:
    targets = targets_of(read_site(small_site()))
    sizes = {
        name: 0.0 if kind.size is None else max(kind.size.least, min(0.5, kind.size.greatest)) for name, kind in LIBRARY.items()
    }
    faults = [
        Fault(name, target, 5.0 + i, 200.0 + i, sizes[name])
        for i, (name, kind) in enumerate(LIBRARY.items())
        for target in sorted(targets[kind.on])
    ]
    hand = ready(faults=faults)
    hand.ask("x", volume_nl=40.0)
    hand.select("la")
    hand.to(400.0)
    hand.permit()
    hand.ask("y", volume_nl=20.0)
    hand.go(30.0)
    assert hand.reports("y")[-1] == ("delivered", 20.0, None)
