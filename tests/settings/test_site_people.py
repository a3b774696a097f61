"""Who is told: the worked example has no gap, and each mistake in it is named by its key."""

import tomllib
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sitemistakes import Data, both, drop, put

from supervisor.settings_notify import Notify
from supervisor.sitefile import examine_data
from supervisor.sitefile.people import WEEK_MIN, gaps

TEXT = (Path(__file__).parents[2] / "config" / "quillfen.toml").read_text(encoding="utf-8")
BEGIN, END = TEXT.index("# [notify]\n"), TEXT.index("# --", TEXT.index("# [notify]\n"))
WITHOUT_MARKS = "\n".join(line.removeprefix("#").removeprefix(" ") for line in TEXT[BEGIN:END].splitlines())
SITE = tomllib.loads(f"{TEXT[:BEGIN]}\n{WITHOUT_MARKS}\n{TEXT[END:]}")


def named(data: Data) -> list[tuple[str, str]]:
    return [(one.level, one.key) for one in examine_data(data, "site.toml").problems]


def changed(*changes: Any) -> Data:
    data = deepcopy(SITE)
    for change in changes:
        change(data)
    return data


def test_the_worked_example_works_when_its_marks_are_taken_away() -> None:
    examined = examine_data(deepcopy(SITE), "site.toml")
    assert examined.problems == () and examined.site is not None and examined.site.notify is not None
    assert examined.site.notify.heartbeat is not None and list(examined.site.notify.people) == ["ada", "ben", "cleo"]


ZONE = put("notify.time_zone", "Europe/Atlantis")
MISTAKES = {
    "unknown zone": (ZONE, [("error", "notify.time_zone")]),
    "zone that is a path": (put("notify.time_zone", "../x"), [("error", "notify.time_zone")]),
    "empty zone": (put("notify.time_zone", ""), [("error", "notify.time_zone")]),
    "folder of zones": (put("notify.time_zone", "Europe"), [("error", "notify.time_zone")]),
    "two of one name": (
        put("notify.person.1.id", "ada"),
        [*(("error", f"notify.chains.{one}.steps") for one in ("critical", "high", "medium")),
         ("error", "notify.person[ada].id")],
    ),
    "unknown person": (put("notify.chains.low.steps", [["adda"]]), [("error", "notify.chains.low.steps")]),
    "no such day": (put("notify.person.0.duty.0.days", ["mo"]), [("error", "notify.person[ada].duty[#1].days[#1]")]),
    "no such time": (put("notify.person.0.duty.0.begins", "24:00"), [("error", "notify.person[ada].duty[#1].begins")]),
    "nobody in a step": (put("notify.chains.high.steps", [["ada"], []]), [("error", "notify.chains.high.steps[#2]")]),
    "no steps": (put("notify.chains.high.steps", []), [("error", "notify.chains.high.steps")]),
    "a name for a list": (put("notify.chains.high.steps", ["ada"]), [("error", "notify.chains.high.steps[#1]")]),
    "later steps never told": (drop("notify.chains.high.escalate_after_s"), [("error", "notify.chains.high.escalate_after_s")]),
    "too impatient": (put("notify.chains.high.repeat_every_s", 5), [("error", "notify.chains.high.repeat_every_s")]),
    "a critical alarm in the daily summary": (
        both(drop("notify.chains.critical.escalate_after_s"), drop("notify.chains.critical.repeat_every_s"),
             put("notify.chains.critical.digest_at", "07:00")),
        [("error", "notify.chains.critical.digest_at")],
    ),
    "repeats beside the summary": (
        put("notify.chains.low.repeat_every_s", 600), [("warning", "notify.chains.low.repeat_every_s")],
    ),
    "nobody for critical alarms": (drop("notify.chains.critical"), [("warning", "notify.chains.critical")]),
    "nobody at night": (
        put("notify.chains.high", {"steps": [["ada"]]}), [("warning", "notify.chains.high")],
    ),
    "a stranger": (
        lambda data: data["notify"]["person"].append({"id": "dov"}), [("warning", "notify.person[dov].id")],
    ),
    "no addresses": (drop("notify.addresses_file"), [("error", "notify.addresses_file")]),
    "no web address": (put("notify.heartbeat.url", "watcher.example"), [("error", "notify.heartbeat.url")]),
    "unknown key": (put("notify.chains.urgent", {}), [("error", "notify.chains.urgent")]),
}  # fmt: skip


@pytest.mark.parametrize("name", MISTAKES)
def test_a_mistake_is_named_with_its_mend_and_nothing_else(name: str) -> None:
    change, problems = MISTAKES[name]
    data = changed(change)
    assert sorted(named(data)) == sorted(problems)
    assert all(one.value and one.allowed and one.mend for one in examine_data(data, "site.toml").problems)


def test_a_gap_is_told_with_its_hours() -> None:
    data = changed(put("notify.chains.high", {"steps": [["ada"]]}))
    (problem,) = examine_data(data, "site.toml").problems
    assert problem.value == "nobody from mon 18:00 to tue 06:00, nobody from tue 18:00 to wed 06:00, and 3 more"
    assert "everybody" in problem.mend


@pytest.mark.parametrize(
    ("duty", "holes"),
    [
        ([], []),
        ([{"days": ["mon", "tue", "wed", "thu", "fri", "sat", "sun"], "begins": "07:00", "ends": "07:00"}], []),
        ([{"days": ["mon", "tue", "wed", "thu", "fri", "sat"], "begins": "07:00", "ends": "07:00"}],
         [(0, 7 * 60), (6 * 1440 + 7 * 60, WEEK_MIN)]),
        ([{"days": ["sun"], "begins": "12:00", "ends": "06:00"}], [(6 * 60, 6 * 1440 + 12 * 60)]),
        ([{"days": ["mon"], "begins": "00:00", "ends": "23:59"}], [(1439, WEEK_MIN)]),
    ],
)  # fmt: skip
def test_gaps_by_hand(duty: list[dict], holes: list[tuple[int, int]]) -> None:
    notify = Notify.model_validate(
        {"addresses_file": "a", "person": [{"id": "ada", "duty": duty}], "chains": {"high": {"steps": [["ada"]]}}}
    )
    assert gaps(notify, ["ada"]) == holes


def _places(here: Any, above: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    steps = here.items() if isinstance(here, dict) else enumerate(here) if isinstance(here, list) else ()
    return [place for step, below in steps for place in [(*above, step), *_places(below, (*above, step))]]


PLACES = _places(SITE["notify"])
words = st.text(max_size=8) | st.sampled_from(["ada", "25:00", "mon"])
leaves = st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), words)
values = st.recursive(leaves, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.just("id"), inner), max_leaves=5)


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(st.sampled_from(PLACES), values), min_size=1, max_size=4))
def test_any_value_at_any_place_ends_in_words(changes: list[tuple[tuple[str | int, ...], Any]]) -> None:
    data = deepcopy(SITE)
    for (*above, last), value in changes:
        here: Any = data["notify"]
        for step in above:
            is_there = isinstance(here, dict) and step in here or isinstance(here, list) and isinstance(step, int)
            here = here[step] if is_there and (isinstance(here, dict) or step < len(here)) else None
        if isinstance(here, dict) or isinstance(here, list) and isinstance(last, int) and last < len(here):
            here[last] = value
    examined = examine_data(data, "site.toml")
    assert (examined.site is None) == any(one.level == "error" for one in examined.problems)
