"""The bus, one suite against every broker that is supported: nats-server and mosquitto, killed and frozen for real.

MQTT rules are those of the OASIS standard 3.1.1, named by their statement numbers.
"""

import os
import signal
import socket
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from brokers import Broker, Peer, poll
from busdriver import STATUS, Driver, make_driver
from shellkit import TOP

from supervisor.shell.bus import BusStopped, Received

__all__ = ["make_driver"]

# nats-server gives what was not acknowledged again after `ack_wait` (30 s unless set), also to a new connection.
REDELIVERED_WITHIN_S = 45.0


def test_it_comes_up_and_hears_what_it_subscribed_to(broker: Broker, make_driver: Callable[..., Driver]) -> None:
    driver = make_driver(broker.port)
    driver.until_up()
    assert driver.total.link == [True]
    with Peer(broker) as peer:
        peer.publish("r/a/reading", b"1")
        peer.publish("r/a/other", b"2")
        peer.publish("r/b/reading", b"3")
        driver.until(lambda: len(driver.total.received) >= 2)
    assert driver.total.received == [Received("r/a/reading", b"1", False), Received("r/b/reading", b"3", False)]


def test_a_message_that_the_broker_kept_is_marked(broker: Broker, make_driver: Callable[..., Driver]) -> None:
    # [MQTT-3.3.1-8]: retain is set for what was stored before; [MQTT-3.3.1-9]: not for what is said now.
    with Peer(broker) as peer:
        peer.publish("r/hardware/u/status", b"kept", retain=True)
        driver = make_driver(broker.port)
        driver.until_up()
        driver.until(lambda: bool(driver.total.received))
        peer.publish("r/hardware/u/status", b"live", retain=True)
        driver.until(lambda: len(driver.total.received) >= 2)
    assert driver.total.received == [
        Received("r/hardware/u/status", b"kept", True), Received("r/hardware/u/status", b"live", False),
    ]  # fmt: skip


def test_a_killed_broker_is_noticed_and_everything_is_restored_when_it_is_back(
    broker: Broker, make_driver: Callable[..., Driver]
) -> None:
    driver = make_driver(broker.port)
    driver.bus.publish("r/room/north/entry", b"old", retain=True)
    driver.bus.publish("r/room/north/entry", b"clear", retain=True)  # before the link: kept, the latest wins
    driver.until_up()
    broker.kill()
    driver.until(lambda: driver.total.link == [True, False])
    assert driver.bus.publish("r/dosing/n1/co2/request", b"must not be sent later", retain=False) is False
    assert driver.bus.publish("r/room/north/entry", b"forbidden", retain=True) is False
    driver.until(lambda: any(one.event == "broker_unreachable" for one in driver.total.notices))
    broker.start()
    driver.until_up()
    with Peer(broker) as peer:
        peer.subscribe("r/#")
        peer.publish("r/a/reading", b"subscribed again")
        driver.until(lambda: b"subscribed again" in driver.payloads())
        assert poll(lambda: ("r/room/north/entry", b"forbidden", True) in peer.heard)
        peer.publish("r/end", b"")
        assert poll(lambda: any(topic == "r/end" for topic, _, _ in peer.heard))
        assert not any("request" in topic for topic, _, _ in peer.heard)


def test_a_frozen_broker_is_noticed_by_the_missing_echo_though_the_socket_stands(
    broker: Broker, make_driver: Callable[..., Driver]
) -> None:
    driver = make_driver(broker.port)
    driver.until_up()
    broker.child.pause()
    try:
        driver.until(lambda: driver.total.link == [True, False])
    finally:
        broker.child.unpause()
    assert "echo did not come back" in driver.total.notices[-1].detail
    driver.until_up()
    assert driver.total.link == [True, False, True]


def test_what_was_not_settled_comes_again_and_what_was_settled_does_not(
    broker: Broker, make_driver: Callable[..., Driver]
) -> None:
    first = make_driver(broker.port)
    first.until_up()
    with Peer(broker) as peer:
        peer.publish("r/a/reading", b"committed")
        first.until(lambda: b"committed" in first.payloads())
        first.settle = False
        peer.publish("r/a/reading", b"lost in the crash")
        first.until(lambda: b"lost in the crash" in first.payloads())
        first.bus._link.drop("as a crash would")
        peer.publish("r/a/reading", b"said while away")
        second = make_driver(broker.port)
        wanted = {b"said while away", b"lost in the crash"}  # in either order: nats-server may turn them round
        second.until(lambda: wanted <= set(second.payloads()), REDELIVERED_WITHIN_S)
    assert b"committed" not in second.payloads()


def test_settling_on_a_new_connection_acknowledges_nothing_of_the_old_one(
    broker: Broker, make_driver: Callable[..., Driver]
) -> None:
    driver = make_driver(broker.port, settle=False)
    driver.until_up()
    with Peer(broker) as peer:
        peer.publish("r/a/reading", b"x")
        driver.until(lambda: driver.payloads() == [b"x"])
        driver.bus._link.drop("lost")
        driver.until(lambda: driver.total.link == [True, False, True])
        # It was never acknowledged, so it comes again.
        driver.until(lambda: driver.payloads() == [b"x", b"x"], REDELIVERED_WITHIN_S)


def test_a_receipt_confirms_what_the_broker_has(broker: Broker, make_driver: Callable[..., Driver]) -> None:
    driver = make_driver(broker.port)
    assert driver.bus.publish("r/operator/outcome", b"1", False, receipt=7) is False
    driver.until_up()
    assert driver.bus.publish("r/operator/outcome", b"1", False, receipt=8) is True
    driver.until(lambda: driver.total.confirmed == [8])


def test_more_than_a_round_takes_comes_in_several_and_loses_nothing(broker: Broker, make_driver: Callable[..., Driver]) -> None:
    driver = make_driver(broker.port)
    driver.until_up()
    with Peer(broker) as peer:
        sent = [peer.client.publish("r/a/reading", str(n), 1) for n in range(2000)]
        driver.until(lambda: len(set(driver.payloads())) == 2000)
        for one in sent:
            one.wait_for_publish(10)
    assert driver.payloads() == [str(n).encode() for n in range(2000)]  # in order, none twice


def test_a_goodbye_sends_what_is_under_way_and_discards_the_will(broker: Broker) -> None:
    driver = Driver(broker.port)
    driver.until_up()
    with Peer(broker) as peer:
        peer.subscribe("r/#")
        for n in range(300):
            driver.bus.publish("r/out", str(n).encode(), retain=False)
        driver.bus.publish(STATUS, b"offline, in order", retain=True)
        assert driver.bus.close(5.0) is True
        peer.publish("r/end", b"")
        assert poll(lambda: any(topic == "r/end" for topic, _, _ in peer.heard))
        assert [body for topic, body, _ in peer.heard if topic == "r/out"] == [str(n).encode() for n in range(300)]
        # [MQTT-3.14.4-3]: DISCONNECT discards the will.
        assert [body for topic, body, _ in peer.heard if topic == STATUS] == [b"offline, in order"]


def test_closing_a_link_that_never_came_is_quick_and_says_that_nothing_was_sent() -> None:
    with socket.socket() as nobody:
        nobody.bind(("127.0.0.1", 0))  # bound, not listening: refuses
        driver = Driver(nobody.getsockname()[1])
        driver.bus.publish(STATUS, b"x", retain=True)
        driver.turn()
        assert driver.bus.close(5.0) is False


DYING = """
import sys
from supervisor.shell.clock import SystemClock
from supervisor.shell.paho_bus import PahoBus
from supervisor.shell.paho_link import Address
bus = PahoBus(Address("127.0.0.1", int(sys.argv[1]), 5, "dying"), [], "r/echo", 5.0, lambda: ("r/s", b"off"), SystemClock())
while not bus.up:
    bus.poll(0.1)
    bus.settle()
print("up", flush=True)
while True:
    bus.poll(0.1)
    bus.settle()
"""


def test_the_will_says_offline_after_a_kill(broker: Broker, tmp_path: Path) -> None:
    with Peer(broker) as peer:
        peer.subscribe("r/s")
        child = subprocess.Popen([sys.executable, "-c", DYING, str(broker.port)], cwd=TOP, stdout=subprocess.PIPE)
        try:
            assert child.stdout is not None and child.stdout.readline() == b"up\n"
            assert peer.heard == []
            os.kill(child.pid, signal.SIGKILL)
            assert poll(lambda: [(topic, body) for topic, body, _ in peer.heard] == [("r/s", b"off")])
        finally:
            child.kill()
            child.wait()
            child.stdout.close()
    with Peer(broker) as late:
        late.subscribe("r/s")
        assert poll(lambda: late.heard == [("r/s", b"off", True)])  # and it is retained


def test_two_of_one_name_are_told_apart_from_a_broken_broker(broker: Broker, make_driver: Callable[..., Driver]) -> None:
    # [MQTT-3.1.4-2]: the broker disconnects the existing client of the same id.
    one, other = make_driver(broker.port, client_id="twin"), make_driver(broker.port, client_id="twin")
    with pytest.raises(BusStopped, match="another client uses the client id twin"):
        for _ in range(2000):
            one.turn(0.01)
            other.turn(0.01)


def test_the_socket_does_not_wait_to_collect_small_packets(broker: Broker, make_driver: Callable[..., Driver]) -> None:
    driver = make_driver(broker.port)
    driver.until_up()
    assert driver.bus._link.open_socket.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) == 1
