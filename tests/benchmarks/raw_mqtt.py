"""The least MQTT 3.1.1 client that can load a broker: QoS 1 both ways, one thread, many packets to a system call.

It is the load generator's, so that what is measured is the program at the other end and not this one.
"""

import select
import socket
import struct
import time
from collections.abc import Iterator

_CONNACK, _PUBLISH, _PUBACK, _SUBACK = 0x20, 0x30, 0x40, 0x90


class RawClient:
    """Connected and subscribed once made. Raises ConnectionError when the broker refuses or goes."""

    def __init__(self, host: str, port: int, client_id: str, filters: list[str]) -> None:
        self._sock = socket.create_connection((host, port), timeout=10.0)
        self._sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._in, self._out, self._id = bytearray(), bytearray(), 0
        self._poller = select.poll()
        self._poller.register(self._sock, select.POLLIN)
        self._packet(0x10, _text("MQTT") + bytes([4, 0x02]) + struct.pack("!H", 0) + _text(client_id))
        self._expect(_CONNACK, 1)
        wanted = b"".join(_text(one) + b"\x01" for one in filters)
        self._packet(0x82, struct.pack("!H", self._next_id()) + wanted)
        self._expect(_SUBACK, 2)

    def publish(self, topic: str, payload: bytes) -> None:
        """Queue a message; `flush` sends it."""
        self._packet(_PUBLISH | 0x02, _text(topic) + struct.pack("!H", self._next_id()) + payload)

    def flush(self) -> None:
        """Send everything queued. Takes what comes meanwhile off the wire, so that two full pipes cannot wait for each
        other."""
        self._sock.setblocking(False)
        while self._out:
            try:
                del self._out[: self._sock.send(self._out)]
            except BlockingIOError:
                select.select([self._sock], [self._sock], [], 1.0)
                self._receive()

    def take(self, wait_s: float) -> Iterator[tuple[str, bytes]]:
        """What has come, waiting at most so long for the first; it is acknowledged with the next `flush`."""
        if self._poller.poll(max(0.0, wait_s) * 1000.0):
            self._receive()
        for kind, body in self._packets():
            if kind & 0xF0 == _PUBLISH:
                yield self._message(kind, body)

    def close(self) -> None:
        self._packet(0xE0, b"")
        self.flush()
        self._sock.close()

    def _message(self, kind: int, body: bytes) -> tuple[str, bytes]:
        end = 2 + struct.unpack_from("!H", body)[0]
        topic = body[2:end].decode()
        if kind & 0x06:
            self._packet(_PUBACK, body[end : end + 2])
            end += 2
        return topic, body[end:]

    def _packets(self) -> Iterator[tuple[int, bytes]]:
        """Every whole packet that has been received."""
        held, at = self._in, 0
        while at + 2 <= len(held):
            length, shift, head = 0, 0, at + 1
            while head < len(held):
                length |= (held[head] & 0x7F) << shift
                shift += 7
                head += 1
                if held[head - 1] < 0x80:
                    break
            else:
                break
            if head + length > len(held):
                break
            yield held[at], bytes(held[head : head + length])
            at = head + length
        del held[:at]

    def _expect(self, kind: int, code_at: int, within_s: float = 10.0) -> None:
        self.flush()
        deadline_s = time.monotonic() + within_s
        while time.monotonic() < deadline_s:
            if self._poller.poll(100):
                self._receive()
            for came, body in list(self._packets()):
                if came & 0xF0 == kind:
                    if any(code >= 0x80 or kind == _CONNACK and code for code in body[code_at:]):
                        raise ConnectionError(f"the broker refused: {body.hex()}")
                    return
        raise ConnectionError("the broker did not answer")

    def _receive(self) -> None:
        self._sock.setblocking(False)
        try:
            came = self._sock.recv(1 << 18)
        except BlockingIOError:
            return
        if not came:
            raise ConnectionError("the broker closed the connection")
        self._in += came

    def _packet(self, kind: int, body: bytes) -> None:
        length = len(body)
        self._out.append(kind)
        while length > 0x7F:
            self._out.append(length & 0x7F | 0x80)
            length >>= 7
        self._out.append(length)
        self._out += body

    def _next_id(self) -> int:
        self._id = self._id % 65_535 + 1
        return self._id


def _text(text: str) -> bytes:
    data = text.encode()
    return struct.pack("!H", len(data)) + data
