"""Rules 3 and 5: the sample that a request rests on, and what it may contain.

Line-01 of the example site: 22 s on the way and 62 s in the cell, so 84 s from the first reading of the line. A sample
counts for 2,700 s from when the gas left the enclosure. Blueberry: floor 2.5 % O2, ceiling 20 % CO2.
"""

import pytest
from guard_world import READY_LINES, SETTLED_S, World, around, ready, verdict

from supervisor.values import SampleRef

READY = ready()


def fresh_run(line="line-01") -> World:
    """As ready, but the analyser has just come from another line."""
    world = READY.fork()
    world.t += 5
    world.hear(line="line-02")
    world.t += 5
    world.hear(line=line)
    return world


def test_the_newest_valid_sample_passes_and_no_other():
    world = READY.fork()
    older = world.ref
    world.t += 5
    world.hear()
    assert verdict(world.fork().ask(basis=older)) == "sample"
    assert verdict(world.fork().ask()) == "cleared"
    newest = world.ref
    for other in (
        newest._replace(seq=newest.seq + 1), newest._replace(seq=newest.seq - 1), newest._replace(boot="a2"),
        newest._replace(analyser="analyser-2"), SampleRef("", "", -1),
    ):  # fmt: skip
        assert verdict(world.fork().ask(basis=other)) == "sample"


def test_sweep_of_settling_by_both_clocks():
    for drawn_s in (5.0, 22.0, 62.0, *around(SETTLED_S, 0.25, 6), 300.0):
        world = fresh_run()
        world.live(drawn_s)
        assert verdict(world.ask()) == ("cleared" if drawn_s >= SETTLED_S else "sample"), drawn_s


@pytest.mark.parametrize("enclosure, settled_s", READY_LINES)
def test_each_line_has_its_own_way(enclosure, settled_s):
    line = f"line-{READY_LINES.index((enclosure, settled_s)) + 1:02d}"
    for drawn_s, expected in ((settled_s - 0.25, "sample"), (settled_s, "cleared")):
        world = ready(enclosure)
        world.t += 5
        world.hear(line="idle")
        world.live(5, line=line)
        world.live(drawn_s, line=line)
        assert verdict(world.ask(enclosure=enclosure)) == expected


def test_settling_by_observed_time_alone_is_not_enough():
    """A burst of what had waited somewhere: observed long apart, come together."""
    world = READY.fork()
    world.t += 5
    world.hear(line="line-02")
    world.live(100, without=("readings",))
    for age_s in (95.0, 50.0, 0.0):
        world.read(age_s=age_s)
    assert verdict(world.ask()) == "sample"


def test_settling_by_arrival_alone_is_not_enough():
    world = fresh_run()
    for step in range(1, 19):
        world.t += 5
        world.hear(without=("readings",))
        world.read(age_s=5.0 * step * 0.1)
    assert world.t == 220.0
    assert verdict(world.ask()) == "sample"  # 90 s by arrival, 81 s by its own time


def test_another_line_in_between_begins_anew():
    world = READY.fork()
    world.t += 5
    world.hear(line="line-02")
    world.live(80)
    assert verdict(world.ask()) == "sample"
    world.live(10)
    assert verdict(world.ask()) == "cleared"


def test_a_lost_reading_may_have_been_of_another_line():
    world = READY.fork()
    world.number("analyser-1")
    world.live(80)
    assert verdict(world.ask()) == "sample"
    world.live(10)
    assert verdict(world.ask()) == "cleared"


def test_another_boot_begins_anew():
    world = READY.fork()
    for seq in range(16):
        world.t += 5
        world.hear(without=("readings",))
        world.read(boot="a2", seq=world.numbers["analyser-1"] + 1 + seq)
    assert verdict(world.ask()) == "sample"
    for seq in range(16, 19):
        world.t += 5
        world.hear(without=("readings",))
        world.read(boot="a2", seq=world.numbers["analyser-1"] + 1 + seq)
    assert verdict(world.ask()) == "cleared"


def test_another_boot_counts_from_nought():
    world = READY.fork()
    for seq in range(18):
        world.t += 5
        world.hear(without=("readings",))
        world.read(boot="a2", seq=seq)
    assert verdict(world.ask()) == "cleared"


def test_a_line_that_is_no_enclosures_leaves_no_sample():
    site = READY.site.model_copy(update={"enclosure": tuple(one for one in READY.site.enclosure if one.id != "s6")})
    for name in ("enclosures", "enclosure_of_line"):
        site.__dict__.pop(name, None)
    world = ready(site=site)
    mine = world.ref
    world.live(120, line="line-12")
    assert world.guard.dump().count(b'"taken_s"') == READY.guard.dump().count(b'"taken_s"')
    assert verdict(world.ask(basis=mine)) == "cleared"


@pytest.mark.parametrize("flaw", [
    {"status": "fault"}, {"status": "warming_up"}, {"status": "calibrating"}, {"confirmed": False}, {"line": "line-99"},
])  # fmt: skip
def test_a_flaw_ends_the_run(flaw):
    world = READY.fork()
    before = world.ref
    world.t += 5
    world.hear(without=("readings",))
    world.read(**flaw)
    assert verdict(world.fork().ask()) == "sample"
    assert verdict(world.fork().ask(basis=before)) == "cleared"
    world.live(80)
    assert verdict(world.fork().ask()) == "sample"
    assert verdict(world.fork().ask(basis=before)) == "cleared"
    world.live(10)
    assert verdict(world.ask()) == "cleared"


def test_a_flawed_run_on_the_same_line_never_becomes_a_sample():
    world = fresh_run()
    for _ in range(30):
        world.t += 5
        world.hear(without=("readings",))
        world.read(confirmed=False)
        assert verdict(world.fork().ask()) == "sample"


@pytest.mark.parametrize("confirmed", [None, True])
def test_a_line_that_is_confirmed_or_cannot_be(confirmed):
    world = READY.fork()
    world.t += 5
    world.read(confirmed=confirmed)
    assert verdict(world.ask()) == "cleared"


def test_the_gateway_must_call_it_settled():
    world = READY.fork()
    before = world.ref
    world.t += 5
    world.hear(without=("readings",))
    world.read(settled=False)
    assert verdict(world.fork().ask()) == "sample"
    assert verdict(world.fork().ask(basis=before)) == "cleared"
    world.t += 5
    world.read()
    assert verdict(world.ask()) == "cleared"  # not settled is not wrong: the run goes on


@pytest.mark.parametrize("o2, co2, possible", [
    (-0.125, 0.5, False), (0.0, 0.5, True), (20.5, -0.125, False), (20.5, 0.0, True), (100.0, 0.0, True),
    (100.125, 0.0, False), (0.0, 100.0, True), (0.0, 100.125, False), (20.5, 80.0, True), (20.5, 80.125, False),
    (60.0, 60.0, False), (50.25, 50.25, True), (105.0, -5.0, False), (-5.0, 105.0, False),
])  # fmt: skip
def test_only_possible_figures_become_a_sample(o2, co2, possible):
    world = READY.fork()
    before = world.ref
    world.t += 5
    world.read(o2=o2, co2=co2)
    by_this = verdict(world.fork().ask(gas="air"))
    assert by_this == ("cleared" if possible else "sample")
    assert verdict(world.ask(gas="air", basis=before)) == ("sample" if possible else "cleared")


@pytest.mark.parametrize("seq_step", [0, -1, -10])
def test_repeats_and_latecomers_do_not_count(seq_step):
    world = READY.fork()
    seq = world.numbers["analyser-1"]
    kept = world.ref
    world.t += 5
    world.hear(without=("readings",))
    world.read(o2=1.0, seq=seq + seq_step)
    assert verdict(world.fork().ask(basis=kept)) == "cleared"
    world.read(line="line-02", seq=seq + seq_step)
    world.read(status="fault", seq=seq + seq_step)
    world.read(seq=seq + 1)
    assert verdict(world.ask()) == "cleared"


def test_another_line_is_no_basis_for_this_enclosure():
    world = READY.fork()
    mine = world.ref
    world.live(120, line="line-02")
    assert verdict(world.fork().ask()) == "sample"
    assert verdict(world.fork().ask(basis=mine)) == "cleared"
    world.command("seal", "n2")
    world.announce("holding", "n2")
    assert verdict(world.fork().ask(enclosure="n2")) == "cleared"
    assert verdict(world.fork().ask(enclosure="n2", basis=mine)) == "sample"


def test_an_unknown_analyser_is_not_heard():
    world = READY.fork()
    for _ in range(30):
        world.t += 5
        world.hear(without=("readings",))
        world.read(analyser="analyser-2")
    assert verdict(world.ask()) == "sample"


def test_sweep_of_sample_age_by_arrival():
    """Read late by what the clocks allow: by its own time it is young, by arrival it is not."""
    for age_s in (0.0, 600.0, *around(2690.0, 0.25, 2), *around(2700.0, 0.25, 6), 7200.0):
        world = READY.fork()
        world.t += 5
        world.read(age_s=-10.0)
        basis = world.ref
        world.skip(age_s)
        # Gas left the enclosure 22 s before it stood in the cell, 10 s ahead of our clock: 12 s older than by arrival.
        expected = "cleared" if age_s + 12.0 <= 2700.0 else "sample_age"
        assert verdict(world.ask(basis=basis)) == expected, age_s


def test_sweep_of_sample_age_by_its_own_time():
    for own_age_s in (0.0, 5.0, 600.0, 2677.75, 2678.0, 2678.25, 2700.0):
        world = READY.fork()
        world.t += 5
        world.read()
        basis = world.ref
        world.skip(own_age_s)
        assert verdict(world.ask(basis=basis)) == ("cleared" if own_age_s + 22.0 <= 2700.0 else "sample_age"), own_age_s


def test_sweep_of_a_reading_from_the_future_or_the_past():
    for age_s in (-600.0, *around(-10.0, 0.25, 4), 0.0, 20.0):
        world = READY.fork()
        world.t += 30
        world.hear(without=("readings",))
        world.read(age_s=age_s)
        assert verdict(world.ask()) == ("cleared" if age_s >= -10.0 else "sample"), age_s


@pytest.mark.parametrize("offset_s", [-10.0, -5.0, 5.0, 10.0])
def test_readings_are_dated_by_the_units_clock(offset_s):
    for age_s, expected in ((-10.25, "sample"), (-10.0, "cleared"), (20.0, "cleared")):
        world = READY.fork()
        world.live(35, without=("readings",))
        world.t += 2
        world.beat("gateway-plant", offset_s=offset_s, boot="b2")
        world.read(age_s=age_s, offset_s=offset_s)
        assert verdict(world.ask()) == expected, age_s


def test_an_unheard_clock_dates_no_reading():
    world = READY.fork()
    world.beat("gateway-plant", online=False)
    world.live(120, without=("gateway-plant",))
    world.beat("gateway-plant")
    world.supply()
    assert verdict(world.fork().ask()) == "sample"
    world.live(84)
    assert verdict(world.fork().ask()) == "sample"
    world.live(5)
    assert verdict(world.ask()) == "cleared"


@pytest.mark.parametrize("enclosure, floor, ceiling", [
    ("n1", 2.5, 20.0), ("n3", 4.0, 20.0), ("n5", 1.5, 21.0), ("s1", 1.5, 20.0), ("s3", 2.5, 18.0),
])  # fmt: skip
def test_sweep_of_the_recipes_floor_and_ceiling(enclosure, floor, ceiling):
    lines = {"n1": "line-01", "n3": "line-03", "n5": "line-05", "s1": "line-07", "s3": "line-09"}
    base = ready(enclosure)
    for o2 in (0.0, *around(floor, 0.0625, 4), 20.9):
        world = base.fork()
        world.t += 5
        world.read(lines[enclosure], o2=max(0.0, o2), co2=1.0)
        for gas in ("nitrogen", "co2"):
            expected = "cleared" if o2 >= floor else "o2_floor"
            assert verdict(world.fork().ask(enclosure=enclosure, gas=gas)) == expected, (gas, o2)
        assert verdict(world.fork().ask(enclosure=enclosure, gas="air")) == "cleared"
    for co2 in (0.0, *around(ceiling, 0.0625, 4), 79.0):
        world = base.fork()
        world.t += 5
        world.read(lines[enclosure], o2=5.0, co2=co2)
        expected = "cleared" if co2 <= ceiling else "co2_ceiling"
        assert verdict(world.fork().ask(enclosure=enclosure, gas="co2")) == expected, co2
        assert verdict(world.fork().ask(enclosure=enclosure, gas="nitrogen")) == "cleared"
        assert verdict(world.fork().ask(enclosure=enclosure, gas="air")) == "cleared"
