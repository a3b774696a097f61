"""Random lives of a guard: no order of events, repeats, losses, jumps and crashes lets anything through that the rules
forbid. Each yes is judged by `guard_model`, which knows nothing but the log.

The lives lean towards good hours, so that the guard does say yes often enough for this to mean something;
`test_random_lives_are_not_idle` holds that.
"""

import random

from guard_model import Model
from guard_world import FLOWS, LINES, SENSORS, UNITS, World
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule

from supervisor.guard import Cleared, Guard
from supervisor.messages import RoomDoor
from supervisor.values import Arrived, LinkChanged, PermitRoom, RequestDose, SampleRef, Started, StopDose

ENCLOSURES = ("n1", "n5")
GASES = ("nitrogen", "co2", "air")
MOST = {"nitrogen": 150.0, "co2": 60.0, "air": 150.0}


class LoggedWorld(World):
    """Every event goes to the guard and into the model's log; every yes is put to the model."""

    def __init__(self) -> None:
        super().__init__()
        self.model, self.passes, self.running = Model(), [], []
        self.samples: dict[str, SampleRef] = {}

    def send(self, body, *names):
        self.model.note(self.now, Arrived(self.now, type(body).TOPIC, names, body))
        super().send(body, *names)

    def start(self, epoch=7):
        self.model.note(self.now, Started(self.now, epoch, "test"))
        super().start(epoch)

    def link(self, up=True):
        self.model.note(self.now, LinkChanged(self.now, up))
        super().link(up)

    def announce(self, state, enclosure="n1"):
        self.model.note(self.now, ("announced", enclosure, state))
        super().announce(state, enclosure)

    def put(self, effect) -> None:
        self.model.note(self.now, None)  # the guard looks at its clock when it is asked
        answer = self.guard.judge(effect, self.now)
        if not isinstance(answer, Cleared):
            return
        assert answer.effect is effect
        harmless = isinstance(effect, StopDose) or (
            isinstance(effect, PermitRoom) and not (effect.dosing_permitted or effect.air_permitted)
        )
        if not harmless:
            assert self.model.objections(effect, self.now) == []
            self.passes.append(effect)
        self.model.note(self.now, ("passed", effect))
        if isinstance(effect, RequestDose):
            self.running.append(effect)


AGES = (0.0, 0.0, 0.0, 5.0, 9.0, 31.0, -9.0, -11.0)
CHOICES = {
    "good_hours": {
        "line": ("line-01", "line-01", "line-05", "idle"), "seconds": (5.0, 60.0, 90.0, 100.0, 100.0),
        "without": ((), (), (), (), ("north-door",), ("gateway-north",), ("gateway-plant",), ("sources",), ("readings",)),
        "gas": ((20.5, 0.5), (20.5, 0.5), (5.0, 15.0), (2.5, 20.0), (2.4, 20.1), (1.0, 10.0), (60.0, 60.0)),
    },
    "good_end": {"enclosure": ENCLOSURES, "gas": ((20.5, 0.5), (5.0, 15.0), (1.0, 10.0), (5.0, 21.5)), "climbs": (0, 1)},
    "ask_oddly": {"enclosure": ENCLOSURES, "gas": GASES, "but": (
        (), ("share", 1.01), ("share", 0.01), ("share", 0.0), ("share", -1.0), ("share", float("nan")), ("flow", 1.01),
        ("flow", float("nan")), ("flow", -1.0), ("ahead", 121.0), ("ahead", 0.0), ("ahead", float("inf")), ("ahead", 20.0),
        ("basis", "older"), ("basis", "other"), ("epoch_step", -1), ("epoch_step", 1), ("number", "same"),
        ("number", "back"), ("number", "same"), ("offset_s", 9.0), ("offset_s", 11.0), ("source", "bank"),
        ("source", "generator"),
    ), "recovers": (True, True, True, False)},
    "permit": {"dosing": (True, False), "air": (True, False), "ahead": (45.0, 45.0, 46.0, -1.0), "epoch_step": (0, 0, 1, -1)},
    "stop": {"enclosure": ENCLOSURES, "gas": GASES, "epoch_step": (0, 1, -1)},
    "report": {"outcome": ("accepted", "progress", "delivered", "delivered", "refused", "aborted"),
               "share": (0.0, 0.5, 1.0, 1.5), "which": (-1, -1, -2)},
    "flow": {"enclosure": ENCLOSURES, "gas": GASES, "nl_min": (0.0, 0.0, 10.0, 500.0)},
    "command": {"action": ("seal", "seal", "vent", "open", "stop", "resume", "resume", "enter", "leave", "leave"),
                "enclosure": ENCLOSURES, "people": (("bo",), ("bo", "cy"), ()), "age_s": (0.0, 0.0, 0.0, 4000.0),
                "repeat": (False, False, False, True)},
    "door": {"is_open": (True, False, False, False), "age_s": (0.0, 0.0, 31.0, -100.0)},
    "announce": {"enclosure": ENCLOSURES,
                 "state": ("filling", "pulling_down", "holding", "holding", "holding", "venting", "faulted")},
    "room_air": {"sensor": SENSORS["north"], "o2": (20.9, 19.5, 19.4, 18.0, 17.9, 23.6), "co2": (0.05, 0.5, 0.6, 1.6, -1.0),
                 "status": ("ok", "ok", "fault"), "age_s": AGES, "repeat": (False, False, True)},
    "reading": {"line": ("line-01", "line-05", "idle"), "o2": (20.5, 5.0, 1.0), "settled": (True, True, False),
                "status": ("ok", "ok", "ok", "fault"), "confirmed": (None, None, True, False), "age_s": AGES,
                "seq_step": (1, 1, 1, 2, 0, -3), "boot": ("a1", "a1", "a1", "a2")},
    "heartbeat": {"unit": UNITS, "offset_s": (0.0, 0.0, 9.0, -11.0, 100.0), "online": (True, True, False),
                  "age_s": AGES, "seen_step": (-1, -1, 0, 1)},
    "supply": {"source": ("generator", "bank", "blower"), "available": (True, True, False), "age_s": AGES,
               "capacity": (None, None, 5.0, 50.0), "stock": (300.0, 20.05, 20.2, "unknown")},
    "time_passes": {"seconds": (0.25, 1.0, 10.0, 31.0, 46.0, 121.0, 2700.0, 3600.0, 40_000.0)},
    "wall_jumps": {"seconds": (-3600.0, -11.0, -4.0, 4.0, 11.0, 3600.0)},
    "link_changes": {"up": (True, True, False)},
    "crash": {"started": (True, True, False), "epoch_step": (1, 1, 1, 0, -1), "recovers": (True, True, False)},
}  # fmt: skip


def drawn(name: str):
    return rule(**{key: st.sampled_from(values) for key, values in CHOICES[name].items()})


class GuardLife(RuleBasedStateMachine):

    @initialize()
    def begins(self):
        self.world, self.epoch, self.last_command, self.turns = LoggedWorld(), 7, "none", 0
        self.world.start(self.epoch)
        self.recovers("n1")
        self.recovers("n5")

    def recovers(self, enclosure="n1", gas=(20.5, 0.5)):
        """People and core put everything right: heard, left, resumed, sealed, sampled, announced."""
        world = self.world
        world.link()
        for action, target in (("leave", "north"), ("resume", enclosure), ("seal", enclosure)):
            self.last_command = world.command(action, target, people=["ada", "bo", "cy"])
        self.good_hours(LINES[enclosure], 100.0, (), gas)
        world.announce("holding", enclosure)
        self.all_delivered()

    def all_delivered(self):
        for asked in self.world.running[-3:]:
            self.world.report(asked.request_id, "delivered", asked.volume_nl, enclosure=asked.enclosure, gas=asked.gas)

    def ask_for_all(self):
        """What a core asks in good times: the guard must see by itself that they may not be."""
        self.turns += 1
        if self.turns % 3:
            self.all_delivered()
        self.permit(True, True, 45.0, 0)
        for number, gas in enumerate(GASES):
            self.ask(ENCLOSURES[(self.turns + number) % 2], gas, ())
        self.world.t += 0.25

    @drawn("good_hours")
    def good_hours(self, line, seconds, without, gas):
        self.world.live(seconds, line=line, without=without, o2=gas[0], co2=gas[1], step_s=10.0)
        for enclosure in ENCLOSURES:
            if LINES[enclosure] == line and "readings" not in without:
                self.world.samples[enclosure] = self.world.ref

    @drawn("good_end")
    def good_end(self, enclosure, gas, climbs):
        self.epoch += climbs
        self.recovers(enclosure, gas)
        if climbs:
            self.ask_for_all()

    @drawn("ask_oddly")
    def ask_oddly(self, enclosure, gas, but, recovers):
        """In good times, mostly, a good request but for one thing."""
        if recovers:
            self.recovers(enclosure)
        self.ask(enclosure, gas, but)

    def ask(self, enclosure, gas, but):
        given = {"share": 1.0, "flow": 1.0, "ahead": 120.0, "basis": "newest", "epoch_step": 0, "number": "next",
                 "offset_s": 0.0, "source": None} | dict([but] if but else [])  # fmt: skip
        world, epoch = self.world, self.epoch + given["epoch_step"]
        newest = world.samples.get(enclosure, world.ref)
        refs = {"newest": newest, "older": newest._replace(seq=newest.seq - 1), "other": world.ref}
        passed = int(world.running[-1].request_id.split("-")[1]) if world.running else 0
        count = {"next": world.number("request"), "same": passed, "back": max(0, passed - 1)}[given["number"]]
        world.put(world.request(
            enclosure=enclosure, gas=gas, volume=MOST[gas] * given["share"], flow=FLOWS[gas] * given["flow"],
            ahead=given["ahead"], basis=refs[given["basis"]], epoch=epoch, request_id=f"{epoch}-{count}",
            offset_s=given["offset_s"], source=given["source"],
        ))  # fmt: skip

    @drawn("permit")
    def permit(self, dosing, air, ahead, epoch_step):
        world = self.world
        world.put(PermitRoom("north", dosing, air, self.epoch + epoch_step, world.now.wall_s + ahead))

    @drawn("stop")
    def stop(self, enclosure, gas, epoch_step):
        self.world.put(StopDose(enclosure, gas, None, self.epoch + epoch_step, "test"))

    @precondition(lambda self: len(self.world.running) > 1)
    @drawn("report")
    def report(self, outcome, share, which):
        asked = self.world.running[which]
        self.world.report(asked.request_id, outcome, asked.volume_nl * share, enclosure=asked.enclosure, gas=asked.gas)
        self.ask_for_all()

    @drawn("flow")
    def flow(self, enclosure, gas, nl_min):
        self.world.flow(nl_min, enclosure=enclosure, gas=gas)
        self.ask_for_all()

    @drawn("command")
    def command(self, action, enclosure, people, age_s, repeat):
        target = "north" if action in ("enter", "leave") else enclosure
        name = self.last_command if repeat else None
        self.last_command = self.world.command(action, target, people=list(people), age_s=age_s, command_id=name)
        self.ask_for_all()

    @drawn("door")
    def door(self, is_open, age_s):
        self.world.send(RoomDoor(observed_at=self.world.moment(age_s), open=is_open), "north")
        self.ask_for_all()

    @drawn("announce")
    def announce(self, enclosure, state):
        self.world.announce(state, enclosure)
        self.ask_for_all()

    @drawn("room_air")
    def room_air(self, sensor, o2, co2, status, age_s, repeat):
        seq = self.world.numbers[f"north/{sensor}"] if repeat else None
        self.world.air(sensor, o2=o2, co2=co2, status=status, age_s=age_s, seq=seq)
        self.ask_for_all()

    @drawn("reading")
    def reading(self, line, o2, settled, status, confirmed, age_s, seq_step, boot):
        seq = max(0, self.world.numbers["analyser-1"] + seq_step)
        self.world.numbers["analyser-1"] = max(seq, self.world.numbers["analyser-1"])
        self.world.read(line, o2, settled=settled, status=status, confirmed=confirmed, age_s=age_s, seq=seq, boot=boot)
        for enclosure in ENCLOSURES:
            if LINES[enclosure] == line:
                self.world.samples[enclosure] = self.world.ref
        self.ask_for_all()

    @drawn("heartbeat")
    def heartbeat(self, unit, offset_s, online, age_s, seen_step):
        self.world.beat(unit, offset_s=offset_s, online=online, age_s=age_s, epoch_seen=self.epoch + seen_step)
        if seen_step == 1:
            self.epoch += 2  # a core that climbs over what it hears of
        self.ask_for_all()

    @drawn("supply")
    def supply(self, source, available, age_s, capacity, stock):
        stock_kg = stock if source == "bank" else None
        self.world.supply(source, available=available, age_s=age_s, capacity=capacity, stock=stock_kg)
        self.ask_for_all()

    @drawn("time_passes")
    def time_passes(self, seconds):
        self.world.t += seconds
        self.ask_for_all()

    @drawn("wall_jumps")
    def wall_jumps(self, seconds):
        self.world.wall_shift_s += seconds
        self.ask_for_all()

    @drawn("link_changes")
    def link_changes(self, up):
        self.world.link(up)
        self.ask_for_all()

    @drawn("crash")
    def crash(self, started, epoch_step, recovers):
        blob = self.world.guard.dump()
        self.world.guard = Guard.load(self.world.site, blob)
        assert self.world.guard.dump() == blob
        if started:
            self.epoch += epoch_step
            self.world.start(self.epoch)
            if recovers:
                self.recovers("n1")
                self.recovers("n5")
        self.ask_for_all()


GuardLife.TestCase.settings = settings(
    max_examples=30, stateful_step_count=30, deadline=None, database=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.filter_too_much],
)  # fmt: skip
TestGuardLife = GuardLife.TestCase


def test_random_lives_are_not_idle():
    """The same lives by a seeded draw: the guard must have said yes to every gas and to permits, and also no."""
    chance, passes, asked = random.Random(1), [], 0
    for _ in range(6):
        life = GuardLife()
        life.begins()
        for _ in range(30):
            name = chance.choice(list(CHOICES))
            if name == "report" and len(life.world.running) < 2:
                continue
            asked += {"ask_oddly": 1, "permit": 1, "good_hours": 0, "stop": 0}.get(name, 4)
            getattr(life, name)(**{key: chance.choice(options) for key, options in CHOICES[name].items()})
        passes += life.world.passes
    gases = {one.gas for one in passes if isinstance(one, RequestDose)}
    assert gases == {"nitrogen", "co2", "air"}
    assert any(isinstance(one, PermitRoom) for one in passes)
    assert 20 <= len(passes) < asked, (len(passes), asked)
