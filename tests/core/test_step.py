"""The core is a pure function of its events: same events, same effects, bit for bit, from any snapshot, and whatever order the
messages between two ticks came in. The events are those of an in-process run against the simulated plant.
"""

import random
from collections import Counter
from itertools import groupby

import coresite
import pytest
from corestory import Story, recorded

from supervisor.core.desk import Desk
from supervisor.core.site import Core
from supervisor.core.units import usable
from supervisor.messages import AlarmStatus, EnclosureState, OperatorCommand, RoomEntry, SelectLine, UnitStatus
from supervisor.values import Arrived, Effect, Event, PermitRoom, Publish, RequestDose, StopDose, Ticked


def decisions(effects: list[Effect]) -> list[Effect]:
    """What reaches the hardware, and what people are told of it; records and log lines left out."""
    shown = (EnclosureState, RoomEntry, SelectLine, AlarmStatus)
    return [
        one for one in effects
        if isinstance(one, RequestDose | StopDose | PermitRoom) or (isinstance(one, Publish) and isinstance(one.body, shown))
    ]  # fmt: skip


def test_the_story_is_worth_replaying() -> None:
    kinds = Counter(type(one).__name__ for _, effects in recorded() for one in effects)
    states = {one.body.state for _, effects in recorded() for one in effects
              if isinstance(one, Publish) and isinstance(one.body, EnclosureState)}  # fmt: skip
    gases = {one.gas for _, effects in recorded() for one in effects if isinstance(one, RequestDose)}
    assert kinds["RequestDose"] > 50 and kinds["PermitRoom"] > 500 and kinds["StopDose"] > 5
    assert states >= {"filling", "pulling_down", "venting"} and gases == {"nitrogen", "co2", "air"}


def test_same_events_same_effects() -> None:
    core = Core(coresite.site())
    for event, effects in recorded():
        again = core.step(event)
        assert again == effects
        assert repr(again) == repr(effects), "equal and still not the same"


@pytest.mark.parametrize("seed", range(2))
def test_a_snapshot_in_the_middle_of_anything_changes_nothing(seed: int) -> None:
    """At some points of the run, among them each first moment of a dose, the core is written down, read back and goes on."""
    story = recorded()
    asked = [at for at, (_, effects) in enumerate(story) if any(isinstance(one, RequestDose) for one in effects)]
    chosen = random.Random(seed)
    points = {*chosen.sample(range(len(story)), 12), *chosen.sample(asked, 8)}
    core, loaded = Core(coresite.site()), []
    for at, (event, effects) in enumerate(story):
        assert core.step(event) == effects
        for begun, other in list(loaded):
            assert other.step(event) == effects, f"a snapshot after event {begun} answers otherwise at event {at}"
            if at - begun > 1500:
                assert other.dump() == core.dump()
                loaded.remove((begun, other))
        if at in points:
            blob = core.dump()
            other = Core.load(coresite.site(), blob)
            assert other.dump() == blob
            loaded.append((at, other))


def test_a_snapshot_after_every_single_event_changes_nothing() -> None:
    """The first twenty minutes, with a new core for each event: nothing lives outside the snapshot."""
    blob = Core(coresite.site()).dump()
    for event, effects in recorded()[:2500]:
        core = Core.load(coresite.site(), blob)
        assert core.step(event) == effects
        blob = core.dump()


# ------------------------------------------------------------------------------------------------ order


def topic(event: Event) -> tuple[str, ...]:
    return (event.kind, *event.names) if isinstance(event, Arrived) else ("", type(event).__name__)


def shuffled(batch: list[Event], chance: random.Random) -> list[Event]:
    """Another order in which the same messages could have come: one topic's stay in theirs, people's stay where they are."""
    free = [at for at, event in enumerate(batch) if isinstance(event, Arrived) and not isinstance(event.body, OperatorCommand)]
    order = [topic(batch[at]) for at in free]
    chance.shuffle(order)
    waiting = {name: iter([batch[at] for at in free if topic(batch[at]) == name]) for name in set(order)}
    mixed = list(batch)
    for at, name in zip(free, order, strict=True):
        mixed[at] = next(waiting[name])
    return mixed


def batches(story: Story) -> list[tuple[list[Event], Event | None, list[Effect]]]:
    """Messages up to a tick, the tick, and everything decided from the first message to the tick's end."""
    found, batch, effects = [], [], []
    for ticked, group in groupby(story, key=lambda pair: isinstance(pair[0], Ticked)):
        for event, answered in group:
            effects += decisions(answered)
            if not ticked:
                batch.append(event)
                continue
            found.append((batch, event, effects))
            batch, effects = [], []
    return found


def wakes_or_dies(core: Core, batch: list[Event]) -> bool:
    """A unit becomes known or lost in this batch. Its other words are words only in between: the one order that counts."""
    told = [event for event in batch if isinstance(event, Arrived) and isinstance(event.body, UnitStatus)]
    desks = {event.names[0]: Desk(core.site, core.state, event.now) for event in told}
    return any(not event.body.online for event in told) or any(usable(desk, unit) for unit, desk in desks.items())


@pytest.mark.parametrize("seed", range(3))
def test_the_order_of_messages_between_two_ticks_changes_no_decision(seed: int) -> None:
    chance, core, moved = random.Random(seed), Core(coresite.site()), 0
    for batch, tick, expected in batches(recorded()):
        mixed = batch if wakes_or_dies(core, batch) else shuffled(batch, chance)
        moved += mixed != batch
        decided = [one for event in mixed for one in decisions(core.step(event))]
        decided += decisions(core.step(tick))
        assert Counter(map(repr, decided)) == Counter(map(repr, expected)), f"at {tick.now.mono_s:g} s"
    assert moved > 500, "nothing was shuffled"
