"""Duty hours by local time, on the days on which the clocks change too.

Europe: summer time begins and ends at 01:00 UTC on the last Sundays of March and October (Directive 2000/84/EC, articles 2
and 3): 29 March and 25 October 2026. United States: second Sunday of March to first Sunday of November, at 02:00 local time
(15 U.S.C. 260a): 8 March and 1 November 2026.
"""

from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from notifykit import MONDAY_10, crew

from supervisor.shell.notify.roster import WEEKDAYS, Roster
from supervisor.sitefile.people import gaps

WEEK = list(WEEKDAYS)


def roster(zone: str, **shifts: tuple[list[str], str, str]) -> Roster:
    people = [
        {"id": name, "duty": [{"days": days, "begins": begins, "ends": ends}]} for name, (days, begins, ends) in shifts.items()
    ]
    return Roster(crew(time_zone=zone, person=people))


def utc(text: str) -> float:
    return datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()


def test_a_shift_holds_from_its_first_minute_to_the_one_before_its_end() -> None:
    one = Roster(crew())
    for wall, on in [("2026-08-31T04:59:59", False), ("2026-08-31T05:00:00", True), ("2026-08-31T16:59:59", True),
                     ("2026-08-31T17:00:00", False), ("2026-08-30T10:00:00", False)]:  # fmt: skip
        assert one.on_duty("ada", utc(wall)) is on, wall  # Dublin is an hour ahead in summer


def test_a_night_shift_belongs_to_the_day_on_which_it_begins() -> None:
    one = Roster(crew())
    assert one.on_duty("ben", utc("2026-09-05T04:59:00"))  # Saturday 05:59, the night of Friday
    assert not one.on_duty("ben", utc("2026-09-05T05:00:00"))
    assert not one.on_duty("ben", utc("2026-08-31T04:00:00"))  # Monday 05:00, the night of Sunday: nobody's


def test_without_duty_hours_always_and_unknown_never() -> None:
    one = Roster(crew())
    assert one.on_duty("cleo", MONDAY_10) and not one.on_duty("zoe", MONDAY_10)
    assert one.among(["dov", "cleo", "ada"], MONDAY_10) == ["cleo", "ada"]


def test_the_night_on_which_the_clocks_go_forward_is_an_hour_shorter_and_has_no_gap() -> None:
    one = roster("Europe/Berlin", night=(WEEK, "22:00", "06:00"), day=(WEEK, "06:00", "22:00"))
    assert one.on_duty("night", utc("2026-03-28T21:00:00")) and not one.on_duty("night", utc("2026-03-28T20:59:59"))
    assert one.on_duty("night", utc("2026-03-29T03:59:59")) and not one.on_duty("night", utc("2026-03-29T04:00:00"))
    assert one.on_duty("day", utc("2026-03-29T04:00:00")) and not one.on_duty("day", utc("2026-03-29T03:59:59"))


def test_the_night_on_which_they_go_back_is_an_hour_longer() -> None:
    one = roster("Europe/Berlin", night=(WEEK, "22:00", "06:00"))
    assert one.on_duty("night", utc("2026-10-24T20:00:00")) and one.on_duty("night", utc("2026-10-25T04:59:59"))
    assert not one.on_duty("night", utc("2026-10-25T05:00:00"))  # 06:00 CET, nine hours later


@pytest.mark.parametrize("zone,change", [("Europe/Berlin", "2026-10-25T01:00:00"), ("America/New_York", "2026-11-01T06:00:00")])
def test_shifts_that_meet_at_a_time_that_comes_twice_overlap(zone: str, change: str) -> None:
    meet = "02:30" if zone.startswith("Europe") else "01:30"
    one = roster(zone, early=(WEEK, "18:00", meet), late=(WEEK, meet, "18:00"))
    for minutes, early, late in [(-31, True, False), (-30, True, True), (0, True, True), (29, True, True), (30, False, True)]:
        at = utc(change) + 60 * minutes
        assert (one.on_duty("early", at), one.on_duty("late", at)) == (early, late), minutes


@pytest.mark.parametrize("zone,change", [("Europe/Berlin", "2026-03-29T01:00:00"), ("America/New_York", "2026-03-08T07:00:00")])
def test_shifts_that_meet_at_a_time_that_never_comes_overlap(zone: str, change: str) -> None:
    one = roster(zone, early=(WEEK, "18:00", "02:30"), late=(WEEK, "02:30", "18:00"))
    for minutes in range(-60, 60):
        at = utc(change) + 60 * minutes
        assert one.on_duty("early", at) or one.on_duty("late", at), minutes
    assert not one.on_duty("late", utc(change) - 31 * 60) and not one.on_duty("early", utc(change) + 31 * 60)


def test_where_midnight_itself_is_skipped_the_day_begins_in_the_evening_before() -> None:
    """Cairo went from 00:00 to 01:00 on 28 April 2023 (tz database): a shift from 00:30 must not be lost."""
    one = roster("Africa/Cairo", night=(["fri"], "00:30", "08:00"))
    assert one.on_duty("night", utc("2023-04-27T22:00:00")) and one.on_duty("night", utc("2023-04-27T21:30:00"))
    assert not one.on_duty("night", utc("2023-04-27T21:29:59"))


def test_a_daily_summary_comes_once_a_day_also_when_the_clocks_change() -> None:
    one = Roster(crew(time_zone="Europe/Berlin"))
    at, seen = utc("2026-03-27T00:00:00"), []
    for _ in range(4):
        at = one.next_at("02:30", at)
        seen.append(datetime.fromtimestamp(at, UTC).strftime("%d %H:%M"))
    assert seen == ["27 01:30", "28 01:30", "29 01:30", "30 00:30"]
    at, seen = utc("2026-10-24T00:30:00"), []
    for _ in range(3):
        at = one.next_at("02:30", at)
        seen.append(datetime.fromtimestamp(at, UTC).strftime("%d %H:%M"))
    assert seen == ["25 01:30", "26 01:30", "27 01:30"]


clock = st.builds("{:02d}:{:02d}".format, st.integers(0, 23), st.sampled_from([0, 15, 30, 59]))
shift = st.fixed_dictionaries(
    {"days": st.lists(st.sampled_from(WEEK), min_size=1, max_size=7, unique=True), "begins": clock, "ends": clock}
)


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.lists(shift, min_size=1, max_size=4), min_size=1, max_size=3),
    st.sampled_from(["UTC", "Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "Asia/Kathmandu"]),
    st.lists(st.integers(int(utc("2026-01-01T00:00:00")), int(utc("2028-12-31T00:00:00"))), min_size=20, max_size=20),
)
def test_where_the_weekly_check_finds_no_gap_somebody_is_on_at_any_instant(
    duties: list[list[dict]], zone: str, instants: list[int]
) -> None:
    notify = crew(
        time_zone=zone,
        person=[{"id": f"p{n}", "duty": duty} for n, duty in enumerate(duties)],
        chains={"high": {"steps": [[f"p{n}"] for n in range(len(duties))]}},
    )
    people, one = list(notify.people), Roster(notify)
    holes = gaps(notify, people)
    changes = [utc("2026-03-29T01:00:00"), utc("2026-10-25T01:00:00"), utc("2026-03-08T07:00:00"), utc("2026-11-01T06:00:00"),
               utc("2026-04-04T15:00:00"), utc("2026-10-03T15:30:00")]  # fmt: skip
    near = [at + 60.0 * minutes for at in changes for minutes in range(-150, 151, 10)]
    for at in [*instants, *near]:
        if not one.among(people, at):
            local = datetime.fromtimestamp(at, one._zone)
            minute = local.weekday() * 1440 + local.hour * 60 + local.minute
            assert any(begin <= minute < end for begin, end in holes), (local, holes)
