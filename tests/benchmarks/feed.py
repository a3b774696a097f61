"""Events for a site of any size without a plant: everything well, every enclosure held, one event after another.

Valves answer: each request is reported as delivered at once and moves the gas by the balance of a well-mixed sweep, so that
every enclosure has doses in its past and none has an alarm, as in life.
"""

from collections.abc import Callable, Iterator
from math import exp
from typing import Any

from supervisor.messages import (
    AlarmStatus,
    AnalyserReading,
    DoseReport,
    EnclosureState,
    Inbound,
    OperatorCommand,
    RoomAir,
    SourceStatus,
    UnitStatus,
    at,
)  # fmt: skip
from supervisor.settings import AIR_O2_PCT, SiteFile
from supervisor.values import Arrived, Event, LinkChanged, Now, Publish, RequestDose, Started, Ticked

START_S = 1_772_323_200.0
ROUNDS_MAX = 40


class Feed:
    """Hands events to `step`, which is an engine's or a core's. Time moves only by `go`."""

    def __init__(self, site: SiteFile, step: Callable[[Event], Any]) -> None:
        self.site, self._step = site, step
        self.mono_s = 1000.0
        self.dosed: set[str] = set()
        self.alarms: set[str] = set()
        self.states = {one.id: "" for one in site.enclosure}
        recipes = {one.id: site.recipe_of(one.id) for one in site.enclosure}
        self._gas = {name: (one.o2_pct + 1.0, one.co2_pct - 1.0) for name, one in recipes.items()}
        self._asked: list[RequestDose] = []
        self._seq = 0
        self._units = sorted(
            {one.unit for one in (*site.enclosure, *site.source, *site.analyser)}
            | {sensor.unit for room in site.room for sensor in room.sensor}
        )

    @property
    def now(self) -> Now:
        return Now(self.mono_s, START_S + self.mono_s)

    def go(self, seconds: float) -> None:
        self.mono_s += seconds

    def step(self, event: Event) -> None:
        """One event; what it asks of the valves is answered by `tick`."""
        for one in self._step(event):
            asked = getattr(one, "effect", one)  # the engine hands out what the guard cleared, the core what it wants
            if isinstance(asked, RequestDose):
                self._asked.append(asked)
            elif isinstance(asked, Publish) and isinstance(asked.body, EnclosureState):
                self.states[asked.names[0]] = asked.body.state
            elif isinstance(asked, Publish) and isinstance(asked.body, AlarmStatus):
                (self.alarms.discard if asked.body.state == "normal" else self.alarms.add)(asked.names[0])

    def arrive(self, body: Inbound, *names: str) -> None:
        self.step(Arrived(self.now, body.TOPIC, names, body))

    def begin(self) -> None:
        """Start, seal everything a little off its set-points, and pull it down until all is held.

        The site's lines must have no delay (`sites.without_delay`), so that each reading is a sample. Raises RuntimeError
        when that does not come about: what is measured then would not be what is promised.
        """
        self.step(Started(self.now, 1, "feed"))
        self.step(LinkChanged(self.now, True))
        self._go_on(40.0)
        for one in self.site.enclosure:
            self.arrive(OperatorCommand(command_id=f"seal-{one.id}", issued_at=at(self.now.wall_s), operator="bench",
                                        action="seal", target=one.id))  # fmt: skip
        for _ in range(ROUNDS_MAX):
            for reading, analyser in self.readings():
                self.arrive(reading, analyser)
            self._go_on(40.0)
            if all(one == "holding" for one in self.states.values()):
                break
        count = len(self.site.enclosure)
        if len(self.dosed) < count or self.alarms or list(self.states.values()) != ["holding"] * count:
            raise RuntimeError(f"{count} enclosures, {len(self.dosed)} got gas; alarms: {sorted(self.alarms)[:3]}")

    def _go_on(self, seconds: float) -> None:
        until_s = self.mono_s + seconds
        while self.mono_s < until_s:
            if self.mono_s % 10.0 == 0.0:
                self.keep_fresh()
            self.tick(5.0)

    def keep_fresh(self) -> None:
        """A heartbeat of every unit, a word of every sensor and source."""
        self._seq += 1
        now = at(self.now.wall_s)
        for unit in self._units:
            self.arrive(UnitStatus(observed_at=now, online=True, boot="b", epoch_seen=1), unit)
        for room in self.site.room:
            for sensor in room.sensor:
                self.arrive(RoomAir(observed_at=now, seq=self._seq, o2_pct=20.9, co2_pct=0.05, status="ok"), room.id, sensor.id)
        for source in self.site.source:
            told = SourceStatus(observed_at=now, available=True, stock_kg=source.stock_kg, o2_pct=source.o2_pct,
                                pressure_kpa=source.pressure_kpa_min)  # fmt: skip
            self.arrive(told, source.id)

    def readings(self) -> Iterator[tuple[AnalyserReading, str]]:
        """One reading of each enclosure's gas, and its analyser."""
        for analyser in self.site.analyser:
            for line in analyser.lines:
                self._seq += 1
                o2_pct, co2_pct = self._gas[self.site.enclosure_of_line[line.id]]
                yield AnalyserReading(
                    observed_at=at(self.now.wall_s), boot="b", seq=self._seq, line=line.id,
                    o2_pct=o2_pct + 1e-3 * (self._seq % 7), co2_pct=co2_pct, settled=True, status="ok",  # a live instrument
                ), analyser.id  # fmt: skip

    def tick(self, seconds: float) -> None:
        """Time goes on; then the valves answer, then it is time to decide."""
        self.go(seconds)
        asked, self._asked = self._asked, []
        for one in asked:
            self.dosed.add(one.enclosure)
            self._mix(one)
            report = DoseReport(observed_at=at(self.now.wall_s), request_id=one.request_id, outcome="delivered",
                                delivered_nl=one.volume_nl, metered=True)  # fmt: skip
            self.arrive(report, one.enclosure, one.gas)
        self.step(Ticked(self.now))

    def _mix(self, dose: RequestDose) -> None:
        enclosure = self.site.enclosures[dose.enclosure]
        o2_pct, co2_pct = self._gas[dose.enclosure]
        left = exp(-dose.volume_nl / enclosure.free_volume_nl)
        in_o2_pct = {"nitrogen": self.site.gas_sources[dose.source].o2_pct, "co2": 0.0, "air": AIR_O2_PCT}[dose.gas]
        in_co2_pct = 100.0 if dose.gas == "co2" else 0.0
        self._gas[dose.enclosure] = in_o2_pct + (o2_pct - in_o2_pct) * left, in_co2_pct + (co2_pct - in_co2_pct) * left
