"""An ordinary on/off control with a deadband, to compare with. It drives the same plant by the same messages.

It visits every enclosure's line in turn, each half hour as the supervisor does, and waits for the line's transport and
settling. Each gas has its own switch: when a fresh sample is out of the deadband, which is half the band to either side
of the set-point, one fixed dose is given. The dose is what moves that gas in that enclosure from the edge of the deadband
to the set-point by the gas balance, so no gain is wrongly chosen; it only knows nothing of the other gas, of the size of
the error, or of a drift. Oxygen high: nitrogen. Oxygen low: air. CO2 low: CO2. CO2 high: air where oxygen is low, else
nitrogen.
"""

import json
from collections.abc import Iterator
from typing import Any

from simulator.site import Plant
from simulator.stamp import to_text
from supervisor.settings import AIR_CO2_PCT, AIR_O2_PCT, SiteFile
from supervisor.values import Gas

DEADBAND_SHARE = 0.5
ROUND_S = 1800.0
PERMIT_S, PERMIT_VALID_S = 20.0, 45.0
LEASE_S = 120.0
GIVEN_UP_S = 60.0  # over transport and settling


class OnOff:
    """Takes over a plant in which every enclosure holds. `step` after each move of the plant's time."""

    def __init__(self, site: SiteFile, plant: Plant) -> None:
        self._site, self._plant = site, plant
        self._epoch = 1 + max(unit.epoch.seen for unit in plant.units.values())
        self._number = 0
        self._permit_at_s = 0.0
        self._turn = self._turns()
        self._line, self._since_s, self._next_s = "", 0.0, 0.0
        self._doses = {name: dict(self._fixed(name)) for name in site.enclosures}

    def step(self) -> None:
        """Reads what the plant said, gives doses, sends permits, moves the analyser on."""
        now_s = self._plant.now_s
        for topic, body, _ in self._plant.take():
            if topic.startswith("analyser/") and body["line"] == self._line:
                self._read(body, now_s)
        if now_s >= self._permit_at_s:
            self._permit_at_s = now_s + PERMIT_S
            for room in self._site.rooms:
                self._send(f"room/{room}/permit", now_s + PERMIT_VALID_S, dosing_permitted=True, air_permitted=True)
        if now_s >= self._next_s:
            self._visit(now_s)

    def _turns(self) -> Iterator[str]:
        lines = [one.line for one in self._site.enclosure]
        while True:
            yield from lines

    def _visit(self, now_s: float) -> None:
        self._line, self._since_s = next(self._turn), now_s
        self._next_s = now_s + ROUND_S / len(self._site.enclosure)
        line = self._site.lines[self._line]
        until_s = now_s + line.transport_s + line.settling_s + GIVEN_UP_S
        analyser = next(one.id for one in self._site.analyser if line in one.lines)
        self._number += 1
        self._deliver(f"sampling/{analyser}/select", {"request_id": f"onoff-{self._number}", "line": line.id,
                                                      "valid_until": to_text(round(until_s * 1000))})  # fmt: skip

    def _read(self, body: dict[str, Any], now_s: float) -> None:
        line = self._site.lines[self._line]
        if not body["settled"] or body["status"] != "ok" or now_s - self._since_s < line.transport_s + line.settling_s:
            return
        self._line = ""
        self._decide(self._site.enclosure_of_line[line.id], body["o2_pct"], body["co2_pct"])

    def _decide(self, name: str, o2_pct: float, co2_pct: float) -> None:
        recipe = self._site.recipe_of(name)
        o2_off, co2_off = o2_pct - recipe.o2_pct, co2_pct - recipe.co2_pct
        o2_out = abs(o2_off) > DEADBAND_SHARE * recipe.o2_band_pct
        wanted: dict[Gas, None] = {}
        if o2_out:
            wanted["nitrogen" if o2_off > 0 else "air"] = None
        if abs(co2_off) > DEADBAND_SHARE * recipe.co2_band_pct:
            wanted["co2" if co2_off < 0 else "air" if o2_off < 0 else "nitrogen"] = None
        for gas in wanted:
            self._number += 1
            self._send(f"dosing/{name}/{gas}/request", self._plant.now_s + LEASE_S, request_id=f"onoff-{self._number}",
                       volume_nl=self._doses[name][gas], reason="on/off",
                       max_flow_nl_min=self._site.enclosures[name].flow_nl_min_max.of(gas))  # fmt: skip

    def _fixed(self, name: str) -> Iterator[tuple[Gas, float]]:
        recipe, enclosure = self._site.recipe_of(name), self._site.enclosures[name]
        o2_pct, co2_pct = DEADBAND_SHARE * recipe.o2_band_pct, DEADBAND_SHARE * recipe.co2_band_pct
        nitrogen = self._site.source_of(name, "nitrogen")
        yield "nitrogen", enclosure.free_volume_nl * o2_pct / (recipe.o2_pct - nitrogen.o2_pct)  # type: ignore[union-attr]
        yield "air", enclosure.free_volume_nl * o2_pct / (AIR_O2_PCT - recipe.o2_pct)
        yield "co2", enclosure.free_volume_nl * co2_pct / (100.0 - AIR_CO2_PCT - recipe.co2_pct)

    def _send(self, topic: str, until_s: float, **body: Any) -> None:
        self._deliver(topic, {**body, "epoch": self._epoch, "valid_until": to_text(round(until_s * 1000))})

    def _deliver(self, topic: str, body: dict[str, Any]) -> None:
        self._plant.deliver(topic, json.dumps(body))
