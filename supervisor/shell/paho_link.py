"""One connection to the broker, from CONNECT to its end, by paho-mqtt without paho's own thread.

A new connection gets a new paho client: message ids, half-sent packets and unacknowledged requests of the old one die
with it, so no acknowledgement can reach the wrong connection and no old request is sent again behind our back. What
the broker keeps for us lives in its session, which goes by the client id.
"""

import select
import socket
import ssl
from collections.abc import Callable
from dataclasses import dataclass, field

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.reasoncodes import ReasonCode

from supervisor.shell.bus import Received

QOS = 1
OUT_MESSAGES_MAX = 5_000
CONNECT_TIMEOUT_S = 5.0


@dataclass(frozen=True, slots=True)
class Address:
    """Where the broker is and who we are to it."""

    host: str
    port: int
    keepalive_s: int
    client_id: str
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    context: ssl.SSLContext | None = field(default=None, repr=False)  # None: no TLS


class PahoLink:
    """`received` and `ended` are read by the owner; the callbacks do nothing but fill them."""

    def __init__(self, address: Address, filters: list[str], will_topic: str, will_payload: bytes) -> None:
        self.received: list[Received] = []
        self.accepted = False
        self.subscribed = False
        self.ended: str | None = None
        self.ended_by_us = False
        self.refused: str | None = None
        self.callback_errors = 0
        self._filters = filters
        self._unacked: list[int] = []
        self._last: mqtt.MQTTMessageInfo | None = None
        self._client = self._make(address, will_topic, will_payload)
        self._address = address

    def _make(self, address: Address, will_topic: str, will_payload: bytes) -> mqtt.Client:
        # clean_session false: what operators and valves say while we are away waits for us, and what was received but
        # not yet committed comes again. Old readings come too; their own times tell that they are old.
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=address.client_id,
            clean_session=False,
            protocol=MQTTProtocolVersion.MQTTv311,
            manual_ack=True,
        )
        client.suppress_exceptions = True
        client.connect_timeout = CONNECT_TIMEOUT_S
        # No limit in flight: paho goes through everything in flight at each PUBACK when there is one.
        client.max_inflight_messages_set(0)
        client.max_queued_messages_set(OUT_MESSAGES_MAX)
        client.will_set(will_topic, will_payload, QOS, retain=True)
        if address.username is not None:
            client.username_pw_set(address.username, address.password)
        if address.context is not None:
            client.tls_set_context(address.context)
        client.on_socket_open = self._safely(self._on_socket_open)
        client.on_socket_register_write = self._safely(lambda *_: None)  # writing is ours: once a round, together
        client.on_connect = self._safely(self._on_connect)
        client.on_subscribe = self._safely(self._on_subscribe)
        client.on_message = self._safely(self._on_message)
        client.on_disconnect = self._safely(self._on_disconnect)
        return client

    # -------------------------------------------------------------------------------------------- owner's calls

    def open(self) -> None:
        """Connect the socket and send CONNECT. Blocks for up to CONNECT_TIMEOUT_S; raises OSError."""
        self._client.connect(self._address.host, self._address.port, self._address.keepalive_s)

    @property
    def open_socket(self) -> socket.socket | None:
        return self._client.socket()

    @property
    def want_write(self) -> bool:
        return self._client.want_write()

    def read(self, count: int) -> bool:
        """Take in about `count` messages of what is there. True when there may be more."""
        while len(self.received) < count:
            sock = self.open_socket
            if sock is None or not _readable(sock):
                return False
            self._end_on(self._client.loop_read())
        return True

    def write(self) -> None:
        """Send what is queued, as few segments as possible, and the ping when it is due."""
        self._client.loop_misc()
        sock = self.open_socket
        if sock is None:
            self.ended = self.ended or "the connection was lost"
        elif self._client.want_write():
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_CORK, 1)
            self._end_on(self._client.loop_write())
            if self.open_socket is not None:
                sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_CORK, 0)

    def publish(self, topic: str, payload: bytes, retain: bool) -> mqtt.MQTTMessageInfo | None:
        """Queue a message, or None when there is no room for it. `write` sends it."""
        info = self._client.publish(topic, payload, QOS, retain)
        if info.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
            return None
        self._last = info
        return info

    def acknowledge(self) -> None:
        """Acknowledge everything received so far, in the order in which it came [MQTT-4.6.0-2]."""
        for message_id in self._unacked:
            self._client.ack(message_id, QOS)
        self._unacked.clear()

    @property
    def all_sent(self) -> bool:
        """Nothing queued, and the newest message is with the broker; it acknowledges in order [MQTT-4.6.0-2]."""
        return not self._client.want_write() and (self._last is None or self._last.is_published())

    def say_goodbye(self) -> None:
        """Send DISCONNECT, which discards the will, and close."""
        if self.open_socket is not None:
            self._client.disconnect()
            self.write()
        self.drop("closed by us")

    def drop(self, why: str) -> None:
        """Close without a goodbye: the broker publishes the will."""
        self.ended_by_us = self.ended_by_us or self.ended is None
        self.ended = self.ended or why
        sock = self.open_socket
        if sock is not None:
            try:
                sock.shutdown(socket.SHUT_RDWR)
            except OSError:
                pass  # the other end was faster
            self._client.loop_read()  # meets the end of the stream and closes the socket

    # -------------------------------------------------------------------------------------------- paho's calls

    def _safely(self, callback: Callable[..., None]) -> Callable[..., None]:
        """`callback` that never raises: an exception in one of paho's callbacks loses what came with it."""

        def run(*args: object) -> None:
            try:
                callback(*args)
            except Exception:
                self.callback_errors += 1

        return run

    def _on_socket_open(self, _client: mqtt.Client, _data: object, sock: socket.socket) -> None:
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def _on_connect(self, client: mqtt.Client, _data: object, _flags: object, reason: ReasonCode, _properties: object) -> None:
        if reason.is_failure:
            self.refused = f"the broker refused the connection: {reason}"
            return
        self.accepted = True
        client.subscribe([(one, QOS) for one in self._filters])

    def _on_subscribe(
        self, _client: mqtt.Client, _data: object, _mid: int, reasons: list[ReasonCode], _properties: object
    ) -> None:
        denied = [one for one, reason in zip(self._filters, reasons, strict=False) if reason.is_failure]
        if denied or len(reasons) != len(self._filters):
            self.refused = f"the broker refused the subscription to {', '.join(denied) or 'some topics'}"
            return
        self.subscribed = True

    def _on_message(self, _client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        if message.qos:
            self._unacked.append(message.mid)
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = "\ufffd"  # refused as unknown, counted and acknowledged like any other
        self.received.append(Received(topic, message.payload, message.retain))

    def _on_disconnect(
        self, _client: mqtt.Client, _data: object, _flags: object, reason: ReasonCode, _properties: object
    ) -> None:
        self.ended = self.ended or f"the connection ended: {reason}"

    def _end_on(self, code: MQTTErrorCode) -> None:
        if code not in (MQTTErrorCode.MQTT_ERR_SUCCESS, MQTTErrorCode.MQTT_ERR_AGAIN):
            self.ended = self.ended or f"the connection ended: {mqtt.error_string(code)}"


def deciphered(sock: socket.socket) -> bool:
    """Whether TLS has taken in more than was read of it yet: no poll tells."""
    return isinstance(sock, ssl.SSLSocket) and sock.pending() > 0


def _readable(sock: socket.socket) -> bool:
    if deciphered(sock):
        return True
    poller = select.poll()
    poller.register(sock, select.POLLIN)
    return bool(poller.poll(0))
