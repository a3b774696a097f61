"""The bus over MQTT 3.1.1: dials, proves the link by its own echo, heals it, and says when it should not go on.

The link counts as up only while our own message comes back in time: a socket that looks open proves nothing. Nothing
but the echo is sent before that. What the broker may have lost is sent again whenever the link comes back: the latest
payload of each retained topic.
"""

import os
import select
import threading
from collections import deque
from collections.abc import Callable

import paho.mqtt.client as mqtt

from supervisor.shell.bus import BusStopped, Notice, Round
from supervisor.shell.clock import Clock
from supervisor.shell.paho_link import Address, PahoLink, deciphered

ROUND_MESSAGES = 500
RETRY_S_MIN = 0.1
RETRY_S_MAX = 5.0
ECHOES_PER_TIMEOUT = 3
KICKED_OUT_MAX = 3
KICKED_OUT_WITHIN_S = 60.0
_SLICE_S = 0.25  # how long a wait may keep us from hearing that we are to stop


class PahoBus:
    """See `bus.Bus`. `will` gives topic and payload of the will, asked for at each connection.

    `wake` is a descriptor that ends a wait when it becomes readable.
    """

    def __init__(
        self,
        address: Address,
        filters: list[str],
        echo_topic: str,
        echo_timeout_s: float,
        will: Callable[[], tuple[str, bytes]],
        clock: Clock,
        wake: int | None = None,
    ) -> None:
        self.up = False
        self._address = address
        self._filters = [*filters, echo_topic]
        self._echo = _Echo(echo_topic, echo_timeout_s)
        self._will = will
        self._clock = clock
        self._wake = wake
        self._link: PahoLink | None = None
        self._dial: _Dial | None = None
        self._retry_at_s = 0.0
        self._retry_s = RETRY_S_MIN
        self._kicked_out_s: deque[float] = deque(maxlen=KICKED_OUT_MAX + 1)
        self._kept: dict[str, bytes] = {}
        self._unsent: set[str] = set()
        self._receipts: dict[int, mqtt.MQTTMessageInfo] = {}
        self._noted: set[str] = set()
        self._round = Round()

    # -------------------------------------------------------------------------------------------- the port

    def poll(self, wait_s: float) -> Round:
        self._round = Round()
        if self._link is None:
            self._wait_for_link(wait_s)
        else:
            self._work(self._link, wait_s)
        return self._round

    def publish(self, topic: str, payload: bytes, retain: bool, receipt: int | None = None) -> bool:
        if retain:
            self._kept[topic] = payload
        if not self.up or self._link is None:
            return False
        info = self._link.publish(topic, payload, retain)
        if info is None:
            if retain:
                self._unsent.add(topic)
            return False
        self._unsent.discard(topic)
        if receipt is not None:
            self._receipts[receipt] = info
        return True

    def settle(self) -> None:
        if self._link is not None:
            self._link.acknowledge()
            self._link.write()

    def close(self, patience_s: float, goodbye: bool = True) -> bool:
        if self._dial is not None:
            self._dial.join(patience_s)
        link, self._link = self._link, None
        if link is None:
            return not self._unsent and not self._kept
        deadline_s = self._clock.real_s() + patience_s
        link.write()
        while link.ended is None and not link.all_sent and self._clock.real_s() < deadline_s:
            self._wait(link, 0.05)
            link.read(ROUND_MESSAGES)
            link.received.clear()  # not acknowledged: the broker keeps it for the next start
            link.write()
        sent = self.up and link.ended is None and link.all_sent
        if goodbye:
            link.say_goodbye()
        else:
            link.drop("closed by us")
        self.up = False
        return sent

    # -------------------------------------------------------------------------------------------- without a link

    def _wait_for_link(self, wait_s: float) -> None:
        if self._dial is None:
            pause_s = self._retry_at_s - self._clock.real_s()
            if pause_s > 0:
                self._wait(None, min(pause_s, wait_s))
                return
            self._dial = _Dial(PahoLink(self._address, self._filters, *self._will()))
            self._dial.start()
        self._dial.join(min(wait_s, _SLICE_S))
        if self._dial.is_alive():
            return
        dial, self._dial = self._dial, None
        if dial.error is not None:
            self._kicked_out_s.clear()  # the broker is not there: nobody took our place
            self._retry_later()
            where = f"{self._address.host}:{self._address.port}"
            self._note("broker_unreachable", f"{where}: {dial.error}")
            return
        self._link = dial.link
        self._echo.begin(self._clock.real_s())

    def _retry_later(self) -> None:
        self._retry_at_s = self._clock.real_s() + self._retry_s
        self._retry_s = min(RETRY_S_MAX, self._retry_s * 2)

    # -------------------------------------------------------------------------------------------- with a link

    def _work(self, link: PahoLink, wait_s: float) -> None:
        self._keep_proving(link)
        self._resend(link)
        link.write()
        self._wait(link, wait_s)
        self._round.full = link.read(ROUND_MESSAGES)
        self._take(link)
        if link.subscribed and self._echo.proved and not self.up:
            self._came_up(link)
        link.write()
        if link.refused is not None:
            self._note("broker_refused", link.refused)
            link.drop(link.refused)
        elif self._echo.overdue(self._clock.real_s()):
            link.drop(f"our own echo did not come back within {self._echo.timeout_s:g} s")
        if link.ended is not None:
            self._went_down(link)

    def _take(self, link: PahoLink) -> None:
        """Hand on what came, but for our own echo."""
        now_s = self._clock.real_s()
        for one in link.received:
            if one.topic == self._echo.topic:
                self._echo.came_back(one.payload, now_s)
            else:
                self._round.received.append(one)
        link.received.clear()
        for receipt in [one for one, info in self._receipts.items() if info.is_published()]:
            self._round.confirmed.append(receipt)
            del self._receipts[receipt]

    def _keep_proving(self, link: PahoLink) -> None:
        if link.subscribed and (payload := self._echo.due(self._clock.real_s())) is not None:
            link.publish(self._echo.topic, payload, retain=False)

    def _came_up(self, link: PahoLink) -> None:
        self.up = True
        self._round.link.append(True)
        self._retry_s = RETRY_S_MIN
        self._unsent = set(self._kept)
        self._resend(link)
        self._noted.clear()

    def _resend(self, link: PahoLink) -> None:
        """Send retained topics that the broker does not have yet, as far as there is room."""
        for topic in sorted(self._unsent) if self.up else ():
            if link.publish(topic, self._kept[topic], retain=True) is None:
                return
            self._unsent.discard(topic)

    def _went_down(self, link: PahoLink) -> None:
        self._link = None
        self._receipts.clear()
        if self.up:
            self.up = False
            self._round.link.append(False)
        self._note("link_ended", link.ended or "")
        if link.accepted and not link.ended_by_us:
            self._was_kicked_out()
        self._retry_later()

    def _was_kicked_out(self) -> None:
        """MQTT 3.1.1 does not say why a connection is closed; another client of our name is the usual reason."""
        now_s = self._clock.real_s()
        self._kicked_out_s.append(now_s)
        if len(self._kicked_out_s) > KICKED_OUT_MAX and now_s - self._kicked_out_s[0] < KICKED_OUT_WITHIN_S:
            raise BusStopped(
                f"the broker accepted us and closed the connection {len(self._kicked_out_s)} times within "
                f"{KICKED_OUT_WITHIN_S:g} s: another client uses the client id {self._address.client_id}, or the "
                "broker does not take what we send (its log tells). Two supervisors must not share a state folder, "
                "nor a copy of one"
            )

    def _note(self, event: str, detail: str) -> None:
        """Say it once until the link is up again: a broker that is away for a night fills no log."""
        if event not in self._noted:
            self._noted.add(event)
            self._round.notices.append(Notice(event, detail))

    def _wait(self, link: PahoLink | None, wait_s: float) -> None:
        poller = select.poll()
        sock = link.open_socket if link is not None else None
        if link is not None and sock is not None:
            poller.register(sock, select.POLLIN | (select.POLLOUT if link.want_write else 0))
        if self._wake is not None:
            poller.register(self._wake, select.POLLIN)
        if sock is not None and deciphered(sock):
            wait_s = 0.0
        ready = poller.poll(max(0.0, wait_s) * 1000.0)
        if any(descriptor == self._wake for descriptor, _ in ready):
            os.read(self._wake, 4096)  # type: ignore[arg-type]


class _Dial(threading.Thread):
    """Connects in the background: a broker that swallows packets would hold the loop for seconds."""

    def __init__(self, link: PahoLink) -> None:
        super().__init__(name="dial", daemon=True)
        self.link = link
        self.error: str | None = None

    def run(self) -> None:
        try:
            self.link.open()
        except Exception as error:
            self.error = str(error) or type(error).__name__


class _Echo:
    """Our own message, sent to ourselves through the broker. In real time: what it proves is the real link."""

    def __init__(self, topic: str, timeout_s: float) -> None:
        self.topic = topic
        self.timeout_s = timeout_s
        self.proved = False
        self._number = 0
        self._first = 1
        self._sent_s: float | None = None
        self._proof_s = 0.0

    def begin(self, now_s: float) -> None:
        """A new connection: what an older one sent proves nothing about it."""
        self.proved = False
        self._first = self._number + 1
        self._sent_s = None
        self._proof_s = now_s

    def due(self, now_s: float) -> bytes | None:
        """The payload to send when it is time for the next one."""
        if self._sent_s is not None and now_s - self._sent_s < self.timeout_s / ECHOES_PER_TIMEOUT:
            return None
        self._sent_s = now_s
        self._number += 1
        return str(self._number).encode()

    def came_back(self, payload: bytes, now_s: float) -> None:
        if payload.isdigit() and self._first <= int(payload) <= self._number:
            self.proved = True
            self._proof_s = now_s

    def overdue(self, now_s: float) -> bool:
        return now_s - self._proof_s > self.timeout_s
