"""Real brokers for tests: the fixtures `broker` and `make_broker`, and a small MQTT client that waits with deadlines.

`tests/conftest.py` makes the fixtures known to every test. A missing mosquitto is a failure, not a skip: deploy/test
installs it, and a contract that was checked against one broker only is not checked.
"""

import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest

_TOP = str(Path(__file__).resolve().parents[1])
if _TOP not in sys.path:  # `pytest` alone, unlike `python -m pytest`, does not put the project's top on the path
    sys.path.insert(0, _TOP)

from deploy.brokers import KINDS, Broker, Kind  # noqa: E402

__all__ = ["KINDS", "Broker", "Kind", "Peer", "alive", "broker", "make_broker", "poll"]


@pytest.fixture
def make_broker(tmp_path: Path) -> Iterator[Callable[[Kind], Broker]]:
    """Call it with a kind for a started broker with an empty folder of its own; all are ended after the test."""
    made: list[Broker] = []

    def make(kind: Kind) -> Broker:
        broker = Broker(kind, tmp_path / f"broker-{len(made)}-{kind}")
        made.append(broker)
        broker.start()
        return broker

    yield make
    for broker in made:
        broker.stop()


@pytest.fixture(params=KINDS)
def broker(request: pytest.FixtureRequest, make_broker: Callable[[Kind], Broker]) -> Broker:
    """A started broker with an empty folder; the test runs once with each kind."""
    return make_broker(request.param)


def poll(condition: Callable[[], bool], within_s: float = 10.0, every_s: float = 0.01) -> bool:
    """Ask until `condition()` holds; False when it has not within `within_s` seconds."""
    deadline = time.monotonic() + within_s
    while not condition():
        if time.monotonic() > deadline:
            return False
        time.sleep(every_s)
    return True


def alive(pid: int) -> bool:
    """Whether a process runs (Linux): gone or only waiting to be buried is not alive."""
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except (FileNotFoundError, ProcessLookupError):  # the second: it went between opening and reading
        return False
    return state != "Z"


class Peer:
    """A connected MQTT client that keeps what it hears in `heard`, as (topic, payload, retained).

    With a `client_id` it has a lasting session. Raises TimeoutError when the broker does not answer in time.
    """

    def __init__(self, broker: Broker, client_id: str = "", within_s: float = 10.0) -> None:
        self.heard: list[tuple[str, bytes, bool]] = []
        self._within_s = within_s
        self._granted: dict[int, bool] = {}
        connected = threading.Event()
        self.client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id=client_id, clean_session=not client_id)
        self.client.on_connect = lambda *_: connected.set()
        self.client.on_message = lambda _c, _u, m: self.heard.append((m.topic, bytes(m.payload), bool(m.retain)))
        self.client.on_subscribe = self._on_subscribe
        self.client.connect(broker.host, broker.port, keepalive=15)
        self.client.loop_start()
        if not connected.wait(within_s):
            self.close()
            raise TimeoutError(f"no CONNACK within {within_s} s")

    def subscribe(self, pattern: str, qos: int = 1) -> None:
        """Returns once the broker has granted it. Raises RuntimeError when refused, TimeoutError when it is silent."""
        _, mid = self.client.subscribe(pattern, qos)
        if mid is None or not poll(lambda: mid in self._granted, self._within_s):
            raise TimeoutError(f"no SUBACK for {pattern} within {self._within_s} s")
        if not self._granted[mid]:
            raise RuntimeError(f"the broker refused the subscription to {pattern}")

    def publish(self, topic: str, payload: bytes | str, retain: bool = False, qos: int = 1) -> None:
        """Returns once the broker has acknowledged it. Raises TimeoutError otherwise."""
        message = self.client.publish(topic, payload, qos, retain)
        message.wait_for_publish(self._within_s)
        if not message.is_published():
            raise TimeoutError(f"no PUBACK for {topic} within {self._within_s} s")

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()

    def __enter__(self) -> "Peer":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _on_subscribe(self, _client: object, _userdata: object, mid: int, reasons: list, _properties: object) -> None:
        self._granted[mid] = not any(reason.is_failure for reason in reasons)
