"""Whether somebody is told of every alarm that matters, at any hour: names, chains and duty hours that fit each other."""

import re
from collections import Counter
from collections.abc import Iterable, Iterator
from zoneinfo import ZoneInfo

from supervisor.settings import SiteFile
from supervisor.settings_notify import Chain, Chains, Notify, Person
from supervisor.sitefile.problems import (
    MISSING,
    Figures,
    Problem,
    entries,
    error,
    known,
    legal,
    listed,
    nearest,
    warning,
)

WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
DAY_MIN = 24 * 60
WEEK_MIN = 7 * DAY_MIN
URGENT = ("critical", "high")


def gaps(notify: Notify, people: Iterable[str]) -> list[tuple[int, int]]:
    """The minutes of a week, from Monday 00:00 local time, in which none of `people` is on duty: first, and first after."""
    on = [False] * WEEK_MIN
    for name in people:
        person = notify.people.get(name)
        for begin, end in [] if person is None else _spans(person):
            for minute in range(begin, end):
                on[minute % WEEK_MIN] = True
    edges = [minute for minute in range(WEEK_MIN) if on[minute] != (on[minute - 1] if minute else True)]
    return list(zip(edges[0::2], [*edges[1::2], WEEK_MIN], strict=False))


def people_problems(site: SiteFile) -> Iterator[Problem]:
    notify = site.notify
    if notify is None:
        return
    yield from _time_zone(notify)
    for name, times in Counter(one.id for one in notify.person if one.id is not None).items():
        if times > 1:
            yield error(
                f"notify.person[{name}].id", Figures(f'"{name}", {times} times'), "each id once in its list",
                "rename all but one, and what refers to them",
            )  # fmt: skip
    if notify.chains is None:
        return
    for priority in Chains.model_fields:
        chain = getattr(notify.chains, priority)
        if chain is not None:
            yield from _chain(notify, f"notify.chains.{priority}", priority, chain)
        elif priority in URGENT:
            yield warning(
                f"notify.chains.{priority}", MISSING, f"who is told of {priority} alarms",
                f"add the table notify.chains.{priority}: as it stands nobody is told of them",
            )  # fmt: skip
    yield from _strangers(notify)


def _time_zone(notify: Notify) -> Iterator[Problem]:
    if not isinstance(notify.time_zone, str):
        return
    try:
        ZoneInfo(notify.time_zone)
    except (ValueError, OSError, LookupError):  # a name that is none, a folder, one that the data base does not have
        yield error(
            "notify.time_zone", notify.time_zone, 'a name of the IANA time zone data base, such as "Europe/Dublin"',
            "write the zone of the clock on the wall",
        )  # fmt: skip


def _chain(notify: Notify, key: str, priority: str, chain: Chain) -> Iterator[Problem]:
    if not isinstance(chain.steps, list | tuple):
        return
    steps = [step for step in chain.steps if isinstance(step, list | tuple)]
    unknown = [name for step in steps for name in step if legal(name) and name not in notify.people]
    for name in dict.fromkeys(unknown):
        meant = nearest(name, [one for one in notify.people if one is not None])
        yield error(
            f"{key}.steps", name, f"the id of a person: {listed(one for one in notify.people if one is not None)}",
            f"write {meant or 'one of these'}, or add {name} as a person",
        )  # fmt: skip
    yield from _order(key, priority, chain, len(steps))
    people = [name for step in steps for name in step if isinstance(name, str) and name in notify.people]
    whole = people and len(steps) == len(chain.steps) and all(steps) and len(people) == sum(map(len, steps))
    if unknown or chain.digest_at is not None or not whole or not all(_is_readable(notify.people[one]) for one in people):
        return  # what was told already may be the gap
    holes = gaps(notify, people)
    if holes:
        yield warning(
            key, Figures(_holes(holes)), "somebody on duty at every hour of the week",
            "put these hours into somebody's duty, or add someone without duty hours to the chain; as it stands everybody "
            "in the chain is told then, on duty or not",
        )  # fmt: skip


def _order(key: str, priority: str, chain: Chain, steps: int) -> Iterator[Problem]:
    if chain.digest_at is not None:
        if priority in URGENT:
            yield error(
                f"{key}.digest_at", chain.digest_at, "only for medium and low priority",
                f"remove it: a {priority} alarm cannot wait for a daily summary",
            )  # fmt: skip
        for unused in ("escalate_after_s", "repeat_every_s"):
            if getattr(chain, unused) is not None:
                yield warning(
                    f"{key}.{unused}", getattr(chain, unused), "not beside digest_at", "remove one of the two: it is not used"
                )
    elif steps > 1 and chain.escalate_after_s is None and "escalate_after_s" not in chain.model_fields_set:
        yield error(
            f"{key}.escalate_after_s", MISSING, "the seconds after which the next step is told",
            "add it, or put everybody into the first step: as it stands the later steps are never told",
        )  # fmt: skip


def _strangers(notify: Notify) -> Iterator[Problem]:
    """People whom nobody ever tells anything."""
    chains = [chain for name in Chains.model_fields if (chain := getattr(notify.chains, name)) is not None]
    if not all(isinstance(chain.steps, list | tuple) for chain in chains):
        return
    named = {name for chain in chains for step in chain.steps if isinstance(step, list | tuple) for name in step}
    for key, person in entries("notify.person", notify.person):
        if legal(person.id) and person.id not in named:
            yield warning(f"{key}.id", person.id, "someone in a chain", "add this person to a chain, or remove the entry")


def _is_readable(person: Person) -> bool:
    return all(
        known(_minutes(shift.begins), _minutes(shift.ends))
        and isinstance(shift.days, list | tuple)
        and all(day in WEEKDAYS for day in shift.days)
        for shift in person.duty
    )


def _spans(person: Person) -> Iterator[tuple[int, int]]:
    if not person.duty:
        yield 0, WEEK_MIN
    for shift in person.duty:
        begins, ends = _minutes(shift.begins), _minutes(shift.ends)
        if not known(begins, ends) or not isinstance(shift.days, list | tuple):
            continue
        for day in shift.days:
            if day in WEEKDAYS:
                begin = WEEKDAYS.index(day) * DAY_MIN + begins
                yield begin, begin + ((ends - begins) % DAY_MIN or DAY_MIN)


def _minutes(clock: object) -> int | None:
    if not isinstance(clock, str) or not re.fullmatch(r"([01]\d|2[0-3]):[0-5]\d", clock, re.ASCII):
        return None
    return int(clock[:2]) * 60 + int(clock[3:])


def _holes(holes: list[tuple[int, int]]) -> str:
    shown = [f"nobody from {_clock(begin)} to {_clock(end)}" for begin, end in holes[:2]]
    return ", ".join(shown) + (f", and {len(holes) - 2} more" if len(holes) > 2 else "")


def _clock(minute: int) -> str:
    day, rest = divmod(minute % WEEK_MIN, DAY_MIN)
    return f"{WEEKDAYS[day]} {rest // 60:02d}:{rest % 60:02d}"
