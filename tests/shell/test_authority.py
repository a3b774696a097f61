"""Who may say what: every refusal by its kind with its reason, and what is right passes."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from authoritykit import NOW, SITE, People, read
from shellkit import T0

from supervisor.messages import OperatorCommand, at, rfc3339
from supervisor.shell.authority import judge as authority
from supervisor.shell.authority.judge import Authority, Refusal
from supervisor.shell.authority.operators import add, revoke
from supervisor.shell.records import Input
from supervisor.values import Now


@pytest.fixture
def people(tmp_path: Path) -> People:
    return People(tmp_path)


@pytest.fixture
def judge(people: People) -> Callable[..., Refusal | None]:
    """An authority that has read the file; give it payloads."""
    one = Authority(people.file, SITE)
    one.look(0.0)
    return lambda payload, now=NOW: one.judge(payload, read(payload), now)


def test_a_signed_fresh_command_of_the_right_role_passes(people: People, judge: Callable) -> None:
    assert judge(people.signed()) is None


# ------------------------------------------------------------------------------------------------ each refusal


def unsigned(people: People) -> bytes:
    return json.dumps(people.body()).encode()


def by_a_stranger(people: People) -> bytes:
    return people.sign(people.body(by="mallory"), by="operate")


def with_anothers_key(people: People) -> bytes:
    return people.sign(people.body(by="operate"), by="engineer")


def altered(people: People) -> bytes:
    return people.signed(target="n1").replace(b'"n1"', b'"n2"')


def with_a_fraction(people: People) -> bytes:
    return people.signed(unknown=20).replace(b'"unknown": 20', b'"unknown": 20.0')


def with_a_key_twice(people: People) -> bytes:
    return people.signed(target="n1").replace(b'"target"', b'"target": "n2", "target"')


@pytest.mark.parametrize(
    ("make", "kind", "words"),
    [
        (unsigned, "unsigned", "not signed"),
        (by_a_stranger, "unknown_operator", "nobody called 'mallory'"),
        (lambda people: people.signed(by="gone"), "revoked", "gone was revoked at 2026-"),
        (with_anothers_key, "bad_signature", "another key"),
        (altered, "bad_signature", "changed on the way"),
        (with_a_fraction, "malformed", "no whole number"),
        (with_a_key_twice, "malformed", "twice"),
        (lambda people: people.sign(people.body() | {"signature": "x"}).replace(b'"signature": "', b'"signature": "00'),
         "bad_signature", "does not fit"),
        (lambda people: people.signed(issued_at=rfc3339(at(T0 - 60.001))), "stale", "60 s ago by its own time, at most 60 s"),
        (lambda people: people.signed(issued_at=rfc3339(at(T0 + 60.001))), "future", "60 s in the future by its own time"),
        (lambda people: people.signed(by="acknowledge"), "role", "seal takes the role operate; acknowledge has acknowledge"),
    ],
)  # fmt: skip
def test_each_refusal_has_its_kind_and_its_reason(
    people: People, judge: Callable, make: Callable[[People], bytes], kind: str, words: str
) -> None:
    payload = make(people)
    refusal = judge(payload)
    assert refusal.kind == kind and words in refusal.reason
    assert judge(payload) == refusal, "the same again when it comes again"
    for secret in (*(key.key for key in people.keys.values()), str(json.loads(payload).get("signature", "none"))):
        assert len(secret) < 5 or secret not in refusal.reason


OTHER: dict[str, list[Any]] = {
    "command_id": ["c2"], "issued_at": [rfc3339(at(T0 + 0.001)), rfc3339(at(T0 - 59))], "operator": ["engineer", "acknowledge"],
    "action": ["stop", "unshelve"], "target": ["late_report-n2"], "occurrence": [2, None], "note": ["", "Seen"],
    "until": [rfc3339(at(T0 + 3601)), None], "people": [["B"], ["A", "C"], []], "standby": ["A", None], "minutes": [21, None],
    "lot": ["lot-2", None], "gas": ["zero-2", None], "decision": ["refuse", None],
}  # fmt: skip


def test_whatever_is_changed_on_the_way_it_is_refused(people: People, judge: Callable) -> None:
    body = people.body(
        action="shelve", target="late_report-n1", occurrence=3, note="seen", until=rfc3339(at(T0 + 3600)), people=["A", "B"],
        standby="C", minutes=20, lot="lot-1", gas="zero-1", decision="accept",
    )  # fmt: skip
    sent = json.loads(people.sign(body))
    assert set(OTHER) == set(sent) - {"signature"} == set(OperatorCommand.model_fields) - {"signature"}
    for field, values in OTHER.items():
        for changed in [sent | {field: value} for value in values] + [sent | {"more": field}]:
            refusal = judge(json.dumps(changed).encode())
            assert refusal is not None and refusal.kind == "bad_signature", changed
        without = {key: value for key, value in sent.items() if key != field}
        if not OperatorCommand.model_fields[field].is_required():
            assert judge(json.dumps(without).encode()).kind == "bad_signature", field
    assert judge(json.dumps(sent).encode()) is None, "none of these has used its id"


@pytest.mark.parametrize("age_s", [-60.0, -59.9, 0.0, 60.0])
def test_a_minute_either_way_is_fresh(people: People, judge: Callable, age_s: float) -> None:
    assert judge(people.signed(issued_at=rfc3339(at(T0 - age_s)))) is None


def test_in_scaled_time_the_machine_may_take_two_seconds_of_its_own(people: People) -> None:
    for speed, fresh_s in ((1.0, 60.0), (30.0, 60.0), (60.0, 120.0), (100.0, 200.0)):
        assert Authority(people.file, SITE, speed).fresh_s == fresh_s


def test_a_command_is_used_once_and_the_same_message_again_is_no_other(people: People, judge: Callable) -> None:
    body = people.body()
    sent = people.sign(body)
    assert judge(sent) is None and judge(sent) is None, "delivered twice: the engine answers by its first outcome"
    spaced = json.dumps(json.loads(sent), indent=2, sort_keys=True).encode()
    assert judge(spaced) is None, "the same message written otherwise"
    other = people.sign(body | {"action": "stop"})
    assert judge(other).kind == "replayed" and "'c1' was used before" in judge(other).reason
    someone = people.sign(people.body(by="engineer") | {"command_id": "c1"})
    assert judge(someone).kind == "replayed", "somebody else's id"
    later = judge(sent, Now(1061.0, T0 + 61.0))
    assert later.kind == "replayed" and "taken before" in later.reason, "a recording, played again"
    assert judge(other, Now(1059.0, T0 + 59.0)).kind == "replayed", "as long as it would be fresh"


def test_what_was_refused_uses_no_id(people: People, judge: Callable) -> None:
    body = people.body(by="look")
    assert judge(people.sign(body)).kind == "role"
    assert judge(people.sign(body | {"operator": "operate"})) is None


def test_ids_are_remembered_over_a_restart(people: People) -> None:
    body = people.body()
    topic = "stillhold/quillfen/operator/command"
    rows = [
        Input(0.0, T0, "arrived", topic, people.sign(body), False), Input(0.0, T0, "arrived", topic, b"rubbish", False),
        Input(0.0, T0, "arrived", "stillhold/quillfen/other", people.sign(body | {"command_id": "x"}), False),
        Input(0.0, T0, "ticked", "", b"", False),
    ]  # fmt: skip
    again = Authority(people.file, SITE)
    again.look(0.0)
    again.remember(rows, topic)
    assert again.judge(people.sign(body), read(people.sign(body)), NOW) is None
    for command_id, refused in (("c1", True), ("x", False)):
        other = people.sign(body | {"command_id": command_id, "target": "n2"})
        assert (again.judge(other, read(other), NOW) is not None) is refused


def test_so_many_ids_are_remembered_and_strangers_push_none_out(people: People, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(authority, "IDS_REMEMBERED", 3)
    one = Authority(people.file, SITE)
    one.look(0.0)
    bodies = [people.body() for _ in range(4)]

    def again(body: dict[str, Any]) -> str:
        other = people.sign(body | {"target": "n2"})
        refusal = one.judge(other, read(other), NOW)
        return refusal.kind if refusal else ""

    for body in bodies[:3]:
        assert one.judge(people.sign(body), read(people.sign(body)), NOW) is None
    for _ in range(10):
        strange = by_a_stranger(people)
        one.judge(strange, read(strange), NOW)
    assert [again(body) for body in bodies[:3]] == ["replayed"] * 3
    one.judge(people.sign(bodies[3]), read(people.sign(bodies[3])), NOW)
    assert [again(body) for body in bodies[1:]] == ["replayed"] * 3
    assert again(bodies[0]) == "", "the oldest has gone"


# ------------------------------------------------------------------------------------------------ roles

MAY = {  # typed by hand; looking is no command
    "look": "",
    "acknowledge": "acknowledge shelve unshelve enter leave stop",
    "operate": "acknowledge shelve unshelve enter leave stop seal vent open resume",
    "engineer": "acknowledge shelve unshelve enter leave stop seal vent open resume calibrate test",
}


@pytest.mark.parametrize("role", MAY)
def test_each_role_may_what_it_may_and_no_more(people: People, judge: Callable, role: str) -> None:
    may = {action for action in MAY["engineer"].split() if judge(people.signed(by=role, action=action)) is None}
    assert may == set(MAY[role].split())


# ------------------------------------------------------------------------------------------------ the file


def test_a_changed_file_is_noticed_within_a_second_and_told(people: People) -> None:
    one = Authority(people.file, SITE)
    (said,) = one.look(100.0)
    assert (said.event, said.figures["operators"]) == ("operators", 4)
    assert one.look(100.5) == [] and one.look(102.0) == []
    revoke(people.file, SITE, "operate", T0)
    sent = people.signed()
    assert one.look(102.9) == [] and one.judge(sent, read(sent), NOW) is None, "looked at once a second, no oftener"
    (said,) = one.look(103.0)
    assert said.figures["changed"] == "operate" and one.judge(sent, read(sent), NOW).kind == "revoked"
    add(people.file, SITE, "new", "look", T0)
    (said,) = one.look(104.0)
    assert (said.figures["added"], said.figures["operators"]) == ("new", 4)
    assert not [key.key for key in people.keys.values() if key.key in str(said)]


def test_the_same_size_and_time_are_still_a_change(people: People) -> None:
    import os

    one = Authority(people.file, SITE)
    one.look(0.0)
    before = people.file.stat()
    add(people.file, SITE, "operate", "operate", T0, replace=True)
    os.utime(people.file, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert people.file.stat().st_size == before.st_size
    assert one.look(5.0)[0].figures["changed"] == "operate"


@pytest.mark.parametrize("spoil", [lambda file: file.chmod(0o644), lambda file: file.write_text("{")])
def test_with_a_file_that_cannot_be_used_nobody_commands_until_it_is_mended(people: People, spoil: Callable) -> None:
    one = Authority(people.file, SITE)
    one.look(0.0)
    content = people.file.read_bytes()
    spoil(people.file)
    (said,) = one.look(1.0)
    assert said.level == "error" and str(people.file) in said.figures["error"] and one.wrong == said.figures["error"]
    sent = people.signed(action="stop")
    refusal = one.judge(sent, read(sent), NOW)
    assert refusal.kind == "no_operators" and one.wrong in refusal.reason and "mended" in refusal.reason
    assert one.look(2.0) == [], "told once"
    people.file.write_bytes(content)
    people.file.chmod(0o600)
    assert one.look(3.0)[0].event == "operators" and one.wrong is None
    assert one.judge(sent, read(sent), NOW) is None


def test_where_nobody_stands_in_it_yet_nobody_commands(tmp_path: Path, people: People) -> None:
    one = Authority(tmp_path / "nowhere.json", SITE)
    (said,) = one.look(0.0)
    assert said.level == "warning" and said.figures["operators"] == 0 and one.wrong is None
    refusal = one.judge(people.signed(), read(people.signed()), NOW)
    assert refusal.kind == "no_operators" and "operators add" in refusal.reason


def test_whoever_asked_to_go_in_long_ago_is_known_of(people: People, judge: Callable) -> None:
    """They may have gone in meanwhile, as when the supervisor was down: the engine refuses what is old, and counts them."""
    asked = [people.signed(action="enter", target="north", people=["A"], issued_at=rfc3339(at(T0 - age_s))) for age_s in
             (60.001, 3600.0, 3600.001, -60.001)]  # fmt: skip
    assert [getattr(judge(one), "kind", None) for one in asked] == [None, None, "stale", "future"]
    later = Now(NOW.mono_s + 60.0, NOW.wall_s + 60.0)
    assert judge(asked[0], later).kind == "replayed", "once"
