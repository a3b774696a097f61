"""What the core's tests share: a small invented site, a bench that speaks to the core in messages on fake time.

The bench is no plant. It says what it was told to say (room air, heartbeats, sources, whatever stands in the cell), on the
intervals of the contract, and ends doses as `hardware` tells it to. Nothing here computes what a test then checks.
"""

from collections.abc import Callable
from typing import Any

from coresite import site

from supervisor.core.desk import Desk
from supervisor.core.site import Core
from supervisor.messages import (
    AlarmStatus,
    AnalyserReading,
    CommandOutcome,
    DoseReport,
    EnclosureState,
    Inbound,
    OperatorCommand,
    Outbound,
    RoomAir,
    RoomEntry,
    RoomSounder,
    SelectLine,
    SourceStatus,
    UnitStatus,
    at,
)  # fmt: skip
from supervisor.settings import SiteFile
from supervisor.values import (
    Arrived,
    Effect,
    Event,
    LinkChanged,
    Now,
    PermitRoom,
    Publish,
    RequestDose,
    Say,
    Started,
    StopDose,
    Ticked,
)  # fmt: skip

WALL_S = 1_790_000_000.0  # an arbitrary instant; 2026-09-21
MONO_S = 1000.0
FRESH = (20.9, 0.04)
READY_S = 125  # clear takes a minute and the heartbeats before it; an absence is an alarm after start_grace_s, 120 s
SENSORS = (("east", "door"), ("east", "floor"), ("west", "west-air"))
UNITS = ("gw-east", "gw-west", "gw-plant")


class Bench:
    """A core on fake time. `run` lets seconds pass: what is due is said, then a tick, each second.

    `air`, `units`, `sources`, `cell` say what is told; take a key out and it falls silent. `hardware` answers requests:
    "deliver" reports the whole volume when its flow has had time for it, "silent" never says a word.
    """

    def __init__(self, the_site: SiteFile | None = None, core: Core | None = None) -> None:
        self.site = the_site or site()
        self.core = core or Core(self.site)
        self.mono_s, self.wall_s = MONO_S, WALL_S
        self.air: dict[tuple[str, str], tuple[float, float] | str] = dict.fromkeys(SENSORS, FRESH)
        self.units: dict[str, float] = dict.fromkeys(UNITS, 0.0)
        self.boots: dict[str, str] = {}
        self.epoch_seen = 0
        self.sources: dict[str, dict[str, Any]] = {
            "generator": {"available": True}, "bank": {"available": True, "stock_kg": 200.0}, "blower": {"available": True},
        }  # fmt: skip
        self.cell: dict[str, tuple[float, float] | None] = {}
        self.hardware, self.step_s, self.said_s = "deliver", 1.0, MONO_S
        self.line, self.line_until_s = "idle", 0.0
        self.seq: dict[str, int] = {}
        self.owed: list[tuple[float, RequestDose]] = []
        self.log: list[tuple[float, Effect]] = []
        self.commands = 0

    # ------------------------------------------------------------------------------------- saying things

    @property
    def now(self) -> Now:
        return Now(self.mono_s, self.wall_s)

    def desk(self) -> Desk:
        return Desk(self.site, self.core.state, self.now)

    def step(self, event: Event) -> list[Effect]:
        effects = self.core.step(event)
        for one in effects:
            self.log.append((self.mono_s, one))
            if isinstance(one, Publish) and isinstance(one.body, SelectLine):
                self.line, self.line_until_s = one.body.line, one.body.valid_until.timestamp()
            if isinstance(one, RequestDose) and self.hardware == "deliver":
                self.owed.append((self.mono_s + 60.0 * one.volume_nl / one.max_flow_nl_min, one))
            if isinstance(one, StopDose):
                self._cut(one)
        return effects

    def _cut(self, stop: StopDose) -> None:
        for due in [due for due in self.owed if (due[1].enclosure, due[1].gas) == (stop.enclosure, stop.gas)]:
            self.owed.remove(due)
            left_s = max(0.0, due[0] - self.mono_s)
            delivered_nl = max(0.0, due[1].volume_nl - left_s * due[1].max_flow_nl_min / 60.0)
            self.report(due[1], "aborted", delivered_nl, "stopped")

    def hear(self, kind: type[Inbound], *names: str, **fields: Any) -> list[Effect]:
        fields.setdefault("observed_at", at(self.wall_s))
        return self.step(Arrived(self.now, kind.TOPIC, names, kind(**fields)))

    def _next(self, stream: str) -> int:
        self.seq[stream] = self.seq.get(stream, 0) + 1
        return self.seq[stream]

    def say_unit(self, unit: str, **fields: Any) -> list[Effect]:
        told = {"online": True, "boot": self.boots.get(unit, "b1"), "epoch_seen": self.epoch_seen}
        told["observed_at"] = at(self.wall_s + self.units.get(unit, 0.0))
        return self.hear(UnitStatus, unit, **(told | fields))

    def say_air(self, room: str, sensor: str, o2_pct: float = 20.9, co2_pct: float = 0.04, **fields: Any) -> list[Effect]:
        told = {"seq": self._next(f"{room}/{sensor}"), "o2_pct": o2_pct, "co2_pct": co2_pct, "status": "ok"}
        return self.hear(RoomAir, room, sensor, **(told | fields))

    def say_source(self, source: str, **fields: Any) -> list[Effect]:
        return self.hear(SourceStatus, source, **({"available": True} | self.sources.get(source, {}) | fields))

    def read(self, line: str, o2_pct: float = 20.9, co2_pct: float = 0.04, **fields: Any) -> list[Effect]:
        told = {"boot": "a1", "seq": self._next("az"), "line": line, "o2_pct": o2_pct, "co2_pct": co2_pct, "settled": True,
                "status": "ok"}  # fmt: skip
        return self.hear(AnalyserReading, "az", **(told | fields))

    def report(self, dose: RequestDose, outcome: str, delivered_nl: float, code: str | None = None) -> list[Effect]:
        return self.hear(
            DoseReport, dose.enclosure, dose.gas, request_id=dose.request_id, outcome=outcome, delivered_nl=delivered_nl,
            metered=True, code=code,
        )  # fmt: skip

    def command(self, action: str, target: str, operator: str = "kit", **fields: Any) -> CommandOutcome:
        """Sends a command; returns how it was answered."""
        self.commands += 1
        told = {"command_id": f"c{self.commands}", "issued_at": at(self.wall_s), "operator": operator}
        body = OperatorCommand(action=action, target=target, **(told | fields))
        effects = self.step(Arrived(self.now, OperatorCommand.TOPIC, (), body))
        return next(one.body for one in effects if isinstance(one, Publish) and isinstance(one.body, CommandOutcome))

    # ------------------------------------------------------------------------------------- letting time pass

    def start(self, epoch: int = 1) -> "Bench":
        self.step(Started(self.now, epoch, f"bench-{epoch}"))
        self.step(LinkChanged(self.now, True))
        return self

    def go(self, seconds: float) -> None:
        """Time passes and nobody says anything; no tick."""
        self.mono_s += seconds
        self.wall_s += seconds

    def tick(self) -> list[Effect]:
        return self.step(Ticked(self.now))

    def run(self, seconds: float, until: Callable[[], bool] | None = None) -> list[Effect]:
        """Seconds pass, `step_s` at a time: what is due is said, then a tick. No further than `until`."""
        begun, end_s = len(self.log), self.mono_s + seconds
        while self.mono_s < end_s - 1e-6:
            self.go(min(self.step_s, end_s - self.mono_s))
            self.say_what_is_due()
            self.tick()
            if until is not None and until():
                break
        return [one for _, one in self.log[begun:]]

    def say_what_is_due(self) -> None:
        before_s, self.said_s = self.said_s, self.mono_s

        def due_each(every_s: float) -> bool:
            return self.mono_s // every_s > before_s // every_s

        if due_each(10.0):
            for unit in self.units:
                self.say_unit(unit)
        if due_each(5.0):
            for (room, sensor), told in self.air.items():
                if isinstance(told, str):
                    self.say_air(room, sensor, status=told)
                else:
                    self.say_air(room, sensor, *told)
            if self.wall_s + self.units.get("gw-plant", 0.0) > self.line_until_s:
                self.line = "idle"
            if "gw-plant" in self.units and self.cell.get(self.line, FRESH) is not None:
                self.read(self.line, *self.cell.get(self.line, FRESH),
                          observed_at=at(self.wall_s + self.units["gw-plant"]))  # fmt: skip
        if due_each(30.0):
            for source in self.sources:
                self.say_source(source)
        for due in [due for due in self.owed if due[0] <= self.mono_s]:
            self.owed.remove(due)
            self.report(due[1], "delivered", due[1].volume_nl)

    # ------------------------------------------------------------------------------------- looking

    def bodies(self, kind: type[Outbound], *names: str) -> list[Any]:
        """Everything published of one kind, oldest first; with `names`, of one topic."""
        return [
            one.body
            for _, one in self.log
            if isinstance(one, Publish) and isinstance(one.body, kind) and (not names or one.names == names)
        ]

    def entry(self, room: str = "east") -> RoomEntry:
        return self.bodies(RoomEntry, room)[-1]

    def sounder(self, room: str = "east") -> bool:
        return self.bodies(RoomSounder, room)[-1].on

    def alarm(self, key: str) -> AlarmStatus | None:
        told = self.bodies(AlarmStatus, key)
        return told[-1] if told else None

    def state(self, enclosure: str = "e1") -> EnclosureState:
        return self.bodies(EnclosureState, enclosure)[-1]

    def effects(self, kind: type, since_s: float = 0.0) -> list[Any]:
        return [one for at_s, one in self.log if isinstance(one, kind) and at_s >= since_s]

    def requests(self, enclosure: str = "e1", gas: str | None = None, since_s: float = 0.0) -> list[RequestDose]:
        asked = self.effects(RequestDose, since_s)
        return [one for one in asked if one.enclosure == enclosure and gas in (None, one.gas)]

    def requests_all(self, gas: str, since_s: float = 0.0) -> list[RequestDose]:
        return [one for one in self.effects(RequestDose, since_s) if one.gas == gas]

    def permits(self, room: str = "east") -> list[tuple[float, PermitRoom]]:
        return [(at_s, one) for at_s, one in self.log if isinstance(one, PermitRoom) and one.room == room]

    def said(self, event: str) -> list[Say]:
        return [one for _, one in self.log if isinstance(one, Say) and one.event == event]


def ready(the_site: SiteFile | None = None) -> Bench:
    """A bench whose rooms are clear and permitted, everything open and well, past the grace after the start."""
    bench = Bench(the_site).start()
    bench.run(READY_S)
    if not all(room.dosing_permitted for room in bench.core.state.rooms.values()):
        raise RuntimeError("the bench's rooms never became clear")
    return bench


def sealed(enclosure: str = "e1", the_site: SiteFile | None = None, o2_pct: float = 20.9, co2_pct: float = 0.04) -> Bench:
    """A ready bench with one enclosure sealed and sampled, before the tick that decides on that sample."""
    bench = ready(the_site)
    bench.cell[bench.site.enclosures[enclosure].line] = (o2_pct, co2_pct)
    bench.command("seal", enclosure)
    return bench


def blowing() -> Bench:
    """A vented enclosure that has just been asked to blow air, and hardware that does not answer; nothing logged yet."""
    bench = sealed(o2_pct=3.0, co2_pct=18.0)
    bench.run(900, until=lambda: bench.core.state.enclosures["e1"].sample is not None)
    bench.command("vent", "e1")
    bench.hardware = "silent"
    bench.run(900, until=lambda: bool(bench.requests("e1", "air")))
    bench.log.clear()
    return bench


def opened(bench: Bench, enclosure: str) -> CommandOutcome:
    """Opens an enclosure as people have to: somebody goes in with another outside, opens it, and is signed out."""
    room = bench.site.enclosures[enclosure].room
    entered = bench.command("enter", room, people=["mara"], standby="ono", minutes=10)
    if not entered.accepted:
        raise RuntimeError(f"nobody may enter {room}: {entered.reason}")
    answer = bench.command("open", enclosure)
    bench.command("leave", room, people=["mara"])
    return answer


def end_alarm(bench: Bench, key: str) -> None:
    """A named person acknowledges an alarm whose cause is gone, and once more where that is what resets its latch."""
    for _ in range(2):
        if bench.alarm(key).state != "normal":
            bench.command("acknowledge", key, occurrence=bench.alarm(key).occurrence)
    if bench.alarm(key).state != "normal":
        raise RuntimeError(f"{key} is still {bench.alarm(key).state}")


def status(bench: Bench, room: str = "east") -> str:
    return bench.core.state.rooms[room].status


def told(bench: Bench, seconds: int = 6, **air: tuple[float, float] | str) -> str:
    """The east room's sensors say this from now on; its status some seconds later."""
    for sensor, words in air.items():
        bench.air["east", sensor] = words
    bench.run(seconds)
    return status(bench)
