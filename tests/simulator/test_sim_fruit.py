"""Fruit against published respiration and solubility. [D]: computed from the stated inputs."""

import pytest

from simulator.assumed import SUGAR_FACTOR
from simulator.fruit import CROPS, Fruit, co2_solubility_nl_l, respiration_nl_kg_h


@pytest.mark.parametrize(
    ("crop", "at_0c", "at_5c"),
    [("black currant", 16, 28), ("blueberry", 6, 11), ("blackberry", 19, 36), ("sweet cherry", 8, 22)],
)
def test_rates_lie_between_the_tables_points(crop: str, at_0c: float, at_5c: float) -> None:
    # USDA AH-66, mg CO2/kg/h (black currant from its chapter, the others from memory); R2 = R0 (R5/R0)^0.4.
    row = CROPS[crop]
    assert row.mg_kg_h_at_2c == pytest.approx(at_0c * (at_5c / at_0c) ** 0.4, rel=0.01)
    assert row.q10 == pytest.approx((at_5c / at_0c) ** 2, rel=0.01)


def test_milligrams_become_normal_litres() -> None:
    # 7.65 mg/kg/h at 2 degC is 3.90 ml/kg/h there (density 1.962 kg/m3, CoolProp) and 1/1.0073 of that at 0 degC.
    assert respiration_nl_kg_h("blueberry", 2.0) * 1.00732e3 == pytest.approx(3.90, abs=0.01)


def test_ten_kelvin_multiply_by_the_published_factor() -> None:
    # Raspberry Q10 1.9, Joles et al. 1994; 12 ml/kg/h at 0 degC gives 13.64 at 2 degC.
    ratio = respiration_nl_kg_h("raspberry", 12.0) / respiration_nl_kg_h("raspberry", 2.0)
    assert ratio == pytest.approx(1.9)
    at_0c = respiration_nl_kg_h("raspberry", 0.0)
    assert 12.0 * respiration_nl_kg_h("raspberry", 2.0) / at_0c == pytest.approx(13.64, abs=0.01)


def test_uptake_falls_with_oxygen_as_published() -> None:
    # Km 5.6: f(3)/f(20.95) = 0.4421 (Joles et al. 1994 for Km).
    fruit = Fruit(400.0, 0.0136, 2.0, km_o2_pct=5.6)
    assert fruit.uptake_nl_min(3.0) / fruit.uptake_nl_min(20.95) == pytest.approx(0.4421, abs=1e-4)


def test_uptake_is_none_without_oxygen_and_rises_with_it() -> None:
    fruit = Fruit(400.0, 0.0136, 2.0)
    rates = [fruit.uptake_nl_min(o2_pct / 10.0) for o2_pct in range(0, 210)]
    assert rates[0] == 0.0
    assert all(lower < higher for lower, higher in zip(rates, rates[1:], strict=False))
    assert rates[-1] == pytest.approx(400.0 * 0.0136 / 60.0, rel=0.01)


def test_co2_dissolves_as_weiss_says() -> None:
    # 0.0717 mol/l/atm at 2 degC (Weiss 1974, from memory). 600 kg at 85 % water and 18 %: 6.59 mol [D], pure water.
    assert co2_solubility_nl_l(2.0) / 22.414 == pytest.approx(0.0717, abs=2e-4)
    fruit = Fruit(600.0, 0.0039, 2.0)
    assert fruit.full_nl_pct * 18.0 / SUGAR_FACTOR / 22.414 == pytest.approx(6.59, abs=0.02)


def test_half_has_dissolved_after_the_half_time() -> None:
    # About 3.5 h, measured in cod fillets by Rotabakk 2007; for fruit assumed.
    fruit = Fruit(600.0, 0.0039, 2.0)
    fruit.dissolved_nl = 0.0
    for _ in range(210):
        fruit.dissolved_nl += fruit.dissolving_nl_min(18.0, 1.0)
    assert fruit.dissolved_nl == pytest.approx(fruit.full_nl_pct * 9.0, rel=1e-6)
    assert fruit.dissolving_nl_min(0.0, 1.0) < 0.0


def test_a_crop_without_a_row_still_breathes() -> None:
    assert respiration_nl_kg_h("medlar", 2.0) == respiration_nl_kg_h("black currant", 2.0)
