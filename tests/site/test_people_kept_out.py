"""People kept out of unsafe air, on whole simulated sites: judged by the plant's truth and under the eyes of the nine rules.

Limits: 29 CFR 1910.146(b), 29 CFR 1910.1000 Table Z-1 (0.5 % CO2); the rooms have 400 m3 and 120 m3/h of fresh air.
"""

import pytest
from inprocess import acts, example

from simulator.crew import Act, Schedule
from simulator.faults import Fault

HOUR_S = 3600.0
SITE = example("n1", "n2", "s1")
CREW = acts((180, "seal", "n1"), (300, "seal", "n2"), (420, "seal", "s1"))


def raised_s(site, alarm: str) -> float | None:
    """Simulated seconds after the start at which an alarm was first raised."""
    return next((at_s for at_s, name in site.raised if name == alarm), None)


@pytest.fixture
def watched(run_site):
    """A site that notes when each alarm was raised, and when room north was shown clear."""

    def make(**options):
        site = run_site(site_text=SITE, **options)
        site.raised, site.shown = [], []
        see = site.tap

        def tap(event, outgoing):
            see(event, outgoing)
            now_s = site.mono_s - 1000.0
            for one in outgoing:
                if getattr(one, "event", "") == "alarm_raised":
                    site.raised.append((now_s, one.figures["alarm"]))
                if getattr(one, "names", None) == ("north",) and hasattr(one.body, "judged_at"):
                    site.shown.append((now_s, one.body))

        site.tap = tap
        return site

    return make


def entered(at_s: float, minutes: int, *more: Act) -> Schedule:
    permit = {"people": ["mara"], "standby": "ono", "minutes": minutes}
    return Schedule((*CREW.acts, Act(at_s, "enter", "north", permit), *more))


@pytest.mark.parametrize("crash", [False, True])
def test_a_burst_co2_hose_stops_dosing_before_a_limit_is_reached(watched, crash):
    site = watched(faults=[Fault("co2_release", "north", 1500, 5400, size=150.0)], crew=CREW)
    site.run_to(1500 + 30)
    if crash:
        site.crash()
    site.run_to(1800)
    found_s = raised_s(site, "room_air_moving-north")
    assert found_s is not None and found_s - 1500 <= (240 if crash else 180)
    assert max(one.co2_pct for one in site.engine._core.state.rooms["north"].sensors.values()) < 0.5
    assert raised_s(site, "room_air_unsafe-north") is None
    text = site.retained["alarm/room_air_moving-north"]["text"]
    assert "CO2 rose by" in text and "dosed last: n" in text
    assert site.plant.valves["n1/nitrogen"].flow_nl_min == site.plant.valves["n2/nitrogen"].flow_nl_min == 0.0
    assert not [one for mono_s, one in site.requests if one.enclosure in ("n1", "n2") and mono_s - 1000.0 > found_s]
    assert site.retained["room/south/entry"]["status"] == "clear"
    site.run_to(2 * HOUR_S)
    assert raised_s(site, "room_air_unsafe-north") > found_s
    assert not [at_s for at_s, body in site.shown if body.status == "clear" and at_s > found_s]
    assert site.retained["room/north/entry"]["status"] == "forbidden"


def test_healthy_dosing_venting_and_opening_move_no_room_unexplained(watched):
    crew = Schedule((*CREW.acts, Act(2 * HOUR_S, "vent", "n1"), Act(2 * HOUR_S, "vent", "n2"),
                     Act(2.2 * HOUR_S, "open", "n1"), Act(2.2 * HOUR_S, "open", "n2")))  # fmt: skip
    site = watched(crew=crew)
    site.run_to(4 * HOUR_S)
    assert site.raised == []
    assert site.state("n1")["state"] == site.state("n2")["state"] == "filling"
    permits = site.events("entry_permit")
    assert permits and all("% CO2" in str(one.figures["air"]) and one.figures["standby"] for one in permits)
    assert len(site.events("entry_left")) >= len(permits)
    assert site.retained["room/north/entry"]["status"] == "clear"
    assert site.events("guard_refused") == [] and site.events("permit_refused_by_guard") == []


@pytest.mark.parametrize(("fault", "after_s"), [
    (Fault("sensor_flat", "north/north-floor", 1500, 9000), 1800.0),
    (Fault("sensor_off", "north/north-floor", 1500, 9000, size=-1.2), 10.0),
    (Fault("sensor_silent", "north/north-floor", 1500, 9000), 40.0),
])  # fmt: skip
def test_a_sensor_that_cannot_be_believed_closes_the_room_and_shuts_its_valves(watched, fault, after_s):
    site = watched(faults=[fault], crew=CREW)
    site.run_to(1500 + after_s + 10)
    assert site.retained["room/north/entry"]["status"] == "forbidden"
    assert site.plant.valves["n1/nitrogen"].flow_nl_min == site.plant.valves["n2/nitrogen"].flow_nl_min == 0.0
    closed_s = site.mono_s
    site.run_to(8900)
    assert not [one for mono_s, one in site.requests if one.enclosure in ("n1", "n2") and mono_s > closed_s]
    assert not [at_s for at_s, body in site.shown if body.status == "clear" and 1500 + after_s + 10 < at_s]
    # Nobody enters; whoever asked is signed out again.
    assert site.alarms()["room_air_unknown-north"]["condition"]


def test_an_overdue_person_is_missing_over_a_restart_and_nothing_flows_until_somebody_knows(watched):
    leave = Act(3600, "leave", "north", {"people": ["mara"]})
    site = watched(crew=entered(1200, 10, leave))
    site.run_to(1500)
    assert site.retained["room/north/entry"]["people"] == ["mara"]
    site.crash()
    site.run_to(3590)
    due_s = 1200 + 600
    assert 0 <= raised_s(site, "people_overdue-north") - due_s <= 20
    assert 0 <= raised_s(site, "people_missing-north") - due_s - 300 <= 20
    assert site.retained["room/north/sounder"] == {"on": True, "reason": "people have not come out"}
    assert not [one for mono_s, one in site.requests if one.enclosure in ("n1", "n2") and 2210 < mono_s < 4590]
    assert [one for mono_s, one in site.requests if one.enclosure == "s1" and 2210 < mono_s < 4590]
    site.run_to(4200)
    entry = site.retained["room/north/entry"]
    assert entry["status"] == "restricted" and entry["people"] == []
    assert any("people_missing waits for a named person" in one for one in entry["reasons"])


def test_a_status_is_never_older_than_a_minute(watched):
    site = watched(crew=CREW)
    site.run_to(2400)
    times = [at_s for at_s, _ in site.shown]
    assert max(b - a for a, b in zip(times, times[1:], strict=False)) <= 60.0
    assert all(body.since <= body.judged_at for _, body in site.shown)
