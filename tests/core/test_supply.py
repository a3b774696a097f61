"""Who gets gas first where it does not suffice for all, how long anybody waits, and how many are served at once."""

from math import log

import corekit
import coresite
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from supervisor.core import dosing, ledger, supply
from supervisor.core.desk import Desk
from supervisor.core.site import Core
from supervisor.core.state import Sample, Wait
from supervisor.messages import DoseReport, at
from supervisor.settings import SiteFile
from supervisor.values import Now, RequestDose

HOUR_S = 3600.0
# The head starts, retyped (ours, no source): a vent, held out of band, held in band, a pull-down at its end.
VENT_S, OUT_S, IN_S, END_S = 3 * HOUR_S, 2 * HOUR_S, HOUR_S, HOUR_S


def put(bench: corekit.Bench, name: str, state: str, o2_pct: float = 3.0, co2_pct: float = 18.0, gas: str = "nitrogen",
        wanted_nl: float = 500.0, waits_s: float = 0.0) -> str:  # fmt: skip
    """An enclosure in this state with this gas in it, wanting gas and waiting for it; returns its valve."""
    kept = bench.core.state.enclosures[name]
    kept.state, kept.since_mono_s, kept.decided_mono_s = state, bench.mono_s, bench.mono_s
    kept.sample = Sample("az", "a1", 7, o2_pct, co2_pct, bench.mono_s, bench.wall_s)
    kept.wanted_nl, kept.why = {gas: wanted_nl}, "invented for the test"
    bench.core.state.waits[f"{name}/{gas}"] = Wait(bench.mono_s - waits_s)
    return f"{name}/{gas}"


def order(bench: corekit.Bench) -> list[str]:
    return supply.in_order(bench.desk(), list(bench.core.state.waits))


def asked(bench: corekit.Bench) -> list[RequestDose]:
    bench.go(1.0)
    bench.say_what_is_due()
    return [one for one in bench.tick() if isinstance(one, RequestDose)]


# ------------------------------------------------------------------------------------------------ the order


def test_vents_then_what_is_out_of_band_then_what_is_in_it_then_pull_downs() -> None:
    bench = corekit.Bench()
    pulling, in_band = put(bench, "w1", "pulling_down", 20.9, 0.1), put(bench, "e2", "holding", 3.3)
    out = put(bench, "e1", "holding", 3.5)
    assert order(bench) == [out, in_band, pulling]
    put(bench, "w1", "venting", gas="air")
    assert order(bench)[0].startswith("w1/")


def test_co2_out_of_its_band_is_out_of_band_as_well() -> None:
    bench = corekit.Bench()
    in_band, out = put(bench, "e1", "holding", 3.0, 17.1), put(bench, "e2", "holding", 3.0, 16.9)
    assert order(bench) == [out, in_band]


def test_the_pull_down_that_has_least_left_goes_first() -> None:
    bench = corekit.Bench()
    for name, o2_pct in (("e1", 20.9), ("e2", 4.0), ("w1", 10.0)):
        put(bench, name, "pulling_down", o2_pct)
    assert order(bench) == ["e2/nitrogen", "w1/nitrogen", "e1/nitrogen"]


@pytest.mark.parametrize(("first", "other", "worth_s"), [
    (("holding", 3.5), ("pulling_down", 20.95), OUT_S), (("holding", 3.0), ("pulling_down", 20.95), IN_S),
    (("holding", 3.5), ("holding", 3.0), OUT_S - IN_S), (("pulling_down", 3.0), ("pulling_down", 20.95), END_S),
    # Half way by volume: oxygen at the geometric mean of air and set-point.
    (("pulling_down", (20.95 * 3.0) ** 0.5), ("pulling_down", 20.95), END_S / 2),
    (("venting", 3.0), ("holding", 3.5), VENT_S - OUT_S),
])  # fmt: skip
def test_an_urgency_is_worth_so_much_waiting_and_no_more(first: tuple, other: tuple, worth_s: float) -> None:
    for waits_s, expected in ((worth_s - 1.0, ["e2", "e1"]), (worth_s + 1.0, ["e1", "e2"])):
        bench = corekit.Bench()
        put(bench, "e2", *first)
        put(bench, "e1", *other, waits_s=waits_s)
        assert [valve.split("/")[0] for valve in order(bench)] == expected


def test_alike_go_by_name_and_nitrogen_before_co2() -> None:
    bench = corekit.Bench()
    for name in ("w1", "e2", "e1"):
        put(bench, name, "holding", gas="co2")
    put(bench, "e2", "holding")
    assert order(bench) == ["e1/co2", "e2/nitrogen", "e2/co2", "w1/co2"]


# ------------------------------------------------------------------------------------------------ the turn


def test_whoever_is_first_and_finds_too_little_holds_up_those_behind() -> None:
    """Of 65 nl/min e1 draws 50; 15 are too little for e2, whose inlet takes 80, and w1 behind it, which takes 50, must not
    slip in for ever. Of 80 all is well."""
    raw = coresite.site().model_dump()
    raw["enclosure"][1]["flow_nl_min_max"]["nitrogen"] = 80.0
    site = SiteFile.model_validate(raw)
    for held_up, capacity_nl_min in ((True, 65.0), (False, 80.0)):
        bench = corekit.ready(site)
        bench.hardware = "silent"
        bench.say_source("generator", capacity_nl_min=capacity_nl_min)
        put(bench, "e1", "holding", waits_s=300.0)
        put(bench, "e2", "holding", waits_s=200.0)
        put(bench, "w1", "holding", waits_s=100.0)
        flows = [(one.enclosure, one.max_flow_nl_min) for one in asked(bench)]
        assert flows == [("e1", 50.0)] if held_up else flows == [("e1", 50.0), ("e2", 30.0)]


def test_news_of_one_s_own_is_no_way_to_the_front() -> None:
    """A dose is over and its enclosure has news at once; whoever waits longer gets the flow that has become free."""
    bench = corekit.ready()
    bench.say_source("generator", capacity_nl_min=50.0)
    bench.sources["generator"]["capacity_nl_min"] = 50.0
    put(bench, "e1", "pulling_down", 20.9, waits_s=10.0)
    (one,) = asked(bench)
    put(bench, "e2", "pulling_down", 20.9, waits_s=20.0)
    bench.go(0.1)
    bench.report(one, "delivered", one.volume_nl)
    bench.owed.clear()
    assert [each.enclosure for each in bench.tick() if isinstance(each, RequestDose)] == ["e2"]


def test_a_turn_is_twelve_leases_and_then_the_others_have_theirs() -> None:
    bench = corekit.ready()
    bench.sources["generator"]["capacity_nl_min"] = 50.0
    bench.say_source("generator")
    put(bench, "e1", "pulling_down", 20.9, wanted_nl=5000.0, waits_s=10.0)
    put(bench, "e2", "pulling_down", 20.9, wanted_nl=5000.0)
    bench.cell["line-1"] = bench.cell["line-2"] = None
    bench.run(26 * 109.0)
    turns = [one.enclosure for one in bench.requests_all("nitrogen")]
    assert turns[:24] == ["e1"] * 12 + ["e2"] * 12 and turns[24] == "e1"


def test_no_more_valves_at_once_than_the_site_file_says() -> None:
    site = coresite.site_with(**{"capacity_nl_min = 80": "capacity_nl_min = 800\nvalves_at_once = 2"})
    bench = corekit.ready(site)
    bench.hardware = "silent"
    for name in ("e1", "e2", "w1"):
        put(bench, name, "holding", 3.5)
    assert [one.enclosure for one in asked(bench)] == ["e1", "e2"]


def test_a_dead_source_of_one_gas_keeps_no_other_gas_back() -> None:
    bench = corekit.ready()
    bench.say_source("generator", available=False)
    bench.sources["generator"] = {"available": False}
    put(bench, "e1", "holding", 3.5)
    bench.core.state.enclosures["e1"].wanted_nl["air"] = 100.0
    for _ in range(3):
        assert {one.gas for one in asked(bench)} <= {"air"}
    assert len(bench.requests("e1", "air")) == 1


def test_the_limit_of_an_hour_is_kept_without_asking_the_guard() -> None:
    site = coresite.site_with(**{"per_hour_nl = 3000": "per_hour_nl = 200"})
    bench = corekit.ready(site)
    put(bench, "e1", "pulling_down", 20.9, wanted_nl=5000.0)
    bench.cell["line-1"] = None
    bench.run(1500)
    volumes = [one.volume_nl for one in bench.requests("e1")]
    assert sum(volumes) == pytest.approx(200.0, abs=1e-3) and sum(volumes) <= 200.0
    assert "200 nl an hour" in bench.core.state.enclosures["e1"].hold_reason


# ------------------------------------------------------------------------------------------------ purity and flow

SHEET = "purity = [{ flow_nl_min = 60, o2_pct = 0.1 }, { flow_nl_min = 90, o2_pct = 0.5 }, { flow_nl_min = 138, o2_pct = 2.0 }]"


def sheet_bench() -> corekit.Bench:
    """Capacity ratios 1 : 1.5 : 2.3 at 99.9, 99.5 and 98 % of a pressure-swing generator (from memory; varies by maker)."""
    site = coresite.site_with(**{"capacity_nl_min = 80\no2_pct = 0.5": f"capacity_nl_min = 138\no2_pct = 2.0\n{SHEET}"})
    bench = corekit.ready(site)
    bench.hardware = "silent"
    return bench


def test_far_from_the_set_point_flow_counts_and_near_to_it_purity() -> None:
    """By ln((o - x) / (t - x)) volumes at q nl/min: the flow that needs the least time, worked out here for each point."""
    bench = sheet_bench()
    source = bench.site.gas_sources["generator"]
    target_pct = 3.0 / 0.82
    for state, o2_pct, t_pct in (("pulling_down", 20.9, target_pct), ("holding", 3.5, 3.0)):
        put(bench, "e1", state, o2_pct)
        minutes = {q: log((o2_pct - x) / (t_pct - x)) / q for q, x in ((60.0, 0.1), (90.0, 0.5), (138.0, 2.0))}
        assert supply.best_flow_nl_min(bench.desk(), "e1", source) == min(minutes, key=minutes.get)
    assert supply.best_flow_nl_min(bench.desk(), "e1", source) == 90.0, "138 nl/min at 2 % would take longer"


def test_beside_one_that_needs_pure_gas_no_second_valve_is_opened_where_that_would_spoil_it() -> None:
    bench = sheet_bench()
    put(bench, "e1", "holding", 3.5)
    put(bench, "e2", "holding", 3.5)
    put(bench, "w1", "holding", 3.5)
    assert [(one.enclosure, one.max_flow_nl_min) for one in asked(bench)] == [("e1", 50.0), ("e2", 40.0)], "90 in all"
    bench = sheet_bench()
    for name in ("e1", "e2", "w1"):
        put(bench, name, "pulling_down", 20.9)
    assert sum(one.max_flow_nl_min for one in asked(bench)) == pytest.approx(138.0)


# ------------------------------------------------------------------------------------------------ the bound


def test_the_bound_is_reckoned_from_capacity_and_demand() -> None:
    """Seven more valves of 50 nl/min on 80 nl/min: ten in all wait one by one, each for a turn of twelve leases of 120 s,
    10 s for the last word and a tick."""
    site = coresite.crowded(7)
    turn_s = 12 * (120.0 + 10.0 + 1.0)
    assert supply.longest_wait_s(site, site.gas_sources["generator"]) == OUT_S + 9 * turn_s + 1.0
    assert supply.longest_wait_s(site, site.gas_sources["bank"]) == OUT_S + 9 * turn_s / 3 + 1.0, "three of 20 on 60 nl/min"
    assert supply.longest_wait_s(site, site.gas_sources["blower"]) == VENT_S + 8 * turn_s / 6 + 1.0


class Line:
    """Enclosures on one generator in miniature: no plant, no rooms' air; wishes come as drawn, leases end as drawn."""

    def __init__(self, site: SiteFile) -> None:
        self.site, self.bench = site, corekit.ready(site)
        self.state = self.bench.core.state
        self.mono_s = self.bench.mono_s
        self.waiting: dict[str, float] = {}
        self.longest_s = 0.0
        self.log: list[tuple[float, str, float]] = []
        self.ends: list[tuple[float, RequestDose]] = []

    def want(self, name: str, state: str, o2_pct: float, wanted_nl: float) -> None:
        kept = self.state.enclosures[name]
        kept.state = state
        kept.sample = Sample("az", "a1", 7, o2_pct, 18.0, self.mono_s, corekit.WALL_S)
        kept.wanted_nl["nitrogen"] = max(kept.wanted_nl.get("nitrogen", 0.0), wanted_nl)
        self.waiting.setdefault(name, self.mono_s)

    def tick(self, lasts_s: list[float]) -> None:
        """All units and rooms are well and every sample is new; what is due ends, then a tick's worth of giving."""
        self.mono_s += self.site.timing.tick_s
        desk = Desk(self.site, self.state, Now(self.mono_s, corekit.WALL_S + self.mono_s))
        for unit in self.state.units.values():
            unit.heard_mono_s = self.mono_s
        for source in self.state.sources.values():
            source.heard_mono_s = self.mono_s
        for name in self.site.enclosures:
            kept = self.state.enclosures[name]
            if kept.sample is not None:
                kept.sample.taken_mono_s = self.mono_s - 1.0
        for end in [end for end in self.ends if end[0] <= self.mono_s]:
            self.ends.remove(end)
            ledger.on_report(desk, end[1].enclosure, "nitrogen", DoseReport(
                observed_at=at(corekit.WALL_S), request_id=end[1].request_id, outcome="delivered",
                delivered_nl=end[1].volume_nl, metered=True))  # fmt: skip
        for name in self.site.enclosures:
            dosing.judge(desk, name)
        dosing.serve(desk, list(self.site.enclosures))
        for one in [one for one in desk.effects if isinstance(one, RequestDose)]:
            self._served(one, lasts_s[len(self.log) % len(lasts_s)])
        for since_s in self.waiting.values():
            self.longest_s = max(self.longest_s, self.mono_s - since_s)

    def _served(self, one: RequestDose, lasts_s: float) -> None:
        self.log.append((self.mono_s, one.enclosure, one.max_flow_nl_min))
        self.waiting.pop(one.enclosure, None)
        if self.state.enclosures[one.enclosure].wanted_nl["nitrogen"] >= supply.DOSE_NL_MIN:
            self.waiting[one.enclosure] = self.mono_s
        if lasts_s > 0.0:  # else it never says a word
            self.ends.append((self.mono_s + lasts_s, one))


def line_site(enclosures: int, capacity_nl_min: float, valves_at_once: int | None) -> SiteFile:
    text = coresite.SITE_TEXT.replace("capacity_nl_min = 80", f"capacity_nl_min = {capacity_nl_min}"
                                      + ("" if valves_at_once is None else f"\nvalves_at_once = {valves_at_once}"))  # fmt: skip
    text = text.replace('id = "bench"\n', 'id = "bench"\n[timing]\ntick_s = 10\nlease_s = 30\n', 1)
    text = text.replace("per_hour_nl = 3000\nper_day_nl = 9000", "per_hour_nl = 20000\nper_day_nl = 200000")
    raw = coresite.tomllib.loads(text)
    raw["enclosure"] = [{**raw["enclosure"][0], "id": f"x{n}", "line": f"line-{n}"} for n in range(enclosures)]
    raw["analyser"][0]["lines"] = [{"id": f"line-{n}", "transport_s": 20, "settling_s": 60} for n in range(enclosures)]
    return SiteFile.model_validate(raw)


wishes = st.lists(
    st.tuples(st.integers(0, 7), st.sampled_from(["pulling_down", "holding"]), st.sampled_from([3.0, 3.6, 8.0, 20.9]),
              st.sampled_from([5.0, 60.0, 900.0, 30_000.0]), st.integers(0, 400)),
    min_size=1, max_size=30,
)  # fmt: skip


SHORTER = 0.1  # the head starts in the random runs, so that they are over within one


def shorter_heads(patch: pytest.MonkeyPatch) -> None:
    for name in ("VENT_HEAD_S", "OUT_OF_BAND_HEAD_S", "IN_BAND_HEAD_S", "PULL_DOWN_HEAD_S"):
        patch.setattr(supply, name, SHORTER * getattr(supply, name))
    patch.setattr(supply, "HEAD_S_MAX", {gas: SHORTER * head_s for gas, head_s in supply.HEAD_S_MAX.items()})


@settings(max_examples=15, deadline=None)
@given(wishes, st.integers(2, 8), st.sampled_from([30.0, 50.0, 80.0, 160.0]), st.none() | st.integers(1, 3),
       st.lists(st.sampled_from([0.0, 5.0, 20.0, 30.0]), min_size=1, max_size=5))  # fmt: skip
def test_everybody_is_served_within_the_bound_and_the_source_is_never_overdrawn(
    wanted: list, enclosures: int, capacity_nl_min: float, valves_at_once: int | None, lasts_s: list[float]
) -> None:
    site = line_site(enclosures, capacity_nl_min, valves_at_once)
    source = site.gas_sources["generator"]
    with pytest.MonkeyPatch.context() as patch:
        shorter_heads(patch)
        bound_s = supply.longest_wait_s(site, source)
        logs = []
        for _ in range(2):
            line = Line(site)
            for step in range(500):
                for number, state, o2_pct, wanted_nl, when in wanted:
                    # The same wish again and again: some always want more, and newcomers with head starts never end.
                    if when <= step and (step - when) % 40 == 0:
                        line.want(f"x{number % enclosures}", state, o2_pct, wanted_nl)
                line.tick(lasts_s)
                drawing = ledger.drawing(Desk(site, line.state, Now(line.mono_s, corekit.WALL_S)), "generator")
                assert sum(one.flow_nl_min for one in drawing) <= capacity_nl_min + 1e-9
                assert valves_at_once is None or len(drawing) <= valves_at_once
            assert line.longest_s <= bound_s
            logs.append(line.log)
    assert logs[0] == logs[1], "the same wishes give the same order"


def test_the_random_runs_come_near_their_bound_and_would_show_a_line_that_starves() -> None:
    """Eight on one valve's flow, seven of them held out of band with no end to what they want: the pull-down is served last,
    and without turns it would not be served at all."""
    longest_s = {}
    for turn_leases in (12, 10**9):
        site = line_site(8, 50.0, 1)
        with pytest.MonkeyPatch.context() as patch:
            shorter_heads(patch)
            bound_s = supply.longest_wait_s(site, site.gas_sources["generator"])
            patch.setattr(supply, "TURN_LEASES", turn_leases)
            line = Line(site)
            for _ in range(550):
                for number in range(7):
                    line.want(f"x{number}", "holding", 3.6, 900.0)
                line.want("x7", "pulling_down", 20.9, 900.0)
                line.tick([30.0])
            longest_s[turn_leases] = line.longest_s
    assert 0.5 * bound_s < longest_s[12] <= bound_s < longest_s[10**9]


def test_a_place_in_the_line_outlives_the_process() -> None:
    bench = corekit.ready()
    bench.sources["generator"]["capacity_nl_min"] = 0.0
    bench.say_source("generator")
    put(bench, "e1", "pulling_down", 20.9, waits_s=300.0)
    bench.core = Core.load(bench.site, bench.core.dump())
    assert bench.core.state.waits == {"e1/nitrogen": Wait(bench.mono_s - 300.0)}
