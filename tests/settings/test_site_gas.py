"""The closed form of the site check against published and computed figures, and against the controller's own."""

from math import log
from pathlib import Path

import pytest

from supervisor.core.balance import Mixture
from supervisor.core.pulldown import plan
from supervisor.settings import Recipe
from supervisor.sitefile import load
from supervisor.sitefile.gas import pulldown_nl, purge_target_pct

CONFIG = Path(__file__).parents[2] / "config"


def recipe(o2_pct: float, co2_pct: float) -> Recipe:
    return Recipe(
        id="x", crop="x", o2_pct=o2_pct, co2_pct=co2_pct, o2_band_pct=0.4, co2_band_pct=1.0, o2_floor_pct=1.0,
        co2_ceiling_pct=30.0, source="invented",
    )  # fmt: skip


# Sweep purge C(n) = Cin + (C0 - Cin) exp(-n), Crowl and Louvar ch. 7; volumes from 20.95 % to 3 % computed from it.
@pytest.mark.parametrize(
    ("nitrogen_o2_pct", "volumes"),
    [(0.0, 1.9435), (0.1, 1.9726), (0.5, 2.1017), (1.0, 2.3001), (2.0, 2.9418), (2.5, 3.6082)],
)
def test_nitrogen_alone(nitrogen_o2_pct: float, volumes: float) -> None:
    nitrogen_nl, co2_nl = pulldown_nl(1000.0, recipe(3.0, 0.0), nitrogen_o2_pct)
    assert nitrogen_nl == pytest.approx(1000 * volumes, abs=0.1)
    assert co2_nl == 0.0


# 3 % O2 with 18 % CO2, nitrogen first: purge to 3.6585 %; computed from the same law, checked there by an ODE.
@pytest.mark.parametrize(("nitrogen_o2_pct", "nitrogen", "co2"), [(0.0, 1.7451, 0.1985), (0.5, 1.8679, 0.1984)])
def test_nitrogen_then_co2(nitrogen_o2_pct: float, nitrogen: float, co2: float) -> None:
    assert purge_target_pct(3.0, 18.0) == pytest.approx(3.6585, abs=5e-5)
    nitrogen_nl, co2_nl = pulldown_nl(1200.0, recipe(3.0, 18.0), nitrogen_o2_pct)
    assert nitrogen_nl == pytest.approx(1200 * nitrogen, abs=0.2)
    assert co2_nl == pytest.approx(1200 * co2, abs=0.2)


@pytest.mark.parametrize("nitrogen_o2_pct", [3.6586, 4.0, 20.95, 30.0])
def test_no_purge_ever_arrives(nitrogen_o2_pct: float) -> None:
    with pytest.raises(ValueError, match="never purges"):
        pulldown_nl(1200.0, recipe(3.0, 18.0), nitrogen_o2_pct)


def test_a_recipe_at_air_needs_no_nitrogen() -> None:
    nitrogen_nl, co2_nl = pulldown_nl(1000.0, recipe(20.9, 10.0), 0.5)
    assert nitrogen_nl == 0.0
    assert co2_nl == pytest.approx(1000 * log(99.96 / 90.0))


@pytest.mark.parametrize("name", ["quillfen", "thistlemere"])
def test_the_controller_plans_the_same(name: str) -> None:
    site = load(CONFIG / f"{name}.toml")
    for one in site.enclosure:
        wanted, nitrogen = site.recipe_of(one.id), site.source_of(one.id, "nitrogen")
        assert nitrogen is not None
        theirs = plan(
            Mixture(20.95, 0.04), Mixture(wanted.o2_pct, wanted.co2_pct), nitrogen.o2_pct, one.free_volume_nl
        )
        mine = pulldown_nl(one.free_volume_nl, wanted, nitrogen.o2_pct)
        assert mine == pytest.approx((theirs.nitrogen_nl, theirs.co2_nl), rel=1e-3)
