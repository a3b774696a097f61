"""The pipes between sources, valves, enclosures and rooms: who gets what flows, and where it ends up."""

from collections.abc import Callable, Mapping

from .sources import Source
from .valves import Valve
from .yard import Yard

Flows = tuple[float, float, float]


class Piping:
    """Shares every source among its valves and leads the gas on."""

    def __init__(self, yard: Yard, sources: Mapping[str, Source], valves: Mapping[str, Valve]) -> None:
        self._yard, self._sources = yard, sources
        self._on_source: dict[str, list[Valve]] = {one: [] for one in sources}
        self._into: dict[str, list[Valve]] = {one: [] for one in yard.enclosures}
        self._astray: dict[str, Flows] = {}
        self._plans = dict.fromkeys(sources, 0)
        self._swapped: dict[str, str] = {}  # by enclosure, the other one whose hoses end there
        for valve in valves.values():
            self._on_source[valve.source].append(valve)
            self._into[valve.enclosure].append(valve)
            valve.demand_changed = self._rebalancer(valve.source)
            valve.source_available = self._availability(valve.source)

    def rebalance(self, source_id: str) -> None:
        """Share a source anew, after a valve moved or the source changed."""
        source, valves = self._sources[source_id], self._on_source[source_id]
        flows = source.share([valve.demand_nl_min() for valve in valves])
        touched: dict[str, None] = {}
        for valve, flow in zip(valves, flows, strict=True):
            if flow > 0.0 or valve.flow_nl_min > 0.0:
                touched[self._swapped.get(valve.enclosure, valve.enclosure)] = None
            valve.set_flow(flow)
        for enclosure_id in touched:
            self.lead(enclosure_id)
        self._plans[source_id] += 1
        plan, lasts_ms = self._plans[source_id], source.lasts_ms()
        if lasts_ms is not None:
            self._yard.scheduler.at(self._yard.scheduler.now_ms + lasts_ms, lambda: self._turned(source_id, plan))

    def lead(self, enclosure_id: str) -> None:
        """Lead what flows for one enclosure into it, or into its room where a hose is off."""
        enclosure = self._yard.bring(enclosure_id)
        inside, astray = (0.0, 0.0, 0.0), (0.0, 0.0, 0.0)
        for valve in self._into[self._swapped.get(enclosure_id, enclosure_id)]:
            if valve.flow_nl_min <= 0.0:
                continue
            o2_pct, co2_pct = self._sources[valve.source].composition
            flow = valve.flow_nl_min
            gas = (flow, flow * o2_pct / 100.0, flow * co2_pct / 100.0)
            if self._yard.faults.stands("hose_off", valve.name):
                astray = _sum(astray, gas)
            else:
                inside = _sum(inside, gas)
        enclosure.set_inflow(*inside)
        if astray != self._astray.get(enclosure_id, (0.0, 0.0, 0.0)):
            self._astray[enclosure_id] = astray
            self.lead_room(self._yard.enclosure_specs[enclosure_id].room)

    def refresh_hoses(self, pair: str) -> None:
        """Look at the faults again for two enclosures whose hoses may be on each other."""
        one, _, other = pair.partition("+")
        swapped = self._yard.faults.stands("hoses_swapped", pair)
        for here, there in ((one, other), (other, one)):
            self._swapped.pop(here, None)
            if swapped:
                self._swapped[here] = there
        for here in (one, other):
            self.lead(here)

    def lead_room(self, room_id: str) -> None:
        """Everything that flows straight into a room: loose hoses and releases."""
        room = self._yard.rooms[room_id]
        room.advance(self._yard.elapsed_s())
        nitrogen = self._yard.faults.size("nitrogen_release", room_id) or 0.0
        co2 = self._yard.faults.size("co2_release", room_id) or 0.0
        release = (nitrogen + co2, 0.0, co2)
        for enclosure_id, astray in self._astray.items():
            if self._yard.enclosure_specs[enclosure_id].room == room_id:
                release = _sum(release, astray)
        room.release = release

    def teller(self, source_id: str) -> Callable[[], None]:
        """Says a source's status; gas that changes by itself is led on as it is now."""
        source = self._sources[source_id]

        def tell() -> None:
            source.tell()
            if source.settling and source.flow_nl_min > 0.0:
                self.rebalance(source_id)

        return tell

    def _turned(self, source_id: str, plan: int) -> None:
        """The moment at which a stock, a buffer or a vaporiser may have come to its end, unless the flow has changed since."""
        if plan == self._plans[source_id]:
            self.rebalance(source_id)
            self._sources[source_id].tell()

    def _rebalancer(self, source_id: str) -> Callable[[], None]:
        return lambda: self.rebalance(source_id)

    def _availability(self, source_id: str) -> Callable[[], bool]:
        return lambda: self._sources[source_id].available


def _sum(one: Flows, other: Flows) -> Flows:
    return one[0] + other[0], one[1] + other[1], one[2] + other[2]
