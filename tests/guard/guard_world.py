"""A small world around one guard: it says to the guard what hardware and people say, and asks what the core asks.

Every figure here and in the tests beside it is typed by hand from the example site, never imported from the program,
so that a limit that moves in the code or in the file is noticed. Times are `t` seconds after the world began; the steps
used are binary fractions, so that a sweep hits its limit exactly.
"""

from collections import defaultdict
from pathlib import Path

from supervisor import sitefile
from supervisor.guard import Cleared, Guard, Refusal
from supervisor.messages import (
    AnalyserReading,
    DoseFlow,
    DoseReport,
    OperatorCommand,
    RoomAir,
    SourceStatus,
    UnitStatus,
    at,
)
from supervisor.values import Arrived, LinkChanged, Now, PermitRoom, RequestDose, SampleRef, Started, Ticked

SITE = sitefile.load(Path(__file__).resolve().parents[2] / "config" / "quillfen.toml")
MONO_S, WALL_S = 4096.0, 1_760_000_000.0
UNITS = ("gateway-north", "gateway-south", "gateway-plant")
SENSORS = {"north": ("north-door", "north-floor"), "south": ("south-door", "south-floor")}
SOURCES = {"nitrogen": "generator", "co2": "bank", "air": "blower"}
FLOWS = {"nitrogen": 50.0, "co2": 20.0, "air": 60.0}
LINES = {"n1": "line-01", "n2": "line-02", "n3": "line-03", "n4": "line-04", "n5": "line-05", "n6": "line-06",
         "s1": "line-07", "s2": "line-08", "s3": "line-09", "s4": "line-10", "s5": "line-11", "s6": "line-12"}  # fmt: skip
SETTLED_S = 84.0  # line-01: 22 s on the way and 62 s in the cell
READY_LINES = [("n1", 84.0), ("n2", 86.0), ("n3", 88.0), ("n4", 90.0), ("n5", 92.0), ("n6", 94.0),
               ("s1", 86.0), ("s2", 88.0), ("s3", 90.0), ("s4", 92.0), ("s5", 94.0), ("s6", 96.0)]  # fmt: skip


class World:
    def __init__(self, site=SITE, blob: bytes | None = None) -> None:
        self.site = site
        self.guard = Guard(site) if blob is None else Guard.load(site, blob)
        self.t = 0.0
        self.wall_shift_s = 0.0
        self.rooms = ("north",)
        self.numbers: dict[str, int] = defaultdict(int)
        self.ref = SampleRef("analyser-1", "a1", 0)

    @property
    def now(self) -> Now:
        return Now(MONO_S + self.t, WALL_S + self.t + self.wall_shift_s)

    def fork(self) -> "World":
        """The same world again, its guard rebuilt from its dump."""
        other = World(self.site, self.guard.dump())
        other.t, other.wall_shift_s, other.ref = self.t, self.wall_shift_s, self.ref
        other.numbers.update(self.numbers)
        other.rooms = self.rooms
        return other

    def number(self, what: str) -> int:
        self.numbers[what] += 1
        return self.numbers[what]

    # ---- what the guard hears

    def send(self, body, *names: str) -> None:
        self.guard.observe(Arrived(self.now, type(body).TOPIC, names, body))

    def moment(self, age_s: float, offset_s: float = 0.0):
        return at(self.now.wall_s - age_s + offset_s)

    def start(self, epoch: int = 7) -> None:
        self.guard.observe(Started(self.now, epoch, "test"))

    def link(self, up: bool = True) -> None:
        self.guard.observe(LinkChanged(self.now, up))

    def tick(self) -> None:
        self.guard.observe(Ticked(self.now))

    def beat(self, *units: str, offset_s=0.0, online=True, boot="b1", epoch_seen=6, age_s=0.0) -> None:
        for unit in units or UNITS:
            observed_at = self.moment(age_s, offset_s)
            self.send(UnitStatus(observed_at=observed_at, online=online, boot=boot, epoch_seen=epoch_seen), unit)

    def air(self, *sensors: str, room="north", o2=20.9, co2=0.05, status="ok", seq=None, age_s=0.0, offset_s=0.0):
        for sensor in sensors or SENSORS[room]:
            number = self.number(f"{room}/{sensor}") if seq is None else seq
            observed_at = self.moment(age_s, offset_s)
            body = RoomAir(observed_at=observed_at, seq=number, o2_pct=o2, co2_pct=co2, status=status)
            self.send(body, room, sensor)

    def supply(self, *sources: str, available=True, capacity=None, stock=None, age_s=0.0) -> None:
        for source in sources or SOURCES.values():
            stock_kg = (300.0 if stock is None else stock) if source == "bank" else stock
            body = SourceStatus(observed_at=self.moment(age_s), available=available, capacity_nl_min=capacity,
                                stock_kg=None if stock_kg == "unknown" else stock_kg)  # fmt: skip
            self.send(body, source)

    def read(self, line="line-01", o2=20.5, co2=0.5, *, settled=True, status="ok", confirmed=None, boot="a1", seq=None,
             age_s=0.0, offset_s=0.0, analyser="analyser-1") -> None:  # fmt: skip
        number = self.number(analyser) if seq is None else seq
        self.send(
            AnalyserReading(observed_at=self.moment(age_s, offset_s), boot=boot, seq=number, line=line, o2_pct=o2,
                            co2_pct=co2, settled=settled, status=status, line_confirmed=confirmed),
            analyser,
        )  # fmt: skip
        self.ref = SampleRef(analyser, boot, number)

    def command(self, action: str, target="n1", *, people=None, age_s=0.0, command_id=None) -> str:
        name = command_id or f"c{self.number('command')}"
        body = OperatorCommand(command_id=name, issued_at=self.moment(age_s), operator="ada", action=action,
                               target=target, people=people)  # fmt: skip
        self.send(body)
        return name

    def report(self, request_id: str, outcome: str, delivered=0.0, *, enclosure="n1", gas="nitrogen") -> None:
        body = DoseReport(observed_at=self.moment(0), request_id=request_id, outcome=outcome, delivered_nl=delivered,
                          metered=True)  # fmt: skip
        self.send(body, enclosure, gas)

    def flow(self, flow: float, *, valve_open=True, enclosure="n1", gas="nitrogen") -> None:
        self.send(DoseFlow(observed_at=self.moment(0), valve_open=valve_open, flow_nl_min=flow), enclosure, gas)

    def announce(self, state: str, enclosure="n1") -> None:
        self.guard.announce(enclosure, state, self.now)

    def live(self, seconds: float, *, without=(), line="line-01", o2=20.5, co2=0.5, step_s=5.0) -> None:
        """Everything is heard every `step_s`, for so many seconds, except what `without` names."""
        end = self.t + seconds
        while self.t < end:
            self.t = min(self.t + step_s, end)
            self.hear(without=without, line=line, o2=o2, co2=co2)

    def skip(self, seconds: float) -> None:
        """So much later with no reading; of the silence before, only the last good minutes were lived."""
        self.t += max(0.0, seconds - 130.0)
        self.live(min(seconds, 130.0), without=("readings",), step_s=10.0)

    def hear(self, *, without=(), line="line-01", o2=20.5, co2=0.5, epoch_seen=6) -> None:
        self.beat(*(one for one in UNITS if one not in without), epoch_seen=epoch_seen)
        for room in self.rooms:
            if heard := [one for one in SENSORS[room] if one not in without]:
                digit = self.number("heard") % 2  # real cells move their last digit
                self.air(*heard, room=room, o2=20.9 + 0.01 * digit, co2=0.05 + 0.01 * digit)
        if "sources" not in without:
            self.supply()
        if "readings" not in without:
            self.read(line, o2, co2)

    # ---- what the core asks

    def request(self, *, enclosure="n1", gas="nitrogen", volume=100.0, flow=None, ahead=120.0, offset_s=0.0, source=None,
                basis=None, epoch=7, request_id=None) -> RequestDose:  # fmt: skip
        return RequestDose(
            enclosure, gas, SOURCES.get(gas, "generator") if source is None else source,
            f"{epoch}-{self.number('request')}" if request_id is None else request_id, epoch, volume,
            FLOWS.get(gas, 10.0) if flow is None else flow, self.now.wall_s + ahead, offset_s,
            self.ref if basis is None else basis, "test",
        )  # fmt: skip

    def ask(self, **asked) -> Cleared | Refusal:
        if asked.get("gas") == "co2":
            asked.setdefault("volume", 50.0)
        return self.guard.judge(self.request(**asked), self.now)

    def permit(self, *, room="north", dosing=True, air=True, epoch=7, ahead=45.0) -> Cleared | Refusal:
        return self.guard.judge(PermitRoom(room, dosing, air, epoch, self.now.wall_s + ahead), self.now)


def ready(enclosure="n1", state="pulling_down", o2=20.5, co2=0.5, site=SITE) -> World:
    """A world in which every gas may be asked for this enclosure: everything heard and good for long enough."""
    world = World(site)
    world.rooms = ("north",) if enclosure.startswith("n") else ("south",)
    world.start()
    world.link()
    world.beat()
    world.command("seal", enclosure)
    world.live(120.0, line=LINES[enclosure], o2=o2, co2=co2)
    world.announce(state, enclosure)
    return world


def verdict(answer: Cleared | Refusal) -> str:
    """`cleared`, or the rule that was refused by."""
    return "cleared" if isinstance(answer, Cleared) else answer.rule


def around(limit: float, step: float, count: int = 8) -> list[float]:
    """Densely on both sides of a limit, the limit itself among them, and sparsely further away."""
    near = [limit + step * one for one in range(-count, count + 1)]
    far = [limit + step * count * one for one in (-8, -4, -2, 2, 4, 8)]
    return sorted(near + far)


LIMITS = {"nitrogen": (150.0, 3000.0, 9000.0), "co2": (60.0, 500.0, 1500.0), "air": (150.0, 6000.0, 60_000.0)}


def spend(world: World, gas: str, volume: float, *, every_s=125.0, outcome="delivered", o2=20.5) -> None:
    """Asks and has delivered so much, in doses of the most that a request may hold."""
    most = LIMITS[gas][0]
    while volume > 0:
        one = min(most, volume)
        request = world.request(gas=gas, volume=one)
        assert verdict(world.guard.judge(request, world.now)) == "cleared", volume
        world.report(request.request_id, outcome, one, gas=gas)
        volume -= one
        if every_s:
            world.live(every_s, step_s=25.0, o2=o2)
