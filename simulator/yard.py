"""What the parts of a plant share: its time, its chance, its faults, its units, rooms and enclosures."""

import random

from .assumed import AIR_CO2_PCT, AIR_O2_PCT, Assumptions
from .climate import Barometer, Climate, follow
from .faults import FaultBoard
from .fruit import Fruit, q10_of, respiration_nl_kg_h
from .gas import Enclosure
from .room import Room
from .scheduler import Scheduler
from .sitefile import EnclosureSpec, SiteSpec
from .units import Unit

KELVIN = 273.15


class Yard:
    """The gas of a site: every enclosure stands in a room and changes its air. Physical time counts from the start."""

    def __init__(
        self,
        spec: SiteSpec,
        seed: int,
        scheduler: Scheduler,
        faults: FaultBoard,
        units: dict[str, Unit],
        assumed: Assumptions,
    ) -> None:
        self.spec, self.scheduler, self.faults, self.units, self.assumed = spec, scheduler, faults, units, assumed
        self._seed, self._start_ms = seed, scheduler.now_ms
        self.room_specs = {one.id: one for one in spec.rooms}
        self.enclosure_specs = {one.id: one for one in spec.enclosures}
        self.rooms = {one.id: Room(one.volume_m3, one.ventilation_m3_h, 0.0) for one in spec.rooms}
        self.climates = {one.id: Climate(assumed, self.chance(f"cycle/{one.id}")) for one in spec.rooms}
        self._barometer = Barometer(assumed.barometer_swing_pa, self.chance("barometer"))
        self._weather_s = dict.fromkeys(self.climates, 0.0)
        self._own_leak_nl_min = {one.id: self._own_leak(one) for one in spec.enclosures}
        self.enclosures = {one.id: self._enclosure(one) for one in spec.enclosures}
        self._room_of = {one.id: self.rooms[one.room] for one in spec.enclosures}

    def elapsed_s(self) -> float:
        """Simulated seconds since the start."""
        return (self.scheduler.now_ms - self._start_ms) / 1000.0

    def chance(self, name: str) -> random.Random:
        """A stream of chance of its own for each component, so that none disturbs another."""
        return random.Random(f"{self._seed}/{name}")

    def bring(self, enclosure_id: str) -> Enclosure:
        """Advance an enclosure to now, letting its room have what it let out."""
        room, inside = self._room_of[enclosure_id], self.enclosures[enclosure_id]
        inside.advance(self.elapsed_s(), room.o2_pct, room.co2_pct)
        room.receive(*inside.take_to_room())
        return inside

    def move_bag(self, enclosure_id: str, *, opened: bool) -> None:
        """Seal a bag over the room air in it, or open it: its gas then spills into the room."""
        inside = self.bring(enclosure_id)
        if opened and not inside.open:
            room = self._room_of[enclosure_id]
            room.receive(
                inside.amount_nl - inside.nominal_nl,
                (inside.amount_nl * inside.o2_pct - inside.nominal_nl * room.o2_pct) / 100.0,
                (inside.amount_nl * inside.co2_pct - inside.nominal_nl * room.co2_pct) / 100.0,
            )
        if inside.open and not opened and self.assumed.arrives_c is not None:
            inside.fruit.warm(self.assumed.arrives_c)
        inside.open = opened
        self.tell_closure(enclosure_id)

    def tell_closure(self, enclosure_id: str) -> None:
        """`enclosure/<enclosure>/closure`."""
        unit = self.units[self.enclosure_specs[enclosure_id].unit]
        unit.send(
            f"enclosure/{enclosure_id}/closure", {"observed_at": unit.stamp(), "open": self.enclosures[enclosure_id].open}
        )

    def tell_door(self, room_id: str) -> None:
        """`room/<room>/door`, told by the unit of its first sensor."""
        sensors = self.room_specs[room_id].sensors
        unit = self.units[sensors[0].unit if sensors else self.spec.units[0]]
        opened = self.faults.stands("people_unsigned", room_id)
        unit.send(f"room/{room_id}/door", {"observed_at": unit.stamp(), "open": opened})

    def refresh_leak(self, enclosure_id: str) -> None:
        """Look at the faults again for an enclosure's leak."""
        inside = self.bring(enclosure_id)
        per_day, torn = self.faults.size("leak", enclosure_id), self.faults.size("bag_torn", enclosure_id) or 0.0
        own = self._own_leak_nl_min[enclosure_id] if per_day is None else inside.nominal_nl * per_day / 1440.0
        inside.leak_nl_min = own + inside.nominal_nl * torn / 1440.0

    def barometer_pa(self) -> float:
        """Air pressure now."""
        return self._barometer.pa(self.elapsed_s())

    def weather(self, room_id: str) -> None:
        """Bring a room's temperature, the fruit in it and the bags around that to now."""
        now_s, climate, room = self.elapsed_s(), self.climates[room_id], self.rooms[room_id]
        climate.advance(now_s, cooled=not self.faults.stands("refrigeration_off", room_id))
        passed_s, self._weather_s[room_id] = now_s - self._weather_s[room_id], now_s
        assumed, pressed = self.assumed, self.barometer_pa() / self._barometer.pa(0.0)
        for one in self.spec.enclosures:
            if one.room == room_id:
                inside = self.bring(one.id)
                fruit_c = climate.mean_c + assumed.fruit_c - assumed.room_c
                inside.fruit.warm(follow(inside.fruit.temperature_c, fruit_c, passed_s, assumed.fruit_follows_h))
                colder = (assumed.fruit_c + KELVIN) / (inside.fruit.temperature_c + KELVIN)
                inside.swell(pressed * colder, room.o2_pct, room.co2_pct)

    def refresh_ventilation(self, room_id: str) -> None:
        """Look at the faults again for a room's fan."""
        room = self.rooms[room_id]
        room.advance(self.elapsed_s())
        off = self.faults.stands("ventilation_off", room_id)
        room.ventilation_nl_min = 0.0 if off else self.room_specs[room_id].ventilation_m3_h * 1000.0 / 60.0

    def _own_leak(self, one: EnclosureSpec) -> float:
        per_day = self.chance(f"leak/{one.id}").uniform(self.assumed.leak_per_day_min, self.assumed.leak_per_day_max)
        return one.free_volume_nl * per_day / 1440.0

    def _enclosure(self, one: EnclosureSpec) -> Enclosure:
        assumed = self.assumed
        fruit = Fruit(
            one.fruit_kg,
            respiration_nl_kg_h(one.crop, assumed.fruit_c),
            assumed.fruit_c,
            dissolves=assumed.co2_dissolves,
            q10=q10_of(one.crop),
        )
        inside = Enclosure(
            one.free_volume_nl,
            fruit,
            0.0,
            AIR_O2_PCT,
            AIR_CO2_PCT,
            leak_nl_min=self._own_leak_nl_min[one.id],
            relief_fill=assumed.relief_fill,
            draw_fill=assumed.draw_fill,
        )
        inside.open = True
        return inside
