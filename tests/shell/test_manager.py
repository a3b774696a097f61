"""sd_notify(3) against a real socket: ready means controlling, and only a turn that went all the way round feeds the
watchdog."""

import os
import signal
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from brokers import Broker, Kind, poll
from shellkit import EXAMPLE, TOP, StillClock
from toy import MemoryBroker, Rig

from supervisor.shell.journal_file import JournalError
from supervisor.shell.manager import Manager


class Systemd:
    """The receiving end."""

    def __init__(self, address: str) -> None:
        self.address = address
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind("\0" + address[1:] if address.startswith("@") else address)
        self.socket.setblocking(False)
        self.told: list[str] = []

    def heard(self) -> list[str]:
        """Everything told so far, a word each."""
        while True:
            try:
                self.told += self.socket.recv(4096).decode().splitlines()
            except BlockingIOError:
                return self.told

    def new(self) -> list[str]:
        count = len(self.told)
        return self.heard()[count:]


@pytest.fixture(params=["path", "abstract"])
def systemd(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Systemd]:
    one = Systemd(str(tmp_path / "notify") if request.param == "path" else f"@stillhold-test-{os.getpid()}")
    yield one
    one.socket.close()


@pytest.fixture
def make(systemd: Systemd) -> Iterator[Callable[..., tuple[Manager, list[float]]]]:
    made: list[Manager] = []

    def one(**more: str) -> tuple[Manager, list[float]]:
        now = [100.0]
        made.append(Manager(lambda: now[0], {"NOTIFY_SOCKET": systemd.address, **more}))
        return made[-1], now

    yield one
    for manager in made:
        manager.close()


def test_ready_is_told_once_and_only_with_a_link(systemd: Systemd, make) -> None:
    manager, now = make()
    for _ in range(40):
        manager.turned(False)
        now[0] += 1.0
    waiting = systemd.new()
    assert "READY=1" not in waiting and "WATCHDOG=1" not in waiting
    assert waiting.count("EXTEND_TIMEOUT_USEC=60000000") == 3, "each quarter of what was asked for"
    manager.turned(True), manager.turned(False), manager.turned(True)
    words = systemd.new()
    assert words.count("READY=1") == 1 and words[0] == "READY=1"
    assert [one for one in words if one.startswith("STATUS")] == [
        "STATUS=controlling", "STATUS=no link to the broker; no gas is asked for", "STATUS=controlling"
    ]  # fmt: skip


def test_the_watchdog_is_fed_four_times_in_its_time_with_a_link_and_without(systemd: Systemd, make) -> None:
    manager, now = make(WATCHDOG_USEC="20000000", WATCHDOG_PID=str(os.getpid()))
    manager.turned(True)
    systemd.new()
    fed = 0
    for turn in range(100):
        now[0] += 1.0
        manager.turned(turn < 50)
        fed += systemd.new().count("WATCHDOG=1")  # read as it comes: a socket that nobody reads holds ten
    assert 20 <= fed <= 22


@pytest.mark.parametrize("more", [{}, {"WATCHDOG_USEC": "0"}, {"WATCHDOG_USEC": "x"},
                                  {"WATCHDOG_USEC": "20000000", "WATCHDOG_PID": "1"}])  # fmt: skip
def test_a_watchdog_that_is_not_ours_is_none(systemd: Systemd, make, more: dict[str, str]) -> None:
    assert make(**more)[0].watchdog_s is None


def test_nobody_to_tell_is_no_failure(tmp_path: Path) -> None:
    for environment in ({}, {"NOTIFY_SOCKET": str(tmp_path / "gone")}, {"NOTIFY_SOCKET": "@nobody-listens-here"}):
        manager = Manager(lambda: 1.0, environment)
        manager.turned(True), manager.ending("x"), manager.close(), manager.turned(True)


# ------------------------------------------------------------------------------------------------ in the loop


def rig_with_manager(folder: Path, systemd: Systemd) -> Rig:
    rig = Rig(folder, MemoryBroker(), StillClock())
    rig.loop.manager = Manager(rig.clock.real_s, {"NOTIFY_SOCKET": systemd.address, "WATCHDOG_USEC": "4000000"})
    return rig


def test_ready_comes_after_the_commit_of_the_first_turn_with_a_link(tmp_path: Path, systemd: Systemd) -> None:
    rig = rig_with_manager(tmp_path / "state", systemd)
    rig.bus.down = True
    commit, told_before = rig.journal.commit, []

    def watched(batch) -> None:
        told_before.append("READY=1" in systemd.heard())
        commit(batch)

    rig.journal.commit = watched
    rig.loop.begin()
    rig.loop.turn(), rig.loop.turn()
    assert "READY=1" not in systemd.heard()
    rig.bus.down = False
    rig.loop.turn()
    assert "READY=1" in systemd.heard() and told_before == [False] * len(told_before)
    rig.loop.manager.close()
    rig.die()


def test_a_journal_that_does_not_take_it_feeds_nothing(tmp_path: Path, systemd: Systemd) -> None:
    rig = rig_with_manager(tmp_path / "state", systemd)
    rig.loop.begin()
    rig.loop.turn()
    systemd.new()

    def full(batch) -> None:
        raise JournalError("disk is full")

    rig.journal.commit = full
    for _ in range(10):
        with pytest.raises(JournalError):
            rig.loop.turn()
    assert systemd.new() == []
    rig.loop.manager.close()
    rig.die()


@pytest.mark.timeout(120)
def test_a_real_process_is_ready_when_its_broker_is_there_and_says_that_it_ends(
    tmp_path: Path, make_broker: Callable[[Kind], Broker]
) -> None:
    systemd = Systemd(str(tmp_path / "notify"))
    broker = make_broker("nats")
    broker.stop()
    argv = [sys.executable, "-m", "supervisor", "run", str(EXAMPLE), "--state", str(tmp_path / "state")]
    argv += ["--port", str(broker.port)]
    environment = os.environ | {"NOTIFY_SOCKET": systemd.address, "WATCHDOG_USEC": "2000000"}
    with (tmp_path / "log").open("wb") as log:
        child = subprocess.Popen(argv, cwd=TOP, env=environment, stdout=log, stderr=log)
    try:
        assert poll(lambda: "EXTEND_TIMEOUT_USEC=60000000" in systemd.heard(), 20.0) and "READY=1" not in systemd.told
        broker.start()
        assert poll(lambda: "READY=1" in systemd.heard(), 20.0)
        assert poll(lambda: systemd.heard().count("WATCHDOG=1") >= 4, 20.0)
        child.send_signal(signal.SIGSTOP)  # it stands still
        poll(lambda: False, 0.3)
        systemd.new()
        poll(lambda: False, 1.2)
        assert systemd.new() == []
        child.send_signal(signal.SIGCONT)
        child.send_signal(signal.SIGTERM)
        assert child.wait(20) == 0 and "STOPPING=1" in systemd.heard()
    finally:
        child.kill()
        child.wait()
        systemd.socket.close()
