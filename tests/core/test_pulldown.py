"""The pull-down plan: nitrogen first, CO2 last, in closed form. Figures for 3 % O2 and 18 % CO2 from air."""

from math import log

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from supervisor.core.balance import AIR, CO2, Mixture, Unreachable, feed_of, sweep_volume_nl, swept
from supervisor.core.pulldown import apparent_volume_nl, plan

TARGET = Mixture(3.0, 18.0)
START = Mixture(20.95, 0.0)  # the published figures take the CO2 of air for nothing


def carried_out(start: Mixture, doses: list[tuple[str, float]], purity_pct: float, volume_nl: float) -> Mixture:
    for gas, fed_nl in doses:
        start = swept(start, feed_of(gas, purity_pct), fed_nl, volume_nl)
    return start


def test_published_volumes_with_pure_gases() -> None:
    # Computed and verified by an ODE: purge to 3/0.82 = 3.6585 %, 1.7451 V of nitrogen, 0.1985 V of CO2; for 1.2 m3 at
    # 2 degC (CoolProp: 1.9621 kg/m3) that is 0.467 kg of CO2. The total is always ln(20.95/3) = 1.9435 V.
    found = plan(START, TARGET, 0.0, 1.0)
    assert found.switch_o2_pct == pytest.approx(3.6585, abs=5e-5)
    assert found.nitrogen_nl == pytest.approx(1.7451, abs=5e-5)
    assert found.co2_nl == pytest.approx(0.1985, abs=5e-5)
    assert found.nitrogen_nl + found.co2_nl == pytest.approx(1.9435, abs=5e-5)
    assert found.co2_nl * 1.2 * 1.9621 == pytest.approx(0.467, abs=5e-4)


def test_published_volumes_with_half_a_percent_of_oxygen() -> None:
    # 1.8679 V, 2.242 m3 for 1.2 m3, 44.83 min at 3 m3/h; then 0.1984 V of CO2.
    found = plan(AIR, TARGET, 0.5, 1200.0)
    assert found.nitrogen_nl / 1200.0 == pytest.approx(1.8679, abs=1e-4)
    assert found.nitrogen_nl == pytest.approx(2242.0, abs=1.0)
    assert found.nitrogen_nl / 50.0 == pytest.approx(44.83, abs=0.02)
    assert found.co2_nl / 1200.0 == pytest.approx(0.1984, abs=5e-5)


def test_the_plan_lands_on_the_target() -> None:
    found = plan(AIR, TARGET, 0.5, 1200.0)
    landed = carried_out(AIR, [("nitrogen", found.nitrogen_nl), ("co2", found.co2_nl)], 0.5, 1200.0)
    assert landed.o2_pct == pytest.approx(3.0, abs=1e-9)
    assert landed.co2_pct == pytest.approx(18.0, abs=1e-9)


def test_other_orders_cost_more_co2() -> None:
    """CO2 first takes 0.8140 V and a premixed feed 0.4083 V, where CO2 last takes 0.1985 V: found by the balance itself."""
    # CO2 first: the nitrogen after it is what brings oxygen down from where CO2 left it, and CO2 to 18 %.
    low, high = 0.0, 3.0
    for _ in range(60):
        co2_first = (low + high) / 2.0
        after = swept(START, CO2, co2_first, 1.0)
        landed = swept(after, Mixture(0.0, 0.0), sweep_volume_nl(after.o2_pct, 0.0, 3.0, 1.0), 1.0) \
            if after.o2_pct > 3.0 else after  # fmt: skip
        low, high = (co2_first, high) if landed.co2_pct < 18.0 else (low, co2_first)
    assert co2_first == pytest.approx(0.8140, abs=5e-4)
    assert sweep_volume_nl(after.o2_pct, 0.0, 3.0, 1.0) == pytest.approx(1.1295, abs=5e-4)
    # premixed: 21.01 % CO2 in nitrogen
    feed_pct = 18.0 / (1.0 - 3.0 / 20.95)
    assert feed_pct == pytest.approx(21.01, abs=0.005)
    premixed = sweep_volume_nl(20.95, 0.0, 3.0, 1.0)
    landed = swept(START, Mixture(0.0, feed_pct), premixed, 1.0)
    assert landed.o2_pct == pytest.approx(3.0, abs=1e-9) and landed.co2_pct == pytest.approx(18.0, abs=1e-9)
    assert premixed * feed_pct / 100.0 == pytest.approx(0.4083, abs=5e-5)
    assert plan(START, TARGET, 0.0, 1.0).co2_nl < 0.5 * premixed * feed_pct / 100.0


def test_purging_straight_to_the_set_point_ends_too_low() -> None:
    # 3 x 0.82 = 2.46 %
    purged = swept(START, Mixture(0.0, 0.0), sweep_volume_nl(20.95, 0.0, 3.0, 1.0), 1.0)
    assert swept(purged, CO2, sweep_volume_nl(purged.co2_pct, 100.0, 18.0, 1.0), 1.0).o2_pct == pytest.approx(2.46, abs=0.005)


@pytest.mark.parametrize("purity_pct", [3.0 * 100.0 / 82.0, 3.66, 4.0, 20.95])
def test_nitrogen_that_is_not_pure_enough_is_refused(purity_pct: float) -> None:
    with pytest.raises(Unreachable, match="never purges"):
        plan(AIR, TARGET, purity_pct, 1200.0)


def test_nitrogen_between_set_point_and_switching_point_still_arrives() -> None:
    # The CO2 that follows dilutes: 3.3 % nitrogen reaches 3.6585 %, though it would never reach 3 % by itself.
    for purity_pct in (3.3, 3.65):
        found = plan(AIR, TARGET, purity_pct, 1200.0)
        landed = carried_out(AIR, [("nitrogen", found.nitrogen_nl), ("co2", found.co2_nl)], purity_pct, 1200.0)
        assert landed.o2_pct == pytest.approx(3.0)


def test_oxygen_already_low_plans_no_nitrogen() -> None:
    found = plan(Mixture(2.0, 5.0), TARGET, 0.5, 1200.0)
    assert found.nitrogen_nl == 0.0
    assert found.co2_nl == pytest.approx(1200.0 * log(95.0 / 82.0))


@pytest.mark.parametrize("target", [TARGET, Mixture(3.0, 0.0)])
@pytest.mark.parametrize("start", [(0.5, 0.0), (0.0, 100.0), (0.0, 0.0), (100.0, 0.0), (3.0, 18.0)])
def test_no_reading_that_an_analyser_can_give_breaks_the_plan(start: tuple[float, float], target: Mixture) -> None:
    found = plan(Mixture(*start), target, 0.5, 1200.0)
    assert found.nitrogen_nl >= 0.0 and found.co2_nl >= 0.0


# ------------------------------------------------------------------------------------------------ properties

# Every start stands above the highest switching point there is here, 6 / 0.75 = 8 %: some nitrogen is always needed.
targets = st.tuples(st.floats(1.0, 6.0), st.floats(0.0, 25.0)).map(lambda pair: Mixture(*pair))
starts = st.tuples(st.floats(9.0, 21.0), st.floats(0.0, 5.0)).map(lambda pair: Mixture(*pair))


@given(start=starts, target=targets, purity_share=st.floats(0.0, 0.95), volume_nl=st.floats(100.0, 1e5))
@settings(deadline=None, max_examples=60)
def test_every_plan_lands_on_its_target(start: Mixture, target: Mixture, purity_share: float, volume_nl: float) -> None:
    purity_pct = purity_share * target.o2_pct
    found = plan(start, target, purity_pct, volume_nl)
    landed = carried_out(start, [("nitrogen", found.nitrogen_nl), ("co2", found.co2_nl)], purity_pct, volume_nl)
    assert found.nitrogen_nl > 0.0 and found.co2_nl >= 0.0
    if found.co2_nl > 0.0:
        assert landed.o2_pct == pytest.approx(target.o2_pct, abs=1e-6)
        assert landed.co2_pct == pytest.approx(target.co2_pct, abs=1e-6)
    else:  # more CO2 than wanted is left when the nitrogen ends: that is the only way to end elsewhere
        assert landed.co2_pct >= target.co2_pct - 1e-9


@given(
    start=starts,
    pulses=st.lists(st.tuples(st.sampled_from(["nitrogen", "co2"]), st.floats(0.01, 1.0)), min_size=1, max_size=8),
    purity_pct=st.floats(0.0, 2.0),
)
@settings(deadline=None, max_examples=60)
def test_no_interleaving_gets_there_with_less(start: Mixture, pulses: list[tuple[str, float]], purity_pct: float) -> None:
    """Whatever a random sequence of nitrogen and CO2 reaches, the plan reaches with no more gas and no more CO2."""
    reached = carried_out(start, pulses, purity_pct, 1.0)
    assume(reached.co2_pct < 95.0)
    spent_co2 = sum(fed for gas, fed in pulses if gas == "co2")
    spent = sum(fed for _, fed in pulses)
    found = plan(start, reached, purity_pct, 1.0)
    landed = carried_out(start, [("nitrogen", found.nitrogen_nl), ("co2", found.co2_nl)], purity_pct, 1.0)
    assert landed.o2_pct == pytest.approx(reached.o2_pct, abs=1e-6)
    assert landed.co2_pct == pytest.approx(reached.co2_pct, abs=1e-6)
    assert found.co2_nl <= spent_co2 + 1e-9
    assert found.nitrogen_nl + found.co2_nl <= spent + 1e-9


# ------------------------------------------------------------------------------------------------ the decay


def test_the_measured_decay_tells_the_volume() -> None:
    before, purity_pct = Mixture(15.0, 0.0), 0.5
    after = swept(before, feed_of("nitrogen", purity_pct), 300.0, 900.0)
    assert apparent_volume_nl(before, after, 300.0, purity_pct) == pytest.approx(900.0)


@pytest.mark.parametrize(
    ("end_pct", "nitrogen_nl"), [(15.0, 300.0), (16.0, 300.0), (10.0, 0.0), (0.4, 300.0)],
    ids=["did not fall", "rose", "nothing given", "below the nitrogen's own oxygen"],
)  # fmt: skip
def test_a_decay_that_tells_nothing(end_pct: float, nitrogen_nl: float) -> None:
    assert apparent_volume_nl(Mixture(15.0, 0.0), Mixture(end_pct, 0.0), nitrogen_nl, 0.5) is None
