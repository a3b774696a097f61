"""The broker and the links to it: retained messages, a session for each supervisor, all through the simulated network."""

import heapq
from collections import deque
from collections.abc import Callable
from typing import Protocol

from simulator.network import Message, Network
from simulator.network_faults import SUPERVISOR
from simulator.network_links import Links
from supervisor.shell.bus import BusStopped, Received, Round
from supervisor.shell.paho_bus import ECHOES_PER_TIMEOUT, KICKED_OUT_MAX, KICKED_OUT_WITHIN_S, RETRY_S_MAX, ROUND_MESSAGES

ECHO = Message("supervisor/echo", b"1", False)


class Wires:
    """Simulated time's messages under way: what is to happen when."""

    def __init__(self) -> None:
        self._heap: list[tuple[float, int, Callable[[], None]]] = []
        self._count = 0

    def at(self, at_s: float, act: Callable[[], None]) -> None:
        self._count += 1
        heapq.heappush(self._heap, (at_s, self._count, act))

    def due_s(self, to_s: float) -> float | None:
        """When the next thing happens, None when not up to `to_s`."""
        return self._heap[0][0] if self._heap and self._heap[0][0] <= to_s else None

    def pop(self) -> Callable[[], None]:
        return heapq.heappop(self._heap)[2]


class Session:
    """What the broker keeps for one client id: what waits for it, and who is connected under it now."""

    def __init__(self) -> None:
        self.queue: deque[Received] = deque()
        self.handed: list[Received] = []
        self.owner: SimBus | None = None

    def let_go(self) -> None:
        """The connection is gone: what was not acknowledged comes again."""
        self.queue.extendleft(reversed(self.handed))
        self.handed.clear()
        self.owner = None


class Hears(Protocol):
    """`heard` gets every message that the broker takes."""

    def __call__(self, message: Message) -> None: ...


class Broker:
    """Times are seconds since the start."""

    def __init__(self, network: Network, links: Links, wires: Wires, now_s: Callable[[], float], root: str,
                 deliver: Callable[[str, bytes], None], heard: Hears, inbound: Callable[[str], bool]) -> None:  # fmt: skip
        self.network, self.wires, self.now_s, self.root = network, wires, now_s, root
        self.retained: dict[str, bytes] = {}
        self.sessions: dict[str, Session] = {}
        self._links, self._deliver, self._heard, self._inbound = links, deliver, heard, inbound

    def forget(self) -> None:
        """Started again without its memory."""
        self.retained.clear()
        for session in self.sessions.values():
            session.let_go()
        self.sessions.clear()

    def from_hardware(self, message: Message) -> None:
        """A unit or the crew says something."""
        now_s = self.now_s()
        for out_s, copy in self.network.carry(now_s, self._links.sender(message.topic), message, up=True):
            self._later(out_s, lambda copy=copy: self.take(copy))

    def take(self, message: Message) -> None:
        """A message has come to the broker."""
        self._heard(message)
        topic, payload, retain = message
        if retain:
            self.retained[topic] = payload
        now_s = self.now_s()
        for link in self._links.hearers(topic):
            for out_s, copy in self.network.carry(now_s, link, message, up=False):
                self._later(out_s, lambda copy=copy: self._deliver(copy.topic, copy.payload))
        if self._inbound(topic):
            for client, session in self.sessions.items():
                self._to_session(now_s, client, session, message)

    def _to_session(self, now_s: float, client: str, session: Session, message: Message) -> None:
        if session.owner is None or self.network.cut(SUPERVISOR, now_s) is not None:
            session.queue.append(self._received(message, False))
            return
        for out_s, copy in self.network.carry(now_s, SUPERVISOR, message, up=False):
            self._later(out_s, lambda copy=copy: self._enqueue(client, copy))

    def _enqueue(self, client: str, message: Message) -> None:
        if client in self.sessions:
            self.sessions[client].queue.append(self._received(message, False))

    def connect(self, client: str, bus: "SimBus") -> Session:
        """A supervisor connects and subscribes: it gets what is retained, and what its session kept before."""
        session = self.sessions.setdefault(client, Session())
        if session.owner is not None and session.owner is not bus:
            session.owner.kicked = True
        session.let_go()
        session.owner = bus
        for topic, payload in self.retained.items():
            if self._inbound(topic):
                session.queue.append(self._received(Message(topic, payload, True), True))
        return session

    def _received(self, message: Message, retained: bool) -> Received:
        return Received(f"{self.root}/{message.topic}", message.payload, retained)

    def _later(self, out_s: float, act: Callable[[], None]) -> None:
        if out_s <= self.now_s():
            act()
        else:
            self.wires.at(out_s, act)


class SimBus:
    """A supervisor's bus, as `paho_bus.PahoBus` is over MQTT: proved by its echo, healed, and given up when kicked out."""

    def __init__(self, broker: Broker, client: str, echo_timeout_s: float, will: Callable[[], tuple[str, bytes]]) -> None:
        self.up = self.kicked = False
        self.kept: dict[str, bytes] = {}
        self._broker, self._client, self._timeout_s, self._will = broker, client, echo_timeout_s, will
        self._session: Session | None = None
        self._connection = 0
        self._proved = False
        self._retry_at_s = self._proof_s = self._echo_s = 0.0
        self._confirmed: list[int] = []
        self._kicks_s: deque[float] = deque(maxlen=KICKED_OUT_MAX + 1)

    def poll(self, wait_s: float) -> Round:
        """Takes no time: the world lets time pass."""
        out, now_s, net = Round(), self._broker.now_s(), self._broker.network
        cut = net.cut(SUPERVISOR, now_s)
        if self._session is not None and (self.kicked or self._session.owner is not self):
            self._was_kicked(now_s, out)
        if self._session is None:
            if cut is None and now_s >= self._retry_at_s:
                self._connect(now_s)
            else:
                return out
        if cut is None:
            self._keep_proving(now_s)
            self._read(out)
        if self._proved and not self.up:
            self.up = True
            out.link.append(True)
            for topic, payload in self.kept.items():
                self._send(Message(topic, payload, True))
        if now_s - self._proof_s > self._timeout_s:
            self._drop(out)
        out.confirmed, self._confirmed = self._confirmed, []
        return out

    def publish(self, topic: str, payload: bytes, retain: bool, receipt: int | None = None) -> bool:
        tail = topic.removeprefix(self._broker.root + "/")
        if retain:
            self.kept[tail] = payload
        if not self.up:
            return False
        self._send(Message(tail, payload, retain), receipt)
        return True

    @property
    def handed(self) -> list[Received]:
        """What was handed to the loop and not yet acknowledged."""
        return [] if self._session is None or self._session.owner is not self else self._session.handed

    def settle(self) -> None:
        if self._session is not None and self._session.owner is self:
            self._session.handed.clear()

    def close(self, patience_s: float, goodbye: bool = True) -> bool:
        self.gone(goodbye)
        return True

    def gone(self, goodbye: bool = False) -> None:
        """The process is no more, or says goodbye: without one the broker publishes the will, as soon as it notices."""
        session, self._session = self._session, None
        self.up = False
        self._connection += 1
        if session is None or session.owner is not self:
            return
        session.let_go()
        if not goodbye:
            self._leave_will()

    def _leave_will(self) -> None:
        topic, payload = self._will()
        message, now_s = Message(topic.removeprefix(self._broker.root + "/"), payload, True), self._broker.now_s()
        cut = self._broker.network.cut(SUPERVISOR, now_s)
        self._broker._later(now_s if cut is None else cut.end_s, lambda: self._broker.take(message))

    def _connect(self, now_s: float) -> None:
        self._connection += 1
        self._session = self._broker.connect(self._client, self)
        self.kicked = self._proved = False
        self._proof_s, self._echo_s = now_s, -1e9

    def _keep_proving(self, now_s: float) -> None:
        if now_s - self._echo_s < self._timeout_s / ECHOES_PER_TIMEOUT:
            return
        self._echo_s, net, connection = now_s, self._broker.network, self._connection
        for up_s, _ in net.carry(now_s, SUPERVISOR, ECHO, up=True):
            for down_s, _ in net.carry(now_s, SUPERVISOR, ECHO, up=False):
                self._broker._later(max(up_s, down_s, up_s + down_s - now_s), lambda: self._echoed(connection))

    def _echoed(self, connection: int) -> None:
        if connection == self._connection:
            self._proved, self._proof_s = True, self._broker.now_s()

    def _read(self, out: Round) -> None:
        session = self._session
        assert session is not None
        while session.queue and len(out.received) < ROUND_MESSAGES:
            one = session.queue.popleft()
            session.handed.append(one)
            out.received.append(one)
        out.full = bool(session.queue)

    def _send(self, message: Message, receipt: int | None = None) -> None:
        broker, now_s, connection = self._broker, self._broker.now_s(), self._connection
        cut = broker.network.cut(SUPERVISOR, now_s)

        def arrive(copy: Message) -> None:
            if cut is not None and connection != self._connection:
                return  # what a dead connection held is not sent again behind our back
            broker.take(copy)
            if receipt is not None and connection == self._connection:
                self._confirmed.append(receipt)

        for out_s, copy in broker.network.carry(now_s, SUPERVISOR, message, up=True):
            broker._later(out_s, lambda copy=copy: arrive(copy))

    def _was_kicked(self, now_s: float, out: Round) -> None:
        self._session, self.kicked = None, False
        self._connection += 1
        if self.up:
            self.up = False
            out.link.append(False)
        self._retry_at_s = now_s + RETRY_S_MAX
        self._kicks_s.append(now_s)
        if len(self._kicks_s) > KICKED_OUT_MAX and now_s - self._kicks_s[0] < KICKED_OUT_WITHIN_S:
            raise BusStopped("another client uses our client id")

    def _drop(self, out: Round) -> None:
        session, self._session = self._session, None
        self._connection += 1
        if session is not None and session.owner is self:
            session.let_go()
        self._leave_will()
        if self.up:
            self.up = False
            out.link.append(False)
        self._retry_at_s = self._broker.now_s() + RETRY_S_MAX
