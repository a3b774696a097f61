"""The site file's table `notify`: people, when they are on duty, and who is told of what."""

from functools import cached_property
from typing import Annotated, Literal

from pydantic import Field

from supervisor.settings_table import Name, Table

Weekday = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
TimeOfDay = Annotated[
    str, Field(pattern=r"^([01][0-9]|2[0-3]):[0-5][0-9]$", description='a time of day in quotes, "00:00" to "23:59"')
]
Patience = Annotated[float, Field(ge=30, le=86_400)]


class Shift(Table):
    """On each of `days` from `begins` to `ends`, local time. An end at or before its begin is on the next day."""

    days: Annotated[tuple[Weekday, ...], Field(min_length=1, strict=False)]
    begins: TimeOfDay
    ends: TimeOfDay


class Person(Table):
    """Whom notifications go to; where they reach this person stands in the addresses file. No `duty` is always on duty."""

    id: Name
    name: str = ""
    duty: Annotated[tuple[Shift, ...], Field(strict=False)] = ()


class Chain(Table):
    """Who is told of alarms of one priority: the first step at once, each next one when nobody has acknowledged for
    `escalate_after_s`, and all that were told again each `repeat_every_s`. With `digest_at` once a day instead."""

    steps: Annotated[
        tuple[Annotated[tuple[Name, ...], Field(min_length=1, strict=False)], ...], Field(min_length=1, strict=False)
    ]
    escalate_after_s: Patience | None = None
    repeat_every_s: Patience | None = None
    digest_at: TimeOfDay | None = None

    @property
    def people(self) -> tuple[str, ...]:
        """Everybody in it, in order, each once."""
        return tuple(dict.fromkeys(one for step in self.steps for one in step))


class Chains(Table):
    """One chain for each priority; of a priority without one nobody is told."""

    critical: Chain | None = None
    high: Chain | None = None
    medium: Chain | None = None
    low: Chain | None = None


class Heartbeat(Table):
    """A web hook that is called while the controller works, so that an outside watcher notices when it does not."""

    url: Annotated[
        str, Field(pattern=r"^https?://[^\s/]+\S*$", description="an address that begins with http:// or https://")
    ]
    every_s: Annotated[float, Field(ge=5, le=3600)] = 60.0


class Notify(Table):
    """More than `merge_over` notifications for one person within a minute become one; `per_hour_max` is for each person."""

    addresses_file: Annotated[str, Field(min_length=1)]
    time_zone: str = "UTC"
    merge_over: Annotated[int, Field(ge=1, le=100)] = 5
    per_hour_max: Annotated[int, Field(ge=1, le=1000)] = 30
    tell_acknowledged: bool = True
    tell_over: bool = True
    person: Annotated[tuple[Person, ...], Field(min_length=1, strict=False)]
    chains: Chains
    heartbeat: Heartbeat | None = None

    @cached_property
    def people(self) -> dict[str, Person]:
        return {one.id: one for one in self.person}
