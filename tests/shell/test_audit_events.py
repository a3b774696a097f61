"""What the audit is told: everything that it must, told once, and nothing of it forgotten when the core learns a new word."""

import ast
import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from inprocess import InProcess, acts
from shellkit import T0, TOP, StillClock, cleared, reading
from toy import READING, MemoryBroker, Rig

from simulator.faults import Fault
from supervisor.messages import AlarmStatus, CommandOutcome, EnclosureState, OperatorCommand, RoomEntry, at
from supervisor.shell.audit.events import AUDITED, NOT_AUDITED, Auditor, set_aside
from supervisor.shell.records import Input
from supervisor.values import (
    Arrived,
    Event,
    LinkChanged,
    Now,
    PermitRoom,
    Publish,
    Say,
    Started,
    StopDose,
    Stopping,
    Ticked,
)  # fmt: skip

NOW = Now(100.0, T0)
TICK = Ticked(NOW)


def told(auditor: Auditor, event: Event, *made: object) -> list[tuple[str, dict]]:
    texts = [json.loads(one) for one in auditor.entries(event, list(made))]
    return [(one["event"], one["figures"]) for one in texts]


def command(**more: object) -> Arrived:
    body = {"command_id": "c1", "issued_at": at(T0), "operator": "ada", "action": "acknowledge", "target": "a-north"} | more
    return Arrived(NOW, "operator/command", (), OperatorCommand(**body))


def entry(status: str, *reasons: str) -> Publish:
    return Publish(("north",), RoomEntry(status=status, since=at(T0), reasons=list(reasons)))


def permit(dosing: bool, air: bool, room: str = "north"):
    return cleared(PermitRoom(room, dosing, air, 7, T0 + 45))


# ------------------------------------------------------------------------------------------------ nothing is forgotten


def names_said(tree: ast.AST) -> Iterator[str]:
    """The event names of every `desk.say(name, ...)` and `Say(level, name, ...)`, and of `come_back(desk, key, name, ...)`,
    which hands its name on; `?` for a name that is not written out.
    """
    for node in ast.walk(tree):
        place = _place_of_the_name(node)
        if place is None or not isinstance(node, ast.Call):
            continue
        name = node.args[place] if len(node.args) > place else None
        for one in (name.body, name.orelse) if isinstance(name, ast.IfExp) else (name,):
            yield str(one.value) if isinstance(one, ast.Constant) else f"? {ast.unparse(node)}"


def _place_of_the_name(node: ast.AST) -> int | None:
    match node:
        case ast.Call(func=ast.Attribute(value=ast.Name(id="desk") | ast.Attribute(attr="desk"), attr="say")):
            return 0
        case ast.Call(func=ast.Name(id="Say") | ast.Attribute(attr="Say")):
            return 1
        case ast.Call(func=ast.Name(id="come_back") | ast.Attribute(attr="come_back")):
            return 2
    return None


HANDED_ON = "? desk.say(said, alarm=key, was=was, state=alarm.state, **why)"  # in `come_back`; its callers are looked at


def test_whatever_is_said_is_audited_or_has_a_reason_not_to_be() -> None:
    """A new word of the core has to be put into one of the two lists; nobody can forget it there."""
    said = set()
    for path in (TOP / "supervisor").rglob("*.py"):
        if path.name != "desk.py":  # hands on what it is told
            said |= set(names_said(ast.parse(path.read_text(encoding="utf-8"))))
    forgotten = said - AUDITED - NOT_AUDITED.keys() - {HANDED_ON}
    assert forgotten == set(), "put them into AUDITED, or into NOT_AUDITED with the reason"
    assert {name for name in AUDITED if name.startswith("alarm_")} <= said, "what nobody says any more"
    assert NOT_AUDITED.keys() <= said and "transition" in said


def test_a_word_has_one_place_and_every_reason_is_given() -> None:
    assert AUDITED & NOT_AUDITED.keys() == set() and all(len(why) > 10 for why in NOT_AUDITED.values())
    assert not {name for name in NOT_AUDITED if name.startswith(("alarm", "room", "permit", "epoch", "transition"))}


@pytest.mark.parametrize(
    ("code", "found"),
    [
        ("desk.say('alarm_new', alarm=key)", "alarm_new"),
        ("self.desk.say('alarm_new')", "alarm_new"),
        ("made.append(Say('info', 'alarm_new', {}))", "alarm_new"),
        ("desk.say('a' if x else 'alarm_new')", "alarm_new"),
        ("alarms.come_back(desk, key, 'alarm_new', cause='')", "alarm_new"),
        ("desk.say(name)", "? desk.say(name)"),
        ("desk.say(f'alarm_{what}')", "? desk.say(f'alarm_{what}')"),
    ],
)
def test_that_check_can_fail(code: str, found: str) -> None:
    assert found in set(names_said(ast.parse(code)))
    assert found not in AUDITED and found not in NOT_AUDITED


# ------------------------------------------------------------------------------------------------ each kind


@pytest.mark.parametrize("name", sorted(AUDITED))
def test_what_is_said_goes_in_with_all_its_figures(name: str) -> None:
    assert told(Auditor(), TICK, Say("info", name, {"alarm": "a", "n": 1})) == [(name, {"alarm": "a", "n": 1})]


@pytest.mark.parametrize("name", sorted(NOT_AUDITED))
def test_what_has_a_reason_stays_out(name: str) -> None:
    assert told(Auditor(), TICK, Say("warning", name, {"enclosure": "n1"})) == []


def test_a_command_goes_in_whole_with_its_answer_and_before_what_it_led_to() -> None:
    event = command(occurrence=3, note="gelesen")
    answer = Publish((), CommandOutcome(command_id="c1", accepted=True, reason=""))
    said = Say("info", "command", {"target": "a-north"})
    assert told(Auditor(), event, Say("info", "alarm_acknowledged", {"alarm": "a-north"}), said, answer) == [
        ("operator_command", {"command_id": "c1", "issued_at": "2026-08-29T10:40:00.000Z", "operator": "ada",
                              "action": "acknowledge", "target": "a-north", "occurrence": 3, "note": "gelesen"}),
        ("alarm_acknowledged", {"alarm": "a-north"}),
        ("command_outcome", {"command_id": "c1", "accepted": True, "reason": ""}),
    ]  # fmt: skip


def test_a_command_that_the_broker_gives_again_is_no_second_entry() -> None:
    """The engine answers it by its first outcome again, and does not say that it has carried one out."""
    answer = Publish((), CommandOutcome(command_id="c1", accepted=True, reason=""))
    assert told(Auditor(), command(), answer) == []
    refused = Publish((), CommandOutcome(command_id="c1", accepted=False, reason="late"))
    first = told(Auditor(), command(), Say("warning", "command", {"target": "a-north"}), refused)
    assert [name for name, _ in first] == ["operator_command", "command_outcome"]


def test_a_signature_is_not_told() -> None:
    if "signature" not in OperatorCommand.model_fields:
        pytest.skip("commands carry no signature")
    assert "0f0f" not in json.dumps(told(Auditor(), command(signature="0f" * 32), Say("info", "command", {})))


def test_a_permit_is_told_when_it_changes_with_the_reason_and_not_when_it_is_renewed() -> None:
    auditor = Auditor()
    told(auditor, Started(NOW, 7, "i"))
    assert told(auditor, LinkChanged(NOW, True), entry("clear"), permit(False, False)) == []  # as a start leaves it
    figures = {"room": "north", "dosing_permitted": True, "air_permitted": True, "epoch": 7, "reason": "the room is clear"}
    assert told(auditor, TICK, permit(True, True)) == [("permit", figures)]
    assert told(auditor, TICK, permit(True, True)) == []
    [(_, figures)] = told(auditor, TICK, entry("forbidden", "CO2 1.50 % at door, at most 0.5 %"), permit(False, True))
    assert figures["reason"] == "the room is forbidden; CO2 1.50 % at door, at most 0.5 %" and figures["air_permitted"] is True
    assert told(auditor, TICK, permit(False, True)) == []
    assert len(told(auditor, TICK, permit(False, False), permit(True, True, "south"))) == 2


def test_why_a_permit_went_the_guard_the_link_and_the_end_are_named() -> None:
    auditor = Auditor()
    told(auditor, LinkChanged(NOW, True), entry("clear"), permit(True, True))
    why = {"room": "north", "rule": "room_air", "measured": "19.1 %", "limit": "19.5 %"}
    said = Say("warning", "permit_refused_by_guard", why)
    other = Say("warning", "permit_refused_by_guard", why | {"room": "south", "rule": "x"})
    names = told(auditor, TICK, permit(False, False), other, said)
    assert [name for name, _ in names] == ["permit", "permit_refused_by_guard", "permit_refused_by_guard"]
    assert names[0][1]["reason"] == "the guard refused: room_air, 19.1 %, limit 19.5 %; the room is clear"
    told(auditor, TICK, permit(True, True))
    told(auditor, LinkChanged(NOW, False))
    assert told(auditor, TICK, permit(False, False))[0][1]["reason"].startswith("no link to the broker")
    told(auditor, LinkChanged(NOW, True))
    told(auditor, TICK, permit(True, True))
    assert told(auditor, Stopping(NOW), permit(False, False))[0][1]["reason"].startswith("the supervisor ends")


def test_a_start_permits_nothing_whatever_stood_before_it() -> None:
    auditor = Auditor()
    told(auditor, LinkChanged(NOW, True), entry("clear"), permit(True, True))
    told(auditor, Started(NOW, 8, "i"))
    assert told(auditor, TICK, permit(False, False)) == []
    assert told(auditor, TICK, permit(True, True))[0][1]["reason"] == "no link to the broker"  # nothing is remembered


def test_what_is_no_change_of_these_stays_out() -> None:
    made = (cleared(StopDose("n1", "co2", None, 1, "x")), entry("clear"))
    assert told(Auditor(), TICK, *made) == []
    assert told(Auditor(), LinkChanged(NOW, True)) == []


# ------------------------------------------------------------------------------------------------ messages set aside


def test_a_message_that_was_set_aside_is_told_with_its_beginning() -> None:
    text = set_aside(Input(1.0, T0, "arrived", "r/x", b"\xff{" + b"a" * 500, False), "ZeroDivisionError: poison")
    assert json.loads(text)["figures"] == {
        "kind": "arrived", "topic": "r/x", "starts": "\ufffd{" + "a" * 198, "failed": "ZeroDivisionError: poison",
    }  # fmt: skip


def test_a_failing_engine_leaves_its_message_and_the_withdrawals_in_the_audit(tmp_path: Path) -> None:
    broker = MemoryBroker()
    broker.say(READING, reading(1, boot="poison"))
    rig = Rig(tmp_path, broker, StillClock())
    assert rig.loop.run() == 1
    rows = [json.loads(event) for (event,) in rig.journal._db.execute("SELECT event FROM audit ORDER BY n")]
    assert [one["event"] for one in rows] == ["audit_begun", "started", "message_set_aside"]
    assert "ZeroDivisionError" in rows[-1]["figures"]["failed"]
    told_head = rig.logged("audit_head")[-1]
    assert told_head["number"] == 3 and told_head["hash"] == rig.journal.audit_head.hash
    rig.die()


# ------------------------------------------------------------------------------------------------ the real engine


def what_it_shows(one: object) -> tuple[tuple[str, str], object] | None:
    """The subject of a message of state, and what the message says of it."""
    match one:
        case Publish(body=AlarmStatus() as body):
            return ("alarm", body.alarm), (body.state, body.occurrence, body.condition)
        case Publish(names=names, body=EnclosureState() as body):
            return ("transition", names[0]), body.state
        case Publish(names=names, body=RoomEntry() as body):
            return ("room", names[0]), body.status
    return None


def test_no_alarm_state_or_room_status_of_the_real_engine_changes_without_an_entry() -> None:
    """What the site's messages say is compared with what the audit was told, through faults and a restart."""
    auditor, missing, seen = Auditor(), [], []
    known: dict[tuple[str, str], object] = {}

    def tap(event: Event, made: list) -> None:
        if isinstance(event, Started):  # which makes every room forbidden
            known.update({key: "forbidden" for key in known if key[0] == "room"})
        entries = told(auditor, event, *made)
        seen.extend(entries)
        about = {(name.split("_")[0], figures.get(key)) for name, figures in entries for key in ("alarm", "enclosure", "room")}
        for key, now in filter(None, map(what_it_shows, made)):
            if known.get(key, now) != now and key not in about:
                missing.append((key, known[key], now))
            known[key] = now

    faults = [Fault("sensor_silent", "north/north-door", 900, 1500), Fault("hose_off", "n1/nitrogen", 300)]
    site = InProcess(crew=acts((180, "seal", "n1"), (300, "seal", "s1")), faults=faults, tap=tap)
    site.run_to(2700)
    site.crash()
    site.run_to(3600)
    assert missing == []
    names = {name for name, _ in seen}
    assert names >= {"alarm_raised", "alarm_cleared", "transition", "room_status", "permit", "operator_command", "started"}
    assert len(seen) < 200, "changes, not heartbeats"
