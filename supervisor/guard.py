"""The one door to the valves. It says yes or no, repairs nothing, and says no to whatever it does not know.

A request passes when every check of `DOSE_CHECKS` finds nothing against it, a permit when every check of
`PERMIT_CHECKS` does; stopping and withdrawing always pass. The checks rest on what the guard itself saw of the raw
events (`guard_memory.py`), never on what the core makes of them. What the core announces is one condition beside the
operator's own commands: it can take permission away and never suffices alone. Only this file can make a `Cleared`,
and the publisher takes nothing else. The numbers of the rules are those of DEVELOPERS.md.
"""

import re
from collections.abc import Callable
from dataclasses import InitVar, dataclass
from itertools import combinations
from math import isfinite
from typing import Any, Self

from supervisor.guard_memory import DAY_S, Dose, Memory
from supervisor.settings import Room, SiteFile
from supervisor.values import GASES, Event, Now, PermitRoom, RequestDose, State, StopDose

HOUR_S = 3600.0
SOURCE_AGE_S_MAX = 120.0  # two of the minutes at which hardware repeats itself
KG_PER_NL = {"nitrogen": 1.2504e-3, "co2": 1.9768e-3, "air": 1.2931e-3}  # 0 degC, 101.325 kPa, from CoolProp
REQUEST_ID = re.compile(r"([0-9]{1,15})-([0-9]{1,15})")
_YES_KEY = object()


@dataclass(frozen=True, slots=True)
class Cleared:
    """The guard's yes. Raises PermissionError when anything but the guard tries to make one."""

    effect: RequestDose | PermitRoom | StopDose
    key: InitVar[object]

    def __post_init__(self, key: object) -> None:
        if key is not _YES_KEY:
            raise PermissionError("only the guard clears what goes to a valve")


@dataclass(frozen=True, slots=True)
class Refusal:
    """The guard's no: which check, what it found, what would have passed, with units."""

    rule: str
    measured: str
    limit: str


class Guard:
    """One per site: `observe` every raw event, `announce` what the core publishes, `judge` what the core asks."""

    def __init__(self, site: SiteFile, blob: bytes | None = None) -> None:
        self._site, self._time, self._memory = site, site.timing, Memory(site, blob)
        self._valves = {
            source.id: [f"{one.id}/{source.gas}" for one in site.enclosure if one.sources.of(source.gas) == source.id]
            for source in site.source
        }

    def dump(self) -> bytes:
        """Everything the guard remembers, as JSON."""
        return self._memory.dump()

    @classmethod
    def load(cls, site: SiteFile, blob: bytes) -> Self:
        """The guard that `dump` wrote down. Raises `pydantic.ValidationError` when `blob` is something else."""
        return cls(site, blob)

    def observe(self, event: Event) -> None:
        """Every event from outside, before the core sees it."""
        self._memory.observe(event)

    def announce(self, enclosure: str, state: State, now: Now) -> None:
        """The core has published this state of this enclosure."""
        self._memory.kept.announced[enclosure] = state

    def judge(self, effect: RequestDose | PermitRoom | StopDose, now: Now) -> Cleared | Refusal:
        """Yes or no to this effect at this instant. A request that passes counts as given from here on."""
        self._memory.follow_clock(now)
        for check in self._checks(effect):
            refusal = check(self, effect, now)
            if refusal is not None:
                return refusal
        kept = self._memory.kept
        if effect.epoch >= kept.epoch:
            kept.epoch = kept.epoch_passed = effect.epoch
        if isinstance(effect, RequestDose):
            kept.last_id = _numbers(effect.request_id)
            until_s = now.mono_s + (effect.valid_until_wall_s - now.wall_s)
            flow_nl_min, volume_nl = effect.max_flow_nl_min, effect.volume_nl
            dose = Dose(effect.request_id, flow_nl_min, volume_nl, 0.0, until_s, False)
            self._memory.enter(f"{effect.enclosure}/{effect.gas}", dose, now)
        return Cleared(effect, _YES_KEY)

    def _checks(self, effect: object) -> tuple["Check", ...]:
        if isinstance(effect, RequestDose):
            return DOSE_CHECKS
        if isinstance(effect, PermitRoom):
            return PERMIT_CHECKS if effect.dosing_permitted or effect.air_permitted else ()
        return () if isinstance(effect, StopDose) else (Guard._unlisted,)

    def _unlisted(self, effect: object, now: Now) -> Refusal | None:
        return Refusal("unlisted", type(effect).__name__, "a request, a stop or a permit")

    def _link(self, effect: RequestDose | PermitRoom, now: Now) -> Refusal | None:
        """Rule 7."""
        if not self._memory.kept.started or not self._memory.kept.link_up:
            return Refusal("link", "not started, or link not up since", "a live link since the start")
        return None

    def _target(self, effect: RequestDose, now: Now) -> Refusal | None:
        known = effect.enclosure in self._site.enclosures and effect.gas in GASES
        source = self._site.source_of(effect.enclosure, effect.gas) if known else None
        if source is None or source.id != effect.source or source.gas != effect.gas:
            measured = f"{effect.gas} from {effect.source} to {effect.enclosure}"
            return Refusal("target", measured, "a source of that gas piped to that enclosure by the site file")
        return None

    def _figures(self, effect: RequestDose, now: Now) -> Refusal | None:
        figures = (effect.volume_nl, effect.max_flow_nl_min, effect.valid_until_wall_s, effect.clock_offset_s, *now)
        if not all(isfinite(one) for one in figures) or effect.volume_nl <= 0 or effect.max_flow_nl_min <= 0:
            return Refusal("figures", f"{effect.volume_nl} nl at {effect.max_flow_nl_min} nl/min", "finite, above 0")
        return None

    def _epoch(self, effect: RequestDose | PermitRoom, now: Now) -> Refusal | None:
        """Rule 6: not under any epoch there was, and above what hardware has seen unless it saw that from here."""
        kept = self._memory.kept
        lowest = max(kept.epoch, kept.epoch_seen if kept.epoch_seen == kept.epoch_passed else kept.epoch_seen + 1)
        if effect.epoch < lowest:
            return Refusal("epoch", f"epoch {effect.epoch}", f"at least {lowest}")
        return None

    def _request_id(self, effect: RequestDose, now: Now) -> Refusal | None:
        """Rule 6: `<epoch>-<number>`, always upwards, so that none comes twice."""
        numbers, last = _numbers(effect.request_id), self._memory.kept.last_id
        if numbers[:1] != (effect.epoch,) or numbers <= last:
            return Refusal("request_id", effect.request_id, f"{effect.epoch}-<number>, beyond {last or 'none'}")
        return None

    def _lease(self, effect: RequestDose, now: Now) -> Refusal | None:
        return _expiry(effect.valid_until_wall_s - now.wall_s, self._time.lease_s)

    def _permit_lease(self, effect: PermitRoom, now: Now) -> Refusal | None:
        return _expiry(effect.valid_until_wall_s - now.wall_s, self._time.permit_valid_s)

    def _phase(self, effect: RequestDose, now: Now) -> Refusal | None:
        """Rule 1: what people have commanded and what the core has announced must both allow this gas."""
        kept = self._memory.kept
        announced = kept.announced.get(effect.enclosure)
        if kept.stopped.get(effect.enclosure, False):
            return Refusal("stopped", "stopped by command", "a resume or vent command since")
        if effect.gas == "air" and announced == "venting":
            return None
        if announced not in ("pulling_down", "holding"):
            return Refusal("state", f"announced {announced}", f"a state in which {effect.gas} is given")
        if not kept.sealed.get(effect.enclosure, False):
            return Refusal("sealed", "vented, opened or never sealed by command", "a seal command since")
        return None

    def _room(self, effect: RequestDose, now: Now) -> Refusal | None:
        return self._room_air(self._site.enclosures[effect.enclosure].room, effect.gas != "air", now)

    def _permit_room(self, effect: PermitRoom, now: Now) -> Refusal | None:
        if effect.room not in self._site.rooms:
            return Refusal("target", f"room {effect.room}", "a room of the site file")
        return self._room_air(effect.room, effect.dosing_permitted, now)

    def _room_air(self, room: str, clear_wanted: bool, now: Now) -> Refusal | None:
        """Rule 2: nobody inside, every sensor known, fresh and bearable; for nitrogen and CO2 clear for long enough."""
        if inside := self._memory.inside(room):
            return Refusal("room_entered", f"{len(inside)} inside {room}, {inside[0]} the first", "nobody inside")
        for sensor in self._site.rooms[room].sensor:
            air = self._memory.kept.seen.air.get(f"{room}/{sensor.id}")
            if air is None or not self._memory.fit(sensor.unit, now):
                return Refusal("room_unknown", f"{sensor.id} not heard, or its unit lost", "every sensor of the room")
            if not self._memory.fresh(air.taken_s, air.arrived_s, now, self._time.air_age_s_max):
                measured = f"{sensor.id} heard {now.mono_s - air.arrived_s:.0f} s ago"
                return Refusal("room_unknown", measured, f"at most {self._time.air_age_s_max:g} s")
            if not air.bearable:
                return Refusal("room_air", f"{sensor.id} in fault or beyond a danger limit", "within danger limits")
            if clear_wanted and air.clear_since_s is None:
                return Refusal("room_air", f"{sensor.id} not clear", "within the clear limits")
            if clear_wanted and now.mono_s - air.clear_since_s < self._time.clear_after_s:
                measured = f"{sensor.id} clear for {now.mono_s - air.clear_since_s:.0f} s"
                return Refusal("room_air", measured, f"at least {self._time.clear_after_s:g} s")
        return self._sensors(self._site.rooms[room], now)

    def _sensors(self, room: Room, now: Now) -> Refusal | None:
        """Rule 7: a cell whose last digit stands still is dead; where sensors disagree nobody knows which is right."""
        words = self._memory.kept.words
        said = [(one, words[key]) for one in room.sensor if (key := f"{room.id}/{one.id}") in words]
        for one, word in said:
            # Later than the core by as long as a unit may be silent: after a start it believes one a heartbeat later.
            limit_s = one.flat_line_s_max + self._time.unit_silence_s_max
            if one.flat_line_s_max != 0 and now.mono_s - word.still_since_s > limit_s:
                return Refusal("room_unknown", f"{one.id} stands still", f"each of its digits for at most {limit_s:g} s")
        for (one, a), (other, b) in combinations(said, 2):
            if abs(a.o2_pct - b.o2_pct) > room.spread_o2_pct_max or abs(a.co2_pct - b.co2_pct) > room.spread_co2_pct_max:
                return Refusal("room_unknown", f"{one.id} and {other.id} disagree", "sensors that measure one air")
        return None

    def _basis(self, effect: RequestDose, now: Now) -> Refusal | None:
        """Rule 3: the newest sample that the guard saw and believes itself, and young."""
        sample = self._memory.kept.seen.samples.get(effect.enclosure)
        if sample is None or sample.ref != effect.basis:
            newest = "none" if sample is None else "/".join(map(str, sample.ref))
            return Refusal("sample", "/".join(map(str, effect.basis)), f"the newest valid one: {newest}")
        if not self._memory.fresh(sample.taken_s, sample.arrived_s, now, self._time.sample_age_s_max):
            age_s = max(now.wall_s - sample.taken_s, now.mono_s - sample.arrived_s)
            return Refusal("sample_age", f"{age_s:.0f} s", f"at most {self._time.sample_age_s_max:g} s")
        return None

    def _hardware(self, effect: RequestDose, now: Now) -> Refusal | None:
        """Rule 7: every unit that takes part is heard and on time, and the request reckons with the right clock."""
        unit = self._site.enclosures[effect.enclosure].unit
        analyser_unit = self._site.analysers[effect.basis.analyser].unit
        for name in (unit, analyser_unit, self._site.gas_sources[effect.source].unit):
            if not self._memory.fit(name, now):
                return Refusal("unit", f"{name} silent, offline or off in time", "heard, online and on time")
        own_s, limit_s = self._memory.kept.seen.units[unit].offset_s, self._time.clock_offset_s_max
        if abs(effect.clock_offset_s - own_s) > limit_s:
            return Refusal("clock_offset", f"{effect.clock_offset_s:.1f} s", f"{own_s:.1f} s, within {limit_s:g} s")
        return None

    def _composition(self, effect: RequestDose, now: Now) -> Refusal | None:
        """Rule 5, by the newest valid sample."""
        sample, recipe = self._memory.kept.seen.samples[effect.enclosure], self._site.recipe_of(effect.enclosure)
        if effect.gas != "air" and sample.o2_pct < recipe.o2_floor_pct:
            return Refusal("o2_floor", f"{sample.o2_pct:.2f} % O2", f"at least {recipe.o2_floor_pct:g} %")
        if effect.gas == "co2" and sample.co2_pct > recipe.co2_ceiling_pct:
            return Refusal("co2_ceiling", f"{sample.co2_pct:.2f} % CO2", f"at most {recipe.co2_ceiling_pct:g} %")
        return None

    def _volume(self, effect: RequestDose, now: Now) -> Refusal | None:
        """Rule 4: one request at a time on a valve, and no more than the site file lets through."""
        valve, limits = f"{effect.enclosure}/{effect.gas}", self._site.limits.of(effect.gas)
        self._memory.count_unasked(valve, now)
        if running := [one for one in self._memory.recent((valve,), now.mono_s) if one.until_s > now.mono_s]:
            return Refusal("busy", f"{running[0].request_id} is running", "one request at a time on a valve")
        if effect.volume_nl > limits.per_request_nl:
            return Refusal("volume", f"{effect.volume_nl:.1f} nl", f"{limits.per_request_nl:g} nl per request")
        for what, span_s, limit_nl in (("hour", HOUR_S, limits.per_hour_nl), ("day", DAY_S, limits.per_day_nl)):
            given = self._memory.recent((valve,), now.mono_s - span_s)
            volume_nl = effect.volume_nl + sum(one.given_nl for one in given)
            if volume_nl > limit_nl:
                return Refusal("volume", f"{volume_nl:.1f} nl with this one", f"{limit_nl:g} nl per {what}")
        return None

    def _flow(self, effect: RequestDose, now: Now) -> Refusal | None:
        """Rule 4: the source is there, and everything that draws on it together fits what it gives now."""
        source, supply = self._site.gas_sources[effect.source], self._memory.kept.seen.supplies.get(effect.source)
        if supply is None or not self._memory.fresh(supply.taken_s, supply.arrived_s, now, SOURCE_AGE_S_MAX):
            return Refusal("source", f"{source.id} not heard lately", f"heard within {SOURCE_AGE_S_MAX:g} s")
        if not supply.available:
            return Refusal("source", f"{source.id} not available", "available")
        inlet_nl_min = self._site.enclosures[effect.enclosure].flow_nl_min_max.of(effect.gas)
        if effect.max_flow_nl_min > inlet_nl_min:
            return Refusal("flow", f"{effect.max_flow_nl_min:g} nl/min", f"inlet takes {inlet_nl_min:g} nl/min")
        most_nl_min = source.capacity_nl_min
        if supply.capacity_nl_min is not None:
            most_nl_min = min(most_nl_min, supply.capacity_nl_min)
        drawing = [one for one in self._memory.recent(self._valves[source.id], now.mono_s) if one.until_s > now.mono_s]
        if source.valves_at_once is not None and len(drawing) >= source.valves_at_once:
            return Refusal("flow", f"{len(drawing)} valves on {source.id}", f"{source.valves_at_once} valves at once")
        flow_nl_min = effect.max_flow_nl_min + sum(one.flow_nl_min for one in drawing)
        if flow_nl_min > most_nl_min:
            return Refusal("flow", f"{flow_nl_min:g} nl/min in all", f"{source.id} gives {most_nl_min:g} nl/min")
        return None

    def _stock(self, effect: RequestDose, now: Now) -> Refusal | None:
        """Rule 4: what is left above the reserve once everything that is out has been given."""
        source, supply = self._site.gas_sources[effect.source], self._memory.kept.seen.supplies[effect.source]
        if supply.stock_kg is None:
            return None if source.stock_kg is None else Refusal("stock", f"stock of {source.id} unknown", "known")
        out_nl = sum(one.given_nl for one in self._memory.recent(self._valves[source.id], supply.arrived_s))
        left_kg = supply.stock_kg - (out_nl + effect.volume_nl) * KG_PER_NL[effect.gas]
        if left_kg < source.reserve_kg:
            return Refusal("stock", f"{left_kg:.2f} kg after this one", f"reserve {source.reserve_kg:g} kg")
        return None


def _numbers(request_id: str) -> tuple[int, ...]:
    """Epoch and number, or nothing when this is no id of ours."""
    match = REQUEST_ID.fullmatch(request_id)
    return tuple(int(one) for one in match.groups()) if match else ()


def _expiry(ahead_s: float, ahead_s_max: float) -> Refusal | None:
    if not 0 < ahead_s <= ahead_s_max:  # written so that NaN is refused
        return Refusal("expiry", f"{ahead_s:.1f} s ahead", f"above 0 s, at most {ahead_s_max:g} s")
    return None


Check = Callable[[Guard, Any, Now], Refusal | None]

# In this order: the later ones lean on what the earlier ones have established.
DOSE_CHECKS: tuple[Check, ...] = (
    Guard._link, Guard._target, Guard._figures, Guard._epoch, Guard._request_id, Guard._lease, Guard._phase, Guard._room,
    Guard._basis, Guard._hardware, Guard._composition, Guard._volume, Guard._flow, Guard._stock,
)  # fmt: skip
PERMIT_CHECKS: tuple[Check, ...] = (Guard._link, Guard._epoch, Guard._permit_lease, Guard._permit_room)
