"""A person at a terminal commands a running site: signed, answered, refused with the reason; what a broker has a part in,
over both brokers."""

import json
import subprocess
import sys
from collections.abc import Callable
from typing import Any

import pytest
from brokers import Kind
from system_drill import TOP, Drill
from system_killed import PATIENT
from system_site import fault, small_site

pytestmark = pytest.mark.timeout(180)

SILENT = "unit_silent-gateway-south"
SITE = small_site("n1", "s1", **PATIENT | {"unit_silence_s_max": 30, "start_grace_s": 30})
CAUTION = "not a safety instrumented system"


class Terminal:
    """`stillhold` as a person types it, at the drill's broker and pace."""

    def __init__(self, drill: Drill) -> None:
        self._drill = drill

    def type(self, command: str, *words: str, by: str | None = "dana") -> tuple[int, str]:
        """Exit status, and what it printed."""
        drill = self._drill
        key = ["--key", str(drill.folder / f"{by}.key")] if by else []
        place = ["--host", drill.broker.host, "--port", str(drill.broker.port)]
        pace = ["--speed", repr(drill.speed), "--start", repr(drill.start_s)]
        return self.run(*command.split(), str(drill.site_path), *words, *place, *pace, *key)

    def run(self, *words: str) -> tuple[int, str]:
        argv = [sys.executable, "-m", "supervisor", *words]
        done = subprocess.run(argv, cwd=TOP, capture_output=True, text=True, timeout=60, stdin=subprocess.DEVNULL)
        return done.returncode, done.stdout + done.stderr

    def json(self, command: str, *words: str, by: str | None = None) -> dict[str, Any]:
        return json.loads(self.type(command, *words, "--json", by=by)[1])

    def let_in(self, name: str, role: str) -> None:
        site, key = str(self._drill.site_path), str(self._drill.folder / f"{name}.key")
        status, said = self.run("operators", "add", site, name, "--role", role, "--key", key)
        assert status == 0, said


@pytest.fixture
def sealed(make_drill: Callable[..., Drill]) -> Callable[[Kind], tuple[Drill, Terminal]]:
    """A site in which a person has sealed n1 from a terminal; before that nobody was online."""

    def make(kind: Kind) -> tuple[Drill, Terminal]:
        drill = make_drill(SITE, kind=kind, speed=20.0, faults=fault("unit_off", "gateway-south", 0))
        here = Terminal(drill)
        drill.start()
        nobody_is_online(here)
        drill.start_supervisor()
        drill.await_("the supervisor", lambda: drill.last("supervisor/status").get("online") is True)
        drill.await_("the enclosure", lambda: drill.state("n1") == "filling")
        status, said = here.type("seal", "n1")
        assert (status, said) == (0, "accepted: seal n1, as dana\n")
        drill.await_("the pull-down", lambda: drill.state("n1") == "pulling_down")
        return drill, here

    return make


def test_over_mosquitto_too_a_person_is_answered_and_sees_the_site(sealed: Callable[..., tuple[Drill, Terminal]]) -> None:
    drill, here = sealed("mosquitto")
    drill.await_("an alarm", lambda: drill.last(f"alarm/{SILENT}").get("state") == "unacknowledged")
    assert here.type("ack", SILENT, "--occurrence", "1")[0] == 0
    told = here.json("status")
    assert told["supervisor"]["online"] is True and told["not_there"] == []
    assert [one["state"] for one in told["enclosures"]] == ["pulling_down", "filling"]
    no_answer(drill, here)


def test_a_person_commands_a_site_from_a_terminal(sealed: Callable[..., tuple[Drill, Terminal]]) -> None:
    drill, here = sealed("nats")
    status, said = here.type("seal", "n1")
    assert status == 1 and "pulling_down" in said
    assert here.json("seal", "n9", by="dana") | {"command_id": ""} == {
        "command_id": "", "action": "seal", "target": "n9", "operator": "dana", "accepted": False,
        "reason": "there is no enclosure n9", "exit_status": 1,
    }  # fmt: skip
    alone = here.type("enter", "north", "--people", "dana", "--standby", "dana", "--minutes", "5")
    assert alone[0] == 1 and "refused: enter north" in alone[1]
    alarms_are_seen(drill, here)
    roles_and_revocation(drill, here)
    strangers_are_refused(drill)
    a_recording_is_worth_nothing(drill)
    the_picture(drill, here)
    no_answer(drill, here)


def nobody_is_online(here: Terminal) -> None:
    status, said = here.type("seal", "n1")
    assert status == 3 and "no supervisor is online" in said and "nothing was sent" in said
    status, said = here.type("status", by=None)
    assert status == 3 and "NOT ONLINE" in said and "treat every room as unsafe" in said and CAUTION in said
    assert " clear" not in said.split("CAUTION")[0]


def alarms_are_seen(drill: Drill, here: Terminal) -> None:
    drill.await_("an alarm", lambda: drill.last(f"alarm/{SILENT}").get("state") == "unacknowledged")
    listed = here.json("alarms")["alarms"]
    ranks = [("critical", "high", "medium", "low").index(one["priority"]) for one in listed]
    assert SILENT in [one["alarm"] for one in listed] and ranks == sorted(ranks)
    status, said = here.type("alarms", by=None)
    assert status == 0 and SILENT in said and CAUTION in said
    occurrence = drill.last(f"alarm/{SILENT}")["occurrence"]
    status, said = here.type("ack", SILENT)
    assert status == 2 and f"{SILENT}, occurrence {occurrence}: unacknowledged" in said and "--occurrence" in said
    status, said = here.type("ack", SILENT, "--occurrence", str(occurrence + 1))
    assert status == 1 and "occurrence" in said
    status, said = here.type("ack", "no_response-n1")
    assert status == 1 and "does not stand" in said
    status, said = here.type("ack", SILENT, "--occurrence", str(occurrence), "--note", "off today")
    assert status == 0, said
    drill.await_("the acknowledgement", lambda: drill.last(f"alarm/{SILENT}").get("acknowledged_by") == "dana")
    status, said = here.type("shelve", SILENT, "--minutes", "60", "--note", "off until the evening")
    assert status == 0, said
    drill.await_("the shelf", lambda: drill.last(f"alarm/{SILENT}").get("state") == "shelved")
    assert "note: off until the evening" in here.type("alarms", by=None)[1]
    status, said = here.type("shelve", "room_air_unknown-south", "--minutes", "60", "--note", "no")
    assert status == 1 and "never shelved" in said
    assert here.type("unshelve", SILENT)[0] == 0
    drill.await_("it to be back", lambda: drill.last(f"alarm/{SILENT}").get("state") != "shelved")


def roles_and_revocation(drill: Drill, here: Terminal) -> None:
    here.let_in("lena", "look")
    drill.await_("lena to be noticed", lambda: '"added": "lena"' in drill.log("state"))
    status, said = here.type("vent", "n1", by="lena")
    assert status == 1 and "vent takes the role operate; lena has look" in said
    assert drill.state("n1") == "pulling_down"
    here.let_in("olga", "operate")
    drill.await_("olga to be noticed", lambda: '"added": "olga"' in drill.log("state"))
    status, said = here.type("calibrate", "analyser-1", by="olga")
    assert status == 1 and "calibrate takes the role engineer; olga has operate" in said
    status, said = here.type("calibrate", "analyser-1", "--accept")
    assert status == 1 and "nothing of analyser-1 waits for a decision" in said
    assert here.type("vent", "n1", by="olga")[0] == 0
    drill.await_("venting", lambda: drill.state("n1") == "venting")
    assert here.run("operators", "revoke", str(drill.site_path), "olga")[0] == 0
    drill.await_("the revocation to be noticed", lambda: '"changed": "olga"' in drill.log("state"))
    status, said = here.type("stop", "n1", by="olga")
    assert status == 1 and "olga was revoked" in said
    status, said = here.run("operators", "list", str(drill.site_path))
    assert status == 0 and "olga, revoked" in said and "lena, since" in said


def strangers_are_refused(drill: Drill) -> None:
    since = len(drill.recorder.heard)
    body = {"command_id": "s0", "issued_at": drill.stamp(), "operator": "dana", "action": "stop", "target": "n1"}
    forged = drill.signed(body) | {"target": "s1"}
    drill.recorder.publish("operator/command", forged)
    for number in range(1, 5):
        drill.recorder.publish("operator/command", body | {"command_id": f"s{number}"})

    def answers() -> dict[str, dict[str, Any]]:
        return {one.body["command_id"]: one.body for one in drill.recorder.of("operator/outcome", since)}

    drill.await_("five answers", lambda: len(answers()) == 5)
    assert not any(one["accepted"] for one in answers().values())
    assert "does not fit" in answers()["s0"]["reason"] and "not signed" in answers()["s1"]["reason"]
    drill.await_("the alarm", lambda: drill.last("alarm/commands_refused-site").get("state") == "unacknowledged")
    assert drill.state("s1") == "filling" and drill.state("n1") == "venting"
    for key in drill.keys.values():
        assert key.key not in drill.log("state")
    assert forged["signature"] not in drill.log("state")


def a_recording_is_worth_nothing(drill: Drill) -> None:
    """Somebody kept what dana signed, and plays it again a little later: the seal that was carried out once."""
    recorded = next(one.body for one in drill.recorder.of("operator/command") if one.body["action"] == "seal")
    assert recorded["operator"] == "dana" and len(recorded["signature"]) == 64
    old_s = drill.sim_s() + 61.0
    drill.await_("it to grow old", lambda: drill.sim_s() > old_s)
    since = len(drill.recorder.heard)
    drill.recorder.publish("operator/command", recorded)
    drill.await_("an answer", lambda: bool(drill.recorder.of("operator/outcome", since)))
    answer = drill.recorder.of("operator/outcome", since)[0].body
    assert (answer["command_id"], answer["accepted"]) == (recorded["command_id"], False)
    assert "taken before" in answer["reason"]


def the_picture(drill: Drill, here: Terminal) -> None:
    status, said = here.type("status", by=None)
    assert status == 0 and CAUTION in said and "n1       venting" in said and "commands_refused-site" in said
    told = here.json("status")
    assert told["supervisor"]["online"] is True and {one["room"] for one in told["rooms"]} == set(drill.site.rooms)
    assert [one["state"] for one in told["enclosures"]] == ["venting", "filling"] and told["not_there"] == []


def no_answer(drill: Drill, here: Terminal) -> None:
    drill.supervisor = drill.children[-1]
    drill.supervisor.pause()
    try:
        status, said = here.type("stop", "n1", "--wait", "1")
    finally:
        drill.supervisor.unpause()
    assert status == 3 and "it may still be carried out: look (stillhold status) before you repeat it" in said
