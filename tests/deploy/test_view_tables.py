"""The view's tables: what is unknown, what is wrong, and nothing else, carries a mark. No process, no clock."""

import os
from typing import Any

import pytest
from rich.console import Console
from view_site import SITE, T0, Site, stamp

from deploy.view.levels import MARKS, Level
from deploy.view.screen import render
from deploy.view.tables import ALARMS_SHOWN, headline, tables
from deploy.view.topics import filters
from deploy.view.words import duration, percent
from supervisor.caution import CAUTION


@pytest.fixture
def site() -> Site:
    return Site()


def test_it_listens_to_each_topic_of_the_contract_that_it_shows() -> None:
    assert set(filters("r")) == {
        "r/enclosure/+/state", "r/room/+/entry", "r/room/+/permit", "r/room/+/sounder", "r/room/+/air/+",
        "r/source/+/status", "r/alarm/+", "r/dosing/+/+/report", "r/supervisor/status", "r/rejected",
    }  # fmt: skip


# ------------------------------------------------------------------------------------------------ unknown is shown


def test_what_was_never_heard_says_so_and_is_marked(site: Site) -> None:
    for title, name in (("Enclosures", "n1"), ("Rooms", "north"), ("Sources", "generator")):
        level, cells = site.row(title, name)
        assert level == Level.NOTE
        assert cells[""] == "?"
        assert "not heard yet" in cells.values()
    assert len(site.table("Enclosures").rows) == len(SITE.enclosure)
    assert headline(site.picture, T0, 60).level == Level.HIGH  # no link yet
    site.picture.link(True)
    assert "not heard yet" in headline(site.picture, T0, 60).cells[-1]


def test_ages_are_counted_on_from_the_sample_itself_not_from_the_message(site: Site) -> None:
    site.enclosure("n1", "holding", since_s=0, sampled_at=stamp(60), sample_age_s=1.0)
    assert site.row("Enclosures", "n1", now_s=60 + 600)[1]["sample"] == "10 min"
    assert site.row("Enclosures", "n1", now_s=7200)[1]["for"] == "2.0 h"


def test_a_source_that_has_gone_silent_is_marked(site: Site) -> None:
    site.say("source/bank/status", observed_at=stamp(0), available=True, stock_kg=250.4)
    level, cells = site.row("Sources", "bank", now_s=10)
    assert (level, cells["status"], cells["stock kg"], cells["O2 %"]) == (Level.NORMAL, "available", "250.4", "--")
    assert site.row("Sources", "bank", now_s=301)[0] == Level.NOTE
    site.say("source/bank/status", observed_at=stamp(0), available=False)
    level, cells = site.row("Sources", "bank")
    assert (level, cells[""], cells["status"]) == (Level.MEDIUM, "!!", "NOT available")


def test_a_permit_counts_only_until_it_runs_out(site: Site) -> None:
    site.say("room/north/permit", dosing_permitted=True, air_permitted=True, epoch=3, valid_until=stamp(45))
    assert site.row("Rooms", "north", now_s=44.9)[1]["permit"] == "gas and air"
    assert site.row("Rooms", "north", now_s=45)[1]["permit"] == "none in force"
    site.say("room/north/permit", dosing_permitted=False, air_permitted=True, epoch=3, valid_until=stamp(45))
    assert site.row("Rooms", "north")[1]["permit"] == "air only"


def test_a_room_shows_its_worst_sensor_and_believes_none_that_is_not_ok(site: Site) -> None:
    def air(sensor: str, o2_pct: float, co2_pct: float, status: str = "ok") -> None:
        site.say(f"room/north/air/{sensor}", observed_at=stamp(0), seq=1, o2_pct=o2_pct, co2_pct=co2_pct, status=status)

    air("north-door", 20.9, 0.05)
    air("north-floor", 20.1, 0.9)
    cells = site.row("Rooms", "north")[1]
    assert (cells["least O2 %"], cells["most CO2 %"]) == ("20.10", "0.90")
    air("north-floor", 20.1, 0.9, "fault")
    assert site.row("Rooms", "north")[1]["most CO2 %"] == "0.05"
    assert site.row("Rooms", "south")[1]["most CO2 %"] == "--"


# ------------------------------------------------------------------------------------------------ what is wrong


def test_all_is_grey_and_without_a_mark_while_nothing_is_wrong(site: Site) -> None:
    site.all_well()
    assert headline(site.picture, T0, 60).level == Level.NORMAL
    for table in tables(site.picture, T0):
        assert {(row.level, row.cells[0]) for row in table.rows} <= {(Level.NORMAL, "")}, table.title
    assert site.table("Alarms").note == "none"


@pytest.mark.parametrize(
    ("state", "more", "level"),
    [
        ("faulted", {}, Level.HIGH),
        ("holding", {"verdict": "bad"}, Level.NOTE),
        ("holding", {"verdict": "uncertain"}, Level.NOTE),
        ("pulling_down", {"problems": ["waits for nitrogen"]}, Level.NOTE),
        ("filling", {"verdict": "none", "o2_pct": None, "co2_pct": None, "sampled_at": None}, Level.NORMAL),
    ],
)
def test_an_enclosure_in_trouble_carries_a_mark(site: Site, state: str, more: dict[str, Any], level: Level) -> None:
    site.enclosure("n1", state, **more)
    found, cells = site.row("Enclosures", "n1")
    assert (found, cells[""]) == (level, MARKS[level])
    assert site.row("Enclosures", "n2")[0] == Level.NOTE  # not heard: its own reason, not n1's


def test_an_alarm_marks_its_subject_with_its_priority(site: Site) -> None:
    site.all_well()
    site.alarm("no_response-n1", "n1", "high")
    site.alarm("room_air_dangerous-north", "north", "critical")
    assert site.row("Enclosures", "n1")[0] == Level.HIGH
    assert site.row("Enclosures", "n2")[0] == Level.NORMAL
    assert site.row("Rooms", "north")[0] == Level.CRITICAL
    site.alarm("no_response-n1", "n1", "high", state="normal")
    assert site.row("Enclosures", "n1")[0] == Level.NORMAL


def test_alarms_stand_unacknowledged_first_then_by_priority_and_the_rest_is_counted(site: Site) -> None:
    site.alarm("a", "n1", "low")
    site.alarm("b", "n2", "critical", state="acknowledged")
    site.alarm("c", "n3", "high")
    site.alarm("d", "n4", "medium", state="latched_unacknowledged")
    assert [row.cells[2] for row in site.table("Alarms").rows] == ["n3", "n4", "n1", "n2"]
    for n in range(5):
        site.alarm(f"more-{n}", f"s{n}", "low")
    table = site.table("Alarms")
    assert len(table.rows) == ALARMS_SHOWN == 4
    assert table.note == "and 5 more"


@pytest.mark.parametrize("state", ["shelved", "suppressed_by_design", "out_of_service"])
def test_what_is_kept_from_people_stands_last_and_marks_nothing(site: Site, state: str) -> None:
    site.all_well()
    site.alarm("a", "n1", "critical", state=state, cause="c-n3" if state == "suppressed_by_design" else None)
    site.alarm("b", "n2", "low", state="acknowledged")
    rows = site.table("Alarms").rows
    assert [row.cells[2] for row in rows] == ["n2", "n1"] and rows[1].level == Level.NOTE
    assert site.row("Enclosures", "n1")[0] == Level.NORMAL
    assert ("held back by c-n3" in rows[1].cells[-1]) == (state == "suppressed_by_design")


def test_the_first_of_a_burst_and_what_an_alarm_explains_are_told(site: Site) -> None:
    site.alarm("a", "n1", first=True, holds_back=12)
    site.alarm("b", "n2")
    first, other = (row.cells[-1] for row in site.table("Alarms").rows)
    assert first.startswith("first of a burst") and "Holds back 12 alarms" in first
    assert "first" not in other and "Holds back" not in other


def test_a_deleted_alarm_is_gone(site: Site) -> None:
    site.alarm("a", "n1")
    site.picture.take(f"{SITE.root}/alarm/a", b"")
    assert site.picture.standing_alarms() == []


def test_a_room_with_its_sounder_on_is_critical_whatever_else_it_says(site: Site) -> None:
    site.say("room/north/entry", status="clear", since=stamp(0), reasons=[])
    assert site.say("room/north/sounder", on=True, reason="room air is dangerous") == [
        "room north: SOUNDER ON, room air is dangerous"
    ]
    level, cells = site.row("Rooms", "north")
    assert (level, cells["reasons"]) == (Level.CRITICAL, "SOUNDER ON")


def test_a_clear_that_nobody_has_judged_lately_is_shown_as_unknown(site: Site) -> None:
    site.say("room/north/entry", status="clear", since=stamp(0), reasons=[], judged_at=stamp(30))
    for now_s, level, entry in (
        (149.0, Level.NORMAL, "clear"), (151.0, Level.NOTE, "unknown, last judged 2 min ago"),
    ):  # fmt: skip
        shown, cells = site.row("Rooms", "north", now_s)
        assert (shown, cells["entry"]) == (level, entry)


def test_an_offline_supervisor_and_a_lost_link_head_the_screen(site: Site) -> None:
    site.picture.link(True)
    for online, level in ((True, Level.NORMAL), (False, Level.HIGH)):
        site.say("supervisor/status", online=online, instance="a", epoch=4, started_at=stamp(0))
        assert headline(site.picture, T0, 60).level == level
    assert "OFFLINE" in headline(site.picture, T0, 60).cells[-1]
    assert [one.text for one in site.picture.link(False)] == ["view: link to the broker lost"]
    assert "NO LINK" in headline(site.picture, T0, 60).cells[-1]


# ------------------------------------------------------------------------------------------------ screen and words


def test_the_screen_says_in_words_what_it_says_in_colour(site: Site) -> None:
    site.all_well()
    site.enclosure("n3", "faulted", problems=["unrequested_flow"])
    site.alarm("unrequested_flow-n3", "n3", "high")
    text = printed(site, width=110)
    line = next(one for one in text.splitlines() if " n3 " in one and "faulted" in one)
    assert line.startswith("!!!")
    assert "unrequested flow" in line
    for name in [*SITE.enclosures, *SITE.rooms, *SITE.gas_sources, CAUTION[:40], "Ctrl-C"]:
        assert name in text


@pytest.mark.parametrize("width", [80, 100, 160])
def test_on_no_width_does_a_mark_or_a_state_or_the_advice_get_lost(site: Site, width: int) -> None:
    site.enclosure("n4", "pulling_down", verdict="uncertain", problems=["a long story " * 10])
    site.alarm("a", "n1", "critical", text="Gas flows that nobody asked for: nitrogen 12 nl/min",
               advice="Shut the hand valve of this inlet and keep out of the room until its air is checked")  # fmt: skip
    text = printed(site, width)
    line = next(one for one in text.splitlines() if " n4 " in one)
    for part in ("?", "n4", "pulling down", "5.20 / 5", "14.60 / 15", "uncertain"):
        assert part in line
    assert "!!!!" in text
    assert text.rstrip().endswith("Ctrl-C ends the demo.")
    assert "checked" in text
    assert ("N2/CO2/air nl" in text) == (width >= 100)


def test_a_low_screen_gives_its_lines_to_the_enclosures_and_still_counts_every_alarm(site: Site) -> None:
    site.all_well()
    for n in range(6):
        site.alarm(f"a-{n}", f"subject-{n}")
    for height, shown in ((80, 4), (46, 3), (24, 1)):
        text = printed(site, 110, height)
        assert text.count("subject-") == shown
        assert f"and {6 - shown} more" in text


def printed(site: Site, width: int, height: int = 70) -> str:
    with open(os.devnull, "w") as nowhere:
        console = Console(width=width, height=height, no_color=True, record=True, file=nowhere)
        console.print(render(site.picture, T0, 60, (width, height), "Ctrl-C ends the demo."))
    return console.export_text()


def test_every_level_but_normal_has_its_own_mark() -> None:
    assert len(set(MARKS.values())) == len(Level)
    assert MARKS[Level.NORMAL] == ""


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (None, "--"), (-3, "0 s"), (0, "0 s"), (99, "99 s"), (100, "2 min"),
        (3600, "60 min"), (6000, "1.7 h"), (200_000, "2.3 d"),
    ],  # fmt: skip
)
def test_durations(seconds: float | None, words: str) -> None:
    assert duration(seconds) == words


def test_percent() -> None:
    assert (percent(None), percent(5), percent(-0.004)) == ("--", "5.00", "0.00")
