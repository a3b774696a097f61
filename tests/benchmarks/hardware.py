"""A site's hardware as far as a load test needs it: heartbeats, room air, sources, valves that deliver at once, a crew
that seals. Speaks the contract by itself; the site's lines have no delay, so each reading is a sample.
"""

import json
import time
from collections import deque
from collections.abc import Iterator
from typing import Any

from simulator.sitefile import read_site
from simulator.stamp import to_text
from tests.benchmarks.raw_mqtt import RawClient
from tests.benchmarks.sites import Site

WELL_EVERY_S = 5.0
SETPOINT_CODES = 100


class Hardware:
    """On a connected client."""

    def __init__(self, client: RawClient, site: Site) -> None:
        self.spec = read_site(site)
        self.client = client
        self.setpoints = {
            one["id"]: next((r["o2_pct"], r["co2_pct"]) for r in site["recipe"] if r["id"] == one["recipe"])
            for one in site["enclosure"]
        }
        self.line_of = {one.id: one.line for one in self.spec.enclosures}
        self.analyser_of = {line: one.id for one in self.spec.analysers for line in one.lines}
        self._seq = dict.fromkeys((one.id for one in self.spec.analysers), 0)
        self._count = 0
        self._boot = f"b{time.time_ns()}"
        self._well = deque(self._wellness())
        self._well_s = time.monotonic()

    def say(self, topic: str, body: dict[str, Any]) -> None:
        body = {"observed_at": now(), **body}
        self.client.publish(f"{self.spec.root}/{topic}", json.dumps(body, separators=(",", ":")).encode())

    def be_well(self, at_once: bool = False) -> None:
        """Heartbeats, room air and sources: as many as are due, spread evenly over `WELL_EVERY_S`; or all at once."""
        passed_s = time.monotonic() - self._well_s
        due = len(self._well) if at_once else min(len(self._well), int(passed_s / WELL_EVERY_S * len(self._well)))
        if due == 0:
            return
        self._well_s = time.monotonic()
        for _ in range(due):
            self._count += 1
            topic, body = self._well[0]
            self._well.rotate(-1)
            self.say(topic, {**body, "seq": self._count} if "/air/" in topic else body)

    def _wellness(self) -> Iterator[tuple[str, dict[str, Any]]]:
        for unit in self.spec.units:
            yield f"hardware/{unit}/status", {"online": True, "boot": self._boot, "epoch_seen": 0}
        for room in self.spec.rooms:
            for sensor in room.sensors:
                yield f"room/{room.id}/air/{sensor.id}", {"o2_pct": 20.9, "co2_pct": 0.05, "status": "ok"}
        for source in self.spec.sources:
            told = {"stock_kg": source.stock_kg, "pressure_kpa": source.pressure_kpa_min, "o2_pct": source.o2_pct}
            told = {key: value for key, value in told.items() if value is not None}
            yield f"source/{source.id}/status", {"available": True, **told}

    def seal(self, enclosure: str) -> None:
        self.client.publish(f"{self.spec.root}/operator/command", json.dumps(
            {"command_id": f"seal-{enclosure}", "issued_at": now(), "operator": "load", "action": "seal", "target": enclosure}
        ).encode())  # fmt: skip

    def reading(self, enclosure: str, code: int, o2_off_pct: float = 0.0) -> None:
        """A reading at the set-points; `code` (0 to 99) stands in oxygen's thousandths, well inside the deadband, by which
        the state that it leads to can be told."""
        o2_pct, co2_pct = self.setpoints[enclosure]
        line = self.line_of[enclosure]
        analyser = self.analyser_of[line]  # type: ignore[index]
        seq = self._seq[analyser] = self._seq[analyser] + 1
        shown = o2_pct + o2_off_pct + (code - SETPOINT_CODES // 2) / 1000.0
        payload = (
            f'{{"observed_at":"{now()}","boot":"{self._boot}","seq":{seq},"line":"{line}","o2_pct":{shown:.3f},'
            f'"co2_pct":{co2_pct},"settled":true,"status":"ok","corrected":false,"sample_flow_nl_min":1.0}}'
        )
        self.client.publish(f"{self.spec.root}/analyser/{analyser}/reading", payload.encode())

    def code_of(self, enclosure: str, o2_pct: float) -> int:
        return round((o2_pct - self.setpoints[enclosure][0]) * 1000.0) + SETPOINT_CODES // 2

    def deliver(self, enclosure: str, gas: str, request: dict[str, Any]) -> None:
        """What was asked for has gone in."""
        self.say(f"dosing/{enclosure}/{gas}/report", {"request_id": request["request_id"], "outcome": "delivered",
                                                      "delivered_nl": request["volume_nl"], "metered": True})  # fmt: skip


def now() -> str:
    return to_text(time.time_ns() // 1_000_000)
