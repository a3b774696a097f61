"""The bus with brokers that misbehave: what no sound broker can be made to do, said by a few bytes of ours.

MQTT rules are those of the OASIS standard 3.1.1, named by their statement numbers.
"""

import random
import socket
import struct
import threading
from collections.abc import Callable, Iterator

import pytest
from busdriver import Driver, make_driver

from supervisor.shell.paho_bus import _Echo

__all__ = ["make_driver"]


class Scripted(threading.Thread):
    """Takes one connection after another and answers each packet by `answer(packet type, packet)`.

    For answers that no sound broker can be made to give.
    """

    def __init__(self, answer: Callable[[int, bytes], bytes]) -> None:
        super().__init__(daemon=True)
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.port = self.listener.getsockname()[1]
        self._answer = answer
        self.start()

    def run(self) -> None:
        while True:
            try:
                connection, _ = self.listener.accept()
            except OSError:
                return
            with connection:
                while data := self._packet(connection):
                    reply = self._answer(data[0] >> 4, data)
                    if reply:
                        connection.sendall(reply)

    @staticmethod
    def _packet(connection: socket.socket) -> bytes:
        try:
            head = connection.recv(2, socket.MSG_WAITALL)
            if len(head) < 2:
                return b""
            length, shift = head[1] & 127, 7
            while head[-1] & 128:
                head += connection.recv(1)
                length |= (head[-1] & 127) << shift
                shift += 7
            return head + connection.recv(length, socket.MSG_WAITALL) if length else head
        except OSError:
            return b""

    def close(self) -> None:
        self.listener.close()


CONNACK_OK = bytes([0x20, 2, 0, 0])
CONNECT, PUBLISH, SUBSCRIBE = 1, 3, 8


@pytest.fixture
def scripted() -> Iterator[Callable[[Callable[[int, bytes], bytes]], Scripted]]:
    made: list[Scripted] = []

    def make(answer: Callable[[int, bytes], bytes]) -> Scripted:
        made.append(Scripted(answer))
        return made[-1]

    yield make
    for one in made:
        one.close()


def suback(packet: bytes, codes: list[int]) -> bytes:
    message_id = packet[2:4] if packet[1] < 128 else packet[3:5]
    return bytes([0x90, 2 + len(codes)]) + message_id + bytes(codes)


@pytest.mark.parametrize("codes", [[1, 0x80, 1], [0x80, 0x80, 0x80], [1, 1]])
def test_a_refused_subscription_is_no_link(
    scripted: Callable[..., Scripted], make_driver: Callable[..., Driver], codes: list[int]
) -> None:
    # [MQTT-3.9.3-2]: 0x80 is failure. The third case answers fewer topics than were asked for [MQTT-3.8.4-5].
    fake = scripted(lambda kind, packet: CONNACK_OK if kind == CONNECT else suback(packet, codes) if kind == 8 else b"")
    driver = make_driver(fake.port)
    driver.until(lambda: any(one.event == "broker_refused" for one in driver.total.notices))
    assert "refused the subscription" in driver.total.notices[0].detail
    if codes[0] == 1 and 0x80 in codes:
        assert "r/hardware/+/status" in driver.total.notices[0].detail
    assert driver.total.link == [] and not driver.bus.up


def test_a_refused_connection_is_said_once(scripted: Callable[..., Scripted], make_driver: Callable[..., Driver]) -> None:
    asked: list[int] = []

    def answer(kind: int, _packet: bytes) -> bytes:
        asked.append(kind)
        return bytes([0x20, 2, 0, 5])  # not authorised, table 3.1

    driver = make_driver(scripted(answer).port)
    driver.until(lambda: len(asked) >= 3)
    assert [one.event for one in driver.total.notices].count("broker_refused") == 1
    assert "refused the connection" in driver.total.notices[0].detail


def test_a_broker_that_accepts_and_then_says_nothing_is_left(
    scripted: Callable[..., Scripted], make_driver: Callable[..., Driver]
) -> None:
    driver = make_driver(scripted(lambda _kind, _packet: b"").port)
    driver.until(lambda: bool(driver.total.notices))
    assert "echo did not come back" in driver.total.notices[0].detail


def test_a_broker_that_grants_everything_and_delivers_nothing_is_no_link(
    scripted: Callable[..., Scripted], make_driver: Callable[..., Driver]
) -> None:
    # What mosquitto does with an acl_file: the subscription is granted and stays silent.
    published: list[bytes] = []

    def answer(kind: int, packet: bytes) -> bytes:
        if kind == PUBLISH:
            published.append(packet)
        return CONNACK_OK if kind == CONNECT else suback(packet, [1, 1, 1]) if kind == SUBSCRIBE else b""

    driver = make_driver(scripted(answer).port)
    driver.until(lambda: bool(published))
    assert driver.bus.publish("r/dosing/n1/co2/request", b"x", retain=False) is False
    driver.until(lambda: bool(driver.total.notices))
    assert driver.total.link == [] and not driver.bus.up
    assert all(b"r/supervisor/echo/" in one for one in published)  # nothing else before the link is proved


def test_an_echo_of_an_earlier_connection_proves_nothing() -> None:
    # With a lasting session the broker delivers what it held back for the connection before.
    echo = _Echo("r/supervisor/echo/1", timeout_s=3.0)
    echo.begin(0.0)
    assert echo.due(0.0) == b"1" and echo.due(0.9) is None and echo.due(1.0) == b"2"
    echo.begin(10.0)
    for old in (b"1", b"2", b"3", b"", b"-1", b"\xff", "²".encode()):
        echo.came_back(old, 10.5)
    assert not echo.proved and echo.overdue(13.1)
    assert echo.due(13.0) == b"3"
    echo.came_back(b"3", 13.2)
    assert echo.proved and not echo.overdue(16.1) and echo.overdue(16.3)


def test_a_topic_that_is_no_utf_8_neither_kills_nor_blocks(
    scripted: Callable[..., Scripted], make_driver: Callable[..., Driver]
) -> None:
    acknowledged: list[bytes] = []

    def answer(kind: int, packet: bytes) -> bytes:
        if kind == CONNECT:
            return CONNACK_OK
        if kind == SUBSCRIBE:
            return suback(packet, [1, 1, 1]) + bytes([0x32, 7, 0, 2, 0xFF, 0xFE]) + struct.pack(">H", 77) + b"x"
        if kind == 4:
            acknowledged.append(packet[2:4])
        return b""

    driver = make_driver(scripted(answer).port)
    driver.until(lambda: bool(acknowledged))
    for _ in range(20):
        driver.turn(0.005)
    assert acknowledged == [struct.pack(">H", 77)]  # once, however often we settle
    assert driver.payloads() == [b"x"]


RANDOM = random.Random(1912).randbytes(64)  # the same for every worker that collects these tests


@pytest.mark.parametrize("rubbish", [b"\x00\x00", b"\xf0\x00", b"\x20\xff\xff\xff\xff\xff", RANDOM])
def test_rubbish_from_the_broker_ends_the_connection_and_nothing_else(
    scripted: Callable[..., Scripted], make_driver: Callable[..., Driver], rubbish: bytes
) -> None:
    asked: list[int] = []

    def answer(kind: int, _packet: bytes) -> bytes:
        asked.append(kind)
        return rubbish

    driver = make_driver(scripted(answer).port)
    driver.until(lambda: asked.count(CONNECT) >= 2)
    assert not driver.bus.up
