"""The gas accounts against the plant: what its own meters counted, and what its CO2 bank lost."""

from inprocess import acts
from pytest import approx

from tests.benchmarks.meter import Metered

CO2_KG_PER_NL = 1.9768e-3  # retyped


def books(site: Metered):
    return site.engine._core.state.books


def booked(site: Metered, gas: str) -> float:
    return sum(book.season[gas].delivered_nl for book in books(site).enclosures.values() if gas in book.season)


def test_the_accounts_are_what_the_plant_s_meters_counted() -> None:
    """Over two pull-downs, with a crash between, a dose that was stopped, and a valve whose last words are lost for a while."""
    site = Metered(crew=acts((180, "seal", "n1"), (180, "seal", "n5"), (1500, "stop", "n5")), step_s=10.0)
    site.run_to(1200)
    site.crash()
    site.run_to(2 * 3600)
    for name, gas in site.meter.given_nl:
        amounts = books(site).enclosures[name].season[gas]
        assert amounts.delivered_nl == approx(site.meter.given_nl[name, gas], rel=1e-3) and amounts.unknown_nl == 0.0
    for gas in ("nitrogen", "co2"):
        assert booked(site, gas) == approx(site.meter.total_nl(gas), rel=1e-3) and booked(site, gas) > 100.0
    stock = books(site).sources["bank"].stock
    assert stock.loss_kg == approx(300.0 - site.plant.sources["bank"].stock_kg, abs=0.01)
    assert stock.loss_kg == approx(booked(site, "co2") * CO2_KG_PER_NL, abs=0.01)
    assert not [name for name in site.alarms() if "stock" in name or "order" in name]


def test_what_was_lost_on_the_way_is_unknown_and_the_truth_lies_between() -> None:
    site = Metered(crew=acts((180, "seal", "n1")), step_s=10.0)
    site.run_to(900)
    site.muted = lambda topic: topic == "dosing/n1/nitrogen/report"
    site.run_to(1500)
    site.muted = lambda topic: False
    site.run_to(3600)
    amounts = books(site).enclosures["n1"].season["nitrogen"]
    assert amounts.unknown_nl > 0.0
    assert amounts.delivered_nl * 0.999 <= site.meter.given_nl["n1", "nitrogen"] <= amounts.given_nl * 1.001


def test_gas_that_goes_elsewhere_is_told_and_a_refill_is_no_mistake() -> None:
    """The bank loses 0.3 kg each ten minutes on the way; then it is filled."""
    site = Metered(crew=acts((180, "seal", "n1")), step_s=10.0)
    bank = site.plant.sources["bank"]
    for minute in range(10, 130, 10):
        site.run_to(60.0 * minute)
        bank.stock_kg -= 0.3 if minute <= 90 else 0.0
    assert list(site.alarms()) == ["stock_disagrees-bank"]
    told = site.alarms()["stock_disagrees-bank"]
    assert not told["condition"] and told["occurrence"] == 1 and "went out and at most" in told["text"]
    bank.stock_kg += 40.0
    site.run_to(3600.0 * 2.5)
    (refill,) = books(site).sources["bank"].stock.refills
    assert refill.added_kg == approx(40.0, abs=0.1) and site.alarms()["stock_disagrees-bank"]["occurrence"] == 1
    assert site.events("stock_refilled")[0].figures["added_kg"] == approx(40.0, abs=0.1)
