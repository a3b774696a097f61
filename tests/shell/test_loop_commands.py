"""Commands on their way through the loop: only a verified one becomes an event, and whatever is refused is answered."""

import json
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import pytest
from authoritykit import SITE, People
from shellkit import StillClock, reading
from toy import COMMAND, READING, MemoryBroker, Rig, command

from supervisor.messages import at, rfc3339
from supervisor.shell.authority.judge import Authority
from supervisor.shell.authority.operators import revoke


class Guarded:
    """A loop that takes signed commands only, on an empty folder."""

    def __init__(self, folder: Path) -> None:
        self.people = People(folder)
        self.broker, self.clock, self.folder = MemoryBroker(), StillClock(), folder
        self.start()

    def start(self) -> None:
        self.rig = Rig(self.folder / "state", self.broker, self.clock, authority=Authority(self.people.file, SITE))
        self.rig.loop.begin()
        self.rig.loop.turn()

    def say(self, *payloads: bytes) -> None:
        for payload in payloads:
            self.broker.say(COMMAND, payload)
        while self.broker.inbox:
            self.rig.loop.turn()

    def signed(self, **more: object) -> bytes:
        """At the loop's own time."""
        return self.people.signed(**({"issued_at": rfc3339(self.stamp())} | more))

    def stamp(self) -> datetime:
        return at(self.clock.wall_s)

    @property
    def outcomes(self) -> list[tuple[str, bool]]:
        return [(one["command_id"], one["accepted"]) for one in self.broker.bodies("operator/outcome")]

    @property
    def journalled(self) -> list[bytes]:
        return [row.payload for _, row in self.rig.journal.inputs_after(0) if row.topic == COMMAND]


@pytest.fixture
def guarded(tmp_path: Path) -> Iterator[Guarded]:
    one = Guarded(tmp_path)
    yield one
    one.rig.die()


def test_only_a_verified_command_reaches_the_engine_and_the_journal(guarded: Guarded) -> None:
    good, forged = guarded.signed(), guarded.signed().replace(b'"n1"', b'"n2"')
    guarded.say(command("unsigned"), forged, good)
    assert guarded.rig.engine.commands == ["c1"]
    assert guarded.journalled == [good]
    assert sorted(guarded.outcomes) == [("c1", True), ("c2", False), ("unsigned", False)]


def test_a_refusal_stands_in_the_answer_the_log_and_the_journal(guarded: Guarded) -> None:
    sent = guarded.signed(by="look")
    guarded.say(sent)
    (answer,) = guarded.broker.bodies("operator/outcome")
    assert (answer["accepted"], answer["reason"]) == (False, "seal takes the role operate; look has look")
    (said,) = guarded.rig.logged("command_refused")
    assert (said["operator"], said["why"], said["count"]) == ("look", "role", 1)
    decided = [what for _, what in guarded.rig.journal.decisions_after(0) if "command_refused" in what]
    assert len(decided) == 1
    everything = "\n".join([*guarded.rig.lines, *decided, json.dumps(answer)])
    assert json.loads(sent)["signature"] not in everything
    assert not [key for key in guarded.people.keys.values() if key.key in everything]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"occurrence": "three"}, "occurrence"), ({"occurrence": -1}, "occurrence"), ({"note": 7}, "note"),
        ({"action": "dance"}, "action"), ({"issued_at": "soon"}, "issued_at"), ({"operator": ""}, "operator"),
        ({"people": "dana"}, "people"),
        ({"target": None}, "target"), ({"signature": 5}, "signature"),
    ],
)  # fmt: skip
def test_one_that_is_malformed_is_answered_too_where_it_names_its_id(guarded: Guarded, change: dict, words: str) -> None:
    body = json.loads(guarded.signed(action="acknowledge", target="late_report-n1", occurrence=3))
    guarded.say(json.dumps(body | change).encode())
    (answer,) = guarded.broker.bodies("operator/outcome")
    assert (answer["command_id"], answer["accepted"]) == ("c1", False) and words in answer["reason"]
    assert guarded.rig.logged("command_refused")[0]["why"] == "malformed" and guarded.rig.engine.commands == []
    assert words in guarded.broker.bodies("rejected")[0]["reason"]


def test_what_names_no_id_or_is_left_over_is_rejected_and_not_answered(guarded: Guarded) -> None:
    guarded.say(b"rubbish", b"[]", b'{"action": "seal"}', b'{"command_id": "a\\u001b[2J"}', b'{"command_id": 7}')
    guarded.broker.say(COMMAND, guarded.signed(), retained=True)
    guarded.say()
    assert guarded.outcomes == [] and len(guarded.broker.bodies("rejected")) == 6


def test_a_refused_command_among_other_messages_holds_nothing_up(guarded: Guarded) -> None:
    guarded.broker.say(READING, reading(1))
    guarded.broker.say(COMMAND, command("unsigned"))
    guarded.broker.say(READING, reading(2))
    guarded.say()
    assert guarded.rig.engine.seen == [1, 2] and guarded.outcomes == [("unsigned", False)]
    assert guarded.broker.unacknowledged == []


def test_an_answer_to_a_refused_command_outlives_a_kill(guarded: Guarded) -> None:
    publish = guarded.rig.bus.publish
    guarded.rig.bus.publish = lambda *_args, **_options: False  # swallowed
    guarded.say(command("unsigned"))
    guarded.rig.bus.publish = publish
    guarded.rig.die()
    assert guarded.outcomes == []
    guarded.start()
    guarded.rig.loop.turn()
    assert guarded.outcomes == [("unsigned", False)]


def test_five_refusals_are_told_to_the_engine_and_ten_quiet_minutes_end_it(guarded: Guarded) -> None:
    guarded.say(*(command(f"x{number}") for number in range(5)))
    guarded.rig.loop.turn()
    assert ("commands_refused", True) in guarded.rig.engine.troubles
    for _ in range(601):
        guarded.rig.loop.turn()
    assert guarded.rig.engine.troubles[-1] == ("commands_refused", False)


def test_whoever_is_revoked_while_it_runs_can_do_nothing_more(guarded: Guarded) -> None:
    guarded.say(guarded.signed())
    revoke(guarded.people.file, SITE, "operate", guarded.clock.wall_s)
    guarded.rig.loop.turn()
    guarded.rig.loop.turn()
    assert guarded.rig.logged("operators")[-1]["changed"] == "operate"
    guarded.say(guarded.signed())
    assert guarded.outcomes == [("c1", True), ("c2", False)]
    assert "was revoked" in guarded.broker.bodies("operator/outcome")[-1]["reason"]


def test_without_operators_commands_are_taken_unsigned(tmp_path: Path) -> None:
    broker = MemoryBroker()
    rig = Rig(tmp_path, broker, StillClock())
    broker.say(COMMAND, command("c1"))
    rig.run_until_quiet()
    assert rig.engine.commands == ["c1"]
    rig.die()
