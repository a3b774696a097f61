"""Ended in order (SIGTERM), and two of them: on one state folder the second refuses, on two the higher epoch is obeyed."""

import json
import os
import signal
from collections.abc import Callable

import pytest
from brokers import poll
from system_books import doses, requests, running, seconds
from system_drill import Drill
from system_killed import PATIENT
from system_recorder import Recorder
from system_site import ROOT, crew, small_site

pytestmark = pytest.mark.timeout(120)

SPEED = 40.0
SITE = small_site("n1", "s1", **PATIENT, lease_s=300)  # a lease of three minutes: none is over while the test looks away


def begun(make_drill: Callable[..., Drill], state: str) -> Drill:
    """A drill with a supervisor online; n1 is sealed in a moment."""
    drill = make_drill(SITE, speed=SPEED, crew=crew((60, "seal", "n1")))
    drill.start()
    drill.supervisor = drill.start_supervisor(state)
    drill.await_("the supervisor", lambda: drill.last("supervisor/status").get("online") is True)
    return drill


def flowing(drill: Drill) -> bool:
    """A nitrogen lease of n1 has begun and has most of its time before it."""
    return any(0.0 < one.delivered_nl < 60.0 for one in running(drill.recorder.heard, "n1", "nitrogen"))


def logged(drill: Drill, name: str, event: str) -> list[dict]:
    lines = [line for line in drill.log(name).splitlines() if line.startswith("{")]
    return [one for one in map(json.loads, lines) if one["event"] == event]


def test_a_second_one_on_the_same_state_refuses_and_sigterm_ends_in_order(make_drill: Callable[..., Drill]) -> None:
    drill = begun(make_drill, "state")
    first = drill.supervisor
    second = drill.start_supervisor("state")
    assert poll(lambda: not second.running, within_s=30.0)
    assert second.exit_code == 1
    (refused,) = logged(drill, "state", "journal_refused")
    assert f"another supervisor (process {first.pid}) uses this state folder" in refused["error"]
    assert "--state" in refused["error"], "with the mend"
    assert first.running and drill.last("supervisor/status")["online"] is True

    drill.await_("nitrogen to flow", lambda: flowing(drill))
    since = drill.last("enclosure/n1/state")["since"]
    before = len(drill.recorder.heard)
    os.kill(first.pid, signal.SIGTERM)
    assert poll(lambda: not first.running, within_s=30.0)
    assert first.exit_code == 0
    hold_ended_in_order(drill, before)

    third = drill.start_supervisor("state")
    again = lambda: [body for _, body in requests(drill.recorder.heard[before:])]  # noqa: E731
    drill.await_("the next dose", lambda: bool(again()))
    assert again()[0]["epoch"] > requests(drill.recorder.heard[:before])[-1][1]["epoch"]
    state = drill.last("enclosure/n1/state")
    assert (state["state"], state["since"]) == ("pulling_down", since), "it goes on where it was"
    third.stop()
    assert third.exit_code == 0


def hold_ended_in_order(drill: Drill, before: int) -> None:
    for room in ("north", "south"):
        drill.await_(f"the last permit of {room}", lambda room=room: bool(drill.recorder.of(f"room/{room}/permit", before)))
        last = drill.recorder.of(f"room/{room}/permit", before)[-1].body
        assert (last["dosing_permitted"], last["air_permitted"]) == (False, False)
    assert drill.recorder.of("dosing/n1/nitrogen/stop", before), "and the running dose is stopped besides"
    drill.await_("the dose to end", lambda: not running(drill.recorder.heard, "n1"))
    ended = [one for one in doses(drill.recorder.heard).values() if one.valve == "n1/nitrogen"][-1]
    assert (ended.outcome, ended.code) in (("aborted", "no_permit"), ("aborted", "stopped"))
    drill.await_("the flow to end", lambda: drill.last("dosing/n1/nitrogen/flow")["flow_nl_min"] == 0.0)
    newcomer = Recorder(drill.broker.host, drill.broker.port, ROOT, name="newcomer")
    try:
        drill.await_("the retained status", lambda: bool(newcomer.last("supervisor/status")))
        status = newcomer.of("supervisor/status")[0]
    finally:
        newcomer.close()
    assert (status.retained, status.body["online"]) == (True, False)
    assert logged(drill, "state", "stopping")
    (stopped,) = logged(drill, "state", "stopped")
    assert (stopped["state_saved"], stopped["broker_told"], stopped["exit_status"]) == (True, True, 0)


def test_of_two_on_different_states_the_hardware_obeys_the_higher_epoch_alone(make_drill: Callable[..., Drill]) -> None:
    drill = begun(make_drill, "first")
    drill.await_("nitrogen to flow", lambda: flowing(drill))
    lower = requests(drill.recorder.heard)[-1][1]["epoch"]
    drill.start_supervisor("second")
    overtaken = "alarm/epoch_overtaken-site"
    drill.await_("the first to see it", lambda: drill.last(overtaken).get("state") == "unacknowledged")
    raised = next(index for index, one in enumerate(drill.recorder.heard) if one.topic == overtaken)
    assert drill.last(overtaken)["priority"] == "critical"
    assert logged(drill, "first", "epoch_overtaken")[0]["epoch"] == lower
    assert logged(drill, "second", "epoch_overtaken") == []
    drill.await_("the valve to shut", lambda: not running(drill.recorder.heard, "n1"))

    # What still came with the lower epoch would be refused, even in good time and with the room permitted.
    drill.await_("the second's permit", lambda: permitted(drill, above=lower))
    body = {"request_id": f"{lower}-999999", "epoch": lower, "volume_nl": 5.0, "max_flow_nl_min": 50.0, "reason": "too late"}
    drill.recorder.publish("dosing/n1/nitrogen/request", {**body, "valid_until": drill.stamp(ahead_s=300.0)})
    drill.await_("an answer", lambda: f"{lower}-999999" in doses(drill.recorder.heard))
    answer = doses(drill.recorder.heard)[f"{lower}-999999"]
    assert (answer.outcome, answer.code, answer.delivered_nl) == ("refused", "old_epoch", 0.0)

    # The second never saw this bag being sealed, and is told. It goes on; the first has nothing more to say.
    drill.recorder.publish("operator/command", drill.signed({
        "command_id": "again", "issued_at": drill.stamp(), "operator": "dana", "action": "seal", "target": "n1",
    }))  # fmt: skip
    drill.await_("the second to dose", lambda: any(one.valve == "n1/nitrogen" and one.accepted_s
                                                   for one in doses(drill.recorder.heard[raised:]).values()))  # fmt: skip
    later = [body for _, body in requests(drill.recorder.heard[raised:]) if body["reason"] != "too late"]
    assert later and all(body["epoch"] > lower for body in later)
    for child in drill.children[-1:0:-1]:
        child.stop()
        assert child.exit_code == 0


def permitted(drill: Drill, above: int) -> bool:
    """The room has a permit of a higher epoch in force."""
    permits = [one.body for one in drill.recorder.of("room/north/permit") if one.body["epoch"] > above]
    return bool(permits) and permits[-1]["dosing_permitted"] and seconds(permits[-1]["valid_until"]) > drill.sim_s() + 15.0
