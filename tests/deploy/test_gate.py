"""What both brokers let through when they are the gate: everything that each identity may say and hear, and nothing else.

What is allowed is typed here by hand for a small site, not taken from the rules that the configurations are made of.
"""

import datetime
import json
import re
import socket
import ssl
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from inprocess import example

from deploy.brokers import KINDS, Broker
from deploy.gate import certificates
from deploy.gate.configs import PACKET_BYTES_MAX
from deploy.gate.gated import gated
from deploy.gate.rules import SAYS, rules
from supervisor.messages import INBOUND, OperatorCommand
from supervisor.shell.identity import load_identity
from supervisor.sitefile import load

NOW = datetime.datetime.now(datetime.UTC)
ROOT = "stillhold/quillfen"
WITHIN_S = 15.0
VALVES = [f"dosing/{{}}/{gas}" for gas in ("nitrogen", "co2", "air")]
FIELD = {
    "unit-gateway-north": ("n1", "north", ("north-door", "north-floor")),
    "unit-gateway-south": ("s1", "south", ("south-door", "south-floor")),
}
SAID_BY_ROOM_UNIT = {
    who: {
        f"hardware/{who.removeprefix('unit-')}/status", f"room/{room}/climate", f"room/{room}/door",
        *(f"room/{room}/air/{sensor}" for sensor in sensors),
        f"enclosure/{enclosure}/closure", f"enclosure/{enclosure}/pulp", f"enclosure/{enclosure}/bag",
        *(f"{valve.format(enclosure)}/{what}" for valve in VALVES for what in ("report", "flow")),
    }
    for who, (enclosure, room, sensors) in FIELD.items()
}  # fmt: skip
HEARD_BY_ROOM_UNIT = {
    who: {
        f"room/{room}/permit", f"room/{room}/entry", f"room/{room}/sounder",
        *(f"{valve.format(enclosure)}/{what}" for valve in VALVES for what in ("request", "stop")),
    }
    for who, (enclosure, room, _) in FIELD.items()
}  # fmt: skip
SUPERVISOR_SAYS = {
    *(topic for topics in HEARD_BY_ROOM_UNIT.values() for topic in topics), "sampling/analyser-1/select",
    "enclosure/n1/state", "enclosure/s1/state", "alarm/leak-n1", "operator/outcome", "supervisor/status", "rejected",
}  # fmt: skip
PLANT_SAYS = {
    "hardware/gateway-plant/status", "analyser/analyser-1/reading",
    "source/generator/status", "source/bank/status", "source/blower/status",
}  # fmt: skip
MAY_SAY = {
    "supervisor": SUPERVISOR_SAYS | {"supervisor/echo/x"}, "console": {"operator/command"}, "screen": set(),
    "unit-gateway-plant": PLANT_SAYS, **SAID_BY_ROOM_UNIT,
}  # fmt: skip
MAY_HEAR = {
    "supervisor": {topic for topics in SAID_BY_ROOM_UNIT.values() for topic in topics} | PLANT_SAYS
    | {"operator/command", "supervisor/echo/x", "canary/x"},
    "console": SUPERVISOR_SAYS, "screen": SUPERVISOR_SAYS,
    "unit-gateway-plant": {"sampling/analyser-1/select"}, **HEARD_BY_ROOM_UNIT,
}  # fmt: skip
EVERYTHING = sorted({topic for told in (*MAY_SAY.values(), *MAY_HEAR.values()) for topic in told} | {"another/topic"})


@pytest.fixture(scope="module")
def identities(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A site file with its folder of identities beside it; the folder."""
    home = tmp_path_factory.mktemp("gate")
    text = example("n1", "s1").replace('host = "127.0.0.1"', 'host = "127.0.0.1"\nidentities = "identities"')
    (home / "site.toml").write_text(text, encoding="utf-8")
    certificates.make(home / "identities", "quillfen", ["127.0.0.1"], MAY_SAY, NOW)
    return home / "identities"


@pytest.fixture(scope="module", params=KINDS)
def broker(request: pytest.FixtureRequest, identities: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Broker]:
    site = load(identities.parent / "site.toml")
    with Broker(request.param, tmp_path_factory.mktemp(request.param), gated=gated(site, identities)) as one:
        yield one


class Client:
    """A connection under an identity, with what it heard: (topic below the root, payload)."""

    def __init__(self, broker: Broker, identities: Path, who: str | None, client_id: str = "") -> None:
        self.heard: set[tuple[str, bytes]] = set()
        self.up, self.down = threading.Event(), threading.Event()
        self.answered = 0
        self.client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id=client_id)
        self.client.suppress_exceptions = True
        self.client.reconnect_delay_set(60, 60)
        context = ssl.create_default_context(cafile=str(identities / "ca.crt"))
        if who is not None:
            context.load_cert_chain(identities / f"{who}.crt", identities / f"{who}.key")
        self.client.tls_set_context(context)
        self.client.on_connect = lambda _c, _u, _f, reason, _p: None if reason.is_failure else self.up.set()
        self.client.on_disconnect = lambda *_: self.down.set()
        self.client.on_subscribe = self._answered
        self.client.on_message = self._message
        self.client.connect(broker.host, broker.port, keepalive=30)
        self.client.loop_start()

    def _answered(self, *_: object) -> None:
        self.answered += 1

    def _message(self, _client: object, _data: object, message: mqtt.MQTTMessage) -> None:
        self.heard.add((message.topic.removeprefix(f"{ROOT}/"), message.payload))

    def listen(self, *topics: str) -> None:
        """Asks for each by itself, so that one that is refused takes no other along."""
        asked = self.answered + len(topics)
        for topic in topics:
            self.client.subscribe(topic, qos=1)
        until(lambda: self.answered >= asked)

    def say(self, payload: bytes, *topics: str) -> None:
        for told in [self.client.publish(f"{ROOT}/{topic}", payload, qos=1) for topic in topics]:
            told.wait_for_publish(WITHIN_S)

    def end(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def until(holds) -> None:
    deadline = time.monotonic() + WITHIN_S
    while not holds():
        assert time.monotonic() < deadline
        time.sleep(0.01)


def connected(broker: Broker, identities: Path, who: str, client_id: str = "") -> Client:
    one = Client(broker, identities, who, client_id)
    assert one.up.wait(WITHIN_S), who
    return one


def lets_in(broker: Broker, identities: Path, who: str | None) -> bool:
    """Whether a connection is accepted. A TLS 1.3 client learns of a refusal only after its own side is done."""
    try:
        one = Client(broker, identities, who)
    except OSError:
        return False
    until(lambda: one.up.is_set() or one.down.is_set())
    one.end()
    return one.up.is_set()


def test_everybody_says_and_hears_what_is_theirs_and_nothing_else(broker: Broker, identities: Path) -> None:
    """Everybody asks for everything and says everything; what came through is the whole table."""
    everybody = {who: connected(broker, identities, who) for who in MAY_SAY}
    for one in everybody.values():
        one.listen("#", f"{ROOT}/#", *(f"{ROOT}/{topic}" for topic in EVERYTHING))
    for who, one in everybody.items():
        one.say(who.encode(), *EVERYTHING)
    expected = {
        (hears, topic, says) for hears in MAY_HEAR for says in MAY_SAY for topic in MAY_HEAR[hears] & MAY_SAY[says]
    }  # fmt: skip
    came: set[tuple[str, str, str]] = set()

    def all_came() -> bool:
        came.update((who, topic, said.decode()) for who, one in everybody.items() for topic, said in one.heard)
        return expected <= came

    until(all_came)
    time.sleep(0.5)  # for what should not come
    all_came()
    assert came == expected
    for one in everybody.values():
        one.end()


def test_the_table_has_everything_that_hardware_may_say() -> None:
    assert set(SAYS) == set(INBOUND) - {OperatorCommand}


def test_a_gateway_that_speaks_differently_may_use_what_is_mapped_to_its_own(identities: Path) -> None:
    site = load(Path(__file__).resolve().parents[2] / "config" / "thistlemere.toml")
    table = rules(site)
    assert {"yard/air/+", "yard/weather"} <= set(table["unit-shed-box"].publish)
    assert {"yard/air/+", "yard/weather"} <= set(table["supervisor"].subscribe)
    assert not any("yard" in topic for who in ("console", "screen") for topic in table[who].publish)


# ------------------------------------------------------------------------------------------------ who is let in


def test_nobody_without_a_certificate(broker: Broker, identities: Path) -> None:
    assert lets_in(broker, identities, "screen") and not lets_in(broker, identities, None)
    plain = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
    plain.suppress_exceptions = True
    plain.username_pw_set("supervisor", "a guess")
    up = threading.Event()
    plain.on_connect = lambda _c, _u, _f, reason, _p: None if reason.is_failure else up.set()
    plain.connect(broker.host, broker.port)
    plain.loop_start()
    assert not up.wait(1.0), "no password helps where a certificate is asked for"
    plain.loop_stop()


def test_nats_own_protocol_lets_in_nobody_by_any_name(broker: Broker, identities: Path) -> None:
    """It stands on a port of its own, without TLS: there a name is no proof."""
    said = re.search(rb"Listening for client connections on 127\.0\.0\.1:(\d+)", broker.child.log_path.read_bytes())
    assert (said is not None) == (broker.kind == "nats")
    names = [f"CN={certificates.name_of(identities, who)}" for who in MAY_SAY]
    for name in (None, *names) if said is not None else ():
        with socket.create_connection(("127.0.0.1", int(said[1])), WITHIN_S) as sock:
            told = sock.makefile("rb")
            assert told.readline().startswith(b"INFO")
            login = {} if name is None else {"user": name, "pass": ""}
            sock.sendall(b"CONNECT " + json.dumps({"verbose": True, **login}).encode() + b"\r\n")
            assert b"Authorization Violation" in told.readline(), name
            told.close()


def test_no_certificate_of_another_authority_and_none_that_has_ended(
    broker: Broker, identities: Path, tmp_path: Path
) -> None:
    """The other authority has the same name, and its certificate the same name as the supervisor's."""
    certificates.make(tmp_path, "quillfen", ["127.0.0.1"], ["supervisor"], NOW)
    (tmp_path / "supervisor.name").write_text(certificates.name_of(identities, "supervisor"))
    (tmp_path / "supervisor.crt").unlink()
    certificates.make(tmp_path, "quillfen", ["127.0.0.1"], ["supervisor"], NOW)
    (tmp_path / "ca.crt").write_bytes((identities / "ca.crt").read_bytes())  # it believes the broker
    assert not lets_in(broker, tmp_path, "supervisor")
    ended = tmp_path / "ended"
    ended.mkdir()
    for name in ("ca.crt", "ca.key"):
        (ended / name).write_bytes((identities / name).read_bytes())
    certificates.make(ended, "quillfen", [], ["screen"], NOW - datetime.timedelta(days=500))
    assert not lets_in(broker, ended, "screen")
    certificates.make(ended, "quillfen", [], ["screen"], NOW)  # renewed
    (ended / "screen.name").unlink()
    assert certificates.ends(ended / "screen.crt") > NOW


def test_a_broker_of_another_authority_is_not_believed(broker: Broker, identities: Path, tmp_path: Path) -> None:
    certificates.make(tmp_path, "quillfen", ["127.0.0.1"], ["supervisor"], NOW)
    context = load_identity(tmp_path, "supervisor").context
    with socket.create_connection((broker.host, broker.port), WITHIN_S) as raw:
        with pytest.raises(ssl.SSLCertVerificationError):
            context.wrap_socket(raw, server_hostname=broker.host)


def test_whoever_is_let_in_cannot_know_the_client_id_of_another(broker: Broker, identities: Path, tmp_path: Path) -> None:
    """MQTT hands a connection to whoever comes last with its client id. The id ends in 64 bits that nobody else is told."""
    name = certificates.name_of(identities, "supervisor")
    certificates.make(tmp_path, "quillfen", [], ["supervisor"], NOW)
    assert len(name.rpartition("-")[2]) == 16 and name != certificates.name_of(tmp_path, "supervisor")
    supervisor = connected(broker, identities, "supervisor", client_id=name)
    for guess in ("supervisor", "stillhold-quillfen-supervisor", f"{name[:-1]}{'1' if name[-1] == '0' else '0'}"):
        connected(broker, identities, "console", client_id=guess).end()
    supervisor.say(b"still here", "supervisor/status")
    assert not supervisor.down.is_set()
    supervisor.end()


# ------------------------------------------------------------------------------------------------ packets


def test_a_packet_beyond_all_measure_ends_the_connection_and_nobody_else_s(broker: Broker, identities: Path) -> None:
    watcher, loud = connected(broker, identities, "supervisor"), connected(broker, identities, "unit-gateway-plant")
    watcher.listen(f"{ROOT}/analyser/analyser-1/reading")
    loud.client.publish(f"{ROOT}/analyser/analyser-1/reading", b"x" * (PACKET_BYTES_MAX + 1), qos=1)
    until(loud.down.is_set)
    loud.end()
    again = connected(broker, identities, "unit-gateway-plant")
    again.say(b"small", "analyser/analyser-1/reading")
    until(lambda: ("analyser/analyser-1/reading", b"small") in watcher.heard)
    assert {payload for _, payload in watcher.heard} == {b"small"}
    again.end(), watcher.end()


CONNECT = bytes.fromhex("10 10 0004 4d515454 04 02 001e 0004 61626364".replace(" ", ""))  # MQTT 3.1.1, client id abcd
MALFORMED = {
    "no packet type": b"\x00\x00",
    "a length that never ends": b"\x10\xff\xff\xff\xff\xff\xff",
    "something before CONNECT": b"\x30\x05\x00\x01a" + b"xx",
    "CONNECT twice": CONNECT * 2,
    "another protocol": CONNECT.replace(b"MQTT", b"HTTP"),
    "a topic with a wildcard": CONNECT + b"\x30\x07\x00\x03a/#" + b"xx",
    "a topic that is no UTF-8": CONNECT + b"\x32\x08\x00\x02\xff\xfe\x00\x01xx",
    "QoS 3": CONNECT + b"\x36\x07\x00\x01a\x00\x01xx",
    "half a packet": CONNECT[:9],
    "noise": bytes((7 * n * n + 13 * n) % 256 for n in range(4096)),
}


@pytest.mark.parametrize("what", MALFORMED)
def test_malformed_packets_harm_nobody(broker: Broker, identities: Path, what: str) -> None:
    watcher = connected(broker, identities, "screen")
    context = ssl.create_default_context(cafile=str(identities / "ca.crt"))
    context.load_cert_chain(identities / "console.crt", identities / "console.key")
    with socket.create_connection((broker.host, broker.port), WITHIN_S) as raw:
        with context.wrap_socket(raw, server_hostname=broker.host) as sock:
            sock.sendall(MALFORMED[what])
            sock.settimeout(0.3)
            try:
                while sock.recv(4096):
                    pass
            except (TimeoutError, OSError):
                pass  # it waits for the rest, or has hung up
    assert broker.child.running and not watcher.down.is_set()
    connected(broker, identities, "supervisor").end()
    watcher.end()
