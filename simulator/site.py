"""The whole plant of a site in one deterministic object: no clock, no network, no chance but the seed's.

`advance` moves simulated time, `deliver` hands in a message, `outbox` holds what the hardware and the crew said, in
order. Same site, seed, messages and instants in, same messages out, byte for byte.
"""

import random
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from . import wire
from .analyser import Analyser
from .assumed import AIR_CO2_PCT, AIR_O2_PCT, Assumptions, Cadence
from .crew import Crew, Schedule, sealing_in_turn
from .faults import Fault, FaultBoard
from .fruit import Fruit, respiration_nl_kg_h
from .gas import Enclosure
from .permits import RoomPermit
from .piping import Piping
from .room import Room
from .scheduler import Scheduler
from .sitefile import EnclosureSpec, read_site
from .sources import Source
from .units import Epoch, Unit
from .valves import Valve

# An enclosure without gas flowing is brought up to date at least this often for its room's sake.
QUIET_S = 60.0


class Plant:
    """All hardware of a site. Times are simulated Unix seconds; topics are below the site's root."""

    def __init__(
        self, site: Mapping[str, Any], seed: int, *, start_s: float = 1_772_323_200.0, boot: str = "boot",
        crew: Schedule | None = None, faults: Iterable[Fault] = (), assumptions: Assumptions | None = None,
        cadence: Cadence | None = None, epoch_seen: int = 0,
    ) -> None:
        """`site` is the site file as a dict. `crew` None seals in turn; `Schedule()` does nothing.

        Raises SiteFileError or FaultError naming what is wrong.
        """
        self.spec = read_site(site)
        self.outbox: list[tuple[str, dict[str, Any], bool]] = []
        self.dropped: Counter[str] = Counter()
        self._seed = seed
        self._assumed = assumptions or Assumptions()
        self._scheduler = Scheduler(round(start_s * 1000))
        self._start_ms = self._scheduler.now_ms
        self.faults = FaultBoard(self.spec, faults, self._scheduler, self._fault_changed)
        self._build_units(boot, Epoch(epoch_seen))
        self._build_gas()
        self._build_dosing()
        self._build_analysers()
        schedule = sealing_in_turn(one.id for one in self.spec.enclosures) if crew is None else crew
        self.crew = Crew(schedule, boot, self._scheduler, self._send, self.close_bag, self.open_bag)
        self._speak(cadence or Cadence())

    # ---- the plant from outside

    @property
    def now_s(self) -> float:
        """Simulated Unix seconds."""
        return self._scheduler.now_ms / 1000.0

    def advance(self, to_s: float) -> None:
        """Let everything up to an instant happen; an earlier instant changes nothing."""
        self._scheduler.run_until(round(to_s * 1000))

    def take(self) -> list[tuple[str, dict[str, Any], bool]]:
        """What was said since last taken: (topic below the root, payload, retain)."""
        said, self.outbox = self.outbox, []
        return said

    def deliver(self, topic: str, payload: bytes | str, retained: bool = False) -> None:
        """Hand in a message from the supervisor. One that cannot be read is counted in `dropped`, no more."""
        try:
            self._dispatch(topic.split("/"), wire.parse(payload), retained)
        except wire.WireError as why:
            self.dropped[f"{topic}: {why}"] += 1

    def gas(self, enclosure: str) -> tuple[float, float]:
        """The truth: oxygen and CO2 in an enclosure now, percent."""
        self._bring(enclosure)
        inside = self.enclosures[enclosure]
        return inside.o2_pct, inside.co2_pct

    def close_bag(self, enclosure: str) -> None:
        """A person seals the bag over the air it stands in. An unknown enclosure is counted and changes nothing."""
        self._move_bag(enclosure, opened=False)

    def open_bag(self, enclosure: str) -> None:
        """A person opens the bag: its gas spills into the room."""
        self._move_bag(enclosure, opened=True)

    # ---- building

    def _build_units(self, boot: str, epoch: Epoch) -> None:
        self.units = {one: Unit(one, f"{boot}-1", epoch, self._scheduler, self.faults, self._send)
                      for one in self.spec.units}

    def _build_gas(self) -> None:
        assumed = self._assumed
        self.rooms = {one.id: Room(one.volume_m3, one.ventilation_m3_h, 0.0) for one in self.spec.rooms}
        self.enclosures: dict[str, Enclosure] = {}
        self._room_of = {one.id: one.room for one in self.spec.enclosures}
        self._leak_nl_min: dict[str, float] = {}
        for one in self.spec.enclosures:
            per_day = self._chance(f"leak/{one.id}").uniform(assumed.leak_per_day_min, assumed.leak_per_day_max)
            self._leak_nl_min[one.id] = one.free_volume_nl * per_day / 1440.0
            fruit = Fruit(one.fruit_kg, respiration_nl_kg_h(one.crop, assumed.fruit_c), assumed.fruit_c,
                          dissolves=assumed.co2_dissolves)
            inside = Enclosure(one.free_volume_nl, fruit, 0.0, AIR_O2_PCT, AIR_CO2_PCT,
                               leak_nl_min=self._leak_nl_min[one.id], relief_fill=assumed.relief_fill,
                               draw_fill=assumed.draw_fill)
            inside.open = True
            self.enclosures[one.id] = inside
        self._in_room = {room.id: [(one.id, self.enclosures[one.id]) for one in self.spec.enclosures
                                   if one.room == room.id] for room in self.spec.rooms}

    def _build_dosing(self) -> None:
        self.sources = {one.id: Source(one, self.units[one.unit], self._scheduler, self.faults)
                        for one in self.spec.sources}
        self.valves: dict[str, Valve] = {}
        self._permits: dict[str, dict[str, RoomPermit]] = {room.id: {} for room in self.spec.rooms}
        for one in self.spec.enclosures:
            permit = self._permits[one.room].get(one.unit)
            if permit is None:
                unit = self.units[one.unit]
                permit = RoomPermit(unit, self._scheduler, self._cutter(one.room, one.unit))
                self._permits[one.room][one.unit] = permit
            for gas, source in one.sources.items():
                largest = one.flow_nl_min_max.get(gas, self.sources[source].capacity_nl_min)
                self.valves[f"{one.id}/{gas}"] = Valve(one.id, gas, largest, source, self.units[one.unit], permit,
                                                       self._scheduler, self.faults)
        self._piping = Piping(self._scheduler, self.faults, self.sources, self.valves, self.enclosures, self._room_of,
                              self.rooms, self._bring, self._elapsed_s)

    def _build_analysers(self) -> None:
        self._enclosure_of_line = {one.line: one.id for one in self.spec.enclosures if one.line}
        self.analysers: dict[str, Analyser] = {}
        for one in self.spec.analysers:
            self.analysers[one.id] = Analyser(
                one, self.units[one.unit], self._scheduler, self.faults, self._assumed,
                self._chance(f"analyser/{one.id}"), self._inlet_of(one.lines), self._draw)

    # ---- messages in

    def _dispatch(self, topic: list[str], body: dict[str, Any], retained: bool) -> None:
        match topic:
            case ["dosing", enclosure, gas, "request" | "stop" as what]:
                valve = self.valves.get(f"{enclosure}/{gas}")
                if valve is None or valve.unit.off:
                    self.dropped["no such valve" if valve is None else "unit off"] += 1
                elif what == "request":
                    valve.request(wire.request(body), retained)
                else:
                    valve.stop(wire.stop(body), retained)
            case ["room", room, "permit"]:
                permit = wire.permit(body)
                for unit, held in self._permits.get(room, {}).items():
                    why = "unit off" if self.units[unit].off else held.receive(permit, retained)
                    if why:
                        self.dropped[f"permit {why}"] += 1
            case ["sampling", analyser, "select"]:
                one = self.analysers.get(analyser)
                why = "unknown analyser" if one is None else one.select(wire.select(body), retained)
                if why:
                    self.dropped[f"select {why}"] += 1
            case ["operator", "outcome"]:
                self.crew.hear_outcome(body)
            case ["alarm", _]:
                self.crew.hear_alarm(body)
            case _:
                self.dropped["other topic"] += 1

    # ---- messages out

    def _speak(self, cadence: Cadence) -> None:
        """Plan everything that is sent on a beat, spread over each period so that it comes evenly."""
        self._beats(cadence.status_s, [unit.heartbeat for unit in self.units.values()])
        self._beats(cadence.source_s, [source.tell for source in self.sources.values()])
        self._beats(cadence.reading_s, [analyser.read for analyser in self.analysers.values()])
        self._beats(cadence.air_s, [self._air_teller(room.id) for room in self.spec.rooms])
        self._beats(cadence.climate_s, [self._climate_teller(room.id) for room in self.spec.rooms])
        self._beats(cadence.flow_s, [valve.tell_flow for valve in self.valves.values()])
        self._beats(cadence.bag_s, [self._bag_teller(one) for one in self.spec.enclosures])
        self._beats(cadence.pulp_s, [self._pulp_teller(one) for one in self.spec.enclosures])

    def _beats(self, period_s: float, acts: list[Callable[[], None]]) -> None:
        period_ms = round(period_s * 1000)
        for i, act in enumerate(acts):
            self._scheduler.every(self._start_ms + i * period_ms // len(acts), period_ms, act)

    def _air_teller(self, room_id: str) -> Callable[[], None]:
        room, inside, assumed = self.rooms[room_id], self._in_room[room_id], self._assumed
        spec = next(one for one in self.spec.rooms if one.id == room_id)
        sensors = [(f"{room_id}/{s.id}", f"room/{room_id}/air/{s.id}", self.units[s.unit],
                    self._chance(f"air/{room_id}/{s.id}").gauss) for s in spec.sensors]
        seq = 0

        def tell() -> None:
            nonlocal seq
            seq += 1
            now_s = self._elapsed_s()
            for enclosure_id, enclosure in inside:
                if enclosure.inflow_nl_min > 0.0 or now_s - enclosure.time_s >= QUIET_S:
                    self._bring(enclosure_id)
            room.advance(now_s)
            for name, topic, unit, gauss in sensors:
                if self.faults.stands("sensor_silent", name):
                    continue
                unit.send(topic, {
                    "observed_at": unit.stamp(), "seq": seq,
                    "o2_pct": round(room.o2_pct + gauss(0.0, assumed.room_o2_noise_pct), 3),
                    "co2_pct": round(max(0.0, room.co2_pct + gauss(0.0, assumed.room_co2_noise_pct)), 4),
                    "status": "fault" if self.faults.stands("sensor_fault", name) else "ok",
                })

        return tell

    def _climate_teller(self, room_id: str) -> Callable[[], None]:
        spec = next(one for one in self.spec.rooms if one.id == room_id)
        unit = self.units[spec.sensors[0].unit if spec.sensors else self.spec.units[0]]
        gauss = self._chance(f"climate/{room_id}").gauss

        def tell() -> None:
            off = self.faults.stands("ventilation_off", room_id)
            unit.send(f"room/{room_id}/climate", {
                "observed_at": unit.stamp(), "temperature_c": round(self._assumed.room_c + gauss(0.0, 0.1), 2),
                "rh_pct": round(min(100.0, self._assumed.room_rh_pct + gauss(0.0, 0.5)), 1),
                "ventilation_m3_h": 0.0 if off else spec.ventilation_m3_h,
            })

        return tell

    def _bag_teller(self, spec: EnclosureSpec) -> Callable[[], None]:
        inside, unit, topic = self.enclosures[spec.id], self.units[spec.unit], f"enclosure/{spec.id}/bag"

        def tell() -> None:
            self._bring(spec.id)
            slack = (self._assumed.relief_fill - 1.0) * inside.nominal_nl
            pressure_pa = self._assumed.relief_pa * (inside.amount_nl - inside.nominal_nl) / slack if slack else 0.0
            unit.send(topic, {"observed_at": unit.stamp(), "pressure_pa": round(pressure_pa, 1),
                              "fill_pct": round(inside.fill_pct, 2)})

        return tell

    def _pulp_teller(self, spec: EnclosureSpec) -> Callable[[], None]:
        fruit, unit, topic = self.enclosures[spec.id].fruit, self.units[spec.unit], f"enclosure/{spec.id}/pulp"
        gauss = self._chance(f"pulp/{spec.id}").gauss

        def tell() -> None:
            unit.send(topic, {"observed_at": unit.stamp(),
                              "temperature_c": round(fruit.temperature_c + gauss(0.0, 0.05), 2)})

        return tell

    # ---- within

    def _elapsed_s(self) -> float:
        return (self._scheduler.now_ms - self._start_ms) / 1000.0

    def _chance(self, name: str) -> random.Random:
        """A stream of chance of its own for each component, so that none disturbs another."""
        return random.Random(f"{self._seed}/{name}")

    def _send(self, topic: str, payload: dict[str, Any], retain: bool) -> None:
        self.outbox.append((topic, payload, retain))

    def _bring(self, enclosure_id: str) -> None:
        """Advance an enclosure to now and let its room have what it let out."""
        room, inside = self.rooms[self._room_of[enclosure_id]], self.enclosures[enclosure_id]
        inside.advance(self._elapsed_s(), room.o2_pct, room.co2_pct)
        room.receive(*inside.take_to_room())

    def _move_bag(self, enclosure_id: str, *, opened: bool) -> None:
        inside = self.enclosures.get(enclosure_id)
        if inside is None:
            self.dropped["the crew found no such enclosure"] += 1
            return
        self._bring(enclosure_id)
        if opened and not inside.open:
            room = self.rooms[self._room_of[enclosure_id]]
            room.receive(inside.amount_nl - inside.nominal_nl,
                         (inside.amount_nl * inside.o2_pct - inside.nominal_nl * room.o2_pct) / 100.0,
                         (inside.amount_nl * inside.co2_pct - inside.nominal_nl * room.co2_pct) / 100.0)
        inside.open = opened
        unit = next(self.units[one.unit] for one in self.spec.enclosures if one.id == enclosure_id)
        unit.send(f"enclosure/{enclosure_id}/closure", {"observed_at": unit.stamp(), "open": opened})

    def _inlet_of(self, lines: Mapping[str, Any]) -> Callable[[str], tuple[float, float]]:
        """What stands at the far end of a line now: an enclosure, a room, calibration gas, or plain air."""

        def inlet(line: str) -> tuple[float, float]:
            enclosure = self._enclosure_of_line.get(line)
            if enclosure is not None:
                return self.gas(enclosure)
            spec = lines.get(line)
            if spec is not None and spec.o2_pct is not None:
                return spec.o2_pct, spec.co2_pct
            if spec is not None and spec.room in self.rooms:
                room = self.rooms[spec.room]
                return room.o2_pct, room.co2_pct
            return AIR_O2_PCT, AIR_CO2_PCT

        return inlet

    def _draw(self, line: str, more_nl_min: float) -> None:
        """An analyser draws more or less from a line."""
        enclosure = self._enclosure_of_line.get(line)
        if enclosure is not None:
            self._bring(enclosure)
            self.enclosures[enclosure].sample_nl_min += more_nl_min

    def _cutter(self, room: str, unit: str) -> Callable[[], None]:
        def cut() -> None:
            for spec in self.spec.enclosures:
                if spec.room == room and spec.unit == unit:
                    for gas in spec.sources:
                        self.valves[f"{spec.id}/{gas}"].cut_if_uncovered()

        return cut

    def _fault_changed(self, fault: Fault) -> None:
        """Let the part of the plant that a fault touches look at it."""
        name, target = fault.name, fault.target
        if name == "leak":
            self._bring(target)
            per_day = self.faults.size(name, target)
            inside = self.enclosures[target]
            inside.leak_nl_min = self._leak_nl_min[target] if per_day is None else inside.nominal_nl * per_day / 1440.0
        elif name == "hose_off":
            self._piping.lead(target.split("/")[0])
        elif name.startswith("valve_"):
            self._piping.rebalance(self.valves[target].source)
        elif name.startswith("source_"):
            self._piping.rebalance(target)
            self.sources[target].tell()
        elif name in ("nitrogen_release", "co2_release"):
            self._piping.lead_room(target)
        elif name == "ventilation_off":
            room, spec = self.rooms[target], next(one for one in self.spec.rooms if one.id == target)
            room.advance(self._elapsed_s())
            off = self.faults.stands(name, target)
            room.ventilation_nl_min = 0.0 if off else spec.ventilation_m3_h * 1000.0 / 60.0
        elif name == "analyser_wrong_line":
            self.analysers[target.split("/")[0]].refresh()
        elif name in ("clock_offset", "unit_off"):
            self._refresh_unit(target)

    def _refresh_unit(self, unit_id: str) -> None:
        unit = self.units[unit_id]
        unit.refresh()
        if unit.off:
            for permits in self._permits.values():
                if unit_id in permits:
                    permits[unit_id].forget()
            for valve in self.valves.values():
                if valve.unit is unit:
                    valve.lose_power()
