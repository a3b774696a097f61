"""What adds up over a run, and the summary made of it. No process, no clock."""

import json

import pytest
from view_site import SITE, T0, Site, stamp

from deploy.view.summary import Run, as_text, summarise
from supervisor.caution import CAUTION


@pytest.fixture
def site() -> Site:
    return Site()


def test_gas_is_counted_once_per_request_at_its_highest_word(site: Site) -> None:
    for request_id, delivered_nl in [("a", 10), ("a", 25), ("b", 5), ("a", 25), ("a", 10), ("b", 7)]:
        site.report(request_id, delivered_nl)
    site.report("a", 3, gas="co2")
    assert site.picture.tally["n1"].gas_nl == {"nitrogen": 32.0, "co2": 3.0, "air": 0.0}
    assert site.row("Enclosures", "n1")[1]["N2/CO2/air nl"] == "32/3/0"


def test_time_to_hold_runs_from_the_latest_seal(site: Site) -> None:
    tally = site.picture.tally["n1"]
    site.enclosure("n1", "holding", since_s=50)
    assert tally.time_to_hold_s is None  # its seal was not seen
    site.enclosure("n1", "pulling_down", since_s=100)
    assert tally.time_to_hold_s is None
    site.enclosure("n1", "holding", since_s=3700)
    site.enclosure("n1", "holding", since_s=9999)
    assert tally.time_to_hold_s == 3600
    site.enclosure("n1", "pulling_down", since_s=20_000)
    assert tally.time_to_hold_s is None


def test_the_worst_sample_age_counts_only_enclosures_under_gas_and_never_sinks(site: Site) -> None:
    site.enclosure("n1", "holding", since_s=0)
    site.enclosure("n2", "filling", since_s=0)
    site.picture.look_at_ages(T0 + 1800)
    site.enclosure("n1", "holding", since_s=0, sampled_at=stamp(1800))
    site.picture.look_at_ages(T0 + 1810)
    assert site.picture.tally["n1"].worst_sample_age_s == 1800
    assert site.picture.tally["n2"].worst_sample_age_s is None


def test_without_a_sample_the_age_counts_from_the_state(site: Site) -> None:
    site.enclosure("n1", "pulling_down", since_s=100, sampled_at=None, sample_age_s=None, o2_pct=None, co2_pct=None)
    site.picture.look_at_ages(T0 + 400)
    assert site.picture.tally["n1"].worst_sample_age_s == 300


def test_the_summary_tells_everything_and_reads_the_same_as_text(site: Site) -> None:
    site.enclosure("n1", "pulling_down", since_s=0)
    site.enclosure("n1", "holding", since_s=7200)
    site.picture.look_at_ages(T0 + 7200 + 900)
    site.report("a", 2500.0)
    site.alarm("a", "n1", "high")
    site.alarm("a", "n1", "high", state="normal")
    site.alarm("a", "n1", "high", occurrence=2)
    site.alarm("b", "north", "low", state="normal")
    run = Run(60.0, 140.0, T0, T0 + 8400, "its time", {"broker": 1, "supervisor": 2})
    summary = json.loads(json.dumps(summarise(site.picture, run)))
    assert summary["enclosures_by_state"] == {"holding": 1, "unknown": len(SITE.enclosure) - 1}
    assert summary["enclosures"]["n1"]["time_to_hold_s"] == 7200
    assert summary["enclosures"]["n1"]["gas_nl"] == {"nitrogen": 2500.0, "co2": 0.0, "air": 0.0}
    assert summary["enclosures"]["n2"]["state"] == "unknown"
    assert summary["alarms_raised_by_priority"] == {"critical": 0, "high": 2, "medium": 0, "low": 0}
    assert [one["alarm"] for one in summary["alarms_standing"]] == ["a"]
    assert summary["worst_sample_age_s"] == {"enclosure": "n1", "age_s": 900}
    assert summary["gas_nl"]["nitrogen"] == 2500.0
    assert (summary["site_s"], summary["real_s"], summary["restarts"]) == (8400, 140, {"broker": 1, "supervisor": 2})
    text = "\n".join(as_text(summary))
    for part in ("1 holding", "2.0 h", "2500", "2 high", "15 min (n1)", "supervisor 2", CAUTION):
        assert part in text


def test_a_run_in_which_nothing_was_heard_has_a_summary_too(site: Site) -> None:
    text = as_text(summarise(site.picture, Run(60.0, 1.0, T0, T0 + 60, "Ctrl-C", {"broker": 0, "supervisor": 0})))
    assert any("Alarms raised: none; standing: none" in line for line in text)
