"""What `stillhold status` makes of what it read: nobody is shown a room as clear that nobody judges any more."""

from types import SimpleNamespace
from typing import Any

import pytest
from shellkit import T0, example_site

from supervisor.caution import CAUTION
from supervisor.messages import AlarmStatus, EnclosureState, RoomEntry, SupervisorStatus, at
from supervisor.shell.console.status import ENTRY_AGE_S_MAX, picture, room_now, standing, told
from supervisor.shell.contract_examples import EXAMPLES


def entry(age_s: float | None = 1.0, status: str = "clear") -> RoomEntry:
    judged_at = None if age_s is None else at(T0 - age_s)
    return RoomEntry(status=status, since=at(T0 - 900), reasons=[], judged_at=judged_at)


class Read:
    """A link that has read these messages, by topic names."""

    def __init__(self, *messages: tuple[tuple[str, ...], Any], online: bool = True) -> None:
        self.site = example_site()
        self.clock = SimpleNamespace(now=lambda: SimpleNamespace(wall_s=T0))
        self._messages = messages
        self._status = SupervisorStatus(online=online, instance="a", epoch=41, started_at=at(T0 - 3600))

    def supervisor_online(self) -> bool:
        return self._status.online

    def one(self, model: type, *names: str) -> Any:
        return self._status if model is SupervisorStatus else None

    def all_of(self, model: type) -> dict[tuple[str, ...], Any]:
        return {names: body for names, body in self._messages if isinstance(body, model)}


def alarm(name: str, **changed: Any) -> tuple[tuple[str, ...], AlarmStatus]:
    return (name,), AlarmStatus.model_validate_json(_json(EXAMPLES[AlarmStatus] | {"alarm": name} | changed))


def _json(body: dict[str, Any]) -> str:
    import json

    return json.dumps(body)


@pytest.mark.parametrize(
    ("one", "online", "status", "why"),
    [
        (entry(), True, "clear", None), (entry(ENTRY_AGE_S_MAX), True, "clear", None),
        (entry(ENTRY_AGE_S_MAX + 0.1), True, "unknown", "last judged 60 s ago"),
        (entry(-ENTRY_AGE_S_MAX - 0.1), True, "unknown", "last judged"), (entry(None), True, "unknown", "nobody knows when"),
        (entry(), False, "unknown", "no supervisor is online"), (None, True, "unknown", "nothing was said of it"),
        (entry(status="forbidden"), True, "forbidden", None), (entry(500.0, "forbidden"), True, "unknown", "last judged 500 s"),
    ],
)  # fmt: skip
def test_a_room_is_what_was_judged_lately_or_unknown(one: RoomEntry | None, online: bool, status: str, why: str | None) -> None:
    now = room_now(one, online, T0)
    assert now["status"] == status
    assert (why is None and now["reasons"] == []) or (why is not None and why in now["reasons"][0])


def test_without_a_supervisor_the_word_clear_is_only_history() -> None:
    data = picture(Read((("north",), entry()), online=False)) | {"not_there": []}
    text = "\n".join(told(data))
    assert "NOT ONLINE" in text and "unknown (was clear when last heard)" in text and "south        unknown" in text
    assert text.endswith(CAUTION)


def test_alarms_stand_worst_first_then_unseen_then_oldest() -> None:
    read = Read(
        alarm("a", priority="low", state="unacknowledged"), alarm("b", priority="high", state="acknowledged"),
        alarm("c", priority="critical", state="normal"), alarm("d", priority="high", state="latched_unacknowledged"),
        alarm("e", priority="critical", state="shelved"), alarm("f", priority="high", raised_at="2026-06-01T00:00:00.000Z"),
    )  # fmt: skip
    assert [one["alarm"] for one in standing(read)] == ["e", "f", "d", "b", "a"]


def test_all_is_told_in_words_and_what_came_over_the_broker_cannot_move_the_terminal() -> None:
    state = EnclosureState.model_validate_json(_json(EXAMPLES[EnclosureState]))
    read = Read((("n3",), state), (("north",), entry()), alarm("room\x1b[31m", text="bad\x1b[2J\n"))
    data = picture(read) | {"not_there": ["room/south/entry"]}
    text = "\n".join(told(data))
    assert "n3       holding       6.21 % O2 (6), 14.87 % CO2 (15), sampled 2 min before, good" in text
    assert "n1       unknown" in text and "not on the broker: room/south/entry" in text
    assert "alarms: 1 standing, 1 not acknowledged" in text and "do: Keep out." in text
    assert "\x1b" not in text
