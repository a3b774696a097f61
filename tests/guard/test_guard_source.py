"""Rule 4, sources: known, available, enough flow, enough stock.

Typed by hand from the example site: generator 200, bank 60, blower 400 nl/min; inlets 50 nitrogen, 20 CO2, 60 air;
bank with 20 kg in reserve. CO2 weighs 1.9768 kg per cubic metre at 0 degC and 101.325 kPa (CoolProp).
"""

import pytest
from guard_world import LINES, SITE, World, around, ready, verdict

READY = ready()
INLETS = {"nitrogen": 50.0, "co2": 20.0, "air": 60.0}
SOURCES = {"nitrogen": "generator", "co2": "bank", "air": "blower"}
CAPACITIES = {"nitrogen": 200.0, "co2": 60.0, "air": 400.0}


def side_by_side(gas: str) -> World:
    """All six enclosures of the north room sealed, sampled, and asked for."""
    world = READY.fork()
    for enclosure in ("n2", "n3", "n4", "n5", "n6"):
        world.command("seal", enclosure)
        world.live(100, line=LINES[enclosure])
        world.announce("holding", enclosure)
        world.basis = {**getattr(world, "basis", {"n1": READY.ref}), enclosure: world.ref}
    return world


@pytest.mark.parametrize("gas", INLETS)
def test_sweep_of_the_inlet(gas):
    for flow in (0.25, 1.0, *around(INLETS[gas], 0.25), 1000.0):
        assert verdict(READY.fork().ask(gas=gas, flow=flow)) == ("cleared" if flow <= INLETS[gas] else "flow"), flow


@pytest.mark.parametrize("gas", INLETS)
def test_sweep_of_the_capacity_now(gas):
    """What the source says of itself now counts when it is less than the site file, and never when it is more."""
    for capacity in (0.0, 0.25, 10.0, *around(INLETS[gas], 0.25, 4), 10_000.0):
        world = READY.fork()
        world.t += 1
        world.supply(SOURCES[gas], capacity=max(0.0, capacity))
        assert verdict(world.ask(gas=gas)) == ("cleared" if capacity >= INLETS[gas] else "flow"), capacity


def test_everything_that_draws_on_a_source_together():
    for capacity, expected in ((None, "cleared"), (199.75, "flow"), (200.0, "cleared"), (5000.0, "cleared")):
        world = side_by_side("nitrogen")
        bases = world.basis
        world.supply("generator", capacity=capacity)
        world.t += 1
        world.supply("generator", capacity=capacity)
        for enclosure in ("n1", "n2", "n3"):
            assert verdict(world.ask(enclosure=enclosure, basis=bases[enclosure])) == "cleared"
        assert verdict(world.ask(enclosure="n4", basis=bases["n4"])) == expected
        # The fifth would be beyond what the site file allows, whatever the generator says of itself.
        small = world.fork()
        assert verdict(world.ask(enclosure="n5", basis=bases["n5"], flow=50.25 if expected == "flow" else 0.25)) == "flow"
        assert verdict(small.ask(enclosure="n5", basis=bases["n5"], gas="co2")) == "cleared"


def test_no_more_valves_at_once_than_the_site_file_says():
    """Four on the generator by the example site; three draw little, so that flow alone would let many more through."""
    world = side_by_side("nitrogen")
    bases = world.basis
    for enclosure in ("n1", "n2", "n3"):
        assert verdict(world.ask(enclosure=enclosure, basis=bases[enclosure], flow=1.0, ahead=20.0)) == "cleared"
    request = world.request(enclosure="n4", basis=bases["n4"], flow=1.0, ahead=30.0)
    assert verdict(world.guard.judge(request, world.now)) == "cleared"
    answer = world.fork().ask(enclosure="n5", basis=bases["n5"], flow=1.0)
    assert verdict(answer) == "flow" and "4 valves" in answer.measured
    done = world.fork()
    done.report(request.request_id, "delivered", 10.0, enclosure="n4")
    assert verdict(done.ask(enclosure="n5", basis=bases["n5"], flow=1.0)) == "cleared"
    world.t += 20.0
    assert verdict(world.ask(enclosure="n5", basis=bases["n5"], flow=1.0)) == "cleared", "three leases are over"


def test_a_dose_that_is_over_draws_no_more():
    world = side_by_side("nitrogen")
    bases = world.basis
    world.t += 1
    world.supply("generator", capacity=50.0)
    request = world.request(enclosure="n1", basis=bases["n1"], ahead=20.0)
    assert verdict(world.guard.judge(request, world.now)) == "cleared"
    assert verdict(world.fork().ask(enclosure="n2", basis=bases["n2"], flow=0.25)) == "flow"
    done = world.fork()
    done.report(request.request_id, "delivered", 100.0)
    assert verdict(done.ask(enclosure="n2", basis=bases["n2"])) == "cleared"
    world.t += 19.75
    assert verdict(world.fork().ask(enclosure="n2", basis=bases["n2"])) == "flow"
    world.t += 0.25
    assert verdict(world.fork().ask(enclosure="n2", basis=bases["n2"])) == "cleared"


def test_other_sources_do_not_draw_on_this_one():
    world = READY.fork()
    world.t += 1
    world.supply("generator", capacity=50.0)
    assert verdict(world.ask(gas="co2")) == "cleared"
    assert verdict(world.ask(gas="air")) == "cleared"
    assert verdict(world.ask()) == "cleared"


@pytest.mark.parametrize("gas", INLETS)
def test_sweep_of_a_silent_source(gas):
    for silent_s in (0.0, 60.0, *around(120.0, 0.25, 4), 600.0):
        world = READY.fork()
        world.live(silent_s, without=("sources",), step_s=20.0)
        assert verdict(world.ask(gas=gas)) == ("cleared" if silent_s <= 120.0 else "source"), silent_s


def test_sweep_of_a_source_word_that_was_old_when_it_came():
    world = READY.fork()
    world.start()
    world.link()
    world.live(150, without=("sources",))
    world.announce("holding")
    for age_s in (*around(-10.0, 0.25, 3), 0.0, *around(120.0, 0.25, 3), 3600.0):
        other = world.fork()
        other.supply(age_s=age_s)
        assert verdict(other.ask()) == ("cleared" if -10.0 <= age_s <= 120.0 else "source"), age_s


def test_a_source_is_unknown_until_it_was_heard():
    world = READY.fork()
    world.start()
    world.link()
    world.live(150, without=("sources",))
    world.announce("holding")
    world.supply("bank", "blower", "spare")
    assert verdict(world.fork().ask()) == "source"
    assert verdict(world.fork().ask(gas="air")) == "cleared"


def test_a_repeat_or_a_latecomer_refreshes_no_source():
    for late_s in (0.0, 5.0):
        world = READY.fork()
        heard = world.t
        for _ in range(13):
            world.live(10, without=("sources",))
            world.supply(age_s=world.t - heard + late_s)
        assert verdict(world.ask()) == "source"
    world = READY.fork()
    world.t += 1
    world.supply("generator", available=False)
    world.supply("generator", age_s=1)
    world.supply("generator", age_s=0)
    assert verdict(world.ask()) == "source"


@pytest.mark.parametrize("gas", INLETS)
def test_a_source_that_is_not_available(gas):
    world = READY.fork()
    world.t += 1
    world.supply(SOURCES[gas], available=False)
    assert verdict(world.fork().ask(gas=gas)) == "source"
    world.t += 1
    world.supply(SOURCES[gas])
    assert verdict(world.ask(gas=gas)) == "cleared"


def test_a_sources_word_through_a_lost_unit_is_none():
    world = READY.fork()
    world.beat("gateway-plant", online=False)
    world.t += 1
    world.supply()
    world.t += 1
    world.beat("gateway-plant")
    assert verdict(world.ask()) == "source"


# ---- stock


def test_sweep_of_the_stock():
    """20 kg in reserve; a dose of 50 nl weighs 0.09884 kg."""
    for left_kg in (-1.0, -0.001, -1e-6, 1e-6, 0.001, 1.0, 100.0):
        world = READY.fork()
        world.t += 1
        world.supply("bank", stock=20.0 + 0.09884 + left_kg)
        assert verdict(world.ask(gas="co2", volume=50.0)) == ("cleared" if left_kg > 0 else "stock"), left_kg


def test_stock_must_be_known_where_the_site_file_gives_one():
    world = READY.fork()
    world.t += 1
    world.supply("bank", stock="unknown")
    assert verdict(world.ask(gas="co2")) == "stock"


def test_stock_need_not_be_known_where_there_is_none():
    world = READY.fork()
    world.t += 1
    world.supply("generator", "blower", stock=None)
    assert verdict(world.ask()) == "cleared"
    assert verdict(world.ask(gas="air")) == "cleared"


@pytest.mark.parametrize("gas, source, kg_per_nl", [
    ("nitrogen", "generator", 1.2504e-3), ("air", "blower", 1.2931e-3), ("co2", "bank", 1.9768e-3),
])  # fmt: skip
def test_a_stock_that_is_told_counts_by_its_own_weight(gas, source, kg_per_nl):
    reserve_kg = 20.0 if gas == "co2" else 0.0
    for left_kg, expected in ((-1e-6, "stock"), (1e-6, "cleared")):
        world = READY.fork()
        world.t += 1
        world.supply(source, stock=reserve_kg + 50.0 * kg_per_nl + left_kg)
        assert verdict(world.ask(gas=gas, volume=50.0)) == expected


def test_what_leaves_just_the_reserve_passes():
    world = READY.fork()
    world.t += 1
    world.supply("blower", stock=50.0 * 1.2931e-3)  # no reserve: nothing is left after it, and nothing less
    assert verdict(world.ask(gas="air", volume=50.0)) == "cleared"


def test_what_is_out_is_taken_off_the_stock():
    world = side_by_side("co2")
    bases = world.basis
    world.t += 1
    world.supply("bank", stock=20.0 + 0.09884 * 2 + 1e-6)
    first = world.request(gas="co2", volume=50.0, basis=bases["n1"])
    assert verdict(world.guard.judge(first, world.now)) == "cleared"
    assert verdict(world.fork().ask(enclosure="n2", gas="co2", volume=50.0, basis=bases["n2"])) == "cleared"
    assert verdict(world.fork().ask(enclosure="n2", gas="co2", volume=50.01, basis=bases["n2"])) == "stock"
    # Over, but after the stock was read: still to be taken off, as much as was reported.
    world.t += 10
    world.report(first.request_id, "aborted", 20.0, gas="co2")
    assert verdict(world.fork().ask(enclosure="n2", gas="co2", volume=59.99, basis=bases["n2"])) == "cleared"
    low = world.fork()
    low.t += 1
    low.supply("bank", stock=20.0 + 0.09884 - 1e-6)
    assert verdict(low.ask(enclosure="n2", gas="co2", volume=50.0, basis=bases["n2"])) == "stock"
    # Read after it was over: in the figure already.
    read = world.fork()
    read.t += 1
    read.supply("bank", stock=20.0 + 0.09884 + 1e-6)
    assert verdict(read.ask(enclosure="n2", gas="co2", volume=50.0, basis=bases["n2"])) == "cleared"


def test_stock_read_in_the_instant_that_a_dose_ended_may_not_hold_it_yet():
    world = side_by_side("co2")
    bases = world.basis
    world.t += 1
    first = world.request(gas="co2", volume=50.0, basis=bases["n1"])
    world.guard.judge(first, world.now)
    world.t += 1
    world.report(first.request_id, "delivered", 50.0, gas="co2")
    world.supply("bank", stock=20.0 + 0.09884 + 1e-6)
    assert verdict(world.ask(enclosure="n2", gas="co2", volume=50.0, basis=bases["n2"])) == "stock"


def test_a_site_where_one_enclosure_has_no_such_source():
    enclosures = [one.model_copy(update={"sources": one.sources.model_copy(update={"air": None})}) if one.id == "n1"
                  else one for one in SITE.enclosure]  # fmt: skip
    site = SITE.model_copy(update={"enclosure": tuple(enclosures)})
    for name in ("enclosures",):
        site.__dict__.pop(name, None)
    world = ready(site=site)
    for source in ("blower", "generator", ""):
        assert verdict(world.ask(gas="air", source=source)) == "target"
    assert verdict(world.ask()) == "cleared"


def test_a_word_from_the_future_is_none_and_makes_no_latecomers_of_those_that_follow():
    world = READY.fork()
    world.t += 5
    world.supply(age_s=-7200.0)
    assert verdict(world.fork().ask()) == "source"
    world.t += 5
    world.supply()
    assert verdict(world.ask()) == "cleared"
