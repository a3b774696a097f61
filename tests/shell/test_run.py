"""The whole process, with the real engine, against real brokers: start, end, kill, a second one, a broker that dies."""

import json
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from brokers import Broker, Peer, poll
from shellkit import EXAMPLE, TOP

from supervisor.messages import rfc3339
from supervisor.shell.authority.signing import sign
from supervisor.shell.journal_file import FILE

ROOT = "stillhold/quillfen"
STATUS = f"{ROOT}/supervisor/status"


KEY = bytes(range(32))


def _ada_alone(file: Path) -> Path:
    """An operators file in which ada stands, with `KEY`."""
    ada = {"name": "ada", "role": "operate", "key": KEY.hex(), "added_at": "2026-01-01T00:00:00.000Z"}
    if not file.exists():
        file.touch(mode=0o600)
        file.write_text(json.dumps({"format": 1, "site": "quillfen", "operator": [ada]}))
    return file


class Process:
    """`stillhold run` on a state folder; what it logged is in `events`."""

    def __init__(self, state: Path, port: int, site: Path = EXAMPLE) -> None:
        self._log = state.with_suffix(".log")
        argv = [sys.executable, "-m", "supervisor", "run", str(site), "--state", str(state), "--port", str(port)]
        argv += ["--operators", str(_ada_alone(state.with_suffix(".operators.json")))]
        with self._log.open("ab") as out:
            self.child = subprocess.Popen(argv, cwd=TOP, stdout=out, stderr=subprocess.STDOUT)

    def events(self, name: str) -> list[dict]:
        """The logged lines of this event; of every run on this state folder."""
        lines = [json.loads(line) for line in self._log.read_text().splitlines() if line.startswith("{")]
        return [one for one in lines if one["event"] == name]

    def text(self) -> str:
        return self._log.read_text()

    def end(self, how: signal.Signals = signal.SIGTERM) -> int:
        self.child.send_signal(how)
        return self.child.wait(20)


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Callable[..., Process]]:
    made: list[Process] = []

    def make(port: int, state: str = "state", **options: object) -> Process:
        made.append(Process(tmp_path / state, port, **options))
        return made[-1]

    yield make
    for one in made:
        if one.child.poll() is None:
            one.child.kill()
        one.child.wait()


def last(peer: Peer, topic: str) -> dict | None:
    bodies = [json.loads(body) for got, body, _ in peer.heard if got == topic and body]
    return bodies[-1] if bodies else None


def online(peer: Peer, epoch: int | None = None) -> bool:
    said = last(peer, STATUS)
    return said is not None and said["online"] is True and epoch in (None, said["epoch"])


def command(number: int, **changed: object) -> bytes:
    body = {"command_id": f"c{number}", "issued_at": rfc3339(datetime.now(UTC)), "operator": "ada", "action": "seal",
            "target": "n1"} | changed  # fmt: skip
    return json.dumps(body | {"signature": sign(KEY, body)}).encode()


def test_start_and_end_in_order(broker: Broker, start: Callable[..., Process]) -> None:
    with Peer(broker) as peer:
        peer.subscribe(f"{ROOT}/#")
        process = start(broker.port)
        assert poll(lambda: online(peer, epoch=1), 30), process.text()
        assert poll(lambda: last(peer, f"{ROOT}/room/north/entry") is not None)
        assert last(peer, f"{ROOT}/room/north/entry")["status"] == "forbidden"  # nothing was measured yet
        before = len(peer.heard)
        assert process.end(signal.SIGTERM) == 0, process.text()
        assert poll(lambda: last(peer, STATUS)["online"] is False)
        after = [(topic, json.loads(body)) for topic, body, _ in peer.heard[before:]]
        withdrawn = {topic for topic, body in after if topic.endswith("/permit") and body["dosing_permitted"] is False}
        assert withdrawn == {f"{ROOT}/room/north/permit", f"{ROOT}/room/south/permit"}
    said = process.events("stopped")[-1]
    assert said["state_saved"] is True and said["broker_told"] is True and said["exit_status"] == 0
    with Peer(broker) as late:
        late.subscribe(STATUS)
        assert poll(lambda: bool(late.heard)) and late.heard[0][2] is True  # retained
        assert json.loads(late.heard[0][1])["online"] is False


def test_an_interrupt_from_the_keyboard_ends_in_order_too(
    make_broker: Callable[..., Broker], start: Callable[..., Process]
) -> None:
    broker = make_broker("mosquitto")
    with Peer(broker) as peer:
        peer.subscribe(STATUS)
        process = start(broker.port)
        assert poll(lambda: online(peer), 30), process.text()
    assert process.end(signal.SIGINT) == 0 and process.events("stopped")


def test_it_starts_without_a_broker_waits_for_it_and_ends_without_it(
    make_broker: Callable[..., Broker], start: Callable[..., Process]
) -> None:
    broker = make_broker("mosquitto")
    broker.stop()
    process = start(broker.port)
    assert poll(lambda: bool(process.events("broker_unreachable")), 30), process.text()
    broker.start()
    with Peer(broker) as peer:
        peer.subscribe(STATUS)
        assert poll(lambda: online(peer), 30), process.text()
    broker.stop()
    assert poll(lambda: bool(process.events("link_ended")), 30)
    assert process.end() == 0 and process.events("stopped")[-1]["broker_told"] is False


def test_a_kill_is_told_by_the_will_and_the_next_start_has_a_higher_epoch(
    broker: Broker, start: Callable[..., Process]
) -> None:
    with Peer(broker) as peer:
        peer.subscribe(f"{ROOT}/#")
        for epoch in (1, 2, 3):
            process = start(broker.port)
            assert poll(lambda epoch=epoch: online(peer, epoch), 30), process.text()
            process.end(signal.SIGKILL)
            assert poll(lambda: last(peer, STATUS)["online"] is False)
        assert len({body["instance"] for body in map(json.loads, bodies(peer, STATUS))}) == 1


def bodies(peer: Peer, topic: str) -> list[bytes]:
    return [body for got, body, _ in peer.heard if got == topic]


def test_a_broker_that_is_killed_gets_the_whole_picture_again(broker: Broker, start: Callable[..., Process]) -> None:
    with Peer(broker) as peer:
        peer.subscribe(STATUS)
        process = start(broker.port)
        assert poll(lambda: online(peer), 30), process.text()
    broker.kill()
    assert poll(lambda: bool(process.events("link_ended")))
    broker.start()
    with Peer(broker) as peer:
        peer.subscribe(f"{ROOT}/#")
        assert poll(lambda: online(peer, epoch=1), 30), process.text()
        assert poll(lambda: last(peer, f"{ROOT}/alarm/link_lost-site") is not None)
        peer.publish(f"{ROOT}/operator/command", command(1))  # the subscriptions are there again
        assert poll(lambda: last(peer, f"{ROOT}/operator/outcome") is not None)
        wanted = {f"{ROOT}/enclosure/{name}{n}/state" for name in "ns" for n in range(1, 7)}
        assert wanted <= {topic for topic, _, _ in peer.heard}
    assert process.end() == 0


def test_a_retained_command_and_rubbish_are_refused_with_a_reason(broker: Broker, start: Callable[..., Process]) -> None:
    with Peer(broker) as peer:
        peer.publish(f"{ROOT}/operator/command", command(1), retain=True)
        peer.subscribe(f"{ROOT}/rejected")
        peer.subscribe(f"{ROOT}/operator/outcome")
        process = start(broker.port)
        assert poll(lambda: bool(bodies(peer, f"{ROOT}/rejected")), 30), process.text()
        assert "retained" in last(peer, f"{ROOT}/rejected")["reason"]
        peer.publish(f"{ROOT}/operator/command", b"\xff\x00")
        peer.publish(f"{ROOT}/enclosure/n99/pulp", b"{}")
        peer.publish(f"{ROOT}/operator/command", command(2))
        assert poll(lambda: last(peer, f"{ROOT}/operator/outcome") is not None)
        assert last(peer, f"{ROOT}/operator/outcome")["command_id"] == "c2"
        assert poll(lambda: len(bodies(peer, f"{ROOT}/rejected")) == 3)
        assert "no enclosure 'n99'" in last(peer, f"{ROOT}/rejected")["reason"]
    assert process.end() == 0


def test_kills_at_any_moment_leave_every_command_answered(broker: Broker, start: Callable[..., Process]) -> None:
    with Peer(broker) as peer:
        peer.subscribe(f"{ROOT}/operator/outcome")
        peer.subscribe(STATUS)
        for epoch in range(1, 5):
            process = start(broker.port)
            assert poll(lambda epoch=epoch: online(peer, epoch), 30), process.text()
            for number in range(10 * epoch, 10 * epoch + 10):
                peer.publish(f"{ROOT}/operator/command", command(number))
            if epoch < 4:
                process.end(signal.SIGKILL)  # somewhere between hearing, writing, answering and acknowledging
        wanted = {f"c{n}" for n in range(10, 50)}

        def answered() -> set[str]:
            return {json.loads(body)["command_id"] for body in bodies(peer, f"{ROOT}/operator/outcome")}

        # nats-server gives what was not acknowledged again after its `ack_wait`.
        assert poll(lambda: answered() == wanted, 45), wanted - answered()
        seen = [json.loads(body) for body in bodies(peer, f"{ROOT}/operator/outcome")]
        for one in wanted:  # a second answer says the same as the first
            assert len({json.dumps(body) for body in seen if body["command_id"] == one}) == 1
    assert process.end() == 0


def test_a_second_one_on_the_same_state_is_refused_in_clear_words(
    make_broker: Callable[..., Broker], start: Callable[..., Process]
) -> None:
    broker = make_broker("mosquitto")
    with Peer(broker) as peer:
        peer.subscribe(STATUS)
        first = start(broker.port)
        assert poll(lambda: online(peer, epoch=1), 30), first.text()
        second = start(broker.port)
        assert second.child.wait(30) == 1
        refused = first.events("journal_refused")[-1]["error"]
        assert f"process {first.child.pid}" in refused and "Stop the other one" in refused
        assert len(bodies(peer, STATUS)) == 1  # it never spoke
    assert first.end() == 0


def test_a_damaged_journal_is_refused_and_nothing_is_said_to_the_broker(
    make_broker: Callable[..., Broker], start: Callable[..., Process], tmp_path: Path
) -> None:
    broker = make_broker("mosquitto")
    with Peer(broker) as peer:
        peer.subscribe(f"{ROOT}/#")
        first = start(broker.port)
        assert poll(lambda: online(peer), 30), first.text()
        assert first.end() == 0
        path = tmp_path / "state" / FILE
        content = bytearray(path.read_bytes())
        content[100:2000] = b"\xa5" * 1900
        path.write_bytes(content)
        before = len(peer.heard)
        second = start(broker.port)
        assert second.child.wait(30) == 1
        assert "The way back" in second.events("journal_refused")[-1]["error"]
        assert path.read_bytes() == content and len(peer.heard) == before


def test_a_secret_that_is_not_there_is_named(start: Callable[..., Process], tmp_path: Path) -> None:
    site = tmp_path / "site.toml"
    text = EXAMPLE.read_text(encoding="utf-8")
    site.write_text(text.replace("keepalive_s = 15", 'keepalive_s = 15\nusername = "s"\npassword_file = "nowhere"'))
    process = start(1, site=site)
    assert process.child.wait(30) == 1
    assert "broker.password_file" in process.events("not_started")[-1]["error"]
