"""A client that keeps everything said on the broker, in the order in which the broker passed it on."""

import contextlib
import json
import threading
import time
from typing import Any, NamedTuple

import paho.mqtt.client as mqtt


class Heard(NamedTuple):
    """One message. `topic` is below the root; `real_s` is when it came, seconds since 1970; a body that is no JSON object
    is empty. `retained`: the broker kept it from before."""

    real_s: float
    topic: str
    body: dict[str, Any]
    retained: bool


class Recorder:
    """Connects, and connects again whenever the broker comes back. Raises TimeoutError when it cannot within `within_s`."""

    def __init__(self, host: str, port: int, root: str, within_s: float = 20.0, name: str = "recorder") -> None:
        self.heard: list[Heard] = []
        self._root = f"{root}/"
        self._subscribed = threading.Event()
        self.client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id=name, clean_session=False)
        self.client.max_inflight_messages_set(0)
        self.client.reconnect_delay_set(1, 1)
        self.client.on_connect = lambda client, *_: client.subscribe(f"{root}/#", 1)
        self.client.on_subscribe = lambda *_: self._subscribed.set()
        self.client.on_message = self._keep
        self.client.connect(host, port, keepalive=15)
        self.client.loop_start()
        if not self._subscribed.wait(within_s):
            self.close()
            raise TimeoutError(f"no SUBACK within {within_s:g} s")

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()

    def of(self, topic: str, since: int = 0) -> list[Heard]:
        """What was said on one topic, from the message number `since` on."""
        return [one for one in self.heard[since:] if one.topic == topic]

    def last(self, topic: str) -> dict[str, Any]:
        """The latest body on one topic, empty when there was none."""
        return next((one.body for one in reversed(self.heard) if one.topic == topic), {})

    def publish(self, topic: str, body: dict[str, Any] | bytes, retain: bool = False) -> None:
        """Say something as a stranger. Raises RuntimeError or TimeoutError when the broker does not take it."""
        payload = body if isinstance(body, bytes) else json.dumps(body).encode()
        told = self.client.publish(self._root + topic, payload, qos=1, retain=retain)
        told.wait_for_publish(10.0)
        if not told.is_published():
            raise TimeoutError(f"no PUBACK for {topic} within 10 s")

    def _keep(self, _client: object, _data: object, message: mqtt.MQTTMessage) -> None:
        body: Any = None
        with contextlib.suppress(ValueError):
            body = json.loads(message.payload)
        topic = message.topic.removeprefix(self._root)
        self.heard.append(Heard(time.time(), topic, body if isinstance(body, dict) else {}, message.retain))
