"""Nobody is shown `clear` while any sensor of the room is beyond its limits or not known, whatever comes in whatever order.

The oracle keeps its own books of what each sensor last said and when, from the rules alone: limits 19.5 and 23.5 % oxygen and
0.5 % CO2, at most 30 s old, since the last start, through a unit that is heard. It knows nothing of how the core decides.
"""

import corekit
from corekit import SENSORS
from hypothesis import given, settings
from hypothesis import strategies as st

from supervisor.core.site import Core
from supervisor.messages import RoomEntry
from supervisor.values import PermitRoom, Publish

AIR_AGE_S, UNIT_SILENCE_S, CLOCK_OFF_S = 30.0, 45.0, 10.0
UNIT_OF = {"east": "gw-east", "west": "gw-west"}
O2, CO2 = (19.5, 23.5), 0.5

good = st.tuples(st.floats(20.5, 21.0), st.floats(0.0, 0.2))
edge = st.tuples(st.sampled_from([19.49, 19.5, 19.51, 20.9, 23.5, 23.51]), st.sampled_from([-0.2, 0.0, 0.04, 0.5, 0.51, 4.0]))
air = st.one_of(good, good, edge, st.sampled_from(["fault", "warming_up", "calibrating", "silent"]))
people = st.sampled_from([["mara"], ["sol"], ["mara", "sol"], []])
acts = st.one_of(
    st.tuples(st.just("air"), st.sampled_from(SENSORS), air),
    st.tuples(st.just("both"), air),
    st.tuples(st.just("unit"), st.sampled_from(["gw-east", "gw-west"]), st.sampled_from(["silent", "late", "well"])),
    st.tuples(st.just("enter"), st.sampled_from(["east", "west"]), people, st.sampled_from(["ono", "mara", None])),
    st.tuples(st.just("leave"), st.sampled_from(["east", "west"]), people),
    st.tuples(st.just("end alarms"),),
    st.tuples(st.just("restart"),),
    st.tuples(st.just("jump"), st.sampled_from([-60.0, 60.0, 3600.0])),
)
story = st.lists(st.tuples(acts, st.sampled_from([0.0, 1.0, 7.0, 35.0, 70.0, 130.0])), min_size=3, max_size=14)


class Oracle:
    """What may be shown, by what was said and nothing else."""

    def __init__(self) -> None:
        self.said: dict[tuple[str, str], tuple[float, object]] = {}
        self.units: dict[str, tuple[float, float]] = {}
        self.inside: dict[str, set[str]] = {"east": set(), "west": set()}

    def may_be_clear(self, room: str, now_s: float) -> bool:
        unit_s, off_s = self.units.get(UNIT_OF[room], (-1e9, 0.0))
        if now_s - unit_s > UNIT_SILENCE_S or off_s > CLOCK_OFF_S:
            return False
        for sensor in [one for one in SENSORS if one[0] == room]:
            heard_s, words = self.said.get(sensor, (-1e9, "silent"))
            if now_s - heard_s > AIR_AGE_S or isinstance(words, str):
                return False
            if not (O2[0] <= words[0] <= O2[1] and -0.1 <= words[1] <= CO2):
                return False
        return not self.inside[room]


class Watched(corekit.Bench):
    """A bench whose sensors' words the oracle hears as they are spoken, and whose every step it judges."""

    oracle: Oracle

    def say_air(self, room, sensor, o2_pct=20.9, co2_pct=0.04, **fields):
        words = "bad" if fields.get("status", "ok") != "ok" else (o2_pct, co2_pct)
        self.oracle.said[room, sensor] = (self.mono_s, words)
        return super().say_air(room, sensor, o2_pct, co2_pct, **fields)

    def say_unit(self, unit, **fields):
        self.oracle.units[unit] = (self.mono_s, self.units[unit])
        return super().say_unit(unit, **fields)

    def step(self, event):
        effects = super().step(event)
        for one in effects:
            if isinstance(one, Publish) and isinstance(one.body, RoomEntry) and one.body.status == "clear":
                assert self.oracle.may_be_clear(one.names[0], self.mono_s), f"{one.names[0]} shown clear at {self.mono_s}"
            if isinstance(one, PermitRoom) and one.dosing_permitted:
                assert self.oracle.may_be_clear(one.room, self.mono_s), f"dosing permitted in {one.room} at {self.mono_s}"
        return effects

    def tick(self):
        effects = super().tick()
        for room, kept in self.core.state.rooms.items():
            if kept.status == "clear":
                assert self.oracle.may_be_clear(room, self.mono_s), f"{room} stands at clear at {self.mono_s}"
                assert self.entry(room).status == "clear" and not self.sounder(room)
        return effects


def carry_out(bench: Watched, act: tuple) -> None:
    what, *rest = act
    if what in ("air", "both"):
        for sensor in [rest[0]] if what == "air" else SENSORS:
            bench.air.pop(sensor, None)
            if rest[-1] != "silent":
                bench.air[sensor] = rest[-1]
    elif what == "unit":
        bench.units.pop(rest[0], None)
        if rest[1] != "silent":
            bench.units[rest[0]] = 0.0 if rest[1] == "well" else 30.0
    elif what == "enter":
        if bench.command("enter", rest[0], people=rest[1], standby=rest[2], minutes=30).accepted:
            bench.oracle.inside[rest[0]] |= set(rest[1])
    elif what == "leave":
        bench.command("leave", rest[0], people=rest[1])
        bench.oracle.inside[rest[0]] -= set(rest[1])
    elif what == "end alarms":
        for key, alarm in list(bench.core.state.alarms.items()):
            for _ in range(2):
                bench.command("acknowledge", key, occurrence=alarm.occurrence)
    elif what == "restart":
        bench.core = Core.load(bench.site, bench.core.dump())
        bench.oracle.said.clear()
        bench.oracle.units.clear()
        bench.start(epoch=bench.core.state.epoch + 1)
    else:
        bench.wall_s += rest[0]
        bench.oracle.said.clear()
        bench.oracle.units.clear()
        corekit.Bench.tick(bench)  # or the next jump may take this one back before anybody has seen it


@given(acts_and_waits=story)
@settings(deadline=None, max_examples=40)
def test_nobody_is_shown_clear_while_any_sensor_is_beyond_or_unknown(acts_and_waits: list) -> None:
    bench = Watched()
    bench.oracle = Oracle()
    bench.start()
    bench.run(corekit.READY_S)
    for act, seconds in acts_and_waits:
        carry_out(bench, act)
        bench.run(seconds)


def test_the_oracle_can_object_and_a_quiet_bench_does_become_clear() -> None:
    bench = Watched()
    bench.oracle = Oracle()
    bench.start()
    bench.run(corekit.READY_S)
    assert corekit.status(bench) == corekit.status(bench, "west") == "clear"
    assert bench.oracle.may_be_clear("east", bench.mono_s) and not bench.oracle.may_be_clear("east", bench.mono_s + 31.0)
    for words in ((19.4, 0.1), (23.6, 0.1), (20.9, 0.51), (20.9, -0.2), "fault"):
        bench.oracle.said["east", "door"] = (bench.mono_s, words)
        assert not bench.oracle.may_be_clear("east", bench.mono_s)
