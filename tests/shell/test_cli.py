"""The commands of a person: what they take, what they print, how they end. Against a running site: tests/system."""

import argparse
import json
import stat
from pathlib import Path
from types import SimpleNamespace

import pytest
from replaykit import runner
from shellkit import EXAMPLE

from supervisor.shell.authority import operators
from supervisor.shell.authority.judge import NEEDED
from supervisor.shell.authority.operators import load, read_key
from supervisor.shell.console import alarms as cli_alarms
from supervisor.shell.console import arguments
from supervisor.shell.console import commands as cli_commands
from supervisor.shell.console import operators as cli_operators
from supervisor.shell.console.link import plain


@pytest.fixture
def site(tmp_path: Path) -> Path:
    path = tmp_path / "site.toml"
    path.write_text(EXAMPLE.read_text(encoding="utf-8"), encoding="utf-8")
    return path


@pytest.fixture
def type_in(capsys: pytest.CaptureFixture[str]):
    """Runs a command line: exit status, standard output, standard error."""

    return runner(capsys)


# ------------------------------------------------------------------------------------------------ operators


def test_operators_are_added_listed_and_revoked(site: Path, tmp_path: Path, type_in) -> None:
    key = tmp_path / "b.key"
    assert "nobody yet" in type_in("operators", "list", site)[1]
    status, out, told = type_in("operators", "add", site, "B. Example", "--role", "operate", "--key", key)
    assert (status, out) == (0, "") and str(key) in told
    assert stat.S_IMODE(key.stat().st_mode) == 0o600
    kept = load(tmp_path / "quillfen.operators.json", "quillfen").by_name["B. Example"]
    assert read_key(key, "quillfen").key == kept.key and kept.role == "operate"
    listed = json.loads(type_in("operators", "list", site, "--json")[1])["operators"]
    assert [(one["name"], one["role"], one["revoked_at"]) for one in listed] == [("B. Example", "operate", None)]
    assert "key" not in listed[0] and kept.key not in type_in("operators", "list", site)[1]
    assert type_in("operators", "revoke", site, "B. Example")[0] == 0
    assert "operate      B. Example, revoked 20" in type_in("operators", "list", site)[1]


def test_a_key_is_printed_once_where_no_file_is_named(site: Path, type_in) -> None:
    status, out, told = type_in("operators", "add", site, "C. Example", "--role", "look")
    key = json.loads(out)["key"]
    assert status == 0 and len(key) == 64 and key not in told
    assert key not in "".join(map(str, type_in("operators", "list", site)))


def test_what_cannot_be_is_told_and_changes_nothing(site: Path, tmp_path: Path, type_in) -> None:
    there = tmp_path / "there"
    there.write_text("mine")
    type_in("operators", "add", site, "B. Example", "--role", "look")
    before = (tmp_path / "quillfen.operators.json").read_bytes()
    for words, part in (
        (("add", site, "D", "--role", "look", "--key", there), "already"),
        (("add", site, "B. Example", "--role", "look"), "--replace"),
        (("revoke", site, "D"), "nobody called 'D'"),
        (("add", site, "D", "--role", "king"), "invalid choice"),
        (("list", tmp_path / "nowhere.toml"), "nowhere.toml"),
    ):
        status, _, told = type_in("operators", *words)
        assert status == 2 and part in told, words
    assert (tmp_path / "quillfen.operators.json").read_bytes() == before and there.read_text() == "mine"


def test_a_site_without_operators_says_how_to_have_some(site: Path, tmp_path: Path, type_in) -> None:
    text = site.read_text(encoding="utf-8")
    site.write_text(text.replace('[operators]\nfile = "quillfen.operators.json"\n', ""), encoding="utf-8")
    assert "[operators]" in type_in("operators", "list", site)[2]
    elsewhere = tmp_path / "elsewhere.json"
    assert type_in("operators", "add", site, "B", "--role", "look", "--operators", elsewhere)[0] == 0
    assert "B" in load(elsewhere, "quillfen").by_name


def test_check_warns_when_nobody_could_command(site: Path, tmp_path: Path, type_in) -> None:
    assert "0 errors, 0 warnings" in type_in("check", site)[1], "no file yet: whoever writes a site adds people later"
    type_in("operators", "add", site, "B", "--role", "look")
    assert "0 errors, 0 warnings" in type_in("check", site)[1]
    type_in("operators", "revoke", site, "B")
    status, out, _ = type_in("check", site)
    assert status == 0 and "0 errors, 1 warning\n" in out and "operators add" in out
    (tmp_path / "quillfen.operators.json").chmod(0o644)
    status, out, _ = type_in("check", site)
    assert status == 0 and "1 warning\n" in out and "chmod 600" in " ".join(out.split())
    text = site.read_text(encoding="utf-8")
    site.write_text(text.replace('[operators]\nfile = "quillfen.operators.json"\n', ""), encoding="utf-8")
    status, out, _ = type_in("check", site)
    assert status == 0 and "1 warning\n" in out and "anybody at the broker can command" in " ".join(out.split())


def test_the_roles_are_the_same_everywhere() -> None:
    assert cli_operators.ROLES == operators.ROLES
    assert set(NEEDED.values()) <= set(operators.ROLES)


# ------------------------------------------------------------------------------------------------ the command line


@pytest.mark.parametrize(
    ("words", "meant"),
    [
        (["alarms", "s.toml"], ["alarms", "list", "s.toml"]), (["alarms", "--json", "s"], ["alarms", "list", "--json", "s"]),
        (["alarms", "list", "s"], ["alarms", "list", "s"]), (["alarms", "report", "s"], ["alarms", "report", "s"]),
        (["alarms", "catalogue"], ["alarms", "catalogue"]), (["alarms", "--help"], ["alarms", "--help"]),
        (["alarms"], ["alarms"]), (["status", "alarms"], ["status", "alarms"]), ([], []),
    ],
)  # fmt: skip
def test_alarms_without_a_word_are_listed(words: list[str], meant: list[str]) -> None:
    assert cli_alarms.spelled_out(words) == meant


@pytest.mark.parametrize(
    "words",
    [
        ("seal", "s"), ("enter", "s", "north", "--people", "A,B", "--minutes", "5"), ("ack", "s"), ("shelve", "s", "a"),
        ("enter", "s", "north", "--people", "A,,B", "--standby", "C", "--minutes", "5"), ("status", "s", "--wait", "0"),
        ("ack", "s", "a", "--occurrence", "-1"), ("leave", "s", "north"), ("status", "s", "--port", "0"),
    ],
)  # fmt: skip
def test_a_wrong_command_line_exits_2(words: tuple[str, ...], type_in) -> None:
    status, _, told = type_in(*words)
    assert status == 2 and "usage: stillhold" in told


@pytest.mark.parametrize("words", [("status",), ("alarms",), ("seal", "n1"), ("ack", "a"), ("ack", "a", "--occurrence", "1")])
def test_without_a_broker_it_says_where_it_looked(words: tuple[str, ...], site: Path, tmp_path: Path, type_in) -> None:
    key = tmp_path / "b.key"
    type_in("operators", "add", site, "B. Example", "--role", "operate", "--key", key)
    name = () if words[0] in ("status", "alarms") else ("--key", key)
    status, out, told = type_in(words[0], site, *words[1:], "--port", "1", *name)
    assert (status, out) == (3, "") and "no broker at 127.0.0.1:1" in told
    assert name == () or "nothing was sent" in told
    assert name or "not a safety instrumented system" in told


def test_without_a_key_nothing_is_sent(site: Path, tmp_path: Path, type_in, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("STILLHOLD_KEY", raising=False)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    status, _, told = type_in("seal", site, "n1", "--port", "1")
    assert status == 2 and str(tmp_path / "config" / "stillhold" / "quillfen.key") in told
    monkeypatch.setenv("STILLHOLD_KEY", str(tmp_path / "mine"))
    assert str(tmp_path / "mine") in type_in("seal", site, "n1", "--port", "1")[2]
    assert str(tmp_path / "named") in type_in("seal", site, "n1", "--port", "1", "--key", tmp_path / "named")[2]


STANDS = {
    "alarm": "no_response-n1", "occurrence": 3, "state": "unacknowledged", "priority": "high", "raised_at": None, "text": "t",
    "acknowledged_by": None, "shelved_until": None, "advice": "a", "holds_back": 0, "cause": None, "note": None,
}  # fmt: skip
TOLD = {"action": "acknowledge", "target": "no_response-n1", "operator": "dana", "accepted": None}


@pytest.mark.parametrize(
    ("stands", "terminal", "typed", "status", "sent"),
    [
        (STANDS, True, "3", 0, {"occurrence": 3, "note": "why"}), (STANDS, True, " 3 ", 0, {"occurrence": 3, "note": "why"}),
        (STANDS, True, "", 1, None), (STANDS, True, "y", 1, None), (STANDS, True, "2", 1, None), (STANDS, False, "3", 2, None),
        (None, True, "3", 1, None),
    ],
)  # fmt: skip
def test_nobody_acknowledges_what_they_have_not_seen(
    stands: dict | None, terminal: bool, typed: str, status: int, sent: dict | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    given: list[dict] = []
    monkeypatch.setattr(cli_alarms, "send", lambda _args, _action, _target, **more: given.append(more) or 0)
    monkeypatch.setattr("sys.stdin", SimpleNamespace(isatty=lambda: terminal))
    monkeypatch.setattr("builtins.input", lambda _words: typed)
    args = argparse.Namespace(json=False, target="no_response-n1", note="why")
    assert cli_alarms._shown_and_asked(args, TOLD, stands) == status
    assert given == ([] if sent is None else [sent])


def test_lists_and_counts() -> None:
    assert arguments.names(" A , B") == ["A", "B"] and arguments.count("12") == 12
    for text in ("", "A,", ","):
        with pytest.raises(argparse.ArgumentTypeError):
            arguments.names(text)
    for text in ("", "-1", "1.5", "x", "9" * 16):
        with pytest.raises(argparse.ArgumentTypeError):
            arguments.count(text)


def test_a_terminal_is_told_nothing_that_it_would_obey() -> None:
    assert plain("a\x1b[2Jb\u202e") == "a\ufffd[2Jb\ufffd"
    assert "look" in cli_commands.NO_ANSWER
