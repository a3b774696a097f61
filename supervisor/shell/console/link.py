"""A person's link to a site: reads what the supervisor has left on the broker, and waits for answers, within bounds.

It is a client like any other: nothing that it shows is older or newer than what the broker holds.
"""

import argparse
import json
import secrets
from collections.abc import Callable, Iterable
from typing import Any, TypeVar

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from pydantic import ValidationError

from supervisor.messages import Outbound, SupervisorStatus
from supervisor.settings import SiteFile
from supervisor.shell.clock import Pace, SystemClock
from supervisor.shell.identity import IdentityError, load_identity
from supervisor.shell.wire import fill, match

EXIT_DONE, EXIT_REFUSED, EXIT_WRONG, EXIT_NO_ANSWER = 0, 1, 2, 3
CONNECT_S = 5.0
READ_S = 3.0
QUIET_S = 0.3  # retained messages come one after another; after such a pause no more are expected
QOS = 1
CONSOLE = "console"  # its identity to the broker; who the person is the signature of each command says

Model = TypeVar("Model", bound=Outbound)


class LinkError(Exception):
    """The broker cannot be spoken to; the message says where it was looked for."""


class Link:
    """One connection, used from one thread: whatever waits, waits in `until`."""

    def __init__(self, site: SiteFile, args: argparse.Namespace) -> None:
        pace = None if args.start is None and args.speed == 1.0 else Pace(args.start, args.speed)
        self.site = site
        self.clock = SystemClock(None, pace)
        self.latest: dict[str, tuple[bool, Any]] = {}  # by topic below the root: retained, and the body
        self.heard: list[tuple[str, Any]] = []
        self._host, self._port = args.host or site.broker.host, args.port or site.broker.port
        self._refused = ""
        self._subscribed = self._connected = False
        self._last_s = 0.0
        self._client = self._make(args)

    def _make(self, args: argparse.Namespace) -> mqtt.Client:
        name = f"stillhold-{self.site.site.id}-person-{secrets.token_hex(6)}"
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id=name, clean_session=True, protocol=MQTTProtocolVersion.MQTTv311
        )
        client.connect_timeout = CONNECT_S
        if self.site.broker.username is not None:
            from supervisor.shell.run import SecretError, secret

            try:
                password = secret(args.site.resolve().parent, self.site.broker.password_file, "broker.password_file")
            except SecretError as error:
                raise LinkError(str(error)) from None
            client.username_pw_set(self.site.broker.username, password)
        if self.site.broker.identities is not None:
            try:
                identity = load_identity(args.site.resolve().parent / self.site.broker.identities, CONSOLE)
            except IdentityError as error:
                raise LinkError(str(error)) from None
            client.tls_set_context(identity.context)
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        return client

    def open(self, models: Iterable[type[Outbound]]) -> None:
        """Connect and subscribe to the topics of `models`. Raises LinkError."""
        where = f"{self._host}:{self._port}"
        try:
            self._client.connect(self._host, self._port, keepalive=15)
        except (OSError, ValueError) as error:
            raise LinkError(f"no broker at {where} ({error})") from None
        self._need(lambda: self._connected, f"the broker at {where} does not answer")
        filters = [f"{self.site.root}/" + "/".join("+" if level.startswith("{") else level for level in one.TOPIC.split("/"))
                   for one in models]  # fmt: skip
        self._client.subscribe([(one, QOS) for one in filters])
        self._need(lambda: self._subscribed, f"the broker at {where} does not take the subscriptions")

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop(0.0)

    def until(self, done: Callable[[], bool], within_s: float) -> bool:
        """Work the connection until `done`, at most so many real seconds; False when it was not. Raises LinkError."""
        end_s = self.clock.real_s() + within_s
        while not done():
            if self.clock.real_s() >= end_s:
                return False
            code = self._client.loop(0.02)
            if self._refused:
                raise LinkError(self._refused)
            if code != MQTTErrorCode.MQTT_ERR_SUCCESS:
                raise LinkError(f"the connection to the broker ended: {mqtt.error_string(code)}")
        return True

    def read_all(self, expected: Iterable[str]) -> list[str]:
        """Wait for what is retained: the topics `expected` (below the root), and then until no more comes. Bounded; returns
        which of them are not there."""
        wanted = set(expected)
        self._last_s = self.clock.real_s()
        self.until(lambda: wanted <= self.latest.keys() and self.clock.real_s() - self._last_s > QUIET_S, READ_S)
        return sorted(wanted - self.latest.keys())

    def say(self, topic: str, body: dict[str, Any]) -> None:
        """Publish below the root, never retained. Raises LinkError."""
        payload = json.dumps(body, ensure_ascii=False, separators=(",", ":")).encode()
        self._client.publish(f"{self.site.root}/{topic}", payload, QOS)

    def all_of(self, model: type[Model]) -> dict[tuple[str, ...], Model]:
        """The latest of each topic of a model by its variable levels; one that cannot be read is left out."""
        found = {}
        for topic, (_, body) in sorted(self.latest.items()):
            names = match(model.TOPIC, topic.split("/"))
            if names is not None and (read := _read(model, body)) is not None:
                found[names] = read
        return found

    def one(self, model: type[Model], *names: str) -> Model | None:
        """The latest of one topic, None when there is none that can be read."""
        return _read(model, self.latest.get(fill(model.TOPIC, names), (False, None))[1])

    def supervisor_online(self) -> bool:
        status = self.one(SupervisorStatus)
        return status is not None and status.online

    def _need(self, done: Callable[[], bool], words: str) -> None:
        if not self.until(done, CONNECT_S):
            raise LinkError(f"{words} within {CONNECT_S:g} s")

    def _on_connect(self, _client: object, _data: object, _flags: object, reason: Any, _properties: object) -> None:
        self._connected = not reason.is_failure
        self._refused = f"the broker at {self._host}:{self._port} refuses us: {reason}" if reason.is_failure else ""

    def _on_subscribe(self, _client: object, _data: object, _mid: int, reasons: list[Any], _properties: object) -> None:
        if any(reason.is_failure for reason in reasons):
            self._refused = "the broker refuses a subscription: see its access rules"
        self._subscribed = True

    def _on_message(self, _client: object, _data: object, message: mqtt.MQTTMessage) -> None:
        self._last_s = self.clock.real_s()
        try:
            topic, body = message.topic.removeprefix(f"{self.site.root}/"), json.loads(message.payload)
        except (ValueError, RecursionError):
            return
        self.latest[topic] = (bool(message.retain), body)
        self.heard.append((topic, body))


def _read(model: type[Model], body: Any) -> Model | None:
    try:
        return model.model_validate_json(json.dumps(body))
    except ValidationError:
        return None


def plain(text: object) -> str:
    """What came over the broker, without what a terminal would obey."""
    return "".join(letter if letter.isprintable() else "\ufffd" for letter in str(text))
