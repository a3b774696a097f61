"""No valid message makes the core raise, and nothing that it asks for is outside its limits, whatever comes in whatever order.

Hypothesis makes the messages: from a core that has just started, and from one in the middle of a pull-down.
"""

from functools import cache
from math import isfinite

import corekit
import coresite
from hypothesis import given, settings
from hypothesis import strategies as st

from supervisor import messages
from supervisor.core.catalogue import CATALOGUE
from supervisor.core.site import Core
from supervisor.messages import at
from supervisor.values import (
    GASES,
    Arrived,
    Effect,
    Event,
    LinkChanged,
    Now,
    PermitRefused,
    PermitRoom,
    PlantFinding,
    Publish,
    RequestDose,
    RequestRefused,
    ShellTrouble,
    Started,
    Stopping,
    Ticked,
)

ENCLOSURES, ROOMS, SOURCES, UNITS = ("e1", "e2", "w1"), ("east", "west"), ("generator", "bank", "blower"), corekit.UNITS
FINDINGS = (
    "no_response", "unexplained_move", "unrequested_flow", "late_report", "short_delivery", "over_delivery",
)  # fmt: skip
TROUBLES = ("history_unreachable", "history_rows_refused", "history_backlog_full", "inbound_overflow", "rejected_messages")

telling = [-5.0, -1.0, 0.0, 0.04, 0.5, 1.4, 3.0, 10.0, 15.0, 18.0, 19.4, 20.9, 23.6, 100.0, 105.0]
pct = st.sampled_from(telling) | st.floats(-5, 105)
words = st.sampled_from(["ok", "ok", "ok", "warming_up", "calibrating", "fault"])
ids = st.sampled_from([f"{epoch}-{number}" for epoch in (1, 2) for number in range(1, 9)])
ago_s = st.sampled_from([0.0, 0.0, 0.0, 1.0, 20.0, 300.0, -5.0, -400.0, 1e6])
seqs = st.integers(0, 60)


def _body(kind: str, **fields) -> st.SearchStrategy:
    return st.fixed_dictionaries(fields).map(lambda made: (kind, made))


def _arrivals() -> st.SearchStrategy:
    """(model, names, fields) of every inbound message; `observed_at` is filled in from the instant it comes."""
    maybe, flow = st.none() | st.booleans(), st.sampled_from([0.0, 1e-9, 20.0, 80.0, 1e6])
    volume, epoch, text = st.sampled_from([0.0, 1.0, 45.0, 90.0, 1e5]), st.sampled_from([0, 1, 2, 3, 9]), st.text(max_size=5)
    sensors = st.sampled_from([("east", "door"), ("east", "floor"), ("west", "west-air")])
    name = st.one_of(*(st.sampled_from(pool) for pool in (ENCLOSURES, ROOMS, SOURCES, ("nobody", "room_air_unsafe-east"))))

    def one(model, names, **fields) -> st.SearchStrategy:
        return st.tuples(st.just(model), names, st.fixed_dictionaries(fields))

    def single(pool) -> st.SearchStrategy:
        return st.sampled_from(pool).map(lambda chosen: (chosen,))

    valve = st.tuples(st.sampled_from(ENCLOSURES), st.sampled_from(GASES))
    lines = st.sampled_from(["line-1", "line-2", "line-3", "idle", "nowhere"])
    boots = st.sampled_from(["b1", "b2", "a1"])
    return st.one_of(
        one(messages.UnitStatus, single(UNITS), online=st.booleans(), boot=boots, epoch_seen=epoch),
        one(messages.AnalyserReading, single(("az",)), boot=boots, seq=seqs, line=lines, o2_pct=pct, co2_pct=pct,
            settled=st.booleans(), status=words, line_confirmed=maybe),
        one(messages.RoomAir, sensors, seq=seqs, o2_pct=pct, co2_pct=pct, status=words),
        one(messages.RoomClimate, single(ROOMS), temperature_c=st.floats(-50, 50), rh_pct=st.floats(0, 100)),
        one(messages.RoomDoor, single(ROOMS), open=st.booleans()),
        one(messages.Closure, single(ENCLOSURES), open=st.booleans()),
        one(messages.PulpTemperature, single(ENCLOSURES), temperature_c=st.floats(-50, 50)),
        one(messages.Bag, single(ENCLOSURES), pressure_pa=st.none() | st.floats(-1e6, 1e6), fill_pct=st.none() | flow),
        one(messages.SourceStatus, single(SOURCES), available=st.booleans(), capacity_nl_min=st.none() | flow,
            o2_pct=st.none() | pct, stock_kg=st.none() | flow),
        one(messages.DoseReport, valve, request_id=ids, delivered_nl=volume, metered=st.booleans(),
            outcome=st.sampled_from(["accepted", "progress", "delivered", "refused", "aborted"]),
            code=st.sampled_from([None, "expired", "no_flow", "stopped"])),
        one(messages.DoseFlow, valve, valve_open=st.booleans(), flow_nl_min=flow),
        one(messages.OperatorCommand, st.just(()), command_id=ids, operator=st.just("mara"), target=name, note=st.none() | text,
            action=st.sampled_from(["seal", "seal", "vent", "open", "resume", "stop", "acknowledge", "shelve", "unshelve",
                                    "enter", "leave", "calibrate", "test"]),
            occurrence=st.none() | st.integers(0, 3), people=st.none() | st.lists(st.just("mara"), max_size=2),
            standby=st.none() | st.just("ono"), minutes=st.none() | st.integers(1, 720)),
    )  # fmt: skip


others = st.one_of(
    *([st.just(("tick",))] * 4),
    st.tuples(st.just("link"), st.booleans()),
    st.tuples(st.just("refused"), ids, st.sampled_from(ENCLOSURES), st.sampled_from(GASES)),
    st.tuples(st.just("permit_refused"), st.sampled_from(ROOMS)),
    st.tuples(st.just("finding"), st.sampled_from(ENCLOSURES), st.sampled_from(FINDINGS), st.none() | st.sampled_from(GASES)),
    st.tuples(st.just("trouble"), st.sampled_from(TROUBLES), st.booleans()),
    st.tuples(st.just("start"), st.integers(0, 3)),
    st.just(("stop",)),
)
# After what time something happens, in mono and in wall: mostly alike, now and then the wall clock is set.
jumps_s = st.sampled_from([0.0] * 9 + [-3600.0, 99.0])
passing = st.tuples(st.sampled_from([0.0, 0.5, 1.0, 1.0, 5.0, 40.0, 200.0, 3000.0]), jumps_s)
steps = st.lists(st.tuples(passing, st.one_of(_arrivals(), _arrivals(), others), ago_s), max_size=40)


def event_of(now: Now, what: tuple, told_ago_s: float) -> Event:
    if isinstance(what[0], type):
        model, names, fields = what
        when = "issued_at" if model is messages.OperatorCommand else "observed_at"
        return Arrived(now, model.TOPIC, names, model(**{when: at(now.wall_s - told_ago_s)}, **fields))
    kind, *rest = what
    made = {
        "tick": lambda: Ticked(now),
        "link": lambda: LinkChanged(now, *rest),
        "refused": lambda: RequestRefused(now, *rest, "rule", "so much", "so little"),
        "permit_refused": lambda: PermitRefused(now, *rest, "rule", "so much", "so little"),
        "finding": lambda: PlantFinding(now, *rest, "so much", "so little"),
        "trouble": lambda: ShellTrouble(now, *rest, "in words"),
        "start": lambda: Started(now, *rest, "again"),
        "stop": lambda: Stopping(now),
    }
    return made[kind]()


@cache
def pulling_down() -> tuple[bytes, Now]:
    """A core in the middle of things: e1 is being purged with a dose running, w1 is sealed, e2 is faulted."""
    bench = corekit.sealed()
    bench.command("seal", "w1")
    bench.command("stop", "e2")
    bench.run(400)
    bench.hardware = "silent"
    bench.run(200, until=lambda: bool(bench.core.state.open_doses))
    return bench.core.dump(), bench.now


def go_through(core: Core, now: Now, story: list) -> None:
    last_epoch = core.state.epoch
    for (seconds, jump_s), what, told_ago_s in story:
        now = Now(now.mono_s + seconds, now.wall_s + seconds + jump_s)
        for effect in core.step(event_of(now, what, told_ago_s)):
            _sane(effect, core, now)
        assert core.state.epoch >= last_epoch, "an epoch went down"
        last_epoch = core.state.epoch
    blob = core.dump()
    assert Core.load(core.site, blob).dump() == blob


def _sane(effect: Effect, core: Core, now: Now) -> None:
    """What the core asks for is finite, within the site's limits, and of the running epoch."""
    if isinstance(effect, RequestDose):
        enclosure, limits = core.site.enclosures[effect.enclosure], core.site.limits.of(effect.gas)
        state = core.state.enclosures[effect.enclosure].state
        assert state in ("pulling_down", "holding") or (state == "venting" and effect.gas == "air")
        assert 0.0 < effect.volume_nl <= limits.per_request_nl
        assert 0.0 < effect.max_flow_nl_min <= enclosure.flow_nl_min_max.of(effect.gas)
        assert 0.0 < effect.valid_until_wall_s - now.wall_s <= core.site.timing.lease_s + 1e-3
        assert effect.epoch == core.state.epoch and effect.request_id.startswith(f"{effect.epoch}-")
        assert core.state.link_up and all(isfinite(one) for one in (effect.volume_nl, effect.clock_offset_s))
    if isinstance(effect, PermitRoom):
        allowed = effect.dosing_permitted or effect.air_permitted
        assert not allowed or (core.state.link_up and not core.state.rooms[effect.room].people)
        assert not effect.dosing_permitted or core.state.rooms[effect.room].status == "clear"
    if isinstance(effect, Publish):
        effect.body.model_dump_json()


@given(story=steps)
@settings(deadline=None, max_examples=50)
def test_nothing_breaks_a_core_that_has_just_started(story: list) -> None:
    bench = corekit.Bench().start()
    go_through(bench.core, bench.now, story)


@given(story=steps)
@settings(deadline=None, max_examples=80)
def test_nothing_breaks_a_core_in_the_middle_of_things(story: list) -> None:
    blob, now = pulling_down()
    go_through(Core.load(coresite.site(), blob), now, story)


def test_the_words_that_are_thrown_at_it_are_those_of_the_catalogue() -> None:
    assert set(FINDINGS) | set(TROUBLES) <= set(CATALOGUE)
    bench = corekit.Bench(core=Core.load(coresite.site(), pulling_down()[0]))
    assert bench.core.state.open_doses and bench.core.state.enclosures["e1"].state == "pulling_down"
