"""What the service manager is told: systemd's notify protocol, sd_notify(3), a datagram to the socket that it names.

Ready means controlling: the link proved itself, and what was decided on it is on disk and sent. The watchdog is fed by a turn
of the loop that went all the way round, bus, engine, journal and bus again, and by nothing else: a timer or a thread would
say that all is well while the loop stands still. A broker that is away is no reason to be killed: the turns go on.
"""

import os
import socket
from collections.abc import Callable, Mapping

FED_PER_TIMEOUT = 4  # so that one datagram that is lost ends nothing
MORE_TIME_S = 60.0  # asked for by each turn before we are ready


class Manager:
    """Silent where nobody asked. Whatever it is told cannot fail the loop."""

    def __init__(self, real_s: Callable[[], float], environment: Mapping[str, str] = os.environ) -> None:
        """`real_s` is a clock of real seconds that only grows."""
        self._real_s = real_s
        self._to = environment.get("NOTIFY_SOCKET", "")
        mine = environment.get("WATCHDOG_PID", "") in ("", str(os.getpid()))
        asked = environment.get("WATCHDOG_USEC", "")
        self.watchdog_s = int(asked) / 1e6 if mine and asked.isdecimal() and int(asked) > 0 else None
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) if self._to else None
        if self._socket is not None:
            self._socket.setblocking(False)
        self._ready, self._up = False, False
        self._told_s: float | None = None

    def turned(self, up: bool) -> None:
        """A turn has gone all the way round. `up`: the link is."""
        words = []
        if up and not self._ready:
            self._ready = True
            words.append("READY=1")
        if up != self._up or self._told_s is None:
            self._up = up
            words.append("STATUS=" + ("controlling" if up else "no link to the broker; no gas is asked for"))
        now_s = self._real_s()
        if words or self._told_s is None or now_s - self._told_s >= self._every_s():
            self._told_s = now_s
            words.append("WATCHDOG=1" if self._ready else f"EXTEND_TIMEOUT_USEC={MORE_TIME_S * 1e6:.0f}")
            self._tell(words)

    def ending(self, why: str) -> None:
        """The end has begun, in order or not."""
        self._tell(["STOPPING=1", f"STATUS={why}"])

    def close(self) -> None:
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _every_s(self) -> float:
        return (MORE_TIME_S if self.watchdog_s is None or not self._ready else self.watchdog_s) / FED_PER_TIMEOUT

    def _tell(self, words: list[str]) -> None:
        if self._socket is None:
            return
        # A name that begins with @ is an abstract one.
        address = "\0" + self._to[1:] if self._to.startswith("@") else self._to
        try:
            self._socket.sendto("\n".join(words).encode(), address)
        except OSError:
            return  # nobody there, or too slow: the watchdog is there for that
