"""A purge goes by its samples, and no further than the volumes allow: what the analyser cannot be told to lie about.

The mixing of the bench is retyped from the balance; its black currant has a floor of 1.5 % oxygen, its nitrogen 0.5 %.
"""

from math import log

import pytest
from test_decide import Mixed, V, mixed, state

from supervisor.core import reckoning

KEY = "pulldown_spent-e1"


class Leaky(Mixed):
    """Room air comes in where the analyser draws: this share of all that it reads."""

    share = 0.0

    def go(self, seconds: float) -> None:
        super().go(seconds)
        if hasattr(self, "gas"):
            o2_pct, co2_pct = self.gas
            self.cell[self.mixed_line] = (o2_pct + self.share * (20.95 - o2_pct), co2_pct + self.share * (0.04 - co2_pct))


def leaky(air: float) -> Leaky:
    bench = Leaky().start()
    bench.run(125)
    bench.share = air
    bench.fill(20.95, 0.04)
    assert bench.command("seal", "e1").accepted
    return bench


def floor_pct(bench: Mixed) -> float:
    return bench.site.recipe_of("e1").o2_floor_pct


def most_nl(bench: Mixed) -> float:
    return V * log((20.95 - 0.5) / (floor_pct(bench) - 0.5))


@pytest.mark.parametrize("air", [0.15, 0.2, 0.3])
def test_room_air_in_every_sample_takes_no_fruit_below_its_floor(air: float) -> None:
    """With a fifth of room air in it no sample ever reads below 4.2 %, and this recipe wants 3.66 % before its CO2."""
    bench = leaky(air)
    bench.run(4 * 3600)
    assert bench.gas[0] >= floor_pct(bench) - 0.01 and state(bench) == "pulling_down"
    told = bench.alarm(KEY)
    assert told.condition and told.priority == "high" and "% by the analyser" in told.text
    asked_s = max(at_s for at_s, one in bench.log if one in bench.requests("e1", "nitrogen"))
    assert bench.mono_s - asked_s > 3600.0 and not bench.requests("e1", "co2")


def test_when_the_line_is_mended_it_goes_on_by_itself() -> None:
    bench = leaky(0.2)
    bench.run(3 * 3600)
    bench.share = 0.0
    bench.run(4 * 3600, until=lambda: state(bench) == "holding")
    assert state(bench) == "holding" and not bench.alarm(KEY).condition


def test_a_hose_that_is_off_wastes_no_more_than_that() -> None:
    bench = mixed(20.95, 0.04, loses=1.0)
    bench.run(4 * 3600)
    assert bench.alarm(KEY).condition and bench.given["nitrogen"] <= most_nl(bench) + 0.02 * V


def test_a_good_pull_down_never_comes_near() -> None:
    bench = mixed(20.95, 0.04, loses=0.1)
    bench.run(3 * 3600, until=lambda: state(bench) == "holding")
    assert state(bench) == "holding" and bench.alarm(KEY) is None
    assert bench.given["nitrogen"] < 0.75 * most_nl(bench)


def test_the_volumes_are_reckoned_by_the_balance() -> None:
    bench = mixed(20.95, 0.04)
    bench.run(1800, until=lambda: bench.given.get("nitrogen", 0.0) > 500.0)
    bench.run(300, until=lambda: not bench.owed)
    spent_nl = bench.given["nitrogen"] + sum(dose.volume_nl for _, dose in bench.owed)
    desk = bench.desk()
    assert reckoning.nitrogen_left_nl(desk, "e1", 0.5) == pytest.approx(most_nl(bench) - spent_nl, abs=0.01 * V)
    assert reckoning.o2_pct(desk, "e1", 0.5) == pytest.approx(bench.gas[0], abs=0.2)
    assert reckoning.nitrogen_left_nl(desk, "e1", floor_pct(bench)) == float("inf"), "such nitrogen takes nothing there"


def test_after_a_person_has_looked_it_begins_anew() -> None:
    bench = leaky(0.2)
    bench.run(3 * 3600)
    bench.share = 0.0
    assert bench.command("stop", "e1").accepted and bench.command("resume", "e1").accepted
    assert reckoning.o2_pct(bench.desk(), "e1", 0.5) is None
    assert not bench.alarm(KEY).condition
