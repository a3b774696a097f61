"""From a wanted volume to requests: limits, capacity, stock, permits, and what stands in the way in words."""

import corekit
import pytest
from corekit import RequestDose, StopDose, at

from supervisor.core.site import Core
from supervisor.core.state import Sample
from supervisor.values import LinkChanged, RequestRefused

# The bench's site, retyped: limits per request, inlet flows, lease, source capacities.
PER_REQUEST_NL = {"nitrogen": 150.0, "co2": 60.0, "air": 150.0}
INLET_NL_MIN = {"nitrogen": 50.0, "co2": 20.0, "air": 60.0}
LEASE_S = 120.0
LEASE_SHARE = 0.9  # of its lease a dose may need so much at its flow (ours, no source)


def wanting(bench: corekit.Bench, enclosure: str = "e1", o2_pct: float = 15.0, co2_pct: float = 10.0, **wanted: float):
    """This enclosure holds, was sampled just now, and wants these volumes: nothing else has to be decided."""
    kept = bench.core.state.enclosures[enclosure]
    kept.state, kept.since_mono_s, kept.decided_mono_s = "holding", bench.mono_s, bench.mono_s
    kept.sample = Sample("az", "a1", 7, o2_pct, co2_pct, bench.mono_s, bench.wall_s)
    kept.wanted_nl = dict(wanted)
    kept.why = "invented for the test"
    return kept


def ask(bench: corekit.Bench) -> list[RequestDose]:
    bench.go(1.0)
    bench.say_what_is_due()
    return [one for one in bench.tick() if isinstance(one, RequestDose)]


@pytest.mark.parametrize("gas", ["nitrogen", "co2", "air"])
def test_a_request_is_within_every_limit_and_says_what_it_rests_on(gas: str) -> None:
    bench = corekit.ready()
    wanting(bench, **{gas: 5000.0})
    (one,) = ask(bench)
    assert (one.enclosure, one.gas, one.source) == ("e1", gas, {"nitrogen": "generator", "co2": "bank", "air": "blower"}[gas])
    assert one.max_flow_nl_min == INLET_NL_MIN[gas]
    assert one.volume_nl == pytest.approx(min(PER_REQUEST_NL[gas], INLET_NL_MIN[gas] * LEASE_SHARE * LEASE_S / 60.0))
    assert one.valid_until_wall_s == pytest.approx(bench.wall_s + LEASE_S)
    assert one.basis == ("az", "a1", 7) and one.reason == "invented for the test"


def test_the_wanted_volume_is_asked_for_and_no_more() -> None:
    bench = corekit.ready()
    wanting(bench, nitrogen=200.0)
    bench.run(300)  # four minutes of flow; then the analyser looks what it did
    asked = [one.volume_nl for one in bench.requests("e1")]
    assert sum(asked) == pytest.approx(200.0) and len(asked) == 3
    assert asked[:2] == [pytest.approx(90.0)] * 2


def test_less_than_a_valve_s_stroke_is_not_asked_for() -> None:
    bench = corekit.ready()
    wanting(bench, nitrogen=1.9, co2=2.1)
    assert [one.gas for one in ask(bench)] == ["co2"]


def test_one_request_at_a_time_on_a_valve_and_gases_side_by_side() -> None:
    bench = corekit.ready()
    bench.hardware = "silent"
    wanting(bench, nitrogen=500.0, air=500.0)
    assert [one.gas for one in ask(bench)] == ["nitrogen", "air"]
    for _ in range(60):
        assert ask(bench) == []


def test_every_id_is_new_and_numbers_only_rise() -> None:
    bench = corekit.ready()
    wanting(bench, nitrogen=900.0, co2=200.0)
    bench.run(300)
    bench.core = Core.load(bench.site, bench.core.dump())
    bench.run(300)
    numbers = [tuple(map(int, one.request_id.split("-"))) for one in bench.effects(RequestDose)]
    assert len(numbers) > 8 and numbers == sorted(set(numbers))


# ------------------------------------------------------------------------------------------------ shared sources


def test_inlets_share_what_the_source_can_give() -> None:
    """80 nl/min: the first inlet draws its 50, the second what is left, and together never more."""
    bench = corekit.ready()
    wanting(bench, "e1", nitrogen=500.0)
    wanting(bench, "e2", nitrogen=500.0)
    flows = [one.max_flow_nl_min for one in ask(bench)]
    assert flows == [50.0, 30.0]


def test_too_little_left_is_left_to_others() -> None:
    """A quarter of its own flow is the least that an inlet takes (ours, no source)."""
    for capacity_nl_min, flows in ((62.0, [50.0]), (63.0, [50.0, 13.0])):
        bench = corekit.ready()
        bench.say_source("generator", capacity_nl_min=capacity_nl_min)
        wanting(bench, "e1", nitrogen=500.0)
        wanting(bench, "e2", nitrogen=500.0)
        assert [one.max_flow_nl_min for one in ask(bench)] == pytest.approx(flows)


def test_what_the_source_says_it_can_give_now_counts_and_never_more_than_the_site_file() -> None:
    for told_nl_min, flow_nl_min in ((40.0, 40.0), (900.0, 50.0)):
        bench = corekit.ready()
        bench.say_source("generator", capacity_nl_min=told_nl_min)
        wanting(bench, nitrogen=500.0)
        assert [one.max_flow_nl_min for one in ask(bench)] == [flow_nl_min]


def test_a_source_that_can_give_nothing_gets_no_request() -> None:
    bench = corekit.ready()
    bench.say_source("generator", capacity_nl_min=0.0)
    wanting(bench, nitrogen=500.0)
    assert ask(bench) == []


# ------------------------------------------------------------------------------------------------ what stands in the way


def _link(bench: corekit.Bench) -> None:
    bench.step(LinkChanged(bench.now, False))


def _overtaken(bench: corekit.Bench) -> None:
    bench.core.state.overtaken = True


def _people(bench: corekit.Bench) -> None:
    assert bench.command("enter", "east", people=["mara"], standby="ono", minutes=5).accepted


def _bad_air(bench: corekit.Bench) -> None:
    bench.say_air("east", "floor", 19.0, 0.04)


def _lost_sensor(bench: corekit.Bench) -> None:
    bench.say_air("east", "floor", status="fault")


def _old_sample(bench: corekit.Bench) -> None:
    kept = bench.core.state.enclosures["e1"]
    kept.sample.taken_mono_s -= 2701.0


def _jump(bench: corekit.Bench) -> None:
    bench.wall_s += 100.0


def _valve_unit(bench: corekit.Bench) -> None:
    bench.say_unit("gw-east", online=False)


def _plant_unit(bench: corekit.Bench) -> None:
    bench.say_unit("gw-plant", online=False)


def _source_off(bench: corekit.Bench) -> None:
    bench.say_source("generator", available=False)


def _source_silent(bench: corekit.Bench) -> None:
    bench.core.state.sources["generator"].heard_mono_s -= 121.0


def _low_oxygen(bench: corekit.Bench) -> None:
    bench.core.state.enclosures["e1"].sample.o2_pct = 1.49


@pytest.mark.parametrize(
    "hinder",
    [_link, _overtaken, _people, _bad_air, _lost_sensor, _old_sample, _jump, _valve_unit, _plant_unit, _source_off,
     _source_silent, _low_oxygen],
)  # fmt: skip
def test_nothing_is_asked_for_while_this_stands_in_the_way(hinder) -> None:
    bench = corekit.ready()
    kept = wanting(bench, nitrogen=500.0)
    hinder(bench)
    assert ask(bench) == []
    assert kept.hold_reason, "nobody is told why"
    assert kept.wanted_nl["nitrogen"] == 500.0, "it is wanted still"


def test_a_gas_that_is_not_piped_there_is_not_asked_for() -> None:
    bench = corekit.ready()
    wanting(bench, "w1", air=100.0)
    assert ask(bench) == []


def test_sources_that_are_well_raise_nothing_and_one_that_is_not_does() -> None:
    bench = corekit.ready()
    bench.run(600)
    assert bench.core.state.alarms == {}
    bench.sources["generator"] = {"available": False}
    bench.run(180)
    assert bench.alarm("source_unavailable-generator").condition and set(bench.core.state.alarms) == {
        "source_unavailable-generator",
    }  # fmt: skip


def test_without_anything_in_the_way_the_same_is_asked_for() -> None:
    bench = corekit.ready()
    wanting(bench, nitrogen=500.0)
    assert len(ask(bench)) == 1


def test_no_co2_above_the_ceiling_nor_under_the_floor() -> None:
    for gas, o2_pct, co2_pct, expected in (
        ("co2", 3.0, 21.0, 1), ("co2", 3.0, 21.01, 0), ("nitrogen", 3.0, 21.01, 1), ("co2", 1.49, 10.0, 0),
        ("nitrogen", 1.5, 10.0, 1), ("nitrogen", 1.49, 10.0, 0), ("air", 1.49, 21.5, 1),
    ):  # fmt: skip
        bench = corekit.ready()
        wanting(bench, o2_pct=o2_pct, co2_pct=co2_pct, **{gas: 100.0})
        assert len(ask(bench)) == expected, (gas, o2_pct, co2_pct)


@pytest.mark.parametrize(("gas", "newer", "stopped"), [
    ("nitrogen", (1.4, 18.0), True), ("co2", (1.4, 18.0), True), ("co2", (3.0, 21.1), True), ("nitrogen", (3.0, 21.1), False),
    ("air", (1.4, 21.1), False),
])  # fmt: skip
def test_a_newer_sample_stops_what_it_forbids(gas: str, newer: tuple[float, float], stopped: bool) -> None:
    bench = corekit.ready()
    bench.hardware = "silent"
    kept = wanting(bench, o2_pct=3.0, co2_pct=18.0, **{gas: 50.0})
    assert len(ask(bench)) == 1
    assert [one for one in bench.tick() if isinstance(one, StopDose)] == []
    bench.go(1.0)
    kept.sample = Sample("az", "a1", 8, *newer, bench.mono_s, bench.wall_s)
    bench.core.state.dirty["e1"] = True
    stops = [(one.enclosure, one.gas) for one in bench.tick() if isinstance(one, StopDose)]
    assert stops == ([("e1", gas)] if stopped else [])


def test_the_reserve_of_the_bank_is_kept() -> None:
    """CO2 weighs 1.9768 g a normal litre (CoolProp). What runs is taken off what the bank says."""
    for stock_kg, expected in ((20.0, 0), (20.05, 1), (200.0, 1)):
        bench = corekit.ready()
        bench.say_source("bank", stock_kg=stock_kg)
        wanting(bench, "e1", co2=100.0)
        assert len(ask(bench)) == expected
    bench = corekit.ready()
    bench.say_source("bank", stock_kg=20.05)  # 25 nl above the reserve
    bench.hardware = "silent"
    wanting(bench, "e1", co2=30.0)
    wanting(bench, "e2", co2=30.0)
    assert [one.enclosure for one in ask(bench)] == ["e1"]
    ask(bench)
    assert bench.alarm("co2_stock_low-bank").condition


def test_an_unknown_stock_is_no_stock() -> None:
    bench = corekit.ready()
    bench.sources["bank"] = {"available": True}
    bench.run(31)
    wanting(bench, co2=100.0)
    assert ask(bench) == []


# ------------------------------------------------------------------------------------------------ the guard's no


def test_what_the_guard_refused_is_wanted_still_and_asked_for_again_later_under_a_new_id() -> None:
    bench = corekit.ready()
    kept = wanting(bench, nitrogen=100.0)
    (one,) = ask(bench)
    assert kept.wanted_nl["nitrogen"] == pytest.approx(10.0)
    bench.owed.clear()
    bench.step(RequestRefused(bench.now, one.request_id, "e1", "nitrogen", "volume", "so much", "so little"))
    assert kept.wanted_nl["nitrogen"] == pytest.approx(100.0)
    assert bench.core.state.open_doses == {} and one.request_id not in kept.doses
    assert "volume" in kept.hold_reason and "so much" in kept.hold_reason and "so little" in kept.hold_reason
    for _ in range(29):
        assert ask(bench) == []
    (again,) = ask(bench)
    assert again.request_id != one.request_id and again.volume_nl == one.volume_nl


def test_refusals_that_go_on_are_an_alarm() -> None:
    bench = corekit.ready()
    wanting(bench, nitrogen=100.0)
    for _ in range(700):
        for one in ask(bench):
            bench.owed.clear()
            bench.step(RequestRefused(bench.now, one.request_id, "e1", "nitrogen", "volume", "so much", "so little"))
    told = bench.alarm("guard_refusals-e1")
    assert told is not None and told.condition and "so much" in told.text


def test_doses_that_fail_again_and_again_are_an_alarm() -> None:
    bench = corekit.ready()
    bench.hardware = "silent"
    wanting(bench, nitrogen=5000.0)
    refused = 0
    for _ in range(1500):
        bench.run(1)
        for one in bench.requests("e1")[refused:]:
            refused += 1
            bench.report(one, "refused", 0.0, "no_flow")
    told = bench.alarm("dose_failing-e1")
    assert told.condition and "no_flow" in told.text


def test_a_moment_later_the_reason_is_gone_from_the_screen() -> None:
    bench = corekit.ready()
    wanting(bench, nitrogen=500.0)
    bench.say_source("generator", available=False)
    ask(bench)
    bench.command("acknowledge", "nothing")  # anything at all
    bench.say_source("generator", available=True, observed_at=at(bench.wall_s))
    bench.go(1.0)
    assert len(ask(bench)) == 1
    assert bench.core.state.enclosures["e1"].hold_reason == ""
