"""Each way in which a reading is refused, and the time that a believed one carries.

The bench's line-1 takes 20 s to the analyser and 60 s to settle; readings come every 5 s.
"""

import corekit
import pytest
from corekit import at

from supervisor.core.state import Sample
from supervisor.values import Row

EVERY_S = 5
SETTLED_S = 20 + 60
GAS = (3.2, 17.5)


def quiet() -> corekit.Bench:
    """A ready bench whose analyser says only what the test says."""
    bench = corekit.ready()
    bench.cell["idle"] = None
    bench.run(1)
    return bench


def draw(bench: corekit.Bench, readings: int, line: str = "line-1", **fields: object) -> Sample | None:
    """So many readings of a line, each 5 s after the one before; the sample that e1 has then."""
    for _ in range(readings):
        bench.run(EVERY_S)
        bench.read(line, *GAS, **fields)
    return bench.core.state.enclosures["e1"].sample


ENOUGH = SETTLED_S // EVERY_S + 1


def test_a_line_drawn_for_long_enough_gives_a_sample() -> None:
    bench = quiet()
    assert draw(bench, ENOUGH - 1) is None
    sample = draw(bench, 1)
    assert sample is not None
    assert (sample.o2_pct, sample.co2_pct) == GAS
    assert (sample.analyser, sample.boot, sample.seq) == ("az", "a1", bench.seq["az"])


def test_a_sample_is_as_old_as_its_way() -> None:
    """Gas left the enclosure one transport time before it stood in the cell."""
    bench = quiet()
    sample = draw(bench, ENOUGH)
    assert sample.taken_mono_s == pytest.approx(bench.mono_s - 20.0, abs=0.002)
    assert sample.taken_wall_s == pytest.approx(bench.wall_s - 20.0, abs=0.002)


@pytest.mark.parametrize("offset_s", [-8.0, 8.0])
def test_the_unit_s_clock_offset_is_taken_off(offset_s: float) -> None:
    bench = corekit.ready()
    bench.cell["idle"] = None
    bench.units["gw-plant"] = offset_s
    bench.run(12)
    for _ in range(ENOUGH):
        bench.run(EVERY_S)
        bench.read("line-1", *GAS, observed_at=at(bench.wall_s + offset_s - 3.0))
    sample = bench.core.state.enclosures["e1"].sample
    assert sample.taken_mono_s == pytest.approx(bench.mono_s - 3.0 - 20.0, abs=0.002)
    assert sample.taken_wall_s == pytest.approx(bench.wall_s - 3.0 - 20.0, abs=0.002)


def test_a_time_from_the_future_is_now() -> None:
    bench = quiet()
    draw(bench, ENOUGH)
    bench.run(EVERY_S)
    bench.read("line-1", *GAS, observed_at=at(bench.wall_s + 500.0))
    assert bench.core.state.enclosures["e1"].sample.taken_mono_s == pytest.approx(bench.mono_s - 20.0)


@pytest.mark.parametrize(
    "wrong",
    [
        {"settled": False}, {"status": "warming_up"}, {"status": "calibrating"}, {"status": "fault"}, {"line_confirmed": False},
        {"o2_pct": -0.5}, {"co2_pct": -0.5}, {"o2_pct": 100.3, "co2_pct": 0.0}, {"o2_pct": 0.0, "co2_pct": 100.3},
        {"o2_pct": 60.0, "co2_pct": 41.0},
    ],
    ids=str,
)  # fmt: skip
def test_one_wrong_reading_is_no_sample(wrong: dict[str, object]) -> None:
    bench = quiet()
    first = draw(bench, ENOUGH)
    bench.run(EVERY_S)
    told = {"o2_pct": 5.0, "co2_pct": 15.0} | wrong
    bench.read("line-1", **told)
    assert bench.core.state.enclosures["e1"].sample is first


def test_everything_up_to_a_sum_of_a_hundred_and_a_half_is_possible() -> None:
    bench = quiet()
    draw(bench, ENOUGH)
    bench.run(EVERY_S)
    for gas in ((0.0, 99.0), (99.0, 0.0), (60.0, 40.5)):
        bench.run(EVERY_S)
        bench.read("line-1", *gas)
        sample = bench.core.state.enclosures["e1"].sample
        assert (sample.o2_pct, sample.co2_pct) == gas


def test_each_visit_is_one_row_for_the_history_and_knows_the_visit_before() -> None:
    bench = quiet()
    draw(bench, ENOUGH)
    first = draw(bench, 3)
    draw(bench, 5, line="line-2")
    second = draw(bench, ENOUGH + 4)
    rows = [one for _, one in bench.log if isinstance(one, Row) and one.measurement == "sample"]
    assert len(rows) == 2 and all(("enclosure", "e1") in one.tags for one in rows)
    assert dict(rows[0].fields) == {"o2_pct": GAS[0], "co2_pct": GAS[1]}
    assert bench.core.state.enclosures["e1"].before == first and second.taken_mono_s > first.taken_mono_s


@pytest.mark.parametrize("wrong", [{"status": "calibrating"}, {"line_confirmed": False}], ids=str)
def test_an_interruption_begins_the_line_anew(wrong: dict[str, object]) -> None:
    bench = quiet()
    draw(bench, ENOUGH - 2)
    draw(bench, 1, **wrong)
    assert draw(bench, ENOUGH - 1) is None
    assert draw(bench, 1) is not None


@pytest.mark.parametrize("line", ["line-2", "idle", "a-line-of-no-site"])
def test_another_line_in_between_begins_it_anew(line: str) -> None:
    bench = quiet()
    draw(bench, ENOUGH - 2)
    draw(bench, 1, line=line)
    assert draw(bench, ENOUGH - 1) is None
    assert draw(bench, 1) is not None


def test_a_missing_number_begins_it_anew() -> None:
    """What was lost may have been another line's."""
    bench = quiet()
    draw(bench, ENOUGH - 2)
    bench.seq["az"] += 1
    assert draw(bench, ENOUGH - 1) is None
    assert draw(bench, 1) is not None


def test_a_new_boot_of_the_instrument_begins_it_anew() -> None:
    bench = quiet()
    draw(bench, ENOUGH - 1)
    bench.seq["az"] = 0
    assert draw(bench, ENOUGH - 1, boot="a2") is None
    assert draw(bench, 1, boot="a2").boot == "a2"


def test_repeats_and_latecomers_are_nothing() -> None:
    bench = quiet()
    first = draw(bench, ENOUGH)
    for seq in (bench.seq["az"], bench.seq["az"] - 3):
        bench.run(1)
        bench.read("line-1", 9.0, 9.0, seq=seq)
        assert bench.core.state.enclosures["e1"].sample is first


def test_a_burst_of_late_messages_is_no_long_draw() -> None:
    """By the unit's clock the line was drawn for minutes; they all came at once, so nobody can say what lay between."""
    bench = quiet()
    bench.run(200)
    for number in range(ENOUGH + 5):
        bench.read("line-1", *GAS, observed_at=at(bench.wall_s - 150.0 + number * EVERY_S))
    assert bench.core.state.enclosures["e1"].sample is None


def test_a_clock_that_creeps_is_no_long_draw() -> None:
    """By our clock the line was drawn for minutes, by the unit's for seconds."""
    bench = quiet()
    first_s = bench.wall_s
    for number in range(ENOUGH + 5):
        bench.run(EVERY_S)
        bench.read("line-1", *GAS, observed_at=at(first_s + number * 0.1))
    assert bench.core.state.enclosures["e1"].sample is None


@pytest.mark.parametrize("what", ["silent", "offline", "clock"])
def test_a_reading_is_worth_what_its_unit_is(what: str) -> None:
    bench = quiet()
    if what == "silent":
        del bench.units["gw-plant"]
        bench.run(50)
    elif what == "offline":
        bench.say_unit("gw-plant", online=False)
        del bench.units["gw-plant"]
    else:
        bench.units["gw-plant"] = 14.0
        bench.run(12)
    assert draw(bench, 2 * ENOUGH) is None


def test_every_line_gives_its_own_enclosure_s_sample_and_no_other() -> None:
    bench = quiet()
    draw(bench, 30, line="line-2")
    state = bench.core.state
    assert state.enclosures["e2"].sample is not None
    assert state.enclosures["e1"].sample is None and state.enclosures["w1"].sample is None
    draw(bench, 30, line="idle")
    assert state.enclosures["e1"].sample is None


def test_after_a_start_or_a_jump_of_the_clock_the_line_is_drawn_anew() -> None:
    from supervisor.values import Started

    for disturb in ("start", "jump"):
        bench = quiet()
        draw(bench, ENOUGH)
        if disturb == "start":
            bench.step(Started(bench.now, 2, "again"))
        else:
            bench.wall_s += 3600.0
        began_s = bench.mono_s
        bench.run(25)  # two heartbeats, so that the unit is known again
        sample = draw(bench, ENOUGH - 1)
        assert sample.taken_mono_s < began_s, "a sample rests on readings from before"
        assert draw(bench, 1).taken_mono_s > began_s
