"""Refusals: every one is counted, few are logged, and rubbish at full speed does not make us publish at full speed."""

import pytest
from shellkit import T0

from supervisor.messages import Rejected
from supervisor.shell.rejections import Rejections
from supervisor.shell.wire import Refused
from supervisor.values import Now, Publish, Say

BAD = Refused("room/{room}/climate", "not_valid", "rh_pct: Field required")


def at(mono_s: float) -> Now:
    return Now(mono_s, T0 + mono_s)


def test_the_first_is_logged_and_published_with_its_reason() -> None:
    said = Rejections().note(BAD, "room/north/climate", b'{"a":1}', at(0.0))
    assert said[0] == Say(
        "warning", "message_rejected",
        {"topic": "room/north/climate", "why": "not_valid", "reason": "rh_pct: Field required", "count": 1},
    )  # fmt: skip
    assert isinstance(said[1], Publish) and isinstance(said[1].body, Rejected)
    body = said[1].body
    assert (body.topic, body.reason, body.sample, body.count) == (
        "room/north/climate", "rh_pct: Field required", '{"a":1}', 1,
    )  # fmt: skip


def test_each_kind_is_logged_once_a_minute() -> None:
    rejections = Rejections()
    logged = []
    for tenth in range(1250):
        for kind in ("a", "b"):
            for one in rejections.note(Refused(kind, "not_valid", ""), "t", b"", at(tenth / 10.0)):
                if isinstance(one, Say):
                    logged.append((kind, tenth / 10.0))
    assert logged == [(kind, second) for second in (0.0, 60.0, 120.0) for kind in ("a", "b")]


def test_a_flood_is_counted_in_full_and_published_within_bounds() -> None:
    rejections = Rejections()
    published = [
        one.body.count
        for n in range(10_000)
        for one in rejections.note(BAD, "t", b"", at(n / 1000.0))  # 10 s at 1000 a second
        if isinstance(one, Publish)
    ]
    assert rejections.counts == {("room/{room}/climate", "not_valid"): 10_000}
    assert 20 <= len(published) <= 42  # 20 at once, then 2 a second
    assert published == sorted(published) and published[-1] > 9_000


def test_the_first_of_another_reason_is_published_even_in_a_flood() -> None:
    rejections = Rejections()
    for _ in range(1000):
        rejections.note(BAD, "t", b"", at(0.0))
    said = rejections.note(Refused(BAD.kind, "retained", "r"), "t", b"", at(0.0))
    assert [one.body.count for one in said if isinstance(one, Publish)] == [1]


@pytest.mark.parametrize("payload", [b"\xff" * 5000, b"\x00", "ä".encode() * 100])
def test_any_bytes_make_a_message_that_can_be_sent(payload: bytes) -> None:
    said = Rejections().note(BAD, "\udcff" + "x" * 5000, payload, at(0.0))
    body = said[1].body
    assert len(body.model_dump_json().encode()) < 2000


def test_recent_ends_after_ten_minutes_of_quiet() -> None:
    rejections = Rejections()
    assert rejections.recent(at(0.0)) is None
    rejections.note(BAD, "room/north/climate", b"", at(5.0))
    assert rejections.recent(at(604.9)) == "room/north/climate: rh_pct: Field required"
    assert rejections.recent(at(605.0)) is None
