"""The view's lines: messages in, what changed in words out. No process, no clock."""

import json

import pytest
from view_site import SITE, T0, Site, stamp

from deploy.view.lines import news_line, standing_line


@pytest.fixture
def site() -> Site:
    return Site()


def test_only_what_changes_makes_a_line(site: Site) -> None:
    assert site.enclosure("n1", "filling") == ["enclosure n1: filling, O2 5.20 % of 5, CO2 14.60 % of 15"]
    assert site.enclosure("n1", "filling", o2_pct=20.0) == []
    assert site.enclosure("n1", "pulling_down", since_s=100) != []
    assert site.enclosure("n1", "holding", since_s=100 + 5400, problems=["out_of_band"]) == [
        "enclosure n1: holding after 90 min, O2 5.20 % of 5, CO2 14.60 % of 15 (out of band)"
    ]
    site.say("room/north/entry", status="forbidden", since=stamp(0), reasons=["sensor north-door silent for 31 s"])
    assert site.news[-1] == "room north: entry forbidden (sensor north-door silent for 31 s)"
    assert site.say("room/north/entry", status="forbidden", since=stamp(0), reasons=["other"]) == []


def test_an_alarm_makes_a_line_when_raised_and_when_its_state_changes_with_what_to_do(site: Site) -> None:
    assert site.alarm("a", "n1") == ["alarm high: n1: Something is wrong [Look at it]"]
    assert site.alarm("a", "n1") == []
    assert site.alarm("a", "n1", state="acknowledged") == ["alarm high: n1: Something is wrong -> acknowledged"]
    assert site.alarm("a", "n1", occurrence=2) == ["alarm high: n1: Something is wrong [Look at it]"]


def test_a_line_starts_with_the_sites_time_and_the_mark(site: Site) -> None:
    news = site.picture.take(f"{SITE.root}/supervisor/status", json.dumps(
        {"online": False, "instance": "a", "epoch": 1, "started_at": stamp(0)}).encode())  # fmt: skip
    assert news_line(news[0], T0 + 61) == "06:01:01 !!!  supervisor: offline"


def test_the_standing_line_counts_states_and_names_the_oldest_sample(site: Site) -> None:
    site.enclosure("n1", "holding", since_s=0)
    site.enclosure("n2", "holding", since_s=900)
    site.say("room/north/entry", status="clear", since=stamp(0), reasons=[])
    others = len(SITE.enclosure) - 2
    assert standing_line(site.picture, T0 + 1500) == (
        f"06:25:00      {others} not heard yet, 2 holding; oldest sample 25 min (n1);"
        " entry north clear, south not heard yet; no alarms"
    )


def test_what_cannot_be_read_is_counted_and_changes_nothing(site: Site) -> None:
    root = SITE.root
    for topic, payload in [
        (f"{root}/enclosure/n1/state", b"{"), (f"{root}/enclosure/n1/state", b'{"state": "holding"}'),
        (f"{root}/enclosure/n1/state", b"\xff"), (f"{root}/unknown", b"{}"), ("elsewhere/alarm/x", b"{}"),
        (f"{root}/alarm", b"{}"), (f"{root}/alarm/a/b", b"{}"),
    ]:  # fmt: skip
        assert site.picture.take(topic, payload) == []
    assert (site.picture.messages, site.picture.unreadable) == (7, 7)
    assert site.picture.enclosures["n1"] is None


def test_a_thing_that_the_site_file_does_not_know_is_said_and_shown_nowhere(site: Site) -> None:
    assert site.enclosure("n99", "holding") == ["a message about enclosure n99, which is not in the site file"]
    assert "n99" not in site.picture.enclosures
    site.report("r1", 5.0, enclosure="n99")
