"""Every kind of the library on a small site, one after the other: found within its bound, by an alarm that names it rightly,
with its consequence taken; or harmless; or not found, as its row says honestly.

n1 and s1 are held (their gas set by hand), n2 is pulled down from shortly before the fault on, so that doses of nitrogen and
then of CO2 are under way. Every site is watched by the nine rules.
"""

import tomllib
from dataclasses import dataclass

import pytest
from inprocess import acts, example

from simulator.assumed import Cadence
from simulator.crew import Act, Schedule
from simulator.faults import Fault, targets_of
from simulator.library import LIBRARY
from simulator.sitefile import read_site
from supervisor.core.catalogue import CATALOGUE
from supervisor.rehearsal.expected import EXPECTED, expected, touched
from supervisor.rehearsal.judged import Course, Judged, judge

SITE = example("n1", "n2", "s1")
HELD = {"n1": (5.0, 15.0), "s1": (3.0, 18.0)}
BEGIN_S, HOUR_S = 1800.0, 3600.0
CREW = acts((60, "seal", "n1"), (70, "seal", "s1"), (1500, "seal", "n2"))
CADENCE = Cadence(status_s=10, reading_s=10, air_s=10, climate_s=600, pulp_s=600, bag_s=600, flow_s=60, source_s=30)
ANALYSER = "analyser-1"


@dataclass(frozen=True)
class Case:
    """One fault as it is tried: how long it stands, and for how many hours after its begin all of it is looked at."""

    target: str
    size: float = 0.0
    hours: float = 1.0
    more: tuple[Act, ...] = ()
    found: bool = True
    beyond_pct: float = 0.0  # how far beyond its floor or ceiling the fault itself may bring fruit before it is found
    site: str = SITE


def calibrating(gas: str) -> tuple[Act, ...]:
    return (Act(BEGIN_S + 60.0, "calibrate", ANALYSER, {"gas": gas}),)


# Drift is sped up some hundred times, and so is the plan that finds it.
OFTEN = SITE.replace("zero_every_h = 24", "zero_every_h = 0.5").replace("span_every_h = 168", "span_every_h = 1.0")

CASES: dict[str, list[Case]] = {
    "leak": [Case("n1", 20.0), Case("n1", 2.0, found=False)],
    "bag_torn": [Case("n1", 30.0, 1.5), Case("n1", 300.0)],
    "hoses_swapped": [Case("n1+n2", beyond_pct=0.3)],
    "hose_kinked": [Case("n2/nitrogen", 0.3)],
    "valve_slow": [Case("n2/nitrogen", 15.0, 0.5), Case("n2/nitrogen", 2.0, found=False)],
    "report_lost": [Case("n2/nitrogen")],
    "report_late": [Case("n2/nitrogen", 300.0), Case("n2/nitrogen", 10.0, found=False)],
    "report_doubled": [Case("n2/nitrogen", found=False)],
    "report_false": [Case("n2/nitrogen")],
    "hose_off": [Case("n2/nitrogen"), Case("n2/co2", hours=2.5)],
    "valve_stuck_open": [Case("n2/nitrogen", 5.0), Case("n1/co2", 2.0, hours=0.2)],
    "valve_stuck_shut": [Case("n2/nitrogen")],
    "sensor_silent": [Case("north/north-door", hours=0.3)],
    "sensor_fault": [Case("north/north-floor", hours=0.3)],
    "sensor_flat": [Case("north/north-door", hours=0.8)],
    "sensor_off": [Case("north/north-door", 1.2, hours=0.3), Case("north/north-door", -1.2, hours=0.3)],
    "sensor_drift": [Case("north/north-door", 60.0, 0.6), Case("north/north-floor", -60.0, 0.6)],
    "sensor_poisoned": [Case("north/north-door", 0.2, found=False)],
    "analyser_noise": [Case(ANALYSER, 2.0), Case(ANALYSER, 0.3, found=False)],
    "analyser_dead": [Case(ANALYSER, hours=1.2)],
    "analyser_fault": [Case(ANALYSER, hours=1.2)],
    "analyser_flat": [Case(ANALYSER)],
    "analyser_wrong_line": [Case(f"{ANALYSER}/line-01", 0.0), Case(f"{ANALYSER}/line-01", 1.0)],
    "analyser_drift": [Case(ANALYSER, -20.0, 2.0, site=OFTEN)],
    "analyser_drift_co2": [Case(ANALYSER, -15.0, 2.5, site=OFTEN)],
    "analyser_drift_gain": [Case(ANALYSER, -50.0, 2.0, site=OFTEN)],
    "calibration_gas_empty": [Case("zero-n2", size, more=calibrating("zero-n2")) for size in (0.0, 1.0)],
    "calibration_gas_wrong": [Case("check-3-18", 9.0, more=calibrating("check-3-18"))],
    "analyser_carry_over": [Case(ANALYSER, 0.3)],
    "analyser_selector_leak": [Case(ANALYSER, 0.2)],
    "line_leak": [Case(f"{ANALYSER}/line-01", 0.5)],
    "analyser_moisture": [Case(ANALYSER, 2.3, found=False)],
    "analyser_offset": [Case(f"{ANALYSER}/co2", 2.0), Case(f"{ANALYSER}/o2", -0.6, site=OFTEN)],
    "analyser_scale": [Case(f"{ANALYSER}/o2", 0.01), Case(f"{ANALYSER}/co2", 1e4)],
    "analyser_pegged": [Case(f"{ANALYSER}/o2", 25.0), Case(f"{ANALYSER}/co2", -1.0)],
    "clock_offset": [Case("gateway-north", 15.0, 0.3), Case("gateway-plant", -7200.0),
                     Case("gateway-north", 8.0, 0.3, found=False)],
    "clock_drift": [Case("gateway-north", 60.0, 0.4), Case("gateway-plant", -60.0, 0.4)],
    "clock_frozen": [Case("gateway-north", hours=0.3), Case("gateway-plant", hours=0.3)],
    "power_cut": [Case("quillfen", hours=0.3)],
    "power_cut_room": [Case("north", hours=0.3)],
    "unit_off": [Case("gateway-north", hours=0.3), Case("gateway-plant", hours=0.3)],
    "source_off": [Case("generator", hours=0.5)],
    "source_weak": [Case("generator", 0.3, found=False)],
    "compressor_weak": [Case("generator", 0.1)],
    "vaporiser_cold": [Case("bank", 0.05, 2.0, found=False)],
    "source_impure": [Case("generator", 5.0), Case("bank", 10.0, 2.0, found=False), Case("blower", 10.0, 2.0, found=False)],
    "stock_empty": [Case("bank", hours=0.3)],
    "supply_leak": [Case("bank", 30.0), Case("generator", 30.0, 0.5, found=False)],
    "person_alone": [Case("north", hours=0.3, found=False)],
    "person_overdue": [Case("north", 10.0, 0.5)],
    "people_unsigned": [Case("north", hours=0.3)],
    "refrigeration_off": [Case("north", hours=3.0, found=False)],
    "ventilation_off": [Case("north", found=False)],
    "nitrogen_release": [Case("north", 600.0, 0.5)],
    "co2_release": [Case("north", 60.0, 0.5)],
}  # fmt: skip
EACH = [pytest.param(name, one, id=f"{name} {one.target} {one.size:g}") for name, cases in CASES.items() for one in cases]


def tried(run_site, name: str, case: Case) -> tuple[object, Judged]:
    end_s = BEGIN_S + case.hours * HOUR_S
    crew = Schedule((*CREW.acts, *case.more))
    fault = Fault(name, case.target, BEGIN_S, end_s, case.size)
    site = run_site(site_text=case.site, faults=[fault], crew=crew, step_s=10.0, cadence=CADENCE)
    course, witness = Course(), site.tap
    site.tap = lambda event, out: (witness(event, out), course.see(site.elapsed_s, out))
    site.run_to(100)
    for enclosure, (o2_pct, co2_pct) in HELD.items():
        inside = site.plant.enclosures[enclosure]
        inside.o2_pct, inside.co2_pct = o2_pct, co2_pct
        inside.fruit.dissolved_nl = inside.fruit.full_nl_pct * co2_pct
    site.run_to(BEGIN_S)
    assert [site.state(one)["state"] for one in ("n1", "n2", "s1")] == ["holding", "pulling_down", "holding"]
    while site.elapsed_s < end_s:
        site.run_to(min(site.elapsed_s + 300.0, end_s))
        unharmed(site, case.beyond_pct)
    return site, judge(site.site, fault, course, end_s)


def unharmed(site, beyond_pct: float) -> None:
    """By the plant's truth: what software gave has brought no fruit below its floor or above its ceiling."""
    for enclosure in ("n1", "n2", "s1"):
        recipe, (o2_pct, co2_pct) = site.site.recipe_of(enclosure), site.plant.gas(enclosure)
        if site.state(enclosure)["state"] != "faulted":
            within = o2_pct > recipe.o2_floor_pct - beyond_pct and co2_pct < recipe.co2_ceiling_pct + beyond_pct
            assert within, f"{enclosure}: {o2_pct:.2f} % O2, {co2_pct:.2f} % CO2"


@pytest.mark.parametrize(("name", "case"), EACH)
def test_a_fault_is_found_and_answered_or_harms_nobody(run_site, name: str, case: Case) -> None:
    site, came = tried(run_site, name, case)
    assert came.well, f"{came.alarm or 'nothing'} at {came.found_s} s; consequence taken: {came.taken}; {came.others}"
    assert (came.found_s is not None) is case.found, came.alarm
    if case.found:
        assert came.taken is not False
    assert site.events("guard_refused") == []


def dosed_in_north(site, from_s: float, to_s: float) -> list[object]:
    told = [(at_s - 1000.0, one) for at_s, one in site.requests if one.enclosure in ("n1", "n2") and one.gas != "air"]
    return [one for at_s, one in told if from_s < at_s < to_s]


def test_nothing_flows_while_somebody_waits_at_the_door_alone(run_site) -> None:
    site, _ = tried(run_site, "person_alone", Case("north", hours=0.5))
    ended_s = BEGIN_S + 0.5 * HOUR_S
    assert not dosed_in_north(site, BEGIN_S + 20.0, ended_s)
    site.run_to(ended_s + HOUR_S)
    assert dosed_in_north(site, ended_s, ended_s + HOUR_S), "signed out again"


def test_a_poisoned_sensor_is_found_by_its_neighbour_as_soon_as_there_is_co2_to_miss(run_site) -> None:
    poisoned = Fault("sensor_poisoned", "north/north-floor", 0.0, size=0.1)
    release = Fault("co2_release", "north", BEGIN_S, size=300.0)
    site = run_site(site_text=SITE, faults=[poisoned, release], crew=CREW, step_s=10.0)
    site.run_to(BEGIN_S + 1200.0)
    told = [str(one.figures["alarm"]) for one in site.events("alarm_raised")]
    assert told[0] == "room_air_moving-north" and "room_air_unknown-north" in told


# ------------------------------------------------------------------------------------------------ the table itself


def test_every_kind_has_a_row_and_a_case_and_no_row_is_of_no_kind() -> None:
    assert set(CASES) == set(LIBRARY)
    assert {name.partition("/")[0] for name in EXPECTED} == set(LIBRARY)


@pytest.mark.parametrize("name", EXPECTED)
def test_a_row_says_when_it_is_found_or_why_it_is_not(name: str) -> None:
    row = EXPECTED[name]
    assert set(row.alarms) <= set(CATALOGUE)
    assert bool(row.alarms) or (row.unseen and row.within_s is None and row.consequence == "told")
    assert (row.within_s is None) is (row.bound == "")
    assert row.harmless or (row.within_s is not None and row.least == 0.0)
    assert row.alarms == () or row.unseen == ""


def test_what_an_alarm_must_be_about_is_something_that_the_site_has(run_site) -> None:
    site = run_site(site_text=SITE).site
    there = {"site", *site.enclosures, *site.rooms, *site.gas_sources, *site.analysers, *site.calibration_gases}
    plant = read_site(tomllib.loads(SITE))
    there |= set(plant.units)
    for on, targets in targets_of(plant).items():
        for target in targets:
            assert touched(site, on, target) <= there and touched(site, on, target), f"{on} {target}"
    assert expected("source_impure", "co2") is EXPECTED["source_impure/co2"]
    with pytest.raises(KeyError):
        expected("gremlin")
