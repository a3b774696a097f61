"""Pulling a room's air sensor: its permit is withdrawn within the age that its air may have, its valves shut, and the room
is forbidden for whoever asks. The other room goes on."""

from collections.abc import Callable

import pytest
from system_books import doses, requests, running, seconds
from system_drill import Drill
from system_recorder import Recorder
from system_site import ROOT, crew, fault, small_site

pytestmark = pytest.mark.timeout(120)

SPEED = 40.0
SLACK_S = 1.0 * SPEED  # of simulated time: one real second for messages on their way and a loop that waits for a core
SITE = small_site("n1", "s1", clear_after_s=20, clock_offset_s_max=15)


def test_a_pulled_sensor_withdraws_the_permit_within_its_time_limit(make_drill: Callable[..., Drill]) -> None:
    drill = make_drill(
        SITE, speed=SPEED, crew=crew((60, "seal", "n1")), faults=fault("sensor_silent", "north/north-floor", 360)
    )
    timing = drill.site.timing
    drill.start(simulator=False)
    supervisor = drill.start_supervisor()
    drill.await_("the supervisor", lambda: drill.last("supervisor/status").get("online") is True)
    drill.start_simulator()
    drill.await_("nitrogen to flow in time for the test", lambda: bool(running(drill.recorder.heard, "n1", "nitrogen")))
    permits = lambda room: drill.recorder.of(f"room/{room}/permit")  # noqa: E731
    assert permits("north")[-1].body["dosing_permitted"] is True

    drill.await_("the withdrawal", lambda: permits("north")[-1].body["dosing_permitted"] is False)
    withdrawn = permits("north")[-1].body
    assert withdrawn["air_permitted"] is False
    # The supervisor's own time of the withdrawal, whatever it took to get here: a permit says until when it would be valid.
    withdrawn_s = seconds(withdrawn["valid_until"]) - timing.permit_valid_s
    last_word_s = seconds(drill.last("room/north/air/north-floor")["observed_at"])
    assert last_word_s + timing.air_age_s_max - 5.0 < withdrawn_s <= last_word_s + timing.air_age_s_max + SLACK_S
    asked = len(requests(drill.recorder.heard))

    drill.await_("the valve to shut", lambda: not running(drill.recorder.heard, "n1"))
    drill.await_("the flow to end", lambda: drill.last("dosing/n1/nitrogen/flow")["flow_nl_min"] == 0.0)
    ended = [one for one in doses(drill.recorder.heard).values() if one.valve == "n1/nitrogen"][-1]
    # Both are sent, the stop and the withdrawn permit; the valve shuts by whichever comes first.
    assert (ended.outcome, ended.code) in (("aborted", "stopped"), ("aborted", "no_permit"), ("delivered", None))
    assert ended.ended_s <= withdrawn_s + SLACK_S

    drill.await_("the alarm", lambda: drill.last("alarm/room_air_unknown-north").get("state") == "unacknowledged")
    newcomer = Recorder(drill.broker.host, drill.broker.port, ROOT, name="newcomer")
    try:
        drill.await_("the retained entry", lambda: bool(newcomer.last("room/north/entry")))
        entry = newcomer.of("room/north/entry")[0]
    finally:
        newcomer.close()
    assert (entry.retained, entry.body["status"]) == (True, "forbidden")
    assert "north-floor" in " ".join(entry.body["reasons"])
    # Well after the last permit could have run out: nothing was asked for meanwhile, and the south has its permit.
    over_s = withdrawn_s + 2 * timing.permit_valid_s
    drill.await_("two more permits' time", lambda: drill.sim_s() > over_s)
    assert len(requests(drill.recorder.heard)) == asked
    assert permits("south")[-1].body["dosing_permitted"] is True
    supervisor.stop()
    assert supervisor.exit_code == 0
