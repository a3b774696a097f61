"""Why gas is given or not, as the core gives it out: each branch with its words and numbers; listening changes nothing."""

import ast
import re
from collections.abc import Callable
from pathlib import Path

import corekit
import coresite
import pytest
from corekit import RequestDose

from supervisor.core.reasons import Told
from supervisor.core.state import Dose, Sample
from supervisor.settings import SiteFile
from supervisor.values import LinkChanged, RequestRefused, Started

Bench = corekit.Bench
CORE = Path(__file__).resolve().parents[2] / "supervisor" / "core"
REACHED: set[str] = set()


def listening(the_site: SiteFile | None = None) -> Bench:
    bench = corekit.ready(the_site)
    bench.core.told = []
    return bench


def wanting(bench: Bench, enclosure: str = "e1", o2_pct: float = 15.0, co2_pct: float = 10.0, **wanted: float):
    """This enclosure holds, was sampled just now, and wants these volumes: nothing else has to be decided."""
    kept = bench.core.state.enclosures[enclosure]
    kept.state, kept.since_mono_s, kept.decided_mono_s = "holding", bench.mono_s, bench.mono_s
    kept.sample = Sample("az", "a1", 7, o2_pct, co2_pct, bench.mono_s, bench.wall_s)
    kept.wanted_nl = dict(wanted)
    kept.why = "invented for the test"
    return kept


def told(bench: Bench, enclosure: str = "e1", gas: str | None = "nitrogen") -> list[Told]:
    """What the next tick tells of this enclosure and gas."""
    bench.core.told.clear()
    bench.go(1.0)
    bench.say_what_is_due()
    bench.tick()
    REACHED.update(one.code for one in bench.core.told)
    return [one for one in bench.core.told if (one.enclosure, one.gas) == (enclosure, gas)]


# ------------------------------------------------------------------------------------------------ nothing given


def _link(bench: Bench) -> None:
    bench.step(LinkChanged(bench.now, False))


def _overtaken(bench: Bench) -> None:
    bench.core.state.overtaken = True


def _stopping(bench: Bench) -> None:
    bench.core.state.stopping = True


def _inside(bench: Bench) -> None:
    assert bench.command("enter", "east", people=["mara"], standby="ono", minutes=5).accepted


def _silent_sensor(bench: Bench) -> None:
    kept = bench.core.state.enclosures["e1"]
    del bench.air["east", "floor"]
    kept.wanted_nl = {}
    bench.run(44)
    kept.wanted_nl = {"nitrogen": 500.0}


def _guard_held_permit(bench: Bench) -> None:
    room = bench.core.state.rooms["east"]
    room.permit_held_until_mono_s, room.dosing_permitted = bench.mono_s + 10.0, False


def _unsettled(bench: Bench) -> None:
    del bench.units["gw-west"]
    bench.core.state.epoch_settled = False
    bench.core.state.started_mono_s = bench.mono_s
    bench.core.state.units["gw-west"].heard_mono_s = None


def _old(bench: Bench) -> None:
    bench.core.state.enclosures["e1"].sample.taken_mono_s -= 2760.0


def _doubted(bench: Bench) -> None:
    bench.core.state.enclosures["e1"].doubt = "it moved further than gas can"


def _alarm(bench: Bench) -> None:
    bench.core.state.consequences["e1"] = "enclosure"
    bench.core.state.problems["e1"] = ["no_response"]


def _floor(bench: Bench) -> None:
    bench.core.state.enclosures["e1"].sample.o2_pct = 1.25


def _unit(bench: Bench) -> None:
    bench.say_unit("gw-plant", online=False)


def _source(bench: Bench) -> None:
    bench.say_source("generator", available=False)


def _spent(bench: Bench) -> None:
    """1 nl of the hour's 3,000 is left."""
    dose = Dose("1-1", "e1", "nitrogen", "generator", 2999.0, 50.0, bench.mono_s - 60.0, bench.mono_s, "delivered", 2999.0)
    dose.closed_mono_s = bench.mono_s
    bench.core.state.enclosures["e1"].doses["1-1"] = dose


def _rests(bench: Bench) -> None:
    kept = bench.core.state.enclosures["e1"]
    kept.pauses_mono_s["nitrogen"], kept.hold_reason = bench.mono_s + 31.0, "hardware refused nitrogen: no_flow"


@pytest.mark.parametrize(
    ("hinder", "code", "words"),
    [
        (_link, "no_way_out", "there is no link to the broker"),
        (_overtaken, "no_way_out", "another supervisor is at work on this site"),
        (_stopping, "no_way_out", "the supervisor is stopping"),
        (_inside, "no_permit", r"room east has no permit for nitrogen: the room is restricted: .*mara.*"),
        (_silent_sensor, "no_permit", r"room east .*: the room is forbidden: .*floor.* silent for \d+ s.*"),
        (_guard_held_permit, "no_permit", r"room east .*: the guard refused the permit, which is tried again"),
        (_unsettled, "no_permit", r"room east .*: just started: every unit has to tell first which epoch it has seen"),
        (_old, "old_sample", "its sample is too old: 46 min, at most 45 min"),
        (_doubted, "doubted", "its newest reading is not believed: it moved further than gas can"),
        (_alarm, "alarm", "an alarm of this enclosure keeps its gas off: no_response"),
        (_floor, "floor", r"oxygen is below the floor: 1\.25 %, floor 1\.5 %"),
        (_unit, "unit", "unit gw-plant is offline"),
        (_source, "source", "source generator is not available"),
        (_spent, "hour_limit", "nitrogen is at its limit of 3000 nl an hour"),
        (_rests, "rests", "its valve rests for 30 s more: hardware refused nitrogen: no_flow"),
    ],
)
def test_what_stands_in_the_way_is_told_with_its_numbers(hinder: Callable[[Bench], None], code: str, words: str) -> None:
    bench = listening()
    kept = wanting(bench, nitrogen=500.0)
    hinder(bench)
    (one,) = told(bench)
    assert (one.kind, one.code) == ("not_given", code)
    assert re.fullmatch(words, one.words), one.words
    assert kept.wanted_nl["nitrogen"] == 500.0


def test_co2_above_its_ceiling_is_told() -> None:
    bench = listening()
    wanting(bench, co2=50.0, co2_pct=21.4)
    (one,) = told(bench, gas="co2")
    assert (one.code, one.words) == ("ceiling", "CO2 is above the ceiling: 21.40 %, ceiling 21 %")


def test_air_has_reasons_of_its_own() -> None:
    bench = listening()
    wanting(bench, air=50.0)
    _inside(bench)
    (one,) = told(bench, gas="air")
    assert (one.code, one.words) == ("no_permit", "room east has no permit for air: in it or at its door: mara")


def test_who_waits_to_vent_is_told_by_which_forecast() -> None:
    bench = listening()
    for sensor in ("door", "floor"):
        bench.air["east", sensor] = (20.9, 0.46)
    bench.run(6)
    for name in ("e1", "e2"):
        wanting(bench, name, air=500.0, o2_pct=3.0, co2_pct=18.0).state = "venting"
    said = [one for name in ("e1", "e2") for one in told(bench, name, "air") if one.code == "vent_waits"]
    assert said and re.fullmatch(r"waits to vent: forecast CO2 \d\.\d\d % in the room, at most 0\.5 %", said[0].words)


def test_a_turn_is_told_with_who_is_before_and_how_long_at_most() -> None:
    """80 nl/min, inlets of 50: the first draws its 50, the second the rest, the third and fourth wait."""
    bench = listening(coresite.crowded(2))
    bench.hardware = "silent"
    for name in ("e1", "e2", "x0", "x1"):
        wanting(bench, name, nitrogen=500.0)
    assert [one.kind for one in told(bench, "e1")] == ["asked"]
    assert [one.code for one in told(bench, "e1")] == ["running"]
    (first,) = told(bench, "x0")
    assert first.code == "capacity"
    assert first.words == "first in line at generator, which can give 80 nl/min now: e1, e2 draw 80 of it"
    (second,) = told(bench, "x1")
    # Five inlets of 50 on 80 nl/min: one at a time. Two hours' head start and four turns of twelve leases of 120 + 10 + 1 s.
    longest_s = 7200.0 + 4 * 12 * 131.0 + 1.0
    hours = (longest_s - 4.0) / 3600.0
    assert (second.code, second.words) == (
        "turn", f"waits for its turn at generator, 1 before it, at most {hours:.1f} h more at full capacity"
    )  # fmt: skip


def test_valves_at_once_are_told() -> None:
    bench = listening(coresite.site_with(**{"capacity_nl_min = 80": "capacity_nl_min = 500\nvalves_at_once = 1"}))
    bench.hardware = "silent"
    for name in ("e1", "e2"):
        wanting(bench, name, nitrogen=500.0)
    told(bench)
    (one,) = told(bench, "e2")
    assert (one.code, one.words) == ("valves_at_once", "1 valves stand open on generator (e1), 1 at once")


def test_too_little_no_source_nitrogen_first_and_a_state_without_gas_are_told() -> None:
    bench = listening()
    wanting(bench, nitrogen=1.5)
    (one,) = told(bench)
    assert (one.code, one.words) == ("too_little", "less than 2 nl is not worth a valve's stroke: 1.5 nl is wanted")
    wanting(bench, "w1", air=50.0)
    (one,) = told(bench, "w1", "air")
    assert (one.code, one.words) == ("no_source", "no source of it is piped to this enclosure")
    kept = wanting(bench, nitrogen=50.0, co2=50.0)
    kept.state = "pulling_down"
    (one,) = told(bench, gas="co2")
    assert (one.code, one.words) == ("nitrogen_first", "nitrogen first: CO2 before it would be blown away")
    bench = listening()
    wanting(bench, nitrogen=50.0).state = "venting"
    (one,) = told(bench)
    assert (one.code, one.words) == ("state", "an enclosure that is venting gets none")


def test_an_enclosure_that_is_to_get_nothing_says_why() -> None:
    bench = listening()
    assert [one.words for one in told(bench, gas=None)] == ["filling: it is open to people"]
    bench.command("stop", "e1")
    (one,) = told(bench, gas=None)
    assert one.words.startswith("faulted until a person has found and reset it: ")
    bench = listening()
    bench.command("seal", "e1")
    assert [one.code for one in told(bench, gas=None)] == ["no_sample"]
    kept = wanting(bench)
    assert [one.words for one in told(bench, gas=None)] == ["nothing more is wanted until the next decision"]
    kept.since_mono_s = bench.mono_s
    assert [one.words for one in told(bench, gas=None)] == ["its last sample is from before it was holding"]
    bench.step(Started(bench.now, 2, "again"))
    assert [one.words for one in told(bench, gas=None)] == [
        "its last sample is from before the start, or before the clock jumped"
    ]


def test_what_the_guard_refuses_and_what_is_stopped_is_told() -> None:
    bench = listening()
    kept = wanting(bench, nitrogen=500.0)
    assert [one.kind for one in told(bench)] == ["asked"]
    (asked,) = [one for one in bench.requests("e1") if isinstance(one, RequestDose)]
    bench.core.told.clear()
    bench.step(RequestRefused(bench.now, asked.request_id, "e1", "nitrogen", "room", "no clear air for 60 s", "60 s"))
    (one,) = bench.core.told
    assert one.kind == "refused"
    assert one.words == "the guard refused: room, no clear air for 60 s, limit 60 s; asked again in 30 s"
    REACHED.add(one.code)
    kept = wanting(bench, nitrogen=500.0)
    kept.pauses_mono_s = {}
    assert [one.kind for one in told(bench)] == ["asked"]
    kept.sample = Sample("az", "a1", 9, 1.0, 10.0, bench.mono_s + 0.5, bench.wall_s + 0.5)
    kept.decided_mono_s = kept.sample.taken_mono_s
    assert [one.words for one in told(bench) if one.kind == "stopped"] == ["oxygen is below the floor"]


# ------------------------------------------------------------------------------------------------ decisions


def decided(bench: Bench, o2_pct: float, co2_pct: float, state: str = "holding", enclosure: str = "e1") -> str:
    """What is told of a decision on this sample, taken 11 minutes ago."""
    kept = wanting(bench, enclosure, o2_pct, co2_pct)
    kept.state, kept.since_mono_s, kept.decided_mono_s = state, bench.mono_s - 3600.0, None
    kept.sample.taken_mono_s -= 659.0
    bench.core.state.trusted_mono_s = kept.since_mono_s
    bench.core.state.dirty[enclosure] = True
    (one,) = [one for one in told(bench, enclosure, None) if one.kind == "decided"]
    return one.words


@pytest.mark.parametrize(
    ("state", "gas_pct", "words"),
    [
        ("holding", (3.0, 17.0), r"wants [+-]0\.00 % O2, \+0\.\d\d % CO2; no nitrogen: .* -> [\d.]+ nl co2(, [\d.]+ nl air)?"),
        ("holding", (3.0, 18.0), r"both gases are near enough -> nothing"),
        ("holding", (2.7, 18.0), r"wants \+0\.\d\d % O2, .*; no nitrogen: oxygen is below its set-point -> .*air.*"),
        ("holding", (3.1, 18.0), r"wants -0\.\d\d % O2, .*; no nitrogen: so little oxygen too much is the fruit's to use up.*"),
        ("holding", (4.0, 18.0), r"wants -[\d.]+ % O2, [+-]0\.\d\d % CO2 -> .*nl nitrogen.*"),
        ("pulling_down", (20.0, 0.0), r"purge to 3\.66 % O2, \d+ nl left -> [\d.]+ nl nitrogen"),
        ("pulling_down", (3.66, 0.0), r"CO2 to 18 %, \d+ nl left -> [\d.]+ nl co2"),
        ("pulling_down", (2.7, 18.0), r"trim to the set-points -> .*"),
        ("pulling_down", (3.0, 18.0), r"at its set-points"),
        ("venting", (10.0, 5.0), r"wants air until it can be breathed -> [\d.]+ nl air"),
        ("venting", (20.8, 0.1), r"wants air until it can be breathed, breathable 1 times of 2 -> .*"),
    ],
)  # fmt: skip
def test_a_decision_is_told_with_its_sample_what_it_wants_and_what_it_gives(
    state: str, gas_pct: tuple[float, float], words: str
) -> None:
    said = decided(listening(), *gas_pct, state=state)
    assert re.fullmatch(rf"sample {gas_pct[0]:.2f} % O2, {gas_pct[1]:.2f} % CO2, 11 min old, good; {words}", said), said


def test_nitrogen_that_is_too_impure_for_a_recipe_is_told() -> None:
    bench = listening(coresite.site_with(**{"o2_pct = 0.5": "o2_pct = 3.8"}))
    said = decided(bench, 10.0, 0.0, "pulling_down")
    assert said.endswith("nitrogen with 3.8 % oxygen never purges to 3.66 % oxygen -> nothing")


def test_what_was_given_since_the_sample_is_told() -> None:
    bench = listening()
    kept = bench.core.state.enclosures["e1"]
    dose = Dose("1-1", "e1", "nitrogen", "generator", 90.0, 50.0, bench.mono_s - 300.0, bench.mono_s, "delivered", 90.0)
    dose.closed_mono_s = bench.mono_s - 100.0
    kept.doses["1-1"] = dose
    assert "; with what is given since 9." in decided(bench, 10.0, 0.0, "pulling_down")


# ------------------------------------------------------------------------------------------------ the rest


def test_listening_changes_nothing() -> None:
    """The same day with and without somebody listening: every effect and the whole state are the same."""
    quiet, heard = (corekit.sealed(o2_pct=8.0, co2_pct=3.0) for _ in range(2))
    heard.core.told = []
    for bench in (quiet, heard):
        bench.run(1200)
        bench.hardware = "silent"
        bench.run(300)
    assert quiet.log == heard.log and quiet.core.dump() == heard.core.dump()
    assert len({one.code for one in heard.core.told}) > 3


def test_every_branch_that_gives_a_reason_was_reached() -> None:
    """Of the whole core: a new reason needs a test with its words. Runs last, after those above."""
    codes = set()
    for path in CORE.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "Why":
                codes |= {node.args[0].value} if isinstance(node.args[0], ast.Constant) else set()
    assert len(codes) > 25
    if len(REACHED) > 10:  # a single test, run alone, reaches only its own
        assert codes - REACHED == set()
