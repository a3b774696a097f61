"""The demo's processes with stand-ins for simulator and supervisor and a real broker: who is brought back, who ends it all."""

import os
import signal
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from brokers import Peer, alive, poll

from deploy import processes as module
from deploy.child import Child
from deploy.processes import Died, Processes

SITE = Path(__file__).resolve().parents[2] / "config" / "quillfen.toml"
LIVES = "import time; print('up', flush=True); time.sleep(120)"
ENDS = "print('cannot go on: the reason'); raise SystemExit(3)"
# Tells in which order they were ended; `note` is replaced by the file that they share.
TELLS = (
    "import signal, sys, time\n"
    "def end(*_):\n    open({note!r}, 'a').write({name!r} + ' '); sys.exit(0)\n"
    "signal.signal(signal.SIGTERM, end); print('up', flush=True); time.sleep(120)"
)


class StandIns(Processes):
    """`scripts` by name; each child gets the real command line as arguments."""

    def __init__(self, folder: Path, **scripts: str) -> None:
        super().__init__(SITE, folder, speed=60.0, start_s=1_000_000.5, seed=7)
        self.folder = folder
        self.scripts = scripts
        self.children: dict[str, Child] = {}

    def _child(self, name: str, arguments: list[str]) -> Child:
        script = self.scripts.get(name, LIVES)
        child = Child(name, [sys.executable, "-c", script, *arguments], self.folder / f"{name}.log")
        self.children[name] = child
        return child


@pytest.fixture
def made(tmp_path: Path) -> Iterator[list[StandIns]]:
    """Stand-ins put here are ended after the test."""
    made: list[StandIns] = []
    yield made
    for one in made:
        one.stop()


def started(made: list[StandIns], folder: Path, **scripts: str) -> StandIns:
    processes = StandIns(folder, **scripts)
    made.append(processes)
    processes.start()
    return processes


def test_both_get_one_start_one_speed_and_the_brokers_address(made: list[StandIns], tmp_path: Path) -> None:
    processes = started(made, tmp_path)
    port = str(processes.broker.port)
    pace = ["--speed", "60.0", "--start", "1000000.5"]
    address = ["--host", "127.0.0.1", "--port", port]
    keys = ["--keys", str(tmp_path / "crew.key")]
    assert processes.children["simulator"].argv[3:] == [str(SITE), *pace, "--seed", "7", *keys, *address]
    state = ["--state", str(tmp_path / "state"), "--operators", str(tmp_path / "operators.json")]
    assert processes.children["supervisor"].argv[3:] == ["run", str(SITE), *state, *pace, *address]


def test_a_supervisor_that_dies_is_started_again_and_counted(made: list[StandIns], tmp_path: Path) -> None:
    processes = started(made, tmp_path)
    supervisor = processes.children["supervisor"]
    first = supervisor.pid
    assert processes.tend() == []
    os.kill(first, signal.SIGKILL)
    assert poll(lambda: not supervisor.running)
    assert processes.tend() == ["the supervisor ended (ended by SIGKILL) and was started again"]
    assert supervisor.running
    assert supervisor.pid != first
    assert processes.restarts == {"broker": 0, "supervisor": 1}


def test_a_supervisor_that_dies_again_and_again_ends_it_all_with_its_log(made: list[StandIns], tmp_path: Path) -> None:
    processes = started(made, tmp_path, supervisor=ENDS)
    with pytest.raises(Died, match=r"the supervisor ended unexpectedly \(exit status 3\)(.|\n)*cannot go on: the reason"):
        for _ in range(module._GIVE_UP_AFTER):
            assert poll(lambda: not processes.children["supervisor"].running)
            processes.tend()
    assert processes.restarts["supervisor"] == module._GIVE_UP_AFTER - 1


def test_a_simulator_that_dies_ends_it_all_with_its_log(made: list[StandIns], tmp_path: Path) -> None:
    processes = started(made, tmp_path, simulator=ENDS)
    assert poll(lambda: not processes.children["simulator"].running)
    with pytest.raises(Died, match=r"the simulator ended unexpectedly \(exit status 3\)(.|\n)*cannot go on: the reason"):
        processes.tend()


def test_a_broker_that_dies_is_started_again_on_its_port_with_its_data(made: list[StandIns], tmp_path: Path) -> None:
    processes = started(made, tmp_path)
    with Peer(processes.broker) as peer:
        peer.publish("kept", b"x", retain=True)
    processes.broker.kill()
    (said,) = processes.tend()
    assert said == f"the broker died (ended by SIGKILL) and was started again on port {processes.broker.port}"
    assert processes.restarts == {"broker": 1, "supervisor": 0}
    with Peer(processes.broker) as peer:
        peer.subscribe("kept")
        assert poll(lambda: peer.heard == [("kept", b"x", True)])


def test_the_supervisor_ends_before_the_simulator_and_nothing_is_left(made: list[StandIns], tmp_path: Path) -> None:
    note = str(tmp_path / "order")
    scripts = {name: TELLS.format(note=note, name=name) for name in ("supervisor", "simulator")}
    processes = started(made, tmp_path, **scripts)
    children = [*processes.children.values(), processes.broker.child]
    assert poll(lambda: all("up" in child.last_lines() for child in processes.children.values()))
    pids = [child.pid for child in children]
    processes.stop()
    assert Path(note).read_text().split() == ["supervisor", "simulator"]
    assert [pid for pid in pids if alive(pid)] == []


def test_a_child_that_does_not_end_when_asked_is_killed(tmp_path: Path) -> None:
    deaf = "import signal, time; signal.signal(signal.SIGTERM, signal.SIG_IGN); print('up', flush=True); time.sleep(120)"
    child = Child("deaf", [sys.executable, "-c", deaf], tmp_path / "log")
    child.start()
    assert poll(lambda: child.last_lines() == ["up"])
    child.stop(patience_s=0.1)
    assert (child.running, child.how_it_ended()) == (False, "ended by SIGKILL")
    child.stop()  # ending what has ended does nothing
    assert not alive(child.pid)


def test_a_child_is_started_once_and_its_log_goes_on(tmp_path: Path) -> None:
    child = Child("short", [sys.executable, "-c", "print('\\n'.join(map(str, range(20))))"], tmp_path / "log")
    assert child.last_lines() == []
    for _ in range(2):
        child.start()
        assert poll(lambda: not child.running)
    assert child.last_lines(3) == ["17", "18", "19"]
    assert len(child.last_lines(99)) == 40
    long = Child("long", [sys.executable, "-c", LIVES], tmp_path / "log2")
    long.start()
    with pytest.raises(RuntimeError, match="long runs already"):
        long.start()
    long.stop()
