"""The log: one JSON object a line, with a priority where the system's journal reads it, and never a reason to fail."""

import io
import json

import pytest
from shellkit import T0

from supervisor.shell import logs
from supervisor.values import Say


def lines(console: bool = False) -> tuple[logs.Log, io.StringIO]:
    out = io.StringIO()
    return logs.make(console, lambda: T0, out), out


@pytest.fixture(autouse=True)
def no_journal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("JOURNAL_STREAM", raising=False)


def test_a_line_is_json_with_the_sites_time() -> None:
    log, out = lines()
    log.warning("link_ended", age_s=1.5, detail="x")
    assert json.loads(out.getvalue()) == {
        "at": "2026-08-29T10:40:00.000Z", "event": "link_ended", "level": "warning", "age_s": 1.5, "detail": "x",
    }  # fmt: skip
    assert out.getvalue().count("\n") == 1


@pytest.mark.parametrize(
    # syslog severities, RFC 5424 table 2; the form of the prefix is sd-daemon(3)'s
    ("level", "prefix"), [("critical", "<2>"), ("error", "<3>"), ("warning", "<4>"), ("info", "<6>")],
)  # fmt: skip
def test_under_the_systems_journal_each_line_tells_its_priority(
    monkeypatch: pytest.MonkeyPatch, level: str, prefix: str
) -> None:
    monkeypatch.setenv("JOURNAL_STREAM", "8:1234")
    log, out = lines()
    getattr(log, level)("x", volume_nl=3.0)
    assert out.getvalue().startswith(prefix)
    assert json.loads(out.getvalue()[3:])["volume_nl"] == 3.0


def test_a_console_line_is_for_people() -> None:
    log, out = lines(console=True)
    log.error("engine_failed", o2_pct=3.0)
    text = out.getvalue()
    assert "engine_failed" in text and "o2_pct" in text and "error" in text and not text.startswith("{")


def test_a_figure_cannot_take_the_place_of_the_name_or_the_time() -> None:
    log, out = lines()
    logs.say(log, Say("info", "dose", {"event": "x", "level": "y", "at": "z", "volume_nl": 2.0}))
    got = json.loads(out.getvalue())
    assert (got["event"], got["level"], got["at"]) == ("dose", "info", "2026-08-29T10:40:00.000Z")
    assert (got["event_"], got["level_"], got["at_"], got["volume_nl"]) == ("x", "y", "z", 2.0)


def test_what_json_does_not_know_is_written_as_words() -> None:
    log, out = lines()
    log.info("x", odd=object(), far=float("inf"))
    assert "object object" in out.getvalue()


class Gone(io.StringIO):
    def write(self, text: str) -> int:
        raise BrokenPipeError


@pytest.mark.parametrize("console", [False, True])
def test_nobody_reading_is_no_failure(console: bool) -> None:
    logs.make(console, lambda: T0, Gone()).error("x")
    closed = io.StringIO()
    log = logs.make(console, lambda: T0, closed)
    closed.close()
    log.error("x")
