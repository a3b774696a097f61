"""A source that is off, empty, under pressure, off purity or short: nothing is asked of it, one alarm, and it comes back."""

import corekit
import coresite
import pytest
from corekit import RequestDose, StopDose

from supervisor.core import sources, supply
from supervisor.core.decide import nitrogen_o2_pct
from supervisor.core.reasons import Why
from supervisor.core.state import Sample, Wait
from supervisor.settings import SiteFile
from supervisor.values import Row

# Retyped: the meter must have been good for so long (ours, no source), and how long each alarm waits.
PURE_S, PRESSED_S = 120.0, 60.0
LIMITS = {"o2_pct = 0.5\n": "o2_pct = 0.5\no2_pct_max = 1.5\npressure_kpa_min = 500\n"}
WELL = {"available": True, "o2_pct": 0.5, "pressure_kpa": 700.0}


def limited() -> SiteFile:
    return coresite.site_with(**LIMITS)


def bench_with(**told) -> corekit.Bench:
    bench = corekit.Bench(limited())
    bench.sources["generator"] = WELL | told
    bench.start().run(260)
    return bench


def wanting(bench: corekit.Bench, name: str = "e1", o2_pct: float = 15.0, wanted_nl: float = 5000.0, state: str = "holding"):
    kept = bench.core.state.enclosures[name]
    kept.state, kept.since_mono_s, kept.decided_mono_s = state, bench.mono_s, bench.mono_s
    kept.sample = Sample("az", "a1", 7, o2_pct, 10.0, bench.mono_s, bench.wall_s)
    kept.wanted_nl, kept.why = {"nitrogen": wanted_nl}, "invented for the test"
    return kept


def say(bench: corekit.Bench, **told) -> None:
    bench.sources["generator"] = WELL | told
    bench.say_source("generator")


def words(bench: corekit.Bench) -> tuple[str, str] | None:
    return sources.trouble(bench.desk(), bench.site.gas_sources["generator"])


def about(bench: corekit.Bench, source: str = "generator") -> set[str]:
    return {one.figures["alarm"] for one in bench.said("alarm_raised") if str(one.figures["alarm"]).endswith(source)}


# ------------------------------------------------------------------------------------------------ in trouble or not


@pytest.mark.parametrize(("told", "alarm", "in_words"), [
    ({}, None, ""), ({"available": False}, "source_unavailable", "not available"),
    ({"capacity_nl_min": 0.0}, "source_unavailable", "0 nl/min"),
    ({"o2_pct": 1.5}, None, ""), ({"o2_pct": 1.51}, "source_impure", "1.51 % oxygen, at most 1.5 %"),
    ({"o2_pct": None}, "source_impure", "does not tell its oxygen"),
    ({"pressure_kpa": 500.0}, None, ""), ({"pressure_kpa": 499.0}, "source_pressure_low", "499 kPa, at least 500 kPa"),
    ({"pressure_kpa": None}, "source_pressure_low", "tells no pressure"),
])  # fmt: skip
def test_what_is_trouble(told: dict, alarm: str | None, in_words: str) -> None:
    bench = bench_with(**told)
    found = words(bench)
    assert (found is None) == (alarm is None)
    if found is not None:
        assert found[0] == alarm and in_words in found[1]
    wanting(bench)
    bench.run(2)
    assert len(bench.requests("e1")) == (1 if alarm is None else 0)


def test_without_limits_in_the_site_file_neither_oxygen_nor_pressure_is_asked_about() -> None:
    bench = corekit.ready()
    bench.say_source("generator", o2_pct=9.0, pressure_kpa=0.0)
    assert words(bench) is None


@pytest.mark.parametrize(("bad", "good_s"), [({"o2_pct": 9.0}, PURE_S), ({"pressure_kpa": 300.0}, PRESSED_S)])
def test_it_is_asked_again_when_its_meter_has_been_good_for_a_while(bad: dict, good_s: float) -> None:
    bench = bench_with()
    say(bench, **bad)
    bench.run(60)
    wanting(bench)
    say(bench)
    bench.run(good_s - 2)
    assert words(bench) is not None and bench.requests("e1") == []
    bench.run(4)
    assert words(bench) is None and len(bench.requests("e1")) == 1


def test_one_bad_word_between_begins_the_wait_anew() -> None:
    bench = bench_with()
    say(bench, o2_pct=9.0)
    bench.run(31)
    say(bench)
    bench.run(PURE_S - 20)
    bench.say_source("generator", o2_pct=1.6)
    bench.run(PURE_S - 5)
    assert words(bench) is not None
    bench.run(40)
    assert words(bench) is None


def test_silence_counts_for_nothing_and_a_stop_ends_purity() -> None:
    bench = bench_with()
    bench.run(3)
    bench.say_source("generator", available=False)
    bench.say_source("generator")
    assert words(bench).alarm == "source_impure", "the first gas after a stop"
    bench.run(PURE_S + 31)
    assert words(bench) is None
    del bench.sources["generator"]
    bench.run(200)
    bench.sources["generator"] = dict(WELL)
    bench.say_source("generator")
    assert words(bench) is not None, "nobody knows what it gave meanwhile"


def test_after_a_start_it_has_to_be_good_for_as_long_once_more() -> None:
    bench = bench_with()
    bench.start(epoch=2)
    bench.run(61)
    assert words(bench) is not None
    bench.run(PURE_S)
    assert words(bench) is None


# ------------------------------------------------------------------------------------------------ what runs, what is planned


@pytest.mark.parametrize(("o2_pct", "stopped"), [(0.5, False), (1.6, False), (2.99, False), (3.0, True), (12.0, True)])
def test_a_dose_that_runs_is_stopped_when_its_recipe_needs_better(o2_pct: float, stopped: bool) -> None:
    """The recipe holds 3 %: nitrogen with as much oxygen in it brings nothing down to that."""
    bench = bench_with()
    wanting(bench)
    bench.hardware = "silent"
    bench.run(2)
    assert len(bench.requests("e1")) == 1
    say(bench, o2_pct=o2_pct)
    stops = [one for one in bench.run(3) if isinstance(one, StopDose)]
    assert [(one.enclosure, one.gas) for one in stops] == ([("e1", "nitrogen")] if stopped else []), "told once"
    assert not stopped or "the recipe needs less than 3 %" in stops[0].reason


def test_a_dose_stopped_from_here_is_no_failure_and_its_rest_is_wanted_still() -> None:
    bench = bench_with()
    kept = wanting(bench, wanted_nl=200.0)
    bench.run(31)
    say(bench, o2_pct=12.0)
    bench.run(2)
    (request,) = bench.requests("e1")
    given_nl = kept.doses[request.request_id].delivered_nl
    assert 10.0 < given_nl < 40.0 and kept.failures == 0
    assert kept.wanted_nl["nitrogen"] == pytest.approx(200.0 - given_nl)
    assert kept.tallies["nitrogen"].stopped == 1 and kept.tallies["nitrogen"].short == 0


def test_what_is_planned_while_it_is_off_purity_is_planned_for_when_it_is_pure() -> None:
    bench = bench_with()
    assert nitrogen_o2_pct(bench.desk(), "e1") == 0.5
    say(bench, o2_pct=1.2)
    assert nitrogen_o2_pct(bench.desk(), "e1") == 1.2, "what its meter says, inside the limit"
    say(bench, o2_pct=12.0)
    assert nitrogen_o2_pct(bench.desk(), "e1") == 0.5
    bench.cell["line-1"] = (20.9, 0.04)
    bench.command("seal", "e1")
    bench.run(600)
    assert bench.core.state.enclosures["e1"].wanted_nl["nitrogen"] > 800.0
    assert not bench.requests("e1") and "nitrogen_impure-e1" not in bench.core.state.alarms


# ------------------------------------------------------------------------------------------------ one alarm


def test_off_for_long_then_off_purity_is_one_alarm_after_the_other() -> None:
    bench = bench_with()
    for name in ("e1", "e2", "w1"):
        wanting(bench, name)
    say(bench, available=False, o2_pct=0.4, pressure_kpa=0.0)
    bench.run(900)
    assert about(bench) == {"source_unavailable-generator"}
    say(bench, o2_pct=9.0)
    bench.run(900)
    assert about(bench) == {"source_unavailable-generator", "source_impure-generator"}
    assert not bench.alarm("source_unavailable-generator").condition
    say(bench)
    bench.run(200)
    assert not bench.alarm("source_impure-generator").condition
    raised = [one.figures["alarm"] for one in bench.said("alarm_raised")]
    assert sorted(raised) == sorted(set(raised)) and len(raised) == 2


def test_a_start_s_first_gas_is_no_alarm_unless_it_lasts() -> None:
    bench = bench_with()
    say(bench, o2_pct=9.0)
    bench.run(450)
    say(bench)
    bench.run(600)
    assert about(bench) == set()


def test_a_source_under_pressure_is_an_alarm_of_its_own() -> None:
    bench = bench_with()
    say(bench, pressure_kpa=300.0)
    bench.run(400)
    assert about(bench) == {"source_pressure_low-generator"} and "300 kPa" in bench.alarm("source_pressure_low-generator").text


# ------------------------------------------------------------------------------------------------ given and asked


def doses(bench: corekit.Bench, name: str, times: int, share: float, outcome: str = "aborted") -> None:
    for _ in range(times):
        wanting(bench, name, wanted_nl=80.0)
        begun = len(bench.requests(name))
        bench.run(3)
        (one,) = bench.requests(name)[begun:]
        bench.owed.clear()
        bench.report(one, outcome, share * one.volume_nl, None if outcome == "delivered" else "expired")
        bench.core.state.enclosures[name].wanted_nl = {}


def test_each_valve_s_requests_are_counted_by_what_they_came_to() -> None:
    bench = bench_with()
    doses(bench, "e1", 2, 1.0, "delivered")
    doses(bench, "e1", 3, 0.6)
    doses(bench, "e1", 1, 1.2, "delivered")
    tally = bench.core.state.enclosures["e1"].tallies["nitrogen"]
    assert (tally.full, tally.short, tally.over, tally.refused, tally.silent, tally.late) == (2, 3, 1, 0, 0, 0)
    bench.hardware = "silent"
    kept = wanting(bench, wanted_nl=80.0)
    bench.run(140)
    assert tally.silent == 1
    late = bench.requests("e1")[-1]
    bench.report(late, "delivered", late.volume_nl)
    assert (tally.full, tally.silent, tally.late) == (3, 0, 1)
    kept.wanted_nl = {}


def test_a_dose_that_gave_most_is_slow_and_no_failure() -> None:
    bench = bench_with()
    doses(bench, "e1", 6, 0.6)
    assert bench.core.state.enclosures["e1"].failures == 0 and "dose_failing-e1" not in bench.core.state.alarms


def test_several_enclosures_that_fall_short_are_one_alarm_about_their_source() -> None:
    bench = bench_with()
    doses(bench, "e1", 2, 0.5)
    doses(bench, "e2", 2, 0.5)
    bench.run(121)
    told = bench.alarm("source_short-generator")
    assert told.condition and "4 doses of e1, e2" in told.text
    doses(bench, "w1", 1, 1.0, "delivered")
    bench.run(61)
    assert not bench.alarm("source_short-generator").condition


def test_one_enclosure_that_falls_short_is_no_alarm_about_the_source() -> None:
    bench = bench_with()
    doses(bench, "e1", 8, 0.5)
    bench.run(200)
    assert about(bench) == set()


def asked_nitrogen(bench: corekit.Bench) -> list[str]:
    """Who was given nitrogen, in order."""
    return [one.enclosure for one in bench.effects(RequestDose) if one.gas == "nitrogen"]


def test_nothing_is_requested_while_a_source_is_in_trouble_and_then_the_longest_waiting_goes_first() -> None:
    bench = bench_with()
    say(bench, available=False)
    for name, waited_s in (("e2", 900), ("e1", 600), ("w1", 0)):
        wanting(bench, name)
        bench.run(waited_s)
    assert asked_nitrogen(bench) == []
    say(bench)
    for name in ("e1", "e2", "w1"):
        bench.core.state.enclosures[name].sample.taken_mono_s = bench.mono_s
    bench.run(200)
    assert asked_nitrogen(bench)[:2] == ["e2", "e1"]


def test_what_a_valve_s_requests_came_to_is_a_row_when_it_was_not_all() -> None:
    bench = bench_with()
    doses(bench, "e1", 1, 1.0, "delivered")
    assert [one for one in bench.effects(Row) if one.measurement == "valve"] == []
    doses(bench, "e1", 1, 0.5)
    (row,) = [one for one in bench.effects(Row) if one.measurement == "valve"]
    assert dict(row.tags) == {"enclosure": "e1", "gas": "nitrogen"}
    names = ("full", "short", "over", "refused", "stopped", "silent", "late")
    assert row.fields == tuple(zip(names, (1.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0), strict=True))
    assert all(isinstance(value, float) for _, value in row.fields)


def test_a_source_that_sags_again_and_again_is_one_alarm() -> None:
    bench = bench_with()
    for _ in range(4):
        say(bench, pressure_kpa=300.0)
        bench.run(240)
        say(bench)
        bench.run(400)
    assert [one.figures["alarm"] for one in bench.said("alarm_raised")] == ["source_pressure_low-generator"]
    bench.run(600)
    assert not bench.alarm("source_pressure_low-generator").condition


@pytest.mark.parametrize("permitted", [True, False])
def test_who_waits_beyond_the_bound_of_a_source_that_is_well_is_told_unless_it_is_its_own_doing(
    permitted: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Three on 80 nl/min: two hours, and two turns of 12 x 131 s one after the other; then an hour on top."""
    bound_s = 7200.0 + 2 * 12 * 131.0 + 1.0
    bench = bench_with()
    bench.step_s = 30.0
    monkeypatch.setattr(supply, "offer", lambda *_: Why("capacity", "nothing to be had"))
    bench.core.state.sources["generator"].well_since_mono_s = bench.mono_s - bound_s
    kept = wanting(bench, "e2")
    bench.cell["line-2"] = None
    bench.core.state.waits["e2/nitrogen"] = Wait(bench.mono_s - bound_s)
    if not permitted:
        bench.air["east", "floor"] = (19.0, 0.04)
    for minutes, expected in ((55, False), (10, permitted)):
        for _ in range(minutes // 5):
            kept.sample.taken_mono_s = bench.mono_s
            bench.run(300)
        assert ("gas_waits-generator" in {one.figures["alarm"] for one in bench.said("alarm_raised")}) == expected
    assert not permitted or "e2 waits for 3.9 h, 1 in all; at most 2.9 h" in bench.alarm("gas_waits-generator").text


def test_after_an_outage_the_wait_counts_from_when_the_source_was_well_again(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = bench_with()
    monkeypatch.setattr(supply, "offer", lambda *_: Why("capacity", "nothing to be had"))
    wanting(bench, "e2")
    bench.core.state.waits["e2/nitrogen"] = Wait(bench.mono_s - 1e5)
    bench.run(60)
    assert "gas_waits-generator" not in bench.core.state.alarms
