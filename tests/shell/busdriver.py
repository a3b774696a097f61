"""Somebody who polls a bus, keeps what it brings, and waits with a deadline."""

import time
from collections.abc import Callable, Iterator

import pytest

from supervisor.shell.bus import Round
from supervisor.shell.clock import SystemClock
from supervisor.shell.paho_bus import PahoBus
from supervisor.shell.paho_link import Address

ECHO_TIMEOUT_S = 1.0
STATUS = "r/supervisor/status"


class Driver:
    """A bus with somebody who polls it, and everything that its rounds brought."""

    def __init__(self, port: int, client_id: str = "site-supervisor-1", settle: bool = True) -> None:
        self.bus = PahoBus(
            Address("127.0.0.1", port, 5, client_id), ["r/+/reading", "r/hardware/+/status"],
            f"r/supervisor/echo/{client_id}", ECHO_TIMEOUT_S, lambda: (STATUS, b"offline"), SystemClock(),
        )  # fmt: skip
        self.settle = settle
        self.total = Round()

    def turn(self, wait_s: float = 0.05) -> None:
        one = self.bus.poll(wait_s)
        for name in ("received", "link", "confirmed", "notices"):
            getattr(self.total, name).extend(getattr(one, name))
        if self.settle:
            self.bus.settle()

    def until(self, condition: Callable[[], bool], within_s: float = 20.0) -> None:
        """Poll until `condition`, which must come true."""
        deadline = time.monotonic() + within_s
        while not condition():
            assert time.monotonic() < deadline, f"did not come true; last: {self.total}"
            self.turn()

    def until_up(self) -> None:
        self.until(lambda: self.bus.up)

    def payloads(self) -> list[bytes]:
        return [one.payload for one in self.total.received]


@pytest.fixture
def make_driver() -> Iterator[Callable[..., Driver]]:
    made: list[Driver] = []

    def make(port: int, **options: object) -> Driver:
        made.append(Driver(port, **options))
        return made[-1]

    yield make
    for one in made:
        one.bus.close(1.0)
