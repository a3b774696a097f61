"""A rehearsed season end to end: what is found, what is not, what is broken, and what the report says of it."""

import json
import re
import xml.etree.ElementTree as ElementTree
from dataclasses import replace

import pytest
from inprocess import example
from rehearsalkit import faults_file, judged, named, reported, season, task

from simulator.faults import Fault
from supervisor.__main__ import main
from supervisor.rehearsal import expected
from supervisor.rehearsal.pool import run_all
from supervisor.rehearsal.verdict import all_met, naming
from supervisor.shell.engine import Engine

HOUR_S = 3600.0
ONE = example("n1")
STUCK = Fault("valve_stuck_open", "n1/nitrogen", 3.5 * HOUR_S, 4 * HOUR_S, 20.0)
STILL = Fault("ventilation_off", "south", 5 * HOUR_S, 6 * HOUR_S)
SENSOR = Fault("sensor_silent", "south/south-door", 7 * HOUR_S, 7.5 * HOUR_S)


@pytest.fixture(scope="module")
def half_a_day(tmp_path_factory):
    """Half a day with three faults, of which the table says that the second must be found at once; nothing can find it."""
    path = faults_file(tmp_path_factory.mktemp("faults"), STUCK, STILL, SENSOR)
    with pytest.MonkeyPatch.context() as patch:
        row = replace(
            expected.EXPECTED["ventilation_off"], alarms=("room_air_unsafe",), within_s=lambda site, size: 60.0, least=0.0
        )
        patch.setitem(expected.EXPECTED, "ventilation_off", row)
        yield season(path, 0.5)


def test_what_is_found_is_named_with_its_time_and_consequence(half_a_day):
    stuck, still, sensor = half_a_day.faults
    assert (stuck.found_by, sensor.found_by) == ("unrequested_flow-n1", "room_air_unknown-south")
    assert naming(stuck) == naming(sensor) == "rightly" and stuck.taken is sensor.taken is True
    assert 0.0 < sensor.found_s - SENSOR.start_s <= sensor.bound_s
    assert all(one.recovered_s is not None and one.recovered_s >= one.fault.end_s for one in half_a_day.faults)
    assert "raised" in [line.what for line in stuck.seen if line.alarm == "unrequested_flow-n1"]
    assert stuck.courses["n1"][0][0] < STUCK.start_s - 0.5 * HOUR_S < STUCK.end_s < stuck.courses["n1"][-1][0]


def test_late_is_later_than_the_bound_and_what_the_pace_adds(half_a_day):
    sensor = half_a_day.faults[2]
    at_s = sensor.shows_s + sensor.bound_s + sensor.slack_s
    assert naming(replace(sensor, found_s=at_s)) == "rightly" and naming(replace(sensor, found_s=at_s + 1.0)) == "late"
    assert sensor.slack_s == 30.0, "two steps of a quarter of a minute"


def test_a_fault_that_nobody_finds_is_shown_as_not_found(half_a_day):
    found = judged([half_a_day])
    criterion = named(found, "Found and named rightly")
    assert naming(half_a_day.faults[1]) == "not found"
    assert criterion.met is False and criterion.measured == "2 of 3" and "2 (ventilation_off)" in criterion.note
    assert not all_met(found)
    page = reported([half_a_day])
    assert "Not passed: 1 of" in page and "<b>Not found.</b>" in page and '<span class="no">not found</span>' in page


def test_the_report_holds_every_fault_and_needs_nothing_else(half_a_day):
    page = reported([half_a_day])
    tree = ElementTree.fromstring(page.removeprefix("<!DOCTYPE html>\n"))
    assert {one.text.partition(".")[0] for one in tree.iter("h3") if one.get("id")} == {"1", "2", "3"}
    ids = [one.get("id") for one in tree.iter() if one.get("id")]
    links = {one.get("href")[1:] for one in tree.iter("a")}
    assert len(ids) == len(set(ids)) and links <= set(ids) and len(links) == 3
    assert not {"script", "link", "img", "iframe"} & {one.tag for one in tree.iter()}
    assert set(re.findall(r"https?://[^\"' <]*", page)) == {"http://www.w3.org/2000/svg"} and "@import" not in page
    for words in ("Signature", "cd" * 32, "not a safety instrumented system", "What is assumed", "for comparison", "seed 1"):
        assert words in page, words


def test_the_season_is_accounted_for(half_a_day):
    assert half_a_day.broken == [] and half_a_day.witnessed > 1000
    assert [one.enclosure for one in half_a_day.pull_downs][:2] == ["n1", "s1"]
    assert half_a_day.openings == 1, "one is opened half way"
    given = half_a_day.gas_nl["n1"]
    assert 1250 < given["nitrogen, pull-down"] < 4000 and given["co2, pull-down"] > 200
    assert 0.0 < half_a_day.sealed_s["s1"] <= 0.5 * 86_400.0
    hours = half_a_day.courses["s1"]
    assert len(hours.state) == 12 and all(low <= high for low, high in zip(hours.o2_min[2:], hours.o2_max[2:], strict=True))


def test_the_same_seeds_give_the_same_report_in_one_process_or_several(tmp_path):
    path = faults_file(tmp_path, Fault("sensor_silent", "north/north-door", HOUR_S, 1.5 * HOUR_S))
    here = [season(path, 0.1, seed, ONE) for seed in (1, 2)]
    told: list[tuple[int, float]] = []
    there = run_all([task(path, 0.1, seed, ONE) for seed in (1, 2)], 2, lambda number, at_s: told.append((number, at_s)))
    assert reported(here, ONE) == reported(there, ONE)
    assert {number for number, _ in told} == {0, 1}
    assert reported(here[:1], ONE) != reported(here[1:], ONE)


def test_an_interrupted_rehearsal_ends_its_processes_and_leaves_no_journal(tmp_path):
    tasks = [task("calm", 30.0, seed, ONE, tmp_path / f"seed-{seed}") for seed in (1, 2)]

    def told(number: int, at_s: float) -> None:
        raise KeyboardInterrupt

    for jobs in (1, 2):
        with pytest.raises(KeyboardInterrupt):
            run_all(tasks, jobs, told)
        assert list(tmp_path.iterdir()) == []


def test_its_journal_is_one_that_replay_proves(tmp_path, capsys):
    season("calm", 0.15, text=ONE, journal=tmp_path / "journal")
    assert main(["replay", str(tmp_path / "journal")]) == 0
    assert "bit for bit" in capsys.readouterr().out
    assert main(["audit", "verify", str(tmp_path / "journal")]) == 0


# ------------------------------------------------------------------------------------------------ the command


def command(tmp_path, *more: str) -> int:
    site, other = tmp_path / "small.toml", tmp_path / "other.toml"
    site.write_text(ONE, encoding="utf-8")
    other.write_text(ONE.replace("capacity_nl_min = 200 ", "capacity_nl_min = 25 "), encoding="utf-8")
    words = [str(site), "--days", "0.25", "--report", str(tmp_path / "report.html"), "--jobs", "1", *more]
    return main(["rehearse", *words])


def test_a_broken_rule_fails_the_rehearsal_by_name_and_two_sites_stand_side_by_side(tmp_path, monkeypatch, capsys):
    step = Engine.step

    def twice(self, event):
        """Every tenth request leaves twice under one id."""
        outgoing = step(self, event)
        doses = [one for one in outgoing if hasattr(getattr(one, "effect", None), "volume_nl")]
        return outgoing + [one for one in doses if one.effect.request_id.endswith("9")]

    monkeypatch.setattr(Engine, "step", twice)
    other = str(tmp_path / "other.toml")
    assert command(tmp_path, "--faults", "calm", "--compare", other, "--json", str(tmp_path / "report.json")) == 1
    said, page = capsys.readouterr().out, (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "NOT PASSED" in said and "NOT MET" in said
    data = json.loads((tmp_path / "report.json").read_text(encoding="utf-8"))
    missed = [one for one in data["sites"][0]["criteria"] if one["met"] is False]
    assert "Rule 6" in [one["name"].partition(":")[0] for one in missed] and "was used before" in missed[0]["note"]
    assert "Rule 6" in page.split("<h2>")[0], "the verdict on top names it"
    side = page.split("Side by side</h2>")[1].split("</table>")[0]
    assert "small.toml" in side and "other.toml" in side
    slow, fast = (max(one["took_s"] for one in data["sites"][number]["seasons"][0]["pull_downs"]) for number in (1, 0))
    assert slow > fast, "an eighth of the generator"


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (["--faults", "nothing.toml"], "nothing.toml"),
        (["--compare", "no-such-site.toml"], "no-such-site.toml"),
        (["--faults", "calm", "--journal", "kept"], "seed-1 is not empty"),
    ],
)
def test_what_cannot_be_rehearsed_is_said_at_once(tmp_path, monkeypatch, capsys, more, words):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "kept" / "seed-1" / "journal").mkdir(parents=True)
    assert command(tmp_path, *more) == 2
    assert words in capsys.readouterr().err
    assert not (tmp_path / "report.html").exists()


@pytest.mark.parametrize("more", [["--days", "0"], ["--days", "x"], ["--seeds", "1,1"], ["--seeds", "a"], ["--begins", "x"]])
def test_a_wrong_command_line_is_refused(tmp_path, more):
    with pytest.raises(SystemExit) as ended:
        command(tmp_path, *more)
    assert ended.value.code == 2
