"""The load generator, a process of its own. Bounded in count and in time; loopback only.

`python -m tests.benchmarks.load JSON`, where JSON is {host, port, site (file), target (echo|supervisor), mode (flood|paced),
count, seconds, per_s, held, fresh}. Prints one line of JSON: readings per second, latencies in ms, what was left unanswered.

A reading is answered by an echo, or by the `enclosure/+/state` that shows it. flood: as fast as answers come, `WINDOW`
readings unanswered at most. paced: `per_s` readings a second; some of them are the first samples of enclosures just sealed,
which the supervisor answers with a dosing request as well: those latencies are given apart.
"""

import json
import sys
import time
from collections import deque
from pathlib import Path
from typing import Any

from simulator.sitefile import load_site
from tests.benchmarks.hardware import SETPOINT_CODES, Hardware
from tests.benchmarks.raw_mqtt import RawClient

WINDOW = 400
WARM_UP = 500
UNANSWERED_S_MAX = 20.0
SET_UP_S_MAX = 40.0
FRESH_O2_OFF_PCT = 0.4  # above set-point: more than arrives at once, little enough for one or two leases


class Load:
    """One run."""

    def __init__(self, asked: dict[str, Any]) -> None:
        self.asked = asked
        site = load_site(Path(asked["site"]))
        root = f"stillhold/{site['site']['id']}"
        tails = ["echo"] if asked["target"] == "echo" else ["enclosure/+/state", "dosing/+/+/request", "room/+/permit"]
        self.client = RawClient(asked["host"], asked["port"], f"load-{time.time_ns()}", [f"{root}/{one}" for one in tails])
        self.hardware = Hardware(self.client, site)
        names = list(self.hardware.setpoints)
        self.held, self.fresh = names[: asked["held"]], names[asked["held"] : asked["held"] + asked["fresh"]]
        self.open: dict[str, deque[tuple[int, float]]] = {name: deque() for name in names}
        self.of_line = {line: name for name, line in self.hardware.line_of.items()}
        self.unanswered = self.answered = 0
        self.echoing = False
        self.first_sent_s: dict[str, float] = {}
        self.state_ms: list[float] = []
        self.request_ms: list[float] = []
        self.states: dict[str, str] = {}
        self.permitted: set[str] = set()
        self._next_code = dict.fromkeys(names, 0)
        self._root = root + "/"

    # ---- before

    def set_up(self) -> None:
        """Every held enclosure sealed and held, every fresh one sealed, every room permitted."""
        end_s = time.monotonic() + SET_UP_S_MAX
        if self.asked["target"] == "echo":
            while not self.echoing:
                self.hardware.reading(self.held[0], 0)
                self._listen(0.2, end_s)
            self._listen(1.0, end_s)
            return
        rooms = {room.id for room in self.hardware.spec.rooms}
        while self.permitted < rooms:
            self.hardware.be_well(at_once=True)
            self._listen(0.5, end_s)
        for name in (*self.held, *self.fresh):
            self.hardware.seal(name)
        while any(self.states.get(name) == "filling" for name in (*self.held, *self.fresh)):
            self._listen(0.1, end_s)
        while any(self.states.get(name) != "holding" for name in self.held):
            for name in self.held:
                self.hardware.reading(name, SETPOINT_CODES // 2)
            self._listen(0.5, end_s)

    def _listen(self, seconds: float, end_s: float) -> None:
        if time.monotonic() > end_s:
            raise TimeoutError(f"the site was not ready within {SET_UP_S_MAX:g} s: {self.states}, permits {self.permitted}")
        until_s = time.monotonic() + seconds
        while (left_s := until_s - time.monotonic()) > 0:
            self.client.flush()
            self._take(left_s)
        self.client.flush()

    # ---- during

    def flood(self) -> float:
        """Readings per second."""
        self._flood(WARM_UP, self.asked["seconds"])
        self.state_ms.clear()
        began_s = time.perf_counter()
        return self._flood(self.asked["count"], self.asked["seconds"]) / (time.perf_counter() - began_s)

    def _flood(self, count: int, seconds: float) -> int:
        """Sends `count`, or as many as get through in `seconds`; returns how many, once all are answered."""
        sent, answered, answered_s = 0, self.answered, time.monotonic()
        end_s = answered_s + seconds
        while (sending := sent < count and time.monotonic() < end_s) or self.unanswered:
            while sending and sent < count and self.unanswered < WINDOW:
                self._send(self.held[sent % len(self.held)])
                sent += 1
            self._well()
            self.client.flush()
            self._take(1.0)
            if self.answered != answered:
                answered, answered_s = self.answered, time.monotonic()
            elif time.monotonic() - answered_s > UNANSWERED_S_MAX:
                raise TimeoutError(f"{self.unanswered} readings had no answer within {UNANSWERED_S_MAX:g} s")
        self.client.flush()
        return sent

    def paced(self) -> None:
        count, gap_s = self.asked["count"], 1.0 / self.asked["per_s"]
        every = count // (len(self.fresh) + 1) if self.fresh else count + 1
        fresh = deque(self.fresh)
        began_s = time.perf_counter()
        for number in range(count):
            due_s = began_s + number * gap_s
            while (left_s := due_s - time.perf_counter()) > 0:
                self._take(left_s)
                self.client.flush()
            if fresh and number % every == every - 1:
                self._send(fresh.popleft(), FRESH_O2_OFF_PCT)
            else:
                self._send(self.held[number % len(self.held)])
            self._well()
            self.client.flush()
        end_s = time.monotonic() + UNANSWERED_S_MAX
        while (self.unanswered or self.first_sent_s) and time.monotonic() < end_s:
            self._take(0.2)
            self.client.flush()

    def _well(self) -> None:
        if self.asked["target"] == "supervisor":
            self.hardware.be_well()

    def _send(self, name: str, o2_off_pct: float = 0.0) -> None:
        code = self._next_code[name]
        self._next_code[name] = (code + 1) % SETPOINT_CODES
        self.hardware.reading(name, code, o2_off_pct)
        sent_s = time.perf_counter()
        if o2_off_pct:
            self.first_sent_s[name] = sent_s
            if self.asked["target"] == "supervisor":
                return
        self.open[name].append((code, sent_s))
        self.unanswered += 1

    def _take(self, wait_s: float) -> None:
        for topic, payload in self.client.take(wait_s):
            levels = topic.removeprefix(self._root).split("/")
            body = json.loads(payload)
            if levels[0] == "echo":
                self.echoing = True
                self._answered(self.of_line[body["line"]], None)
            elif levels[-1] == "state":
                self.states[levels[1]] = body["state"]
                if body["o2_pct"] is not None:
                    self._answered(levels[1], self.hardware.code_of(levels[1], body["o2_pct"]))
            elif levels[-1] == "request":
                self._requested(levels[1], levels[2], body)
            elif levels[-1] == "permit" and body["dosing_permitted"]:
                self.permitted.add(levels[1])

    def _answered(self, name: str, code: int | None) -> None:
        """An answer is for the reading with its code and all before it; without a code, for the oldest."""
        waiting = self.open[name]
        if not waiting or (code is not None and all(one != code for one, _ in waiting)):
            return
        now_s = time.perf_counter()
        while waiting:
            one, sent_s = waiting.popleft()
            self.unanswered -= 1
            self.answered += 1
            self.state_ms.append((now_s - sent_s) * 1000.0)
            if code is None or one == code:
                return

    def _requested(self, name: str, gas: str, body: dict[str, Any]) -> None:
        sent_s = self.first_sent_s.pop(name, None)
        if sent_s is not None:
            self.request_ms.append((time.perf_counter() - sent_s) * 1000.0)
        self.hardware.deliver(name, gas, body)


def main(asked: dict[str, Any]) -> None:
    load = Load(asked)
    load.set_up()
    per_s = None
    if asked["mode"] == "flood":
        per_s = load.flood()
    else:
        load.paced()
    load.client.close()
    print(json.dumps({"per_s": per_s, "state_ms": load.state_ms, "request_ms": load.request_ms,
                      "unanswered": load.unanswered + (len(load.first_sent_s) if asked["target"] == "supervisor" else 0)}))


if __name__ == "__main__":
    main(json.loads(sys.argv[1]))
