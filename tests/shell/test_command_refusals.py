"""Refused commands: each counted, answered and logged within bounds; five in ten minutes are a trouble, until it is quiet."""

import json
from pathlib import Path

import pytest
from authoritykit import SITE, People, read
from shellkit import T0

from supervisor.messages import CommandOutcome
from supervisor.shell.authority.judge import Authority, Refusal
from supervisor.shell.authority.refusals import TOLD_AT_ONCE, CommandRefusals
from supervisor.shell.troubles import Troubles
from supervisor.values import Now, Publish, Say

REFUSAL = Refusal("bad_signature", "the signature does not fit")


@pytest.fixture
def command(tmp_path: Path):
    return read(People(tmp_path).signed())


def now(mono_s: float) -> Now:
    """Long after the machine was started, so that a time is not taken for an interval."""
    return Now(50_000.0 + mono_s, T0 + mono_s)


class Told:
    """What became of the trouble, on each look."""

    def __init__(self, refusals: CommandRefusals, authority: Authority | None = None) -> None:
        self.refusals, self.authority, self.troubles = refusals, authority, Troubles()

    def at(self, mono_s: float) -> list[tuple[bool, str]]:
        self.refusals.tell(self.troubles, self.authority, now(mono_s))
        return [(one.active, one.detail) for one in self.troubles.take(now(mono_s)) if one.trouble == "commands_refused"]


def test_each_is_answered_with_its_reason_and_logged_without_its_signature(command) -> None:
    outcome, said = CommandRefusals().note(REFUSAL, command, now(0.0))
    assert outcome == Publish((), CommandOutcome(command_id="c1", accepted=False, reason="the signature does not fit"))
    assert isinstance(said, Say) and (said.level, said.event) == ("warning", "command_refused")
    assert said.figures == {
        "why": "bad_signature", "reason": "the signature does not fit", "command_id": "c1", "operator": "operate",
        "action": "seal", "target": "n1", "count": 1,
    }  # fmt: skip
    assert command.signature is not None and command.signature not in str(said) + str(outcome)


@pytest.mark.parametrize(
    ("body", "named"),
    [
        ({"command_id": "c1", "operator": "ada", "action": "dance", "target": "n1"}, ("c1", "ada", "dance", "n1")),
        ({"command_id": "c1", "operator": 7, "target": None}, ("c1", "", "", "")),
        ({"command_id": "x" * 200, "operator": "y" * 200}, ("x" * 128, "y" * 128, "", "")),
        ({"command_id": ""}, None), ({"command_id": 7}, None), ({"command_id": "a\nb"}, None), ({}, None), ([], None),
        (7, None),
    ],
)  # fmt: skip
def test_one_that_is_no_valid_command_is_answered_where_it_names_its_id(body: object, named: tuple[str, ...] | None) -> None:
    refusals = CommandRefusals()
    told = refusals.unreadable(json.dumps(body).encode(), "action: no such thing", now(0.0))
    if named is None:
        assert told == [] and not refusals.counts
        return
    assert told[0] == Publish((), CommandOutcome(command_id=named[0], accepted=False, reason="action: no such thing"))
    figures = told[1].figures
    assert (figures["command_id"], figures["operator"], figures["action"], figures["target"]) == named
    assert refusals.counts == {"malformed": 1}


def test_what_is_no_json_is_not_answered() -> None:
    assert CommandRefusals().unreadable(b"\xff", "no JSON", now(0.0)) == []


def test_they_are_counted_by_kind(command) -> None:
    refusals = CommandRefusals()
    for kind, times in (("stale", 2), ("role", 3)):
        for _ in range(times):
            refusals.note(Refusal(kind, "no"), command, now(0.0))
    assert refusals.counts == {"stale": 2, "role": 3}


def test_a_flood_is_counted_whole_and_told_in_part(command) -> None:
    refusals = CommandRefusals()
    told = [refusals.note(REFUSAL, command, now(0.001 * number)) for number in range(1000)]
    assert sum(bool(one) for one in told) == TOLD_AT_ONCE and refusals.counts["bad_signature"] == 1000
    after = refusals.note(REFUSAL, command, now(10.0))
    assert after[1].figures["count"] == 1001
    # One a second comes back, and never more than the allowance.
    assert sum(bool(refusals.note(REFUSAL, command, now(3600.0))) for _ in range(100)) == TOLD_AT_ONCE == 20
    assert sum(bool(refusals.note(REFUSAL, command, now(3605.0))) for _ in range(100)) == 5


# Five in ten minutes: common practice, no source.
@pytest.mark.parametrize(
    ("times_s", "raised"),
    [([0, 1, 2, 3], False), ([0, 1, 2, 3, 4], True), ([0, 150, 300, 450, 600], True), ([0, 150, 300, 450, 601], False)],
)
def test_five_within_ten_minutes_are_a_trouble(command, times_s: list[float], raised: bool) -> None:
    refusals = CommandRefusals()
    told = Told(refusals)
    assert told.at(0.0) == []
    for time_s in times_s:
        refusals.note(REFUSAL, command, now(time_s))
    (*_, last) = told.at(times_s[-1]) or [(False, "")]
    assert last[0] is raised
    assert not raised or "5 since the start; the last: seal n1 by operate: the signature does not fit" in last[1]


def test_it_ends_after_ten_quiet_minutes_and_not_before(command) -> None:
    refusals = CommandRefusals()
    told = Told(refusals)
    for time_s in range(5):
        refusals.note(REFUSAL, command, now(time_s))
    assert told.at(4.0)[0][0] is True
    refusals.note(REFUSAL, command, now(500.0))
    assert told.at(1099.9) == []
    assert told.at(1100.0) == [(False, "")]
    refusals.note(REFUSAL, command, now(1101.0))
    assert told.at(1101.0) == [], "one more is one, not the sixth"


def test_after_a_start_it_is_over_only_when_it_was_quiet_for_so_long(command) -> None:
    told = Told(CommandRefusals())
    assert told.at(5000.0) == [] and told.at(5599.9) == []
    assert told.at(5600.0) == [(False, "")]


def test_a_file_that_cannot_be_used_is_the_same_trouble(tmp_path: Path) -> None:
    people = People(tmp_path)
    authority = Authority(people.file, SITE)
    told = Told(CommandRefusals(), authority)
    authority.look(0.0)
    assert told.at(0.0) == []
    people.file.chmod(0o644)
    authority.look(5.0)
    ((active, words),) = told.at(5.0)
    assert active and "chmod 600" in words
    people.file.chmod(0o600)
    authority.look(700.0)
    assert told.at(700.0) == [(False, "")]
