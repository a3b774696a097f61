"""What the balance allows: bounds against closed forms typed here, and no bound that real gas could leave."""

from math import exp

import pytest
from corekit import Bench
from hypothesis import given, settings
from hypothesis import strategies as st

from supervisor.core import ledger, plausible
from supervisor.core.balance import AIR, Mixture
from supervisor.core.state import Dose, Seen

V_NL = 1200.0
FEEDS = {"nitrogen": (0.5, 0.0), "co2": (0.0, 100.0), "air": (20.95, 0.04)}
SOURCES = {"nitrogen": "generator", "co2": "bank", "air": "blower"}


def given_to(bench: Bench, *doses: tuple[str, float]) -> None:
    """Each dose was asked for when the one before was delivered, from now on."""
    for number, (gas, volume_nl) in enumerate(doses):
        lasting_s = 60.0 * volume_nl / 20.0
        dose = Dose(f"1-{number}", "e1", gas, SOURCES[gas], volume_nl, 20.0, bench.mono_s, bench.mono_s + lasting_s)
        bench.go(lasting_s)
        dose.outcome, dose.delivered_nl, dose.closed_mono_s = "delivered", volume_nl, bench.mono_s
        bench.core.state.enclosures["e1"].doses[dose.request_id] = dose


def test_without_gas_only_fruit_leaks_and_noise_move_it() -> None:
    bench = Bench().start()
    where = plausible.reach(bench.desk(), "e1", Seen("line-1", 3.0, 18.0, bench.mono_s), bench.mono_s + 1800.0)
    assert where.low == pytest.approx((3.0 - 0.3 - 1.5, 18.0 - 0.5 - 2.0))
    assert where.high == pytest.approx((3.0 + 0.3 + 0.5, 18.0 + 0.5 + 2.0))
    assert where.likely == (3.0, 18.0)


def test_nitrogen_may_have_done_as_much_as_in_six_tenths_of_the_volume_or_nothing() -> None:
    bench = Bench().start()
    since = Seen("line-1", 10.0, 5.0, bench.mono_s)
    given_to(bench, ("nitrogen", 240.0))
    hours = (bench.mono_s - since.taken_mono_s) / 3600.0
    where = plausible.reach(bench.desk(), "e1", since, bench.mono_s)
    assert where.low.o2_pct == pytest.approx(0.5 + 9.5 * exp(-240.0 / (0.6 * V_NL)) - 0.3 - 3.0 * hours)
    assert where.high.o2_pct == pytest.approx(10.0 + 0.3 + 1.0 * hours), "a hose may be off"
    assert where.likely.o2_pct == pytest.approx(0.5 + 9.5 * exp(-0.2))
    assert where.low.co2_pct == pytest.approx(5.0 * exp(-240.0 / (0.6 * V_NL)) - 0.5 - 4.0 * hours)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.sampled_from(["nitrogen", "co2", "air"]), st.floats(2.0, 300.0)), max_size=6),
    st.floats(0.6, 1.6), st.floats(0.0, 1.0), st.floats(1.0, 20.9), st.floats(0.0, 20.0), st.integers(0, 63),
)  # fmt: skip
def test_no_gas_that_follows_the_balance_is_out_of_reach(doses, share, worst, o2_pct, co2_pct, arrived) -> None:
    """Any free volume down to six tenths, doses that went in or did not, fruit and leak up to their worst, both ways."""
    bench = Bench().start()
    since = Seen("line-1", o2_pct, co2_pct, bench.mono_s)
    given_to(bench, *doses)
    where = plausible.reach(bench.desk(), "e1", since, bench.mono_s)
    hours = (bench.mono_s - since.taken_mono_s) / 3600.0
    gas = [o2_pct, co2_pct]
    for number, (name, volume_nl) in enumerate(doses):
        if arrived >> number & 1:
            left = exp(-volume_nl / (share * V_NL))
            gas = [feed + (here - feed) * left for feed, here in zip(FEEDS[name], gas, strict=True)]
    assert where.holds(Mixture(gas[0] - 3.0 * worst * hours, gas[1] + 4.0 * worst * hours))
    assert where.holds(Mixture(gas[0] + 1.0 * worst * hours, gas[1] - 4.0 * worst * hours))
    assert ledger.given_nl(bench.desk(), "e1", bench.mono_s) == []


def share(other: tuple[float, float], gas: tuple[float, float], hours: float = 0.5) -> float | None:
    bench = Bench().start()
    where = plausible.reach(bench.desk(), "e1", Seen("line-1", 3.0, 18.0, bench.mono_s), bench.mono_s + 3600.0 * hours)
    return plausible.share_of(Mixture(*other), Mixture(*gas), where)


def test_another_gas_must_explain_both_figures() -> None:
    assert share(AIR, (3.0 + 0.3 * 17.95, 18.0 - 0.3 * 17.96)) == pytest.approx(0.3)
    assert share(AIR, (3.0 + 0.3 * 17.95, 18.0)) is None, "oxygen like air and CO2 like before is no mixture of the two"
    assert share(AIR, (3.0, 12.0)) is None
    assert share(AIR, (3.3, 17.7)) is None, "a share of two percent explains nothing"
    assert share((3.5, 17.5), (5.0, 16.0)) is None, "gas that hardly differs"
    assert share((6.0, 12.0), (6.0, 12.0)) == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("read", "told"),
    [
        ((0.0300, 0.1800), ["O2", "CO2"]), ((0.0300, 18.0), ["O2"]), ((3.0, 0.1800), ["CO2"]), ((0.0003, 18.0), ["O2"]),
        ((3.0, 18.0), []), ((0.0300, 9.0), []), ((20.8, 0.1800), []), ((0.5, 18.0), []),
    ],
)  # fmt: skip
def test_a_slip_is_told_where_the_other_figure_slips_as_well_or_is_right(read, told) -> None:
    bench = Bench().start()
    where = plausible.reach(bench.desk(), "e1", Seen("line-1", 3.0, 18.0, bench.mono_s), bench.mono_s + 1800.0)
    text = plausible.slip(Mixture(*read), where)
    assert [one.split()[0] for one in text.split("; ") if one] == told


def test_gas_that_a_dose_did_not_move_is_no_slip_although_it_is_a_hundredth_of_what_was_expected() -> None:
    """As with a hose off: CO2 stands at 0.13 % where the dose should have brought it near 15 %."""
    bench = Bench().start()
    was = Seen("line-1", 3.6, 0.1, bench.mono_s)
    where = plausible.reach(bench.desk(), "e1", was, bench.mono_s + 1800.0)
    dosed = where._replace(likely=Mixture(3.0, 14.7), high=where.high._replace(co2_pct=25.0))
    assert plausible.slip(Mixture(3.6, 0.13), dosed) == ""
    assert plausible.slip(Mixture(0.03, 0.13), dosed).startswith("O2"), "what has moved that far by itself is one all the same"
