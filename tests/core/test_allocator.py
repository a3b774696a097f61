"""From a wanted move to volumes of the sources: exact where two sources span the way, never negative, never harmful."""

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from supervisor.core.allocator import SHARE_MAX, allocate
from supervisor.core.balance import AIR, Mixture, feed_of, sweep_volume_nl, swept

PURE = {"nitrogen": Mixture(0.0, 0.0), "co2": Mixture(0.0, 100.0), "air": AIR}
V = 1200.0


def mixed(now: Mixture, volumes: dict[str, float], feeds: dict[str, Mixture], volume_nl: float) -> Mixture:
    """All given at once, each at the same share of the stream: one feed of the mean composition."""
    total_nl = sum(volumes.values())
    if total_nl <= 0.0:
        return now
    feed = Mixture(*(sum(nl * feeds[gas][axis] for gas, nl in volumes.items()) / total_nl for axis in (0, 1)))
    return swept(now, feed, total_nl, volume_nl)


def test_the_pair_that_lowers_oxygen_and_keeps_co2() -> None:
    # Computed: 3.4 to 3.0 % at 18 % CO2 takes 0.1252 V in all, either as one mixed feed or as 0.1038 V of nitrogen and
    # then 0.0214 V of CO2; nitrogen alone would end at 15.88 % CO2.
    volumes = allocate(Mixture(3.4, 18.0), Mixture(3.0, 18.0), PURE, 1.0)
    assert set(volumes) == {"nitrogen", "co2"}
    assert sum(volumes.values()) == pytest.approx(0.1252, abs=5e-5)
    landed = mixed(Mixture(3.4, 18.0), volumes, PURE, 1.0)
    assert landed.o2_pct == pytest.approx(3.0, abs=1e-9) and landed.co2_pct == pytest.approx(18.0, abs=1e-9)
    after_nitrogen = swept(Mixture(3.4, 18.0), PURE["nitrogen"], 0.1038, 1.0)
    after_both = swept(after_nitrogen, PURE["co2"], 0.0214, 1.0)
    assert after_both.o2_pct == pytest.approx(3.0, abs=5e-4) and after_both.co2_pct == pytest.approx(18.0, abs=5e-3)
    # The two differ by one part in a hundred of the nitrogen, which no sample shows.
    assert volumes["nitrogen"] == pytest.approx(0.1038, rel=0.02) and volumes["co2"] == pytest.approx(0.0214, abs=0.0015)


def test_given_one_after_the_other_the_pair_still_lands_within_a_twentieth_of_a_percent() -> None:
    volumes = allocate(Mixture(3.4, 18.0), Mixture(3.0, 18.0), PURE, 1.0)
    after = swept(Mixture(3.4, 18.0), PURE["nitrogen"], volumes["nitrogen"], 1.0)
    after = swept(after, PURE["co2"], volumes["co2"], 1.0)
    assert after.o2_pct == pytest.approx(3.0, abs=0.05) and after.co2_pct == pytest.approx(18.0, abs=0.15)


def test_co2_alone_where_oxygen_can_take_it() -> None:
    # 17 to 18 % is 14.5 nl and takes oxygen from 3 to 2.964 %; computed.
    volumes = allocate(Mixture(3.0, 17.0), Mixture(2.964, 18.0), {"co2": PURE["co2"]}, V)
    assert volumes["co2"] == pytest.approx(14.5, abs=0.1)


def test_oxygen_too_low_is_answered_with_air_and_co2_restored() -> None:
    volumes = allocate(Mixture(2.5, 18.0), Mixture(3.0, 18.0), PURE, V)
    assert set(volumes) == {"air", "co2"}
    landed = mixed(Mixture(2.5, 18.0), volumes, PURE, V)
    assert landed.o2_pct == pytest.approx(3.0) and landed.co2_pct == pytest.approx(18.0)


def test_at_the_line_of_respiration_a_little_air_does_it_all() -> None:
    # Fruit with a quotient of 1 moves along O2 + CO2 = 21 %, and air lies on that line: no bought gas is spent.
    volumes = allocate(Mixture(2.6, 18.4), Mixture(3.0, 18.0), PURE, V)
    assert volumes["air"] == pytest.approx(sweep_volume_nl(2.6, 20.95, 3.0, V), rel=0.02)
    assert sum(nl for gas, nl in volumes.items() if gas != "air") < 0.1 * volumes["air"]


def test_the_cheaper_way_is_taken_where_two_lead_there() -> None:
    # Lower CO2 at the same oxygen: nitrogen and air together, and no CO2 at all.
    volumes = allocate(Mixture(3.0, 19.0), Mixture(3.0, 18.0), PURE, V)
    assert "co2" not in volumes and set(volumes) <= {"nitrogen", "air"}


def test_without_a_way_nothing_is_given() -> None:
    # Oxygen too low and no air: neither nitrogen nor CO2 can bring it back.
    assert allocate(Mixture(2.0, 18.0), Mixture(3.0, 18.0), {"nitrogen": PURE["nitrogen"], "co2": PURE["co2"]}, V) == {}
    assert allocate(Mixture(3.0, 18.0), Mixture(3.0, 18.0), PURE, V) == {}
    assert allocate(Mixture(3.4, 18.0), Mixture(3.0, 18.0), {}, V) == {}


# ------------------------------------------------------------------------------------------------ properties

points = st.tuples(st.floats(0.5, 21.0), st.floats(0.0, 30.0)).map(lambda pair: Mixture(*pair))
purities = st.floats(0.0, 3.0)
chosen = st.sets(st.sampled_from(["nitrogen", "co2", "air"]), min_size=1)


def feeds_of(gases: set[str], purity_pct: float) -> dict[str, Mixture]:
    return {gas: feed_of(gas, purity_pct) for gas in sorted(gases)}


def distance(a: Mixture, b: Mixture, o2_weight: float = 4.0) -> float:
    return o2_weight * (a.o2_pct - b.o2_pct) ** 2 + (a.co2_pct - b.co2_pct) ** 2


@given(now=points, target=points, gases=chosen, purity_pct=purities)
@settings(deadline=None, max_examples=60)
def test_never_negative_and_never_worse_than_nothing(now: Mixture, target: Mixture, gases: set[str], purity_pct: float) -> None:
    feeds = feeds_of(gases, purity_pct)
    volumes = allocate(now, target, feeds, V)
    assert set(volumes) <= set(feeds)
    assert all(nl > 0.0 for nl in volumes.values())
    assert distance(mixed(now, volumes, feeds, V), target) <= distance(now, target) + 1e-9


@given(
    now=points, gases=st.sets(st.sampled_from(["nitrogen", "co2", "air"]), min_size=2), purity_pct=purities,
    shares=st.tuples(st.floats(0.001, 0.4), st.floats(0.001, 0.4)), pick=st.integers(0, 2),
)  # fmt: skip
@settings(deadline=None, max_examples=60)
def test_exact_where_the_target_lies_between_two_sources(
    now: Mixture, gases: set[str], purity_pct: float, shares: tuple[float, float], pick: int
) -> None:
    feeds = feeds_of(gases, purity_pct)
    names = sorted(feeds)
    a, b = feeds[names[pick % len(names)]], feeds[names[(pick + 1) % len(names)]]
    target = Mixture(*(now[i] + shares[0] * (a[i] - now[i]) + shares[1] * (b[i] - now[i]) for i in (0, 1)))
    cross = (a[0] - now[0]) * (b[1] - now[1]) - (a[1] - now[1]) * (b[0] - now[0])
    assume(abs(cross) > 1.0)  # the two do not point the same way
    assert sum(shares) < SHARE_MAX
    landed = mixed(now, allocate(now, target, feeds, V), feeds, V)
    assert landed.o2_pct == pytest.approx(target.o2_pct, abs=1e-5)
    assert landed.co2_pct == pytest.approx(target.co2_pct, abs=1e-5)


@given(now=points, target=points, gases=chosen, purity_pct=purities, times=st.floats(0.1, 100.0))
@settings(deadline=None, max_examples=60)
def test_volumes_grow_with_the_enclosure(
    now: Mixture, target: Mixture, gases: set[str], purity_pct: float, times: float
) -> None:
    feeds = feeds_of(gases, purity_pct)
    small, large = allocate(now, target, feeds, V), allocate(now, target, feeds, V * times)
    assert large == pytest.approx({gas: nl * times for gas, nl in small.items()}, rel=1e-9)


@given(now=points, target=points, gases=chosen, purity_pct=purities)
@settings(deadline=None, max_examples=60)
def test_never_more_than_a_trim(now: Mixture, target: Mixture, gases: set[str], purity_pct: float) -> None:
    # 1 - exp(-v/V) of the gas is replaced; at most nine tenths in one go (ours, no source).
    total_nl = sum(allocate(now, target, feeds_of(gases, purity_pct), V).values())
    assert total_nl <= V * 2.3026 + 1e-3
