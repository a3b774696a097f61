"""The safety rules once more, by brute force over a log of everything that was said. Slow, short and without memory:
each question is answered from the log alone, so it can share no mistake of bookkeeping with the guard.

It says what must hold when the guard says yes; it does not say when the guard must say yes. Figures typed by hand from
the example site (enclosures of the north room).
"""

from supervisor.messages import (
    AnalyserReading,
    DoseFlow,
    DoseReport,
    OperatorCommand,
    RoomAir,
    RoomDoor,
    SourceStatus,
    UnitStatus,
)
from supervisor.values import Arrived, LinkChanged, Now, PermitRoom, RequestDose, Started

SENSORS = {"north": ("north-door", "north-floor"), "south": ("south-door", "south-floor")}
UNIT_OF_ROOM = {"north": "gateway-north", "south": "gateway-south"}
ROOM = {"n1": "north", "n5": "north"}
LINE = {"n1": ("line-01", 22.0), "n5": ("line-05", 30.0)}
FLOOR = {"n1": 2.5, "n5": 1.5}
CEILING = {"n1": 20.0, "n5": 21.0}
PIPED = {"nitrogen": "generator", "co2": "bank", "air": "blower"}
CAPACITY = {"generator": 200.0, "bank": 60.0, "blower": 400.0}
INLET = {"nitrogen": 50.0, "co2": 20.0, "air": 60.0}
VOLUMES = {"nitrogen": (150.0, 3000.0, 9000.0), "co2": (60.0, 500.0, 1500.0), "air": (150.0, 6000.0, 60_000.0)}
GIVING = {"nitrogen": ("pulling_down", "holding"), "co2": ("pulling_down", "holding"),
          "air": ("pulling_down", "holding", "venting")}  # fmt: skip
TINY = 1e-6


class Model:
    def __init__(self) -> None:
        self.log: list[tuple[Now, object]] = []
        self._sight = 0, 0  # the length of the log that it was looked up for, and what it was
        self._timed: dict[tuple[str, int, int], bool] = {}

    def note(self, now: Now, what: object) -> None:
        self.log.append((now, what))

    # ---- looking things up

    def said(self, body: type, *names: str, start: int = 0, stop: int | None = None):
        """(place in the log, when, message) of every message of this kind and these names."""
        for place in range(start, len(self.log) if stop is None else stop):
            now, what = self.log[place]
            if isinstance(what, Arrived) and type(what.body) is body and (not names or what.names == names):
                yield place, now, what.body

    def started(self) -> int:
        return max((place for place, (_, what) in enumerate(self.log) if isinstance(what, Started)), default=-1)

    def sight(self) -> int:
        """From where on what was seen counts: the last start, or the last time that the clocks had parted by 10 s."""
        if self._sight[0] == len(self.log):
            return self._sight[1]
        begin, anchor = 0, self.log[0][0]
        for place, (now, what) in enumerate(self.log):
            parted_s = (now.wall_s - anchor.wall_s) - (now.mono_s - anchor.mono_s)
            if isinstance(what, Started) or (abs(parted_s) > 10.0 and not isinstance(what, tuple)):
                begin, anchor = place, now
        self._sight = len(self.log), begin
        return begin

    def passed(self, kind: type, start: int = 0):
        for now, what in self.log[max(0, start) :]:
            if isinstance(what, tuple) and what[0] == "passed" and isinstance(what[1], kind):
                yield now, what[1]

    def commands(self, target: str):
        """Each command once, with whether it was issued within an hour of its coming."""
        known = set()
        for _, now, body in self.said(OperatorCommand):
            if body.command_id not in known:
                known.add(body.command_id)
                if body.target == target:
                    yield body, abs(now.wall_s - body.issued_at.timestamp()) <= 3600.0

    def heartbeats(self, unit: str, stop: int | None = None):
        """Those that are no repeat of the one before."""
        kept: list[tuple[Now, UnitStatus]] = []
        for _, now, body in self.said(UnitStatus, unit, start=self.sight(), stop=stop):
            if not kept or not body.online or (body.boot, body.observed_at) != (kept[-1][1].boot, kept[-1][1].observed_at):
                kept.append((now, body))
        return kept

    def offset(self, unit: str, now: Now, stop: int | None = None) -> float | None:
        """The unit's clock minus ours by the least delayed of five heartbeats, or None when it is not fit to be asked."""
        heard = self.heartbeats(unit, stop)
        if not heard or not heard[-1][1].online or not 0 <= now.mono_s - heard[-1][0].mono_s <= 45.0:
            return None
        offsets: list[float] = []
        for index, (came, body) in enumerate(heard):
            if index > 0 and body.boot != heard[index - 1][1].boot:
                offsets = []
            offset_s = body.observed_at.timestamp() - came.wall_s
            offsets = [offset_s] if any(one - offset_s > 10.0 for one in offsets[-4:]) else [*offsets[-4:], offset_s]
        return max(offsets) if abs(max(offsets)) <= 10.0 else None

    # ---- the rules

    def objections(self, effect: RequestDose | PermitRoom, now: Now) -> list[str]:
        if isinstance(effect, PermitRoom):
            rules = (self.link, self.epoch, self.permit_room, self.permit_expiry)
        else:
            rules = (self.link, self.epoch, self.phase, self.dose_room, self.basis, self.volume, self.source, self.busy,
                     self.composition, self.identity, self.expiry, self.units)  # fmt: skip
        return [rule.__name__ for rule in rules if not rule(effect, now)]

    def link(self, effect, now: Now) -> bool:
        begin = self.started()
        ups = [what.up for _, what in self.log[begin + 1 :] if isinstance(what, LinkChanged)]
        return begin >= 0 and bool(ups) and ups[-1]

    def epoch(self, effect, now: Now) -> bool:
        begin = self.started()
        ours = [one.epoch for _, one in self.passed(object)]
        runs = [what.epoch for _, what in self.log if isinstance(what, Started)]
        seen = [body.epoch_seen for _, _, body in self.said(UnitStatus)]
        this_run = [one.epoch for _, one in self.passed(object, begin)]
        if any(effect.epoch < one for one in ours + runs + seen):
            return False
        return effect.epoch not in seen or effect.epoch in this_run

    def identity(self, effect: RequestDose, now: Now) -> bool:
        earlier = [tuple(int(part) for part in one.request_id.split("-")) for _, one in self.passed(RequestDose)]
        this = tuple(int(part) for part in effect.request_id.split("-"))
        return this[0] == effect.epoch and all(this > one for one in earlier)

    def expiry(self, effect: RequestDose, now: Now) -> bool:
        return 0 < effect.valid_until_wall_s - now.wall_s <= 120.0

    def permit_expiry(self, effect: PermitRoom, now: Now) -> bool:
        return 0 < effect.valid_until_wall_s - now.wall_s <= 45.0

    def phase(self, effect: RequestDose, now: Now) -> bool:
        states = [what[2] for _, what in self.log[self.started() + 1 :]
                  if isinstance(what, tuple) and what[0] == "announced" and what[1] == effect.enclosure]  # fmt: skip
        state = states[-1] if states else None
        sealed = stopped = False
        for body, lately in self.commands(effect.enclosure):
            if body.action == "seal" and lately:
                sealed = True
            if body.action in ("vent", "open"):
                sealed = False
            if body.action == "stop":
                stopped = True
            if body.action in ("resume", "vent") and lately:
                stopped = False
        return state in GIVING[effect.gas] and not stopped and (sealed or state == "venting")

    def dose_room(self, effect: RequestDose, now: Now) -> bool:
        return self.room(ROOM[effect.enclosure], effect.gas != "air", now)

    def permit_room(self, effect: PermitRoom, now: Now) -> bool:
        return self.room(effect.room, effect.dosing_permitted, now)

    def room(self, room: str, clear: bool, now: Now) -> bool:
        inside: set[str] = set()
        for body, lately in self.commands(room):
            if body.action == "enter":
                inside |= set(body.people or [body.operator])
            if body.action == "leave" and lately:
                inside -= set(body.people or [])
        if inside or self.door_open(room) or not all(self.air(room, sensor, clear, now) for sensor in SENSORS[room]):
            return False
        one, other = (self.words(room, sensor)[-1][2] for sensor in SENSORS[room])
        return abs(one.o2_pct - other.o2_pct) <= 1.0 and abs(one.co2_pct - other.co2_pct) <= 0.3

    def door_open(self, room: str) -> bool:
        """The word with the newest time, none beyond its own coming; of two of one time the later. Open counts always."""
        words = [(min(body.observed_at.timestamp(), now.wall_s), body.open) for _, now, body in self.said(RoomDoor, room)]
        opened = [place for place, (_, is_open) in enumerate(words) if is_open]
        if not opened:
            return False
        until_s = max(at_s for at_s, _ in words[: opened[-1] + 1])
        return not any(at_s >= until_s for at_s, _ in words[opened[-1] + 1 :])

    def words(self, room: str, sensor: str) -> list[tuple[int, Now, RoomAir]]:
        """Those that are no repeat and no latecomer; bad news always counts. One of no known time ends what was before."""
        words: list[tuple[int, Now, RoomAir]] = []
        for place, came, body in self.said(RoomAir, room, sensor, start=self.sight()):
            if not words or body.status != "ok" or (
                body.observed_at > words[-1][2].observed_at and body.seq != words[-1][2].seq
            ):  # fmt: skip
                words = [*words, (place, came, body)] if self.timed(UNIT_OF_ROOM[room], place, came, body) else []
        return words

    def timed(self, unit: str, place: int, came: Now, body: RoomAir | SourceStatus) -> bool:
        """Whether its unit was fit to be asked when it came, and its time is no time to come."""
        key = unit, place, self.sight()  # the log only grows, so what stood at a place stays so for as long as sight does
        if key not in self._timed:
            own_s = self.offset(unit, came, place)
            self._timed[key] = own_s is not None and body.observed_at.timestamp() - own_s - came.wall_s <= 10.0
        return self._timed[key]

    def air(self, room: str, sensor: str, clear: bool, now: Now) -> bool:
        words, offset_s = self.words(room, sensor), self.offset(UNIT_OF_ROOM[room], now)
        if not words or offset_s is None:
            return False
        place, came, body = words[-1]
        own_s = self.offset(UNIT_OF_ROOM[room], came, place)
        if own_s is None or not self.good_air(body, clear) or now.mono_s - came.mono_s > 30.0:
            return False
        if not -10.0 <= now.wall_s - (body.observed_at.timestamp() - own_s) <= 30.0:
            return False
        since = came
        for _, earlier, body in reversed(words[:-1]):
            if not self.good_air(body, clear) or since.mono_s - earlier.mono_s > 30.0:
                break
            since = earlier
        return not clear or now.mono_s - since.mono_s >= 60.0

    @staticmethod
    def good_air(body: RoomAir, clear: bool) -> bool:
        lowest, highest = (19.5, 0.5) if clear else (18.0, 1.5)
        return body.status == "ok" and lowest <= body.o2_pct <= 23.5 and -0.1 <= body.co2_pct <= highest

    def readings(self) -> list[tuple[int, Now, AnalyserReading]]:
        """Those that are no repeat and no latecomer."""
        kept: list[tuple[int, Now, AnalyserReading]] = []
        for place, came, body in self.said(AnalyserReading, "analyser-1", start=self.sight()):
            if not kept or body.boot != kept[-1][2].boot or body.seq > kept[-1][2].seq:
                kept.append((place, came, body))
        return kept

    def newest(self, enclosure: str):
        """The newest reading that is a sample of this enclosure: (when it came, when it left the enclosure, body)."""
        line, way_s = LINE[enclosure]
        readings, begin = self.readings(), self.log[self.sight()][0]
        for index in reversed(range(len(readings))):
            place, came, body = readings[index]
            offset_s = self.offset("gateway-plant", came, place)
            if not self.sound(body, line) or not body.settled or offset_s is None:
                continue
            first = index
            while first > 0 and self.follows(readings[first - 1], readings[first], line):
                first -= 1
            _, first_came, first_body = readings[first]
            drawn_s = min((body.observed_at - first_body.observed_at).total_seconds(), came.mono_s - first_came.mono_s)
            in_cell_s = body.observed_at.timestamp() - offset_s
            possible = 0 <= body.o2_pct and 0 <= body.co2_pct and body.o2_pct + body.co2_pct <= 100.5
            if drawn_s >= way_s + 62.0 and in_cell_s - way_s >= begin.wall_s and in_cell_s <= came.wall_s + 10.0 and possible:
                return came, in_cell_s - way_s, body
        return None

    @staticmethod
    def sound(body: AnalyserReading, line: str) -> bool:
        return body.line == line and body.status == "ok" and body.line_confirmed is not False

    def follows(self, earlier, later, line: str) -> bool:
        (place, came, one), (_, _, other) = earlier, later
        dated = self.offset("gateway-plant", came, place) is not None
        return dated and self.sound(one, line) and one.boot == other.boot and one.seq + 1 == other.seq

    def basis(self, effect: RequestDose, now: Now) -> bool:
        newest = self.newest(effect.enclosure)
        if newest is None:
            return False
        came, left_s, body = newest
        named = effect.basis == ("analyser-1", body.boot, body.seq)
        return named and now.mono_s - came.mono_s <= 2700.0 and now.wall_s - left_s <= 2700.0

    def composition(self, effect: RequestDose, now: Now) -> bool:
        newest = self.newest(effect.enclosure)
        if newest is None:
            return False
        body = newest[2]
        if effect.gas == "co2" and body.co2_pct > CEILING[effect.enclosure]:
            return False
        return effect.gas == "air" or body.o2_pct >= FLOOR[effect.enclosure]

    def doses(self, enclosure: str, gas: str):
        """(begin, end, given) of every request that passed on this valve; mono seconds, normal litres."""
        for now, one in self.passed(RequestDose):
            if (one.enclosure, one.gas) != (enclosure, gas):
                continue
            reports = [(came, body) for _, came, body in self.said(DoseReport, enclosure, gas)
                       if body.request_id == one.request_id]  # fmt: skip
            finals = [came.mono_s for came, body in reports if body.outcome in ("delivered", "refused", "aborted")]
            end = min([now.mono_s + one.valid_until_wall_s - now.wall_s, *finals])
            told = max([body.delivered_nl for _, body in reports], default=0.0)
            yield now.mono_s, end, told if finals else max(told, one.volume_nl)

    def unasked(self, enclosure: str, gas: str, from_s: float, to_s: float) -> float:
        """Normal litres that flowed between two instants while no request was running."""
        words = [(came.mono_s, body.flow_nl_min) for _, came, body in self.said(DoseFlow, enclosure, gas)]
        doses, total = list(self.doses(enclosure, gas)), 0.0
        for index, (begin, flow) in enumerate(words):
            end = min(words[index + 1][0] if index + 1 < len(words) else to_s, begin + 120.0, to_s)
            edges = sorted({max(begin, from_s), end, *(edge for one in doses for edge in one[:2])})
            for left, right in zip(edges, edges[1:], strict=False):
                inside = max(begin, from_s) <= left and right <= end
                if inside and not any(one[0] <= left and right <= one[1] for one in doses):
                    total += flow * (right - left) / 60.0
        return total

    def volume(self, effect: RequestDose, now: Now) -> bool:
        request, hour, day = VOLUMES[effect.gas]
        if not 0 < effect.volume_nl <= request:
            return False
        for span_s, limit in ((3600.0, hour), (86_400.0, day)):
            given = sum(nl for _, end, nl in self.doses(effect.enclosure, effect.gas) if end > now.mono_s - span_s)
            given += self.unasked(effect.enclosure, effect.gas, now.mono_s - span_s, now.mono_s)
            if given + effect.volume_nl > limit + TINY:
                return False
        return True

    def busy(self, effect: RequestDose, now: Now) -> bool:
        return all(end <= now.mono_s for _, end, _ in self.doses(effect.enclosure, effect.gas))

    def source(self, effect: RequestDose, now: Now) -> bool:
        last = None
        for place, came, body in self.said(SourceStatus, effect.source, start=self.sight()):
            if last is None or body.observed_at > last[2].observed_at:
                last = (place, came, body) if self.timed("gateway-plant", place, came, body) else None
        if PIPED[effect.gas] != effect.source or last is None:
            return False
        place, came, body = last
        own_s = self.offset("gateway-plant", came, place)
        if own_s is None or not body.available or now.mono_s - came.mono_s > 120.0:
            return False
        if not -10.0 <= now.wall_s - (body.observed_at.timestamp() - own_s) <= 120.0:
            return False
        running = [one.max_flow_nl_min for at, one in self.passed(RequestDose) if one.source == effect.source
                   and any(begin == at.mono_s and end > now.mono_s for begin, end, _ in self.doses(one.enclosure, one.gas))]
        most = min(CAPACITY[effect.source], CAPACITY[effect.source] if body.capacity_nl_min is None else body.capacity_nl_min)
        if effect.source == "generator" and len(running) >= 4:  # `valves_at_once` of the example site
            return False
        if effect.max_flow_nl_min > INLET[effect.gas] or sum(running) + effect.max_flow_nl_min > most:
            return False
        if effect.source != "bank":
            return True
        out = sum(nl for one in LINE for _, end, nl in self.doses(one, "co2") if end > came.mono_s)
        return body.stock_kg is not None and body.stock_kg - (out + effect.volume_nl) * 1.9768e-3 >= 20.0 - TINY

    def units(self, effect: RequestDose, now: Now) -> bool:
        offset_s = self.offset(UNIT_OF_ROOM[ROOM[effect.enclosure]], now)
        plant_s = self.offset("gateway-plant", now)
        return offset_s is not None and plant_s is not None and abs(effect.clock_offset_s - offset_s) <= 10.0
