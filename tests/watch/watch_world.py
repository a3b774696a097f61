"""A small world around one watch. Figures are typed by hand from the example site: n1 holds 1,250 nl on line-01, whose gas
is 22 s on the way and 62 s in the cell; its nitrogen brings 0.5 % oxygen with it.
"""

from math import exp
from pathlib import Path

from supervisor import sitefile
from supervisor.messages import AnalyserReading, DoseFlow, DoseReport, OperatorCommand, at
from supervisor.values import Arrived, LinkChanged, Now, PlantFinding, RequestDose, SampleRef, Started, Ticked
from supervisor.watch import Watch

SITE = sitefile.load(Path(__file__).resolve().parents[2] / "config" / "quillfen.toml")
MONO_S, WALL_S = 4096.0, 1_760_000_000.0
FREE_NL = 1250.0
WAY_S, SETTLED_S = 22.0, 84.0
FEED = {"nitrogen": (0.5, 0.0), "co2": (0.0, 100.0), "air": (20.95, 0.04)}


def swept(o2: float, co2: float, gas: str, volume: float) -> tuple[float, float]:
    """What a well-mixed enclosure holds after so many normal litres of a gas."""
    left = exp(-volume / FREE_NL)
    return tuple(feed + (old - feed) * left for feed, old in zip(FEED[gas], (o2, co2), strict=True))


class World:
    def __init__(self, *, sealed=True) -> None:
        self.watch, self.t, self.seq, self.ids, self.commands = Watch(SITE), -64.0, 0, 0, 0
        self.found: list[PlantFinding] = []
        self.observe(Started(self.now, 7, "test"))
        self.observe(LinkChanged(self.now, True))
        self.t = 0.0  # what ran before the link came up has been stopped by now
        if sealed:
            self.command("seal")

    @property
    def now(self) -> Now:
        return Now(MONO_S + self.t, WALL_S + self.t)

    def observe(self, event) -> None:
        self.found += self.watch.observe(event)

    def findings(self) -> list[str]:
        """Names of what was found since last asked."""
        found, self.found = [one.finding for one in self.found], []
        return found

    def crash(self) -> None:
        blob = self.watch.dump()
        self.watch = Watch.load(SITE, blob)
        assert self.watch.dump() == blob

    def send(self, body, *names: str) -> None:
        self.observe(Arrived(self.now, type(body).TOPIC, names, body))

    def tick(self, seconds=0.0) -> None:
        self.t += seconds
        self.observe(Ticked(self.now))

    def command(self, action: str, target="n1") -> None:
        self.commands += 1
        name = f"c{self.commands}"
        moment = at(self.now.wall_s)
        self.send(OperatorCommand(command_id=name, issued_at=moment, operator="ada", action=action, target=target))

    def read(self, o2: float, co2: float, *, line="line-01", settled=True, status="ok", confirmed=None, boot="a", seq=None,
             age_s=0.0, analyser="analyser-1", still=False) -> None:  # fmt: skip
        """Its last digit moves from each reading to the next, as with every instrument that measures, unless `still`."""
        self.seq = self.seq + 1 if seq is None else seq
        o2 += 1e-6 if self.seq % 3 == 1 and not still else 0.0
        body = AnalyserReading(observed_at=at(self.now.wall_s - age_s), boot=boot, seq=self.seq, line=line, o2_pct=o2,
                               co2_pct=co2, settled=settled, status=status, line_confirmed=confirmed)  # fmt: skip
        self.send(body, analyser)

    def visit(self, o2: float, co2: float) -> None:
        """The analyser comes to n1: one reading as it switches, one when it has settled, 84 s later; then it leaves."""
        self.read(o2, co2, settled=False)
        self.t += SETTLED_S
        self.read(o2, co2)
        self.t += 1
        self.read(20.9, 0.04, line="idle")

    def request(self, gas: str, volume=100.0, ahead_s=120.0, enclosure="n1") -> str:
        self.ids += 1
        name = f"7-{self.ids}"
        ref = SampleRef("analyser-1", "a", self.seq)
        asked = RequestDose(enclosure, gas, "x", name, 7, volume, 50.0, self.now.wall_s + ahead_s, 0.0, ref, "test")
        self.watch.observe_request(asked, self.now)
        return name

    def report(self, name: str, outcome: str, delivered=0.0, *, gas="nitrogen", enclosure="n1") -> None:
        moment = at(self.now.wall_s)
        body = DoseReport(observed_at=moment, request_id=name, outcome=outcome, delivered_nl=delivered, metered=True)
        self.send(body, enclosure, gas)

    def flow(self, flow: float, *, valve_open=True, gas="nitrogen", enclosure="n1") -> None:
        self.send(DoseFlow(observed_at=at(self.now.wall_s), valve_open=valve_open, flow_nl_min=flow), enclosure, gas)


    def give(self, gas: str, volume: float, seconds=60.0) -> None:
        """A whole dose as good hardware tells it."""
        name = self.request(gas, volume, seconds + 10)
        self.report(name, "accepted", gas=gas)
        self.flow(10.0, gas=gas)
        self.tick(seconds)
        self.report(name, "delivered", volume, gas=gas)
        self.flow(0.0, valve_open=False, gas=gas)
        self.tick()


def a_pair(gas: str, volume: float, before, after, *, pause_s=600.0, world=None) -> World:
    """A visit, a dose, a pause, a visit."""
    world = world or World()
    world.visit(*before)
    world.tick(10)
    world.give(gas, volume)
    world.tick(pause_s)
    world.visit(*after)
    return world
