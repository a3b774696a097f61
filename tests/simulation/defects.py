"""Defects planted by hand, to show that the seeds find them. What core and guard hold each for itself is broken in both."""

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from typing import Any
from unittest.mock import patch

from supervisor.core import people, room_air, site
from supervisor.core.desk import Desk
from supervisor.guard_memory import Memory
from supervisor.shell.batch import Turn
from supervisor.shell.journal import Batch, Journal
from supervisor.shell.loop import Loop
from supervisor.values import Event, Started


def publish_before_commit(put: Callable) -> None:
    act = Loop._act

    def eager(loop: Loop, turn: Turn, last: bool = False) -> None:
        commit = loop.journal.commit

        def late(batch: Batch) -> None:
            loop.outbox.send(turn.messages)
            turn.messages = []
            commit(batch)

        loop.journal.commit = late  # type: ignore[method-assign]
        try:
            act(loop, turn, last)
        finally:
            loop.journal.commit = commit  # type: ignore[method-assign]

    put(patch.object(Loop, "_act", eager))


def dose_in_an_entered_room(put: Callable) -> None:
    put(patch.object(people, "reasons", lambda desk, name: []))
    put(patch.object(Memory, "inside", lambda self, room: []))


def a_silent_sensor_is_believed(put: Callable) -> None:
    lost = room_air._lost
    put(patch.object(room_air, "_lost", lambda *args: None if "silent" in (lost(*args) or "") else lost(*args)))
    fresh = Memory.fresh

    def forever(self: Memory, taken_s: float, arrived_s: float, now: Any, age_s_max: float) -> bool:
        return True if age_s_max == self._time.air_age_s_max else fresh(self, taken_s, arrived_s, now, age_s_max)

    put(patch.object(Memory, "fresh", forever))


def samples_outlive_a_start(put: Callable) -> None:
    put(patch.object(site, "_forget", lambda desk: None))
    observe = Memory.observe

    def remembering(self: Memory, event: Event) -> None:
        seen = self.kept.seen
        observe(self, event)
        if isinstance(event, Started):
            self.kept.seen = seen

    put(patch.object(Memory, "observe", remembering))


def alarms_forgotten_at_a_start(put: Callable) -> None:
    start = site._start

    def started(desk: Desk, event: Started) -> None:
        desk.state.alarms.clear()
        start(desk, event)

    put(patch.object(site, "_start", started))


def commands_are_not_journalled(put: Callable) -> None:
    write = Journal._write

    def written(self: Journal, batch: Batch) -> None:
        kept, batch.inputs = batch.inputs, [one for one in batch.inputs if not one.topic.endswith("operator/command")]
        write(self, batch)
        batch.inputs = kept

    put(patch.object(Journal, "_write", written))


def acknowledged_before_it_is_on_disk(put: Callable) -> None:
    """What came is acknowledged to the broker before it is written down: who dies in between has lost it."""
    act = Loop._act

    def careless(loop: Loop, turn: Turn, last: bool = False) -> None:
        loop.bus.settle()
        act(loop, turn, last)

    put(patch.object(Loop, "_act", careless))


DEFECTS = {
    one.__name__: one
    for one in (
        publish_before_commit, dose_in_an_entered_room, a_silent_sensor_is_believed,
        samples_outlive_a_start, alarms_forgotten_at_a_start, commands_are_not_journalled, acknowledged_before_it_is_on_disk,
    )
}  # fmt: skip


@contextmanager
def planted(name: str) -> Iterator[None]:
    """The program with this defect in it."""
    with ExitStack() as stack:
        DEFECTS[name](stack.enter_context)
        yield
