"""Valves: flow that nobody asked for, requests that nobody answers. Typed by hand: 0.5 nl/min, 5 s, 15 s."""

import pytest
from pydantic import ValidationError
from watch_world import SITE, World

from supervisor.values import LinkChanged, ShellTrouble, Started
from supervisor.watch import Watch


def running(ahead_s=120.0) -> tuple[World, str]:
    world = World()
    name = world.request("nitrogen", ahead_s=ahead_s)
    world.report(name, "accepted")
    world.flow(50.0)
    world.tick(1)
    return world, name


# ---- unrequested flow


@pytest.mark.parametrize("valve_open, flow, expected", [
    (True, 0.0, []), (True, 0.5, []), (True, 0.501, ["unrequested_flow"]), (True, 50.0, ["unrequested_flow"]),
    (False, 50.0, []),
])  # fmt: skip
def test_a_valve_that_opens_by_itself(valve_open, flow, expected):
    world = World()
    world.flow(flow, valve_open=valve_open)
    world.tick(6)
    assert world.findings() == expected


@pytest.mark.parametrize("after_s, expected", [
    (0.0, []), (4.75, []), (5.0, []), (5.25, ["unrequested_flow"]), (60.0, ["unrequested_flow"]),
])  # fmt: skip
def test_it_may_be_told_before_its_request_for_five_seconds(after_s, expected):
    world = World()
    world.flow(50.0)
    world.tick(after_s)
    assert world.findings() == expected


def test_only_a_tick_tells():
    """Within a batch of messages the closing one may come after others."""
    world = World()
    world.flow(50.0)
    world.t += 60
    world.flow(50.0, gas="air")
    world.observe(ShellTrouble(world.now, "history_unreachable", True, "x"))
    world.flow(0.0, valve_open=False)
    world.tick()
    assert world.findings() == []


def test_a_finding_names_valve_flow_and_time():
    world = World()
    world.flow(12.34, gas="co2")
    world.tick(30)
    finding = world.found[0]
    assert (finding.enclosure, finding.gas, finding.now) == ("n1", "co2", world.now)
    assert finding.measured == "12.3 nl/min of co2 for 30 s with no request running"
    assert finding.limit == "at most 0.5 nl/min"


def test_flow_of_a_request_is_asked_for():
    world, _ = running()
    for _ in range(11):
        world.tick(10)
        world.flow(50.0)
    assert world.findings() == []


def test_a_request_of_another_valve_asks_for_nothing_here():
    for elsewhere in ({"gas": "air"}, {"gas": "nitrogen", "enclosure": "n2"}):
        world = World()
        world.request(**elsewhere)
        world.flow(50.0)
        world.tick(6)
        assert world.findings() == ["unrequested_flow"]


@pytest.mark.parametrize("word_s, expected", [(0.0, []), (4.0, []), (5.0, []), (5.25, ["unrequested_flow"]),
                                              (60.0, ["unrequested_flow"])])  # fmt: skip
def test_flow_that_is_told_again_after_the_lease(word_s, expected):
    """A valve that does not shut: the word on it must be from after the lease had ended, not merely still stand."""
    world, _ = running(ahead_s=120.0)
    world.tick(119 + word_s)
    assert world.findings() == []
    world.flow(50.0)
    world.tick(max(0.0, 6.0 - word_s))
    assert world.findings() == expected


def test_an_old_word_is_no_evidence():
    world, _ = running(ahead_s=30.0)
    world.tick(600)
    assert world.findings() == []


@pytest.mark.parametrize("outcome, expected", [("delivered", ["unrequested_flow"]), ("aborted", ["unrequested_flow"]),
                                               ("refused", ["unrequested_flow"]), ("progress", [])])  # fmt: skip
def test_flow_after_a_final_report(outcome, expected):
    world, name = running()
    world.report(name, outcome, 10.0)
    world.tick(6)
    world.flow(50.0)
    world.tick()
    assert world.findings() == expected


def test_a_valve_that_shuts_in_time_is_well():
    for report_first in (True, False):
        world, name = running()
        world.tick(30)
        if report_first:
            world.report(name, "delivered", 25.0)
            world.tick(4)
            world.flow(0.0, valve_open=False)
        else:
            world.flow(0.0, valve_open=False)
            world.tick(4)
            world.report(name, "delivered", 25.0)
        world.tick(60)
        assert world.findings() == []


def test_a_valve_that_opens_again_after_its_dose():
    world, name = running()
    world.report(name, "delivered", 25.0)
    world.flow(0.0, valve_open=False)
    world.tick(60)
    world.flow(50.0)
    world.tick(6)
    assert world.findings() == ["unrequested_flow"]


def test_it_is_said_once_and_again_after_it_was_over():
    world = World()
    for _ in range(3):
        world.flow(50.0)
        world.tick(6)
        assert world.findings() == ["unrequested_flow"]
        for _ in range(5):
            world.tick(60)
            world.flow(49.0)
            world.tick()
        assert world.findings() == []
        world.flow(0.0, valve_open=False)
        world.tick(60)


def test_it_is_said_for_each_valve():
    world = World()
    world.flow(50.0)
    world.flow(50.0, gas="co2")
    world.flow(50.0, enclosure="s6")
    world.tick(6)
    assert sorted((one.enclosure, one.gas) for one in world.found) == [("n1", "co2"), ("n1", "nitrogen"), ("s6", "nitrogen")]


@pytest.mark.parametrize("action", ["resume", "seal", "vent", "open"])
def test_it_is_said_again_when_a_person_thought_it_was_mended(action):
    world = World()
    world.flow(50.0, gas="air")
    world.tick(6)
    world.findings()
    world.command(action)
    world.tick(1)
    assert world.findings() == ["unrequested_flow"]
    world.command("stop")
    world.command("resume", "n2")
    world.tick(1)
    assert world.findings() == []


def test_flow_into_a_sample_pair_spoils_it():
    world = World()
    world.visit(10.0, 10.0)
    world.flow(50.0, gas="air")
    world.tick(60)
    world.flow(0.0, valve_open=False, gas="air")
    assert world.findings() == ["unrequested_flow"]
    world.tick(3600)
    world.visit(15.0, 10.0)
    assert world.findings() == []


@pytest.mark.parametrize("what", ["start", "link"])
def test_over_a_gap_an_old_word_does_not_count(what):
    world = World()
    world.flow(50.0)
    world.tick(1)
    world.crash()
    world.observe(Started(world.now, 8, "test") if what == "start" else LinkChanged(world.now, False))
    world.tick(60)
    world.observe(LinkChanged(world.now, True))
    world.tick(60)
    assert world.findings() == []
    world.flow(50.0)
    world.tick(6)
    assert world.findings() == ["unrequested_flow"]


def test_a_crash_forgets_neither_requests_nor_what_was_said():
    world, _ = running()
    world.crash()
    world.tick(10)
    assert world.findings() == []
    world = World()
    world.flow(50.0)
    world.tick(6)
    world.crash()
    world.tick(6)
    assert world.findings() == ["unrequested_flow"]


def test_strangers_are_not_followed():
    world = World()
    world.flow(50.0, enclosure="nowhere")
    world.flow(50.0, gas="helium")
    world.report("7-1", "progress", 5.0, enclosure="nowhere")
    world.report("7-1", "progress", 5.0, gas="helium")
    world.tick(60)
    assert world.findings() == []


# ---- late reports


@pytest.mark.parametrize("waited_s, expected", [(5.0, []), (14.75, []), (15.0, []), (15.25, ["late_report"]),
                                                (600.0, ["late_report"])])  # fmt: skip
def test_a_request_that_nobody_answers(waited_s, expected):
    world = World()
    world.request("nitrogen")
    world.tick(waited_s)
    assert world.findings() == expected


def test_the_finding_names_the_request():
    world = World()
    world.request("co2", enclosure="s1")
    world.tick(20)
    finding = world.found[0]
    assert (finding.enclosure, finding.gas, finding.measured, finding.limit) == (
        "s1", "co2", "no word on request 7-1 for 20 s", "15 s")  # fmt: skip


@pytest.mark.parametrize("outcome", ["accepted", "progress", "delivered", "refused", "aborted"])
def test_any_report_is_an_answer(outcome):
    world = World()
    name = world.request("nitrogen")
    world.tick(14)
    world.report(name, outcome)
    world.tick(60)
    assert world.findings() == []


@pytest.mark.parametrize("other", [{"name": "7-2"}, {"name": "7-1", "gas": "air"}, {"name": "7-1", "enclosure": "n2"}])
def test_a_report_of_another_request_is_none(other):
    world = World()
    world.request("nitrogen")
    world.report(outcome="accepted", **other)
    world.tick(16)
    assert world.findings() == ["late_report"]


def test_silence_is_said_once_and_again_after_an_answer():
    world = World()
    for expected in (["late_report"], [], []):
        world.request("nitrogen")
        world.tick(16)
        world.tick(16)
        assert world.findings() == expected
    name = world.request("nitrogen")
    world.report(name, "accepted")
    world.tick(16)
    world.request("nitrogen")
    world.tick(16)
    assert world.findings() == ["late_report"]


def test_while_the_link_is_down_nobody_is_late():
    world = World()
    world.request("nitrogen")
    world.observe(LinkChanged(world.now, False))
    world.tick(60)
    world.observe(LinkChanged(world.now, True))
    world.tick(60)
    assert world.findings() == []


def test_with_the_link_up_again_the_time_begins_anew():
    world = World()
    world.observe(LinkChanged(world.now, False))
    world.request("nitrogen")
    world.tick(60)
    assert world.findings() == []
    world.observe(LinkChanged(world.now, True))
    world.tick(15)
    assert world.findings() == []
    world.tick(0.25)
    assert world.findings() == ["late_report"]


def test_a_start_excuses_what_was_asked_before():
    world = World()
    world.request("nitrogen")
    world.crash()
    world.observe(Started(world.now, 8, "test"))
    world.observe(LinkChanged(world.now, True))
    world.tick(60)
    assert world.findings() == []
    world.request("nitrogen")
    world.tick(16)
    assert world.findings() == ["late_report"]


@pytest.mark.parametrize("blob", [b"", b"{", b"null", b'{"plots": 1}'])
def test_a_dump_that_is_none_is_named(blob):
    with pytest.raises(ValidationError):
        Watch.load(SITE, blob)


def test_an_enclosure_new_in_the_site_file_is_watched_too():
    watch = Watch.load(SITE, b"{}")
    assert b'"n1"' in watch.dump() and b'"s6"' in watch.dump()
