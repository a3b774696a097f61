"""What becomes of a message on its way between hardware, broker and supervisor while faults of the network stand.

Everything is drawn from the seed: same faults, messages and instants in, same messages out. `Network` says when a message
comes out of a link and as what; `Way` is a whole stream in one direction, for whoever has no broker of his own.
"""

import heapq
import random
from collections.abc import Iterable
from typing import NamedTuple

from .kinds import Fault, FaultError
from .network_faults import ALL, BROKER, NETWORK, network_targets

# A side that hears nothing takes the connection for dead after one and a half keep-alives of 15 s (MQTT 3.1.1, 3.1.2.10).
NOTICED_S = 22.5
REPORT = "/report"  # field hardware keeps dose reports while its link is down, and lets everything else go: assumed
AGAIN_S_MAX = 30.0  # a packet that was not acknowledged is sent again within so long: assumed


class Message(NamedTuple):
    """`topic` below the site's root."""

    topic: str
    payload: bytes
    retain: bool


class Network:
    """The faults of the network, and what they do to a message on one link."""

    def __init__(self, units: Iterable[str], faults: Iterable[Fault], seed: int, start_s: float = 0.0) -> None:
        """Times of `faults` count from `start_s`. Raises FaultError for a kind, target or size that cannot be."""
        targets = network_targets(tuple(units))
        self._faults: dict[tuple[str, str], list[Fault]] = {}
        self._chance = random.Random(f"{seed}/network")
        self._start_s = start_s
        self._newest_s: dict[tuple[str, bool], float] = {}
        for fault in faults:
            if fault.name not in NETWORK:
                raise FaultError(f"fault {fault.name!r} is none of the network; there are {', '.join(NETWORK)}")
            NETWORK[fault.name].refuse(fault, targets[NETWORK[fault.name].on])
            self._faults.setdefault((fault.name, fault.target), []).append(fault)

    def standing(self, name: str, target: str, now_s: float) -> Fault | None:
        """The fault of this name that stands on this target, or on all of its kind."""
        if not self._faults:
            return None
        at_s = now_s - self._start_s
        for fault in (*self._faults.get((name, target), ()), *self._faults.get((name, ALL), ())):
            if fault.start_s <= at_s < fault.end_s:
                return fault
        return None

    def cut(self, link: str, now_s: float) -> Fault | None:
        """Why nothing passes between this link and the broker now: a split, or no broker."""
        for name, target in (("network_split", link), ("broker_down", BROKER), ("broker_forgets", BROKER)):
            if (fault := self.standing(name, target, now_s)) is not None:
                return fault
        return None

    def carry(self, now_s: float, link: str, message: Message, *, up: bool) -> list[tuple[float, Message]]:
        """One message over one link, to the broker (`up`) or from it: when it comes out, and as what; nothing: lost."""
        if not self._faults:
            return [(now_s, message)]
        out_s, cut = now_s, self.cut(link, now_s)
        if cut is not None:
            if not self._waits(cut, now_s, message, up):
                return []
            out_s = cut.end_s + self._start_s
        if up:
            slow = self.standing("broker_slow", BROKER, now_s)
            out_s += 0.0 if slow is None else slow.size
            if self.standing("broker_full", BROKER, now_s) or self._happens("broker_lossy", BROKER, now_s):
                return []
        if self._happens("messages_lost", link, now_s):
            return []
        late = self.standing("messages_late", link, now_s)
        out_s += 0.0 if late is None else late.size
        # One connection keeps its order.
        out_s = self._newest_s[link, up] = max(out_s, self._newest_s.get((link, up), out_s))
        spread = self.standing("messages_reordered", link, now_s)
        out_s += 0.0 if spread is None else self._chance.uniform(0.0, spread.size)
        copies = [(out_s, self._spoilt(now_s, link, message))]
        if self._happens("messages_doubled", link, now_s):
            copies.append((out_s + self._chance.uniform(0.0, AGAIN_S_MAX), message))
        return copies

    def _waits(self, cut: Fault, now_s: float, message: Message, up: bool) -> bool:
        noticed = now_s - self._start_s - cut.start_s >= NOTICED_S
        if up:
            return not noticed or message.topic.endswith(REPORT)
        # The broker lets go of what a connection that turned out to be dead had not taken.
        return not noticed and cut.end_s - cut.start_s < NOTICED_S

    def _happens(self, name: str, target: str, now_s: float) -> bool:
        fault = self.standing(name, target, now_s)
        return fault is not None and self._chance.random() < fault.size

    def _spoilt(self, now_s: float, link: str, message: Message) -> Message:
        payload = message.payload
        if payload and self._happens("messages_cut", link, now_s):
            payload = payload[: self._chance.randrange(len(payload))]
        if payload and self._happens("messages_garbled", link, now_s):
            wrong = bytearray(payload)
            for _ in range(self._chance.randint(1, 3)):
                wrong[self._chance.randrange(len(wrong))] = self._chance.randrange(256)
            payload = bytes(wrong)
        return message if payload is message.payload else message._replace(payload=payload)


class Way:
    """A stream through the network in one direction: `put` what is said, `take` what has come out by now, in order."""

    def __init__(self, network: Network, *, up: bool) -> None:
        self._network, self._up = network, up
        self._under_way: list[tuple[float, int, Message]] = []
        self._count = 0

    def put(self, now_s: float, link: str, message: Message) -> None:
        for out_s, copy in self._network.carry(now_s, link, message, up=self._up):
            self._count += 1
            heapq.heappush(self._under_way, (out_s, self._count, copy))

    def take(self, now_s: float) -> list[Message]:
        out = []
        while self._under_way and self._under_way[0][0] <= now_s:
            out.append(heapq.heappop(self._under_way)[2])
        return out
