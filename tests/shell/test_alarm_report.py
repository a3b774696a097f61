"""The performance figures: one example worked by hand, each limit at its edge, and what is drawn and printed of it.

Targets are those of ISA-18.2-2016 / IEC 62682. From texts that quote it: 150 and 300 alarms a day, time in flood, stale over
24 h, chattering three times in a minute, 80/15/5 by priority. From memory: the rates per hour and ten minutes, a flood that
begins above 10 in ten minutes and ends under 5, 30 an hour, the share of the ten most frequent, under five stale a day.
"""

import json
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from inprocess import InProcess, acts
from shellkit import T0

from simulator.faults import Fault
from supervisor import __main__ as cli
from supervisor.messages import AlarmStatus, at, rfc3339
from supervisor.shell.audit.chain import event_text
from supervisor.shell.audit.events import Auditor
from supervisor.shell.audit.file import Told
from supervisor.shell.audit.report import Span, binned, floods, measure
from supervisor.shell.audit.report_picture import drawn
from supervisor.shell.audit.report_targets import beside_targets
from supervisor.shell.clock import Mark
from supervisor.shell.journal import Batch, Journal
from supervisor.values import Publish

DAY_S = 86_400.0
TWO_DAYS = Span(T0, T0 + 2 * DAY_S)


def said(second: float, event: str, alarm: str = "", **figures: object) -> Told:
    return Told(0, rfc3339(at(T0 + second)), event, {"alarm": alarm, **figures} if alarm else dict(figures))


def raised(second: float, alarm: str, priority: str = "medium") -> Told:
    return said(second, "alarm_raised", alarm, priority=priority, state="unacknowledged", occurrence=1)


def cleared(second: float, alarm: str, state: str = "returned_unacknowledged") -> Told:
    return said(second, "alarm_cleared", alarm, state=state)


def example() -> list[Told]:
    """Two days. Twelve alarms 40 s apart from second 3600; then three of one kind and one critical."""
    entries = [said(0.0, "started", epoch=1)]
    entries += [raised(3600.0 + 40.0 * n, f"sample_overdue-n{n}") for n in range(12)]
    entries += [cleared(5000.0, f"sample_overdue-n{n}") for n in range(3, 12)]
    entries += [said(50_000.0, "alarm_chattering", "late_report-n1", occurrence=4, trips=3)]
    entries += [cleared(3640.0 + DAY_S, "sample_overdue-n1"), cleared(3680.0 + DAY_S + 1.0, "sample_overdue-n2")]
    for second in (100_000.0, 110_000.0, 120_000.0):
        entries += [raised(second, "history_unreachable-site", "low"), cleared(second + 60.0, "history_unreachable-site")]
    entries += [said(130_000.0, "alarm_suppressed", "sample_overdue-s1", state="suppressed_by_design")]
    return [*entries, raised(140_000.0, "room_air_dangerous-north", "critical")]


def test_an_example_worked_by_hand() -> None:
    made = measure(example(), TWO_DAYS)
    assert made.alarms == 16 and made.starts == 1
    assert (made.per_day, made.per_hour, made.per_ten_min) == pytest.approx((8.0, 1 / 3, 1 / 18))
    # Ten minutes from 3600 to 4200 hold all twelve; there are 288 such stretches in two days.
    assert made.most_in_ten_min == made.most_in_an_hour == made.most_in_a_day == 12
    assert made.ten_min_above_pct == pytest.approx(100 / 288) and made.hours_above_pct == 0.0
    # The eleventh comes at 3600 + 400. Each is old 600 s later; after the eighth, at 3600 + 280 + 600, four are left.
    assert made.floods == [Span(T0 + 4000.0, T0 + 4480.0)]
    assert made.flood_pct == pytest.approx(100 * 480 / 172_800)
    # Three of one kind and nine of the thirteen that came once.
    assert made.top[0] == ("history_unreachable-site", 3) and made.top[1] == ("room_air_dangerous-north", 1)
    assert len(made.top) == 10 and made.top_pct == pytest.approx(100 * 12 / 16)
    # n0 stands to the end; n1 stood for 24 h and no longer; n2 for a second more.
    assert [(one.alarm, one.span.duration_s) for one in made.stale] == [
        ("sample_overdue-n0", 2 * DAY_S - 3600.0), ("sample_overdue-n2", DAY_S + 1.0),
    ]  # fmt: skip
    assert made.most_stale_in_a_day == 2
    assert made.chattering == {"late_report-n1": 1} and made.away == {"suppressed_by_design": 1}
    assert made.priorities == {"low": 3, "medium": 12, "high": 0, "critical": 1}
    assert [made.priority_pct(name) for name in ("low", "medium", "high", "critical")] == [18.75, 75.0, 0.0, 6.25]


def test_the_second_day_of_it_alone() -> None:
    """What stood before still counts as standing; what came before does not count as come."""
    made = measure(example(), Span(T0 + DAY_S, T0 + 2 * DAY_S))
    assert made.alarms == 4 and made.per_day == 4.0 and made.floods == [] and made.chattering == {} and made.starts == 0
    assert [one.alarm for one in made.stale] == ["sample_overdue-n0", "sample_overdue-n2"] and made.most_stale_in_a_day == 2


def test_the_first_day_of_it_alone() -> None:
    made = measure(example(), Span(T0, T0 + DAY_S))
    assert made.alarms == 12 and made.stale == [] and made.most_stale_in_a_day == 0


def test_a_flood_is_cut_at_the_ends_of_the_period() -> None:
    made = measure(example(), Span(T0 + 4100.0, T0 + 4400.0))
    assert made.floods == [Span(T0 + 4100.0, T0 + 4400.0)] and made.flood_pct == 100.0 and made.alarms == 0


# ------------------------------------------------------------------------------------------------ edges


def test_ten_in_ten_minutes_are_no_flood_and_eleven_are() -> None:
    assert floods([float(n) for n in range(10)], 1e9) == []
    assert floods([float(n) for n in range(11)], 1e9)[0].begin_s == 10.0
    # The first is ten minutes old just when the eleventh comes: there are ten.
    assert floods([0.0, *[float(n) for n in range(591, 601)]], 1e9) == []
    assert floods([0.1, *[float(n) for n in range(591, 601)]], 1e9)[0].begin_s == 600.0


def test_a_flood_goes_on_with_five_and_ends_with_four() -> None:
    burst = [float(n) for n in range(11)]  # old at 600 to 610: five are left from 605 on, four from 606 on
    assert floods(burst, 1e9) == [Span(10.0, 606.0)]
    held = [*burst, 605.5]  # one more in between: six at 605.5, and four only at 607
    assert floods(held, 1e9) == [Span(10.0, 607.0)]
    assert floods([*burst, 605.5, 606.5, 607.5], 1e9)[0].end_s == 609.0


def test_one_that_grows_old_in_the_instant_in_which_another_comes_ends_no_flood() -> None:
    burst = [float(n) for n in range(11)]  # five are left from 605 on; at 606 one goes and one comes
    assert floods([*burst, 606.0], 1e9) == [Span(10.0, 607.0)]


def model_of_floods(seconds: list[int]) -> list[bool]:
    """Second by second, counting each time anew: whether it floods at the end of each second."""
    flooding, told = False, []
    for now in range(0, max(seconds, default=0) + 700):
        count = sum(now - 600 < one <= now for one in seconds)
        flooding = count > 10 or (flooding and count >= 5)
        told.append(flooding)
    return told


@settings(deadline=None)
@given(st.lists(st.integers(0, 2500), max_size=60))
def test_floods_are_those_of_a_count_second_by_second(seconds: list[int]) -> None:
    found = floods(sorted(float(one) for one in seconds), 1e9)
    for now, flooding in enumerate(model_of_floods(seconds)):
        assert any(one.begin_s <= now < one.end_s for one in found) == flooding, now


def test_stretches_are_counted_from_the_periods_begin_and_the_last_may_be_short() -> None:
    period = Span(100.0, 1500.0)
    assert binned([100.0, 699.9, 700.0, 1299.9, 1300.0, 1500.0], period, 600.0) == [2, 2, 2]
    assert binned([600.0], Span(0.0, 600.0), 600.0) == [1]
    assert binned([], Span(0.0, 600.0), 600.0) == [0]


@pytest.mark.parametrize(("count", "pct"), [(30, 0.0), (31, 50.0)])
def test_an_hour_with_more_than_thirty(count: int, pct: float) -> None:
    made = measure([raised(100.0 * n, f"a-{n}") for n in range(count)], Span(T0, T0 + 7200.0))
    assert made.hours_above_pct == pct and made.most_in_an_hour == count


@pytest.mark.parametrize(("count", "pct"), [(10, 0.0), (11, 50.0)])
def test_ten_minutes_with_more_than_ten(count: int, pct: float) -> None:
    made = measure([raised(10.0 * n, f"a-{n}") for n in range(count)], Span(T0, T0 + 1200.0))
    assert made.ten_min_above_pct == pct


@pytest.mark.parametrize(
    ("entries", "stale"),
    [
        ([raised(0, "a-n"), cleared(DAY_S, "a-n")], False),  # exactly 24 h
        ([raised(0, "a-n"), cleared(DAY_S + 0.001, "a-n")], True),
        ([raised(0, "a-n"), said(9, "alarm_acknowledged", "a-n", state="acknowledged")], True),  # seen is not over
        ([raised(0, "a-n"), cleared(9, "a-n"), raised(60_000, "a-n"), cleared(120_000, "a-n")], False),  # with a break
        ([raised(0, "a-n"), cleared(9, "a-n", "latched_unacknowledged")], False),  # its condition is over
        ([raised(0, "a-n"), said(9, "alarm_shelved", "a-n", state="shelved")], False),
        ([raised(0, "a-n"), said(9, "alarm_removed", "a-n", state="normal")], False),
        ([said(0, "alarm_unsuppressed", "a-n", state="unacknowledged")], True),
        ([raised(0, "a-n"), said(9, "alarm_chattering", "a-n"), said(99, "alarm_calm", "a-n", state="normal")], False),
    ],
)
def test_what_is_stale(entries: list[Told], stale: bool) -> None:
    assert bool(measure(entries, TWO_DAYS).stale) is stale


def test_the_alarm_that_announces_a_flood_is_none_of_it() -> None:
    made = measure([raised(n, f"a-{n}") for n in range(11)] + [raised(11, "alarm_flood-site", "high")], TWO_DAYS)
    assert made.alarms == 11 and made.priorities["high"] == 0


def test_what_was_not_announced_is_counted_apart() -> None:
    away = {"alarm_shelved": "shelved", "alarm_suppressed": "suppressed_by_design", "alarm_out_of_service": "out_of_service"}
    for event, state in away.items():
        made = measure([said(n, event, f"a-{n}", state=state) for n in (1, 2)], TWO_DAYS)
        assert made.away == {state: 2} and made.alarms == 0


def test_a_quiet_period_has_figures_and_an_empty_one_has_none() -> None:
    made = measure([], TWO_DAYS)
    assert made.alarms == made.top_pct == made.priority_pct("low") == 0 and {one.standing for one in beside_targets(made)} == {
        "within", "for comparison",
    }  # fmt: skip
    with pytest.raises(ValueError, match="empty"):
        measure([], Span(T0, T0))


@pytest.mark.parametrize(
    ("figure", "field", "steps"),
    [
        ("alarms per day", "per_day", [(150.0, "within"), (150.1, "manageable"), (300.0, "manageable"), (300.1, "above")]),
        ("alarms per hour", "per_hour", [(6.0, "within"), (12.0, "manageable"), (12.1, "above")]),
        ("alarms per 10 minutes", "per_ten_min", [(1.0, "within"), (2.0, "manageable"), (2.01, "above")]),
        ("most alarms in 10 minutes", "most_in_ten_min", [(10, "within"), (11, "above")]),
        ("10 minutes with more than 10 alarms", "ten_min_above_pct", [(0.99, "within"), (1.0, "above")]),
        ("hours with more than 30 alarms", "hours_above_pct", [(0.99, "within"), (1.0, "above")]),
        ("time in flood", "flood_pct", [(0.99, "within"), (1.0, "above")]),
        ("ten most frequent alarms, of all", "top_pct", [(1.0, "within"), (5.0, "manageable"), (5.1, "above")]),
        ("alarms that chatter", "chattering", [({}, "within"), ({"a": 1}, "above")]),
        ("stale alarms (over 24 h), most in a day", "most_stale_in_a_day", [(4, "within"), (5, "above")]),
    ],
)
def test_each_target_at_its_edge(figure: str, field: str, steps: list[tuple[float, str]]) -> None:
    for value, standing in steps:
        made = measure([], TWO_DAYS)
        setattr(made, field, value)
        assert {one.target.name: one.standing for one in beside_targets(made)}[figure] == standing, value


def test_the_split_by_priority_is_set_beside_80_15_5() -> None:
    told = {one.target.name: one.target.words for one in beside_targets(measure([], TWO_DAYS))}
    assert [told[f"priority {name}"] for name in ("low", "medium", "high", "critical")] == [
        "about 80 %", "about 15 %", "about 5 %", "under 1 %",
    ]  # fmt: skip


def test_the_real_engines_alarms_are_all_counted() -> None:
    """Each new occurrence that the site's messages showed is one alarm of the report."""
    auditor, entries, occurrences = Auditor(), [], set()

    def tap(event, made) -> None:
        for text in auditor.entries(event, made):
            one = json.loads(text)
            entries.append(Told(0, rfc3339(at(event.now.wall_s)), one["event"], one["figures"]))
        for one in made:
            if isinstance(one, Publish) and isinstance(one.body, AlarmStatus) and one.body.occurrence:
                occurrences.add((one.body.alarm, one.body.occurrence))

    site = InProcess(crew=acts((180, "seal", "n1")), faults=[Fault("sensor_silent", "north/north-door", 900, 1500)], tap=tap)
    begin_s = site.now.wall_s
    site.run_to(1800)
    made = measure(entries, Span(begin_s - 1.0, site.now.wall_s + 1.0))
    assert made.alarms == len([one for one in occurrences if one[0] != "alarm_flood-site"]) > 0
    assert sum(made.priorities.values()) == made.alarms


# ------------------------------------------------------------------------------------------------ the command


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A journal whose audit is the example, and that was alive to the end of the second day."""
    journal = Journal.open(tmp_path / "state", "quillfen", "boot")
    for one in sorted(example(), key=lambda one: one.at):
        second = Span(T0, _seconds(one.at)).duration_s
        journal.commit(Batch(Mark(second, T0 + second, 0.0, "boot"), audit=[event_text(one.event, one.figures)]))
    journal.commit(Batch(Mark(2 * DAY_S, T0 + 2 * DAY_S, 0.0, "boot")))
    journal.close()
    return tmp_path / "state"


def _seconds(text: str) -> float:
    from datetime import datetime

    return datetime.fromisoformat(text).timestamp()


def report(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[int, str, str]:
    status = cli.main(["alarms", "report", *map(str, words)])
    return status, *capsys.readouterr()


def test_the_table_holds_the_figures_the_targets_and_the_caution(
    folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "120")
    status, out, _ = report(capsys, folder)
    lines = {" ".join(line.split()) for line in out.splitlines()}
    assert status == 0 and "\x1b" not in out
    assert lines >= {
        "Alarm performance, 2026-08-29 10:40 to 2026-08-31 10:40 UTC (48.0 h)",
        "alarms per day 8 up to 150, at most 300 within",
        "most alarms in 10 minutes 12 at most 10 * above",
        "time in flood 0.2778 % under 1 % within",
        "ten most frequent alarms, of all 75 % up to 1, at most 5 % * above",
        "priority critical 6.25 % under 1 % * for comparison",
        "history_unreachable-site 3 18.8 %",
        "Not announced to people: 1 times suppressed_by_design",
    }
    assert all(head in out for head in ("measured", "most frequent ", "stale: ", "chattered: ", "flood from"))
    assert out.count("Not a safety instrumented system") == 5  # under each table
    assert "Stillhold is not a safety instrumented system" in " ".join(out.split())


def test_the_same_for_a_program_and_as_a_picture(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    data, picture = tmp_path / "figures.json", tmp_path / "picture.svg"
    status, _, _ = report(capsys, folder, "--json", data, "--picture", picture, "--since", "2026-08-29")
    assert status == 0
    read = json.loads(data.read_text())
    assert {one["figure"]: one["measured"] for one in read["beside_targets"]}["10 minutes with more than 10 alarms"] == 0.347
    assert read["alarms"] == 16 and read["audit"]["whole"] is True and read["hours"] == 48.0
    assert read["since"] == "2026-08-29T10:40:00.000Z"  # not before the audit's first entry
    assert read["floods"] == [{"since": "2026-08-29T11:46:40.000Z", "until": "2026-08-29T11:54:40.000Z"}]
    assert {one["figure"]: one["standing"] for one in read["beside_targets"]}["alarms that chatter"] == "above"
    assert "not a safety instrumented system" in read["caution"]
    root = ET.fromstring(picture.read_text())
    words = [one.text or "" for one in root.iter() if one.tag.endswith("text")]
    assert any("flood" == word for word in words) and "history_unreachable-site" in words and "2026-08-29 10:40" in words
    assert "not a safety instrumented system" in " ".join(words)


def test_a_period_of_its_own(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    data = tmp_path / "figures.json"
    assert report(capsys, folder, "--json", data, "--since", "2026-08-30T10:40", "--until", "2026-08-31T22:40+12:00")[0] == 0
    assert json.loads(data.read_text())["alarms"] == 4
    status, _, err = report(capsys, folder, "--since", "2026-09-30")
    assert status == 2 and "the audit goes from 2026-08-29 10:40 to 2026-08-31 10:40 UTC" in err


def test_a_broken_audit_is_reported_on_and_said(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    import sqlite3

    with sqlite3.connect(folder / "journal.sqlite") as db:
        db.execute("DROP TRIGGER audit_is_not_changed")
        db.execute("UPDATE audit SET event = replace(event, 'medium', 'low') WHERE n = 4")
    db.close()
    status, out, _ = report(capsys, folder)
    assert status == 1 and "Audit broken: entry 4" in " ".join(out.split())


def test_nothing_to_report_on_and_nowhere_to_write(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, _, err = report(capsys, tmp_path / "none")
    assert status == 2 and "there is no journal" in err
    Journal.open(tmp_path / "new", "quillfen", "boot").close()
    status, _, err = report(capsys, tmp_path / "new")
    assert status == 2 and "no entry yet" in err
    status, out, err = report(capsys, folder, "--picture", tmp_path / "none" / "picture.svg")
    assert status == 2 and "picture.svg" in err and out == ""


# ------------------------------------------------------------------------------------------------ the picture


@pytest.mark.parametrize(("days", "bars", "called"), [(1, 144, "10 minutes"), (7, 168, "hour"), (120, 120, "day")])
def test_bars_stay_countable_however_long_the_period(days: int, bars: int, called: str) -> None:
    made = measure([raised(100.0 * n, f"a-{n}") for n in range(20)], Span(T0, T0 + days * DAY_S))
    root = ET.fromstring(drawn(made, "p", "a caution of two lines"))
    words = [one.text for one in root.iter() if one.tag.endswith("text")]
    assert f"Alarms each {called}" in words
    rects = [one for one in root.iter() if one.tag.endswith("rect") and one.get("fill") == "#222222"]
    assert len(rects) == bars + 10 + 4  # over time, the most frequent, by priority


def test_it_is_grey_and_stays_on_its_page() -> None:
    text = drawn(measure(example(), TWO_DAYS), "p & <q>\x00", "a caution of two lines")
    root = ET.fromstring(text)
    for one in root.iter():
        for name in ("fill", "stroke"):
            colour = one.get(name, "none")
            assert colour in ("none", "url(#hatched)") or len(set((colour[1:3], colour[3:5], colour[5:7]))) == 1, colour
        if one.tag.endswith("rect") and one.get("x"):
            x, y, width, height = (float(one.get(name)) for name in ("x", "y", "width", "height"))
            assert x >= 0 and y >= 0 and width >= 0 and height >= 0 and x + width <= 960.1 and y + height <= 660.1


def test_a_quiet_period_can_be_drawn() -> None:
    assert "none" in [one.text for one in ET.fromstring(drawn(measure([], TWO_DAYS), "p", "a caution")).iter()]
