"""The whole plant of a site in one deterministic object: no clock, no network, no chance but the seed's.

`advance` moves simulated time, `deliver` hands in a message, `outbox` holds what the hardware and the crew said, in
order. Same site, seed, messages and instants in, same messages out, byte for byte.
"""

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from . import wire
from .analyser import Analyser
from .assumed import AIR_CO2_PCT, AIR_O2_PCT, Assumptions, Cadence
from .crew import Crew, Schedule, sealing_in_turn
from .faults import Fault, FaultBoard
from .gas import Enclosure
from .permits import RoomPermit
from .piping import Piping
from .room import Room
from .scheduler import Scheduler
from .signing import CrewKey
from .sitefile import AnalyserSpec, GasSpec, read_site
from .sources import Source
from .telemetry import air_teller, bag_teller, climate_teller, pulp_teller, spread
from .units import Epoch, Unit
from .valves import Valve
from .yard import Yard


class Plant:
    """All hardware of a site. Times are simulated Unix seconds; topics are below the site's root."""

    def __init__(
        self,
        site: Mapping[str, Any],
        seed: int,
        *,
        start_s: float = 1_772_323_200.0,
        boot: str = "boot",
        crew: Schedule | None = None,
        crew_key: CrewKey | None = None,
        faults: Iterable[Fault] = (),
        assumptions: Assumptions | None = None,
        cadence: Cadence | None = None,
        epoch_seen: int = 0,
        tell: Callable[[Fault, bool], None] | None = None,
    ) -> None:
        """`site` is the site file as a dict. `crew` None seals in turn; `Schedule()` does nothing.
        The crew signs its commands with `crew_key`. `tell` hears of each fault that begins (True) or ends.

        Raises SiteFileError or FaultError naming what is wrong.
        """
        self.spec = read_site(site)
        self.outbox: list[tuple[str, dict[str, Any], bool]] = []
        self.dropped: Counter[str] = Counter()
        self._tell = tell
        self._scheduler = scheduler = Scheduler(round(start_s * 1000))
        self.faults = FaultBoard(self.spec, faults, scheduler, self._fault_changed)
        epoch = Epoch(epoch_seen)
        self.units = {one: Unit(one, f"{boot}-1", epoch, scheduler, self.faults, self._send) for one in self.spec.units}
        self._yard = Yard(self.spec, seed, scheduler, self.faults, self.units, assumptions or Assumptions())
        self._build_dosing()
        enclosure_of_line = {one.line: one.id for one in self.spec.enclosures if one.line}
        self.analysers = {one.id: self._analyser(one, enclosure_of_line) for one in self.spec.analysers}
        schedule = sealing_in_turn(one.id for one in self.spec.enclosures) if crew is None else crew
        room_of = {one.id: one.room for one in self.spec.enclosures}
        self.crew = Crew(schedule, boot, scheduler, self._send, self.close_bag, self.open_bag, crew_key, room_of)
        self._speak(cadence or Cadence())

    # ---- the plant from outside

    @property
    def now_s(self) -> float:
        """Simulated Unix seconds."""
        return self._scheduler.now_ms / 1000.0

    @property
    def enclosures(self) -> Mapping[str, Enclosure]:
        """The truth about each enclosure, as of its own last step; `gas` brings one to now."""
        return self._yard.enclosures

    @property
    def rooms(self) -> Mapping[str, Room]:
        """The truth about each room's air, as of its own last step."""
        return self._yard.rooms

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
        """The truth: oxygen and CO2 in an enclosure now, percent. Raises KeyError for an unknown one."""
        inside = self._yard.bring(enclosure)
        return inside.o2_pct, inside.co2_pct

    def close_bag(self, enclosure: str) -> None:
        """A person seals the bag over the air it stands in. An unknown enclosure is counted and changes nothing."""
        self._move_bag(enclosure, opened=False)

    def open_bag(self, enclosure: str) -> None:
        """A person opens the bag: its gas spills into the room. An unknown enclosure is counted."""
        self._move_bag(enclosure, opened=True)

    # ---- building

    def _build_dosing(self) -> None:
        scheduler = self._scheduler
        self.sources = {one.id: Source(one, self.units[one.unit], scheduler, self.faults) for one in self.spec.sources}
        self.valves: dict[str, Valve] = {}
        self._permits: dict[str, dict[str, RoomPermit]] = {room.id: {} for room in self.spec.rooms}
        for one in self.spec.enclosures:
            unit, permits = self.units[one.unit], self._permits[one.room]
            if one.unit not in permits:
                permits[one.unit] = RoomPermit(unit, scheduler, self._cutter(one.room, one.unit))
            for gas, source in one.sources.items():
                largest = one.flow_nl_min_max.get(gas, self.sources[source].capacity_nl_min)
                self.valves[f"{one.id}/{gas}"] = Valve(
                    one.id, gas, largest, source, unit, permits[one.unit], scheduler, self.faults
                )
        self._piping = Piping(self._yard, self.sources, self.valves)

    def _analyser(self, spec: AnalyserSpec, enclosure_of_line: Mapping[str, str]) -> Analyser:
        """An analyser whose lines reach an enclosure, a room, calibration gas, or else plain air."""
        yard = self._yard

        def inlet(line: str) -> tuple[float, float]:
            enclosure, own = enclosure_of_line.get(line), spec.lines.get(line)
            if enclosure is not None:
                return self.gas(enclosure)
            if own is not None and own.gas is not None:
                return self._from_cylinder(own.gas)
            if own is not None and own.room in yard.rooms:
                return yard.rooms[own.room].o2_pct, yard.rooms[own.room].co2_pct
            return AIR_O2_PCT, AIR_CO2_PCT

        def draw(line: str, more_nl_min: float) -> None:
            enclosure = enclosure_of_line.get(line)
            if enclosure is not None:
                yard.bring(enclosure).sample_nl_min += more_nl_min

        return Analyser(
            spec,
            self.units[spec.unit],
            self._scheduler,
            self.faults,
            yard.assumed,
            yard.chance(f"analyser/{spec.id}"),
            inlet,
            draw,
        )

    def _from_cylinder(self, gas: GasSpec) -> tuple[float, float]:
        """What comes out of a cylinder of calibration gas."""
        if self.faults.stands("calibration_gas_empty", gas.id):
            return AIR_O2_PCT, AIR_CO2_PCT
        wrong_o2_pct = self.faults.size("calibration_gas_wrong", gas.id)
        return gas.o2_pct if wrong_o2_pct is None else wrong_o2_pct, gas.co2_pct

    def _cutter(self, room: str, unit: str) -> Callable[[], None]:
        covered = [
            f"{one.id}/{gas}" for one in self.spec.enclosures if one.room == room and one.unit == unit for gas in one.sources
        ]

        def cut() -> None:
            for valve in covered:
                self.valves[valve].cut_if_uncovered()

        return cut

    def _speak(self, cadence: Cadence) -> None:
        yard, spec = self._yard, self.spec
        spread(yard, cadence.status_s, [unit.heartbeat for unit in self.units.values()])
        spread(yard, cadence.source_s, [self._piping.teller(source) for source in self.sources])
        spread(yard, cadence.reading_s, [analyser.read for analyser in self.analysers.values()])
        spread(yard, cadence.air_s, [air_teller(yard, one) for one in spec.rooms])
        spread(yard, cadence.climate_s, [climate_teller(yard, one) for one in spec.rooms])
        spread(yard, cadence.flow_s, [valve.tell_flow for valve in self.valves.values()])
        spread(yard, cadence.bag_s, [bag_teller(yard, one) for one in spec.enclosures])
        spread(yard, cadence.pulp_s, [pulp_teller(yard, one) for one in spec.enclosures])

    # ---- messages and faults

    def _send(self, topic: str, payload: dict[str, Any], retain: bool) -> None:
        self.outbox.append((topic, payload, retain))

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
                    self._count(f"permit: {unit}", held.receive(permit, retained))
            case ["sampling", analyser, "select"]:
                one = self.analysers.get(analyser)
                self._count("select", "unknown analyser" if one is None else one.select(wire.select(body), retained))
            case ["operator", "outcome"]:
                self.crew.hear_outcome(body)
            case ["alarm", _]:
                self.crew.hear_alarm(body)
            case _:
                self.dropped["other topic"] += 1

    def _count(self, what: str, why_not: str | None) -> None:
        if why_not is not None:
            self.dropped[f"{what}: {why_not}"] += 1

    def _move_bag(self, enclosure_id: str, *, opened: bool) -> None:
        if enclosure_id in self._yard.enclosures:
            self._yard.move_bag(enclosure_id, opened=opened)
        else:
            self.dropped["the crew found no such enclosure"] += 1

    def _fault_changed(self, fault: Fault) -> None:
        """Let the part of the plant that a fault touches look at the faults again; the others ask when they act."""
        target = fault.target
        if self._tell is not None:
            self._tell(fault, self.faults.stands(fault.name, target))
        match fault.name:
            case "leak" | "bag_torn":
                self._yard.refresh_leak(target)
            case "hoses_swapped":
                self._piping.refresh_hoses(target)
            case "refrigeration_off":
                self._yard.weather(target)
            case "people_unsigned":
                self._yard.tell_door(target)
            case "person_alone" | "person_overdue":
                self.crew.go_in(target, fault) if self.faults.stands(fault.name, target) else self.crew.come_out(target, fault)
            case "ventilation_off":
                self._yard.refresh_ventilation(target)
            case "hose_off":
                self._piping.lead(target.split("/")[0])
            case "valve_stuck_open" | "valve_stuck_shut" | "hose_kinked" | "report_false":
                self._piping.rebalance(self.valves[target].source)
            case "stock_empty":
                self.sources[target].exchange_stock()
                self._piping.rebalance(target)
                self.sources[target].tell()
            case "source_off" | "source_weak" | "source_impure" | "compressor_weak" | "vaporiser_cold" | "supply_leak":
                self._piping.rebalance(target)
                self.sources[target].tell()
            case "nitrogen_release" | "co2_release":
                self._piping.lead_room(target)
            case "analyser_wrong_line":
                self.analysers[target.split("/")[0]].refresh()
            case "clock_offset" | "clock_drift" | "clock_frozen" | "unit_off":
                self._refresh_unit(self.units[target])

    def _refresh_unit(self, unit: Unit) -> None:
        unit.refresh()
        if unit.off:
            for permits in self._permits.values():
                if unit.id in permits:
                    permits[unit.id].forget()
            for valve in self.valves.values():
                if valve.unit is unit:
                    valve.lose_power()
