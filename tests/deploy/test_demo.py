"""The demo as a person runs it: real processes, real MQTT, a real terminal. It must end as asked and leave nothing.
`tests/system/test_system_demo.py` lets it run for its time."""

import contextlib
import os
import pty
import re
import select
import shlex
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from brokers import alive, poll

from supervisor.sitefile import load

TOP = Path(__file__).resolve().parents[2]
SITE = load(TOP / "config" / "quillfen.toml")
DEMO = [sys.executable, "-P", "-m", "deploy.demo"]


def environment(tmp_path: Path) -> dict[str, str]:
    folder = tmp_path / "tmp"
    folder.mkdir()
    terminal = {"TERM": "xterm-256color", "COLUMNS": "120", "LINES": "50"}
    return os.environ | {"PYTHONPATH": str(TOP), "TMPDIR": str(folder)} | terminal


@contextlib.contextmanager
def running(command: list[str], tmp_path: Path, **more: Any) -> Iterator[subprocess.Popen[str]]:
    """The demo as a process, gone after the test whatever became of it."""
    with subprocess.Popen(command, cwd=tmp_path, env=environment(tmp_path), text=True, **more) as demo:
        try:
            yield demo
        finally:
            demo.kill()


def wait_until_online(demo: subprocess.Popen[str]) -> list[int]:
    """The process ids of its children, once the supervisor says that it is online."""
    said_until(demo, "supervisor: online")
    children = children_of(demo.pid)
    assert len(children) == 3
    return children


def said_until(demo: subprocess.Popen[str], words: str) -> str:
    """The line with these words, from what it says next."""
    return next((line for line in demo.stdout if words in line), "")


def children_of(pid: int) -> list[int]:
    return [int(one) for one in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


def test_asked_to_end_it_ends_in_order_and_leaves_no_process(tmp_path: Path) -> None:
    with running(DEMO, tmp_path, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE) as demo:
        children = wait_until_online(demo)
        demo.send_signal(signal.SIGTERM)
        rest = demo.stdout.read()
        assert demo.wait(30) == 0
    assert "ended by SIGTERM" in rest
    assert [pid for pid in children if alive(pid)] == []
    assert list((tmp_path / "tmp").iterdir()) == []


def test_what_it_says_about_commanding_it_can_be_typed(tmp_path: Path) -> None:
    with running(DEMO, tmp_path, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE) as demo:
        hint = said_until(demo, "To command it, at another terminal: stillhold ")
        wait_until_online(demo)
        typed = shlex.split(hint.partition(": stillhold ")[2])
        done = subprocess.run([sys.executable, "-m", "supervisor", *typed], cwd=TOP, capture_output=True, text=True, timeout=60)
        demo.send_signal(signal.SIGTERM)
        demo.stdout.read()
        assert demo.wait(30) == 0
    assert (done.returncode, done.stdout) == (0, "accepted: stop n1, as demo\n"), done.stderr


def test_killed_outright_it_still_leaves_no_process(tmp_path: Path) -> None:
    with running(DEMO, tmp_path, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE) as demo:
        children = wait_until_online(demo)
        demo.kill()
    assert poll(lambda: not any(alive(pid) for pid in children), within_s=60)


def test_on_a_terminal_it_draws_the_site_and_ctrl_c_ends_it(tmp_path: Path) -> None:
    terminal, far_end = pty.openpty()
    # `setsid --ctty` makes it the demo's controlling terminal, so that Ctrl-C is the terminal's own.
    command = ["setsid", "--ctty", *DEMO]
    with running(command, tmp_path, stdin=far_end, stdout=far_end, stderr=far_end) as demo:
        os.close(far_end)
        seen = read_until(terminal, lambda text: "supervisor online" in text and "filling" in text)
        os.write(terminal, b"\x03")
        rest = read_until(terminal, lambda text: "ended by Ctrl-C" in text and "Restarts" in text)
        assert demo.wait(30) == 0
    os.close(terminal)
    for words in ("Enclosures", "Rooms", "Sources", "Alarms", "not a safety instrumented system", *SITE.enclosures):
        assert words in seen
    assert "Traceback" not in seen + rest


def read_until(terminal: int, enough: Callable[[str], bool], within_s: float = 40.0) -> str:
    """What a terminal shows, without its control sequences, until it is enough."""
    text = ""
    deadline = time.monotonic() + within_s
    while not enough(text):
        assert time.monotonic() < deadline, text[-3000:]
        if not select.select([terminal], [], [], 0.5)[0]:
            continue
        try:
            raw = os.read(terminal, 65536)
        except OSError:  # Linux says so when the other end has closed
            break
        text += re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", raw.decode("utf-8", "replace"))
    return text


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--speed", "0"], "'0' is not above 0"),
        (["--json", "no/such/folder/x.json"], "there is no folder"),
        (["--keep", "."], "must be a new or empty folder"),
        (["missing.toml"], "missing.toml"),
    ],
)
def test_a_wrong_command_line_is_refused_in_words_before_anything_starts(
    tmp_path: Path, arguments: list[str], words: str
) -> None:
    env = environment(tmp_path)
    done = subprocess.run([*DEMO, *arguments], cwd=tmp_path, env=env, capture_output=True, text=True, timeout=60)
    assert done.returncode == 2
    assert words in done.stderr
    assert "Traceback" not in done.stderr
