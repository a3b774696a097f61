"""`deploy/demo` as a newcomer types it, in an environment that is set up already: it ends as asked and leaves nothing."""

import hashlib
import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from brokers import alive, poll

from supervisor.sitefile import load

pytestmark = pytest.mark.timeout(120)

TOP = Path(__file__).resolve().parents[2]
SITE = load(TOP / "config" / "quillfen.toml")


@pytest.fixture
def environment(tmp_path: Path) -> dict[str, str]:
    """One in which `deploy/setup` finds the current Python set up, and which fails loudly where it would install anything."""
    venv = tmp_path / "venv"
    (venv / "bin").mkdir(parents=True)
    python = venv / "bin" / "python"
    refuse = 'case " $* " in *" pip "*|*" venv "*) echo would install; exit 97;; esac'
    python.write_text(f'#!/bin/sh\n{refuse}\nexec {sys.executable} "$@"\n')
    python.chmod(0o755)
    pins = "".join(f"{_sha256((TOP / name).read_bytes())}  {name}\n" for name in ("constraints.txt", "pyproject.toml"))
    (venv / "stillhold-stamp").write_text(_sha256(f"{sys.version} {TOP}\n{pins}".encode()) + "\n")
    temporary = tmp_path / "tmp"
    temporary.mkdir()
    return os.environ | {"STILLHOLD_VENV": str(venv), "STILLHOLD_PYTHON": str(python), "TMPDIR": str(temporary)}


def _sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


@pytest.fixture
def demo(environment: dict[str, str], tmp_path: Path) -> Iterator[subprocess.Popen]:
    """Started in a session of its own, as a terminal does; ended in any case."""
    arguments = ["--for", "12", "--json", str(tmp_path / "summary.json")]
    process = subprocess.Popen(
        [str(TOP / "deploy" / "demo"), *arguments], cwd=tmp_path, env=environment, stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, start_new_session=True,
    )  # fmt: skip
    try:
        yield process
    finally:
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGKILL)
        process.communicate(timeout=30)


def children(demo: subprocess.Popen) -> list[int]:
    """The demo's processes once all are there: broker, simulator, supervisor."""
    found: list[int] = []

    def all_there() -> bool:
        found[:] = [int(one) for one in Path(f"/proc/{demo.pid}/task/{demo.pid}/children").read_text().split()]
        return len(found) == 3

    assert poll(all_there, within_s=40.0) or demo.poll() is None, demo.communicate()[0]
    assert len(found) == 3
    return found


def test_it_ends_by_itself_with_a_summary_and_leaves_no_process(demo: subprocess.Popen, tmp_path: Path) -> None:
    pids = children(demo)
    said, _ = demo.communicate(timeout=80)
    assert demo.returncode == 0, said
    summary = json.loads((tmp_path / "summary.json").read_text(encoding="utf-8"))
    assert summary["ended_by"] == "its time"
    assert summary["restarts"] == {"broker": 0, "supervisor": 0}
    assert set(summary["enclosures"]) == set(SITE.enclosures) and len(SITE.enclosures) == 12
    assert {one["state"] for one in summary["enclosures"].values()} <= {"filling", "pulling_down"}, "none is held so soon"
    assert set(summary["rooms"]) == set(SITE.rooms) and "unknown" not in summary["rooms"].values()
    assert summary["messages"]["unreadable"] == 0
    assert "CAUTION" in said and "not a safety instrumented system" in said.lower()
    assert all(name in said for name in summary["enclosures"])
    assert [pid for pid in pids if alive(pid)] == []
    assert list((tmp_path / "tmp").iterdir()) == []


def test_ctrl_c_ends_it_just_so(demo: subprocess.Popen, tmp_path: Path) -> None:
    pids = children(demo)
    os.killpg(demo.pid, signal.SIGINT)  # to the whole foreground group, which is what a terminal does
    said, _ = demo.communicate(timeout=80)
    assert demo.returncode == 0, said
    assert json.loads((tmp_path / "summary.json").read_text(encoding="utf-8"))["ended_by"] == "Ctrl-C"
    assert [pid for pid in pids if alive(pid)] == []
    assert list((tmp_path / "tmp").iterdir()) == []
