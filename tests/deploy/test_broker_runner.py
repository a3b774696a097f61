"""The broker runner, with the real programs: both kinds must survive what the supervisor is promised to survive."""

import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from brokers import KINDS, Broker, Kind, Peer, alive, poll

from deploy import brokers as runner
from deploy.brokers import BrokerError

TOP = Path(runner.__file__).resolve().parents[1]


def listening_addresses(pid: int) -> set[str]:
    """The hexadecimal local addresses (IPv4 and IPv6) of a process's listening TCP sockets, from Linux's /proc."""
    inodes = set()
    for entry in Path(f"/proc/{pid}/fd").iterdir():
        target = os.readlink(entry)
        if target.startswith("socket:["):
            inodes.add(target.removeprefix("socket:[").removesuffix("]"))
    found = set()
    for table in ("tcp", "tcp6"):
        for line in Path(f"/proc/{pid}/net/{table}").read_text().splitlines()[1:]:
            fields = line.split()
            if fields[3] == "0A" and fields[9] in inodes:
                found.add(fields[1].split(":")[0])
    return found


def test_it_listens_on_loopback_only(broker: Broker) -> None:
    assert listening_addresses(broker.child.pid) == {"0100007F"}  # 127.0.0.1


def test_a_burst_to_a_connected_subscriber_loses_nothing(broker: Broker) -> None:
    # 5,000: the burst of which mosquitto with its usual limits of 1000 queued messages delivered 2,106.
    with Peer(broker) as listener, Peer(broker) as talker:
        listener.subscribe("burst/#")
        messages = [talker.client.publish(f"burst/{n}", b"x", 1) for n in range(5000)]
        for message in messages:
            message.wait_for_publish(30)
        assert poll(lambda: len({topic for topic, _, _ in listener.heard}) == 5000, 30)


def test_after_a_kill_the_first_subscriber_gets_every_retained_message(broker: Broker) -> None:
    with Peer(broker) as talker:
        messages = [talker.client.publish(f"kept/{n}", str(n), 1, retain=True) for n in range(1001)]
        for message in messages:
            message.wait_for_publish(30)
    wait_until_saved(broker)
    port = broker.port
    broker.kill()
    broker.start()
    assert broker.port == port
    with Peer(broker) as first:
        first.subscribe("kept/#")
        assert poll(lambda: len(first.heard) == 1001), f"{len(first.heard)} of 1001 retained messages"
        assert {topic: payload for topic, payload, _ in first.heard} == {f"kept/{n}": b"%d" % n for n in range(1001)}


def test_after_a_kill_a_lasting_session_gets_what_it_missed(broker: Broker) -> None:
    with Peer(broker, client_id="sleeper") as sleeper:
        sleeper.subscribe("missed/#")
    with Peer(broker) as talker:
        for n in range(50):
            talker.publish(f"missed/{n}", b"x")
    wait_until_saved(broker)
    broker.kill()
    broker.start()
    with Peer(broker, client_id="sleeper") as sleeper:
        assert poll(lambda: len({topic for topic, _, _ in sleeper.heard}) == 50), f"{len(sleeper.heard)} of 50"


def wait_until_saved(broker: Broker) -> None:
    """nats-server has everything on disk that it acknowledged; mosquitto writes its file about once a second."""
    if broker.kind == "nats":
        return
    database = next(iter(broker.child.log_path.parent.glob("data")), None) / "mosquitto.db"
    for _ in range(2):  # the first new file may have been begun before the last message
        before = database.stat().st_mtime_ns if database.exists() else 0
        with Peer(broker) as talker:
            talker.publish("saved/marker", b"x", retain=True)  # something must change, or nothing is written
        assert poll(lambda before=before: database.exists() and database.stat().st_mtime_ns > before)


def test_tend_leaves_a_living_broker_alone_and_brings_a_dead_one_back(broker: Broker) -> None:
    pid = broker.child.pid
    assert broker.tend() is False
    assert (broker.child.pid, broker.restarts) == (pid, 0)
    os.kill(pid, signal.SIGKILL)
    assert poll(lambda: not broker.child.running)
    assert broker.tend() is True
    assert broker.restarts == 1
    with Peer(broker) as peer:
        peer.publish("a", b"x")


def test_a_broker_that_does_not_answer_is_an_error_with_its_log_and_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(runner, "READY_WITHIN_S", 0.5)
    monkeypatch.setattr(runner, "_answers_connect", lambda *_: False)
    mute = Broker("nats", tmp_path / "b")
    with pytest.raises(BrokerError, match=r"answered no MQTT CONNECT(.|\n)*Server is ready"):
        mute.start()
    assert not mute.child.running


def test_stop_leaves_no_process_and_everything_it_wrote_is_in_its_folder(broker: Broker) -> None:
    pid = broker.child.pid
    with Peer(broker) as peer:
        peer.publish("kept", b"x", retain=True)
    broker.stop()
    assert not alive(pid)
    # A clean end is not a kill: mosquitto saves, nats-server closes its streams.
    broker.start()
    with Peer(broker) as peer:
        peer.subscribe("kept")
        assert poll(lambda: peer.heard == [("kept", b"x", True)])


@pytest.mark.parametrize("kind", KINDS)
def test_a_given_port_that_is_taken_is_an_error_and_the_other_broker_lives(
    make_broker: Callable[[Kind], Broker], kind: Kind, tmp_path: Path
) -> None:
    first = make_broker(kind)
    second = Broker(kind, tmp_path / "second", port=first.port)
    with pytest.raises(BrokerError, match="(?i)did not stay up(.|\n)*address already in use"):
        second.start()
    assert not second.child.running
    assert first.child.running


@pytest.mark.parametrize("kind", KINDS)
def test_a_free_port_that_somebody_takes_first_is_tried_again(
    make_broker: Callable[[Kind], Broker], kind: Kind, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = make_broker(kind)
    offers = [first.port, runner.free_port()]
    monkeypatch.setattr(runner, "free_port", lambda: offers.pop(0))
    with Broker(kind, tmp_path / "second") as second:
        assert second.port != first.port
        assert offers == []


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="the kernel's death signal is Linux only")
@pytest.mark.parametrize("kind", KINDS)
def test_a_broker_does_not_outlive_whoever_started_it_even_by_sigkill(kind: Kind, tmp_path: Path) -> None:
    script = (
        "import sys, time; from pathlib import Path; from deploy.brokers import Broker\n"
        f"b = Broker({kind!r}, Path({str(tmp_path)!r})); b.start(); print(b.child.pid, flush=True); time.sleep(60)"
    )
    starter = subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, text=True, cwd=TOP)
    with starter, starter.stdout as said:
        pid = int(said.readline())
        assert alive(pid)
        starter.kill()
        starter.wait()
        assert poll(lambda: not alive(pid))


def test_a_missing_program_says_how_to_get_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(runner.shutil, "which", lambda *_, **__: None)
    with pytest.raises(BrokerError, match="apt-get install mosquitto"):
        runner.program("mosquitto")

    def none(_name: str) -> None:
        raise runner.importlib.metadata.PackageNotFoundError

    monkeypatch.setattr(runner.importlib.metadata, "files", none)
    with pytest.raises(BrokerError, match="run deploy/setup"):
        runner.program("nats")
