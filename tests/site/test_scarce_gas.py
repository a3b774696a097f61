"""One generator for six enclosures at once, sized at 60 % of what their inlets take; it fails, and comes back badly."""

from inprocess import EXAMPLE, acts
from pytest import approx

from simulator.faults import Fault
from supervisor.values import RequestDose

SIX = ("n1", "n3", "n5", "s1", "s3", "s6")
GENERATOR_NL_MIN = 0.6 * 6 * 50
OFF_S, BACK_S, PURE_S = 2400.0, 6000.0, 7800.0
HOUR_S = 3600.0


def scarce(run_site, *faults):
    text = EXAMPLE.read_text(encoding="utf-8").replace("capacity_nl_min = 200", f"capacity_nl_min = {GENERATOR_NL_MIN:g}")
    return run_site(site_text=text, crew=acts(*((180, "seal", name) for name in SIX)), step_s=10.0, faults=faults)


def raised(site) -> list[str]:
    return sorted(str(one.figures["alarm"]) for one in site.events("alarm_raised"))


def test_an_outage_and_then_impure_gas_are_one_alarm_each_and_all_six_come_through(run_site):
    off, impure = Fault("source_off", "generator", OFF_S, BACK_S), Fault("source_impure", "generator", BACK_S, PURE_S, 8.0)
    site = scarce(run_site, off, impure)
    flows: list[float] = []
    tap = site.tap

    def look(event, outgoing):
        tap(event, outgoing)
        flows.append(site.plant.sources["generator"].flow_nl_min)

    site.tap = look
    site.run_to(6 * HOUR_S)
    asked_s = [mono_s - 1000.0 for mono_s, one in site.requests if isinstance(one, RequestDose) and one.gas == "nitrogen"]
    before_s = [one for one in asked_s if one < OFF_S]
    assert before_s and max(flows) == approx(GENERATOR_NL_MIN), "scarce: all that it gives was taken"
    assert not [one for one in asked_s if OFF_S + 20.0 < one < PURE_S + 110.0], "nothing is requested meanwhile"
    assert raised(site) == ["source_impure-generator", "source_unavailable-generator"]
    assert {site.state(name)["state"] for name in SIX} == {"holding"}
    assert not [key for key, body in site.alarms().items() if body["condition"]]
    assert site.events("guard_refused") == []
    for name in SIX:
        recipe = site.site.recipe_of(name)
        assert site.plant.gas(name)[0] == approx(recipe.o2_pct, abs=1.6 * recipe.o2_band_pct), name


def test_a_compressor_that_sags_without_knowing_is_found_at_the_source_and_blamed_on_no_valve(run_site):
    """A quarter of what it says: its buffer is empty within minutes, its pressure tells, and it is given time to fill again."""
    site = scarce(run_site, Fault("compressor_weak", "generator", 1200, 6000, 0.25))
    site.run_to(4.5 * HOUR_S)
    assert raised(site) == ["source_pressure_low-generator"], "once, however often it sags"
    low_kpa = [float(value) for row in site.rows if row.measurement == "source" for name, value in row.fields
               if name == "pressure_kpa" and dict(row.tags)["source"] == "generator"]  # fmt: skip
    assert min(low_kpa) < 500.0 < max(low_kpa)
    assert {site.state(name)["state"] for name in SIX} == {"holding"}
    assert site.events("guard_refused") == []
