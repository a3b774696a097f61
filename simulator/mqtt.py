"""The plant on MQTT: one connection per hardware unit, each with its own last will, and one for the crew.

The network threads only put what they hear on a queue; the caller's thread alone touches the plant and publishes.
"""

import json
import logging
import queue
import socket
import threading
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho

from .identities import CONSOLE, Identity, load_identity
from .network import Message, Network, Way
from .network_faults import CREW
from .network_links import Links
from .site import Plant

LOG = logging.getLogger("simulator.mqtt")
KEEPALIVE_S = 15
# Field hardware buffers little: while a link is down only dose reports wait, and no more than these.
WAITING = 500
CLOSE_S = 3.0
CLOSE_AGAIN_S = 0.1


class Link:
    """One connection. It reconnects by itself and subscribes on every connect."""

    def __init__(
        self,
        name: str,
        root: str,
        topics: list[str],
        will: tuple[str, bytes] | None,
        heard: "queue.SimpleQueue[tuple[str, bytes, bool]]",
        identity: Identity | None = None,
    ) -> None:
        self.name, self.connects = name, 0
        self._root, self._topics, self._heard = root, [(f"{root}/{topic}", 1) for topic in topics], heard
        client_id = f"hardware-{root.replace('/', '-')}-{name}" if identity is None else identity.client_id
        client = paho.Client(paho.CallbackAPIVersion.VERSION2, client_id=client_id, clean_session=True)
        if identity is not None:
            client.tls_set_context(identity.context)
        client.suppress_exceptions = True
        client.max_queued_messages_set(WAITING)
        client.max_inflight_messages_set(WAITING)
        client.reconnect_delay_set(1, 5)
        if will is not None:
            client.will_set(f"{root}/{will[0]}", will[1], qos=1, retain=True)
        client.on_socket_open = self._opened
        client.on_connect = self._connected
        client.on_subscribe = self._subscribed
        client.on_message = self._message
        self.client = client

    def start(self, host: str, port: int) -> None:
        self.client.connect_async(host, port, keepalive=KEEPALIVE_S)
        self.client.loop_start()

    def publish(self, topic: str, payload: bytes, retain: bool) -> None:
        """Send, or drop it where the link is down and it is no dose report."""
        if self.client.is_connected() or topic.endswith("/report"):
            self.client.publish(f"{self._root}/{topic}", payload, qos=1, retain=retain)

    def close(self) -> None:
        """Ends within `CLOSE_S`. A connection that is just being made forgets that it was told to end: it is told again."""
        ending = threading.Thread(target=self.client.loop_stop, daemon=True)
        self.client.disconnect()
        ending.start()
        for _ in range(int(CLOSE_S / CLOSE_AGAIN_S)):
            ending.join(CLOSE_AGAIN_S)
            if not ending.is_alive():
                return
            self.client.disconnect()

    def _opened(self, _client: Any, _userdata: Any, sock: Any) -> None:
        # Without this the broker's acknowledgements wait for ours: 40 ms a message.
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def _connected(self, client: paho.Client, _userdata: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            LOG.warning("%s: the broker refuses the connection: %s", self.name, reason)
            return
        self.connects += 1
        if self._topics:
            client.subscribe(self._topics)

    def _subscribed(self, _client: Any, _userdata: Any, _mid: int, reasons: list[Any], _properties: Any) -> None:
        refused = [topic for (topic, _), reason in zip(self._topics, reasons, strict=False) if reason.is_failure]
        if refused:
            LOG.warning("%s: the broker refuses the subscriptions %s: check its access rules", self.name, refused)

    def _message(self, _client: Any, _userdata: Any, message: paho.MQTTMessage) -> None:
        self._heard.put((message.topic[len(self._root) + 1 :], bytes(message.payload), bool(message.retain)))


class PlantOnMqtt:
    """A plant whose messages go over a broker."""

    def __init__(
        self, plant: Plant, host: str, port: int, network: Network | None = None, identities: Path | None = None
    ) -> None:
        """`identities`: the folder of certificates, for a broker that asks for them. Raises OSError or ValueError for one that
        cannot be used."""
        self._plant, self._host, self._port = plant, host, port
        self._heard: queue.SimpleQueue[tuple[str, bytes, bool]] = queue.SimpleQueue()
        self._waited_for: tuple[str, bytes, bool] | None = None
        self._speakers = Links(plant.spec)
        # Faults of the network befall what the hardware sends; what it hears comes as the broker gives it.
        self._way = Way(network or Network(plant.spec.units, (), 0), up=True)
        root = plant.spec.root
        who = None if identities is None else load_identity(identities, CONSOLE)
        self._links = {CREW: Link(CREW, root, ["operator/outcome", "alarm/+"], None, self._heard, who)}
        for unit_id, unit in plant.units.items():
            will = (f"hardware/{unit_id}/status", encode(unit.status(online=False)))
            who = None if identities is None else load_identity(identities, f"unit-{unit_id}")
            self._links[unit_id] = Link(unit_id, root, self._topics_of(unit_id), will, self._heard, who)
        self._greeted = dict.fromkeys(self._links, 0)

    def start(self) -> None:
        """Begin to connect; returns at once, and keeps trying while the broker is not there."""
        for link in self._links.values():
            link.start(self._host, self._port)

    def step(self, now_s: float) -> None:
        """Bring the plant to an instant, hand in what was heard, and send what it says."""
        self._plant.advance(now_s)
        if self._waited_for is not None:
            self._plant.deliver(*self._waited_for)
            self._waited_for = None
        while not self._heard.empty():
            self._plant.deliver(*self._heard.get())
        self._greet()
        self.send()

    def wait(self, seconds: float) -> None:
        """Wait until something is heard, at most so long."""
        try:
            self._waited_for = self._heard.get(timeout=seconds)
        except queue.Empty:
            return

    def send(self) -> None:
        """Publish what the plant has said."""
        now_s = self._plant.now_s
        for topic, payload, retain in self._plant.take():
            self._way.put(now_s, self._speakers.sender(topic), Message(topic, encode(payload), retain))
        for message in self._way.take(now_s):
            self._links[self._speakers.sender(message.topic)].publish(*message)

    def close(self) -> None:
        """Say that every unit goes, and go."""
        for unit_id, unit in self._plant.units.items():
            if not unit.off:
                link = self._links[unit_id]
                told = link.client.publish(
                    f"{self._plant.spec.root}/hardware/{unit_id}/status", encode(unit.status(online=False)), qos=1, retain=True
                )
                if link.client.is_connected():
                    told.wait_for_publish(CLOSE_S)
        for link in self._links.values():
            link.close()

    def _greet(self) -> None:
        """A unit whose link came up says at once that it is there: its will may stand in the broker."""
        for unit_id, unit in self._plant.units.items():
            connects = self._links[unit_id].connects
            if connects != self._greeted[unit_id]:
                self._greeted[unit_id] = connects
                LOG.info("%s is connected to %s:%d", unit_id, self._host, self._port)
                unit.heartbeat()

    def _topics_of(self, unit_id: str) -> list[str]:
        spec = self._plant.spec
        mine = [one for one in spec.enclosures if one.unit == unit_id]
        topics = [f"dosing/{one.id}/+/{what}" for one in mine for what in ("request", "stop")]
        topics += [f"room/{room}/permit" for room in dict.fromkeys(one.room for one in mine)]
        return topics + [f"sampling/{one.id}/select" for one in spec.analysers if one.unit == unit_id]


def encode(payload: dict[str, Any]) -> bytes:
    """JSON as it goes on the wire. Raises ValueError for a number that JSON has not."""
    return json.dumps(payload, separators=(",", ":"), allow_nan=False).encode()
