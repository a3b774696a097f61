"""Commands that a stranger left retained in the broker: neither the hardware nor the supervisor takes them."""

from collections.abc import Callable

import pytest
from system_books import doses
from system_drill import Drill
from system_killed import PATIENT
from system_site import small_site

pytestmark = pytest.mark.timeout(120)

FAR = "2099-01-01T00:00:00.000Z"
PERMIT = {"dosing_permitted": True, "air_permitted": True, "epoch": 77, "valid_until": FAR}
REQUEST = {"epoch": 77, "volume_nl": 50.0, "max_flow_nl_min": 50.0, "valid_until": FAR, "reason": "left over"}


def test_a_retained_request_permit_or_command_moves_nothing(make_drill: Callable[..., Drill]) -> None:
    drill = make_drill(small_site("n1", "s1", **PATIENT), speed=60.0)
    drill.start(simulator=False)
    recorder = drill.recorder
    recorder.publish("room/north/permit", PERMIT, retain=True)
    recorder.publish("dosing/n1/nitrogen/request", {**REQUEST, "request_id": "77-1"}, retain=True)
    command = {"command_id": "left-over", "issued_at": drill.stamp(), "operator": "dana", "action": "seal", "target": "n1"}
    recorder.publish("operator/command", drill.signed(command), retain=True)
    simulator = drill.start_simulator()

    drill.await_("the retained request's answer", lambda: "77-1" in doses(recorder.heard))
    answer = doses(recorder.heard)["77-1"]
    assert (answer.outcome, answer.delivered_nl) == ("refused", 0.0)
    # The room has no permit: the retained one was not believed. One that is in good time and not retained finds none.
    recorder.publish("dosing/n1/nitrogen/request", {**REQUEST, "request_id": "77-2", "valid_until": drill.stamp(ahead_s=300.0)})
    drill.await_("its answer", lambda: "77-2" in doses(recorder.heard))
    assert (doses(recorder.heard)["77-2"].outcome, doses(recorder.heard)["77-2"].code) == ("refused", "no_permit")

    drill.start_supervisor()
    rejected = lambda: [one.body for one in recorder.of("rejected") if one.body["topic"] == "operator/command"]  # noqa: E731
    drill.await_("the retained command to be refused", lambda: bool(rejected()))
    assert "retained" in rejected()[0]["reason"]
    permits = lambda: [one.body for one in recorder.of("room/north/permit") if one.body != PERMIT]  # noqa: E731
    drill.await_("the supervisor at work", lambda: any(body["dosing_permitted"] for body in permits()))
    assert drill.command("acknowledge", "rejected_messages-site", occurrence=1)["accepted"], "one that is said now is heard"
    assert [one.body for one in recorder.of("operator/outcome") if one.body["command_id"] == "left-over"] == []
    assert drill.state("n1") == "filling"
    flows = [one.body for one in recorder.heard if one.topic.endswith("/flow")]
    assert flows and not any(body["valve_open"] or body["flow_nl_min"] for body in flows)
    simulator.stop()
    assert "permit: gateway-north: retained" in drill.log("simulator")
