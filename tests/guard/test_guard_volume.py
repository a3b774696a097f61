"""Rule 4, volumes: per request, per hour, per day, one at a time on a valve; unknown counts as given.

Typed by hand from the example site (normal litres): nitrogen 150 / 3,000 / 9,000, CO2 60 / 500 / 1,500,
air 150 / 6,000 / 60,000. The longest lease is 120 s.
"""

import pytest
from guard_world import LIMITS, around, ready, spend, verdict

from supervisor.guard import Refusal

READY = ready()


@pytest.mark.parametrize("gas", LIMITS)
def test_sweep_of_the_limit_per_request(gas):
    limit = LIMITS[gas][0]
    for volume in (0.0078125, 1.0, *around(limit, 0.0625), limit * 10):
        expected = "cleared" if volume <= limit else "volume"
        assert verdict(READY.fork().ask(gas=gas, volume=volume)) == expected, volume


@pytest.mark.parametrize("gas", LIMITS)
def test_sweep_of_the_limit_per_hour(gas):
    most, hour, _ = LIMITS[gas]
    world = READY.fork()
    spend(world, gas, hour - most / 2, every_s=0)
    for left in around(most / 2, 0.0625, 6):
        if 0 < left <= most:
            expected = "cleared" if left <= most / 2 else "volume"
            assert verdict(world.fork().ask(gas=gas, volume=left)) == expected, left


@pytest.mark.parametrize("gas", ["nitrogen", "co2"])
def test_sweep_of_the_limit_per_day(gas):
    most, hour, day = LIMITS[gas]
    world = READY.fork()
    begun = world.t
    for part in range(3):
        spend(world, gas, hour if part < 2 else hour - most / 2, every_s=0)
        world.live(3700, step_s=25.0)
    for left in around(most / 2, 0.0625, 6):
        if 0 < left <= most:
            expected = "cleared" if left <= most / 2 else "volume"
            assert verdict(world.fork().ask(gas=gas, volume=left)) == expected, left
    # A day after the first part was given, that part is forgotten, to the second.
    for after_s, expected in ((86_400.0, "volume"), (86_400.25, "cleared")):
        late = world.fork()
        late.t = begun + after_s - 150
        late.live(150)
        assert verdict(late.ask(gas=gas, volume=most)) == expected, after_s


def test_a_dose_of_a_day_ago_to_the_second_still_counts():
    world = READY.fork()
    begun = world.t
    spend(world, "nitrogen", 150.0, every_s=0)
    for _ in range(3):
        world.live(3700, step_s=25.0)
        spend(world, "nitrogen", 2900.0, every_s=0)
    world.t = begun + 86_400.0 - 150
    world.live(150)
    spend(world, "nitrogen", 150.0, every_s=0)
    assert verdict(world.ask(volume=0.25)) == "volume"
    world.t += 0.25
    assert verdict(world.ask(volume=0.25)) == "cleared"


def test_an_hour_is_an_hour_and_windows_slide():
    for after_s, expected in ((3599.0, "volume"), (3600.0, "volume"), (3600.25, "cleared")):
        world = READY.fork()
        begun = world.t
        spend(world, "nitrogen", 3000.0, every_s=0)
        world.live(3400, step_s=25.0)
        world.live(begun + after_s - world.t)
        assert verdict(world.ask(volume=150.0)) == expected, after_s
    world = READY.fork()
    spend(world, "nitrogen", 150.0, every_s=0)
    world.live(1800, step_s=25.0)
    spend(world, "nitrogen", 2850.0, every_s=0)
    assert verdict(world.fork().ask(volume=0.25)) == "volume"
    world.live(1801, step_s=25.0)
    assert verdict(world.fork().ask(volume=150.0)) == "cleared"
    assert verdict(world.fork().ask(volume=150.0)) == "cleared"
    spend(world, "nitrogen", 150.0, every_s=0)
    assert verdict(world.ask(volume=0.25)) == "volume"


def test_a_day_of_air_holds_more_than_a_thousand_doses():
    """The air limits are wide; what is kept of them must not make them wider."""
    world = READY.fork()
    for _ in range(10):
        spend(world, "air", 6000.0, every_s=0)
        world.live(3650, step_s=25.0)
    assert verdict(world.ask(gas="air", volume=0.25)) == "volume"


def test_totals_are_per_enclosure_and_gas():
    world = READY.fork()
    spend(world, "nitrogen", 3000.0, every_s=0)
    assert verdict(world.fork().ask(volume=1.0)) == "volume"
    assert verdict(world.fork().ask(gas="air")) == "cleared"
    assert verdict(world.fork().ask(gas="co2")) == "cleared"
    world.command("seal", "n2")
    world.announce("holding", "n2")
    world.live(120, line="line-02")
    assert verdict(world.ask(enclosure="n2")) == "cleared"


def test_a_request_counts_whole_until_a_final_report_says_less():
    world = READY.fork()
    spend(world, "nitrogen", 2850.0, every_s=0)
    request = world.request(volume=150.0)
    world.guard.judge(request, world.now)
    for outcome in (None, "accepted", "progress"):
        if outcome:
            world.report(request.request_id, outcome, 10.0)
        late = world.fork()
        late.live(121)
        assert verdict(late.ask(volume=0.25)) == "volume"
    for outcome in ("delivered", "refused", "aborted"):
        done = world.fork()
        done.report(request.request_id, outcome, 10.0)
        assert verdict(done.fork().ask(volume=140.0)) == "cleared"
        assert verdict(done.fork().ask(volume=140.25)) == "volume"


def test_a_refused_dose_gave_nothing_at_all():
    world = READY.fork()
    spend(world, "nitrogen", 2850.0, every_s=0)
    request = world.request(volume=150.0)
    world.guard.judge(request, world.now)
    world.report(request.request_id, "refused", 0.0)
    assert verdict(world.ask(volume=150.0)) == "cleared"


def test_a_refusal_names_the_span():
    world = READY.fork()
    spend(world, "nitrogen", 3000.0, every_s=0)
    assert world.fork().ask(volume=1.5) == Refusal("volume", "3001.5 nl with this one", "3000 nl per hour")
    for _ in range(2):
        world.live(3700, step_s=25.0)
        spend(world, "nitrogen", 3000.0, every_s=0)
    world.live(3700, step_s=25.0)
    assert world.ask(volume=1.5) == Refusal("volume", "9001.5 nl with this one", "9000 nl per day")


def test_a_final_report_after_the_lease_still_says_less():
    world = READY.fork()
    spend(world, "nitrogen", 2850.0, every_s=0)
    request = world.request(volume=150.0)
    world.guard.judge(request, world.now)
    world.live(600, step_s=25.0)
    assert verdict(world.fork().ask(volume=0.25)) == "volume"
    world.report(request.request_id, "aborted", 30.0)
    assert verdict(world.fork().ask(volume=120.0)) == "cleared"
    assert verdict(world.fork().ask(volume=120.25)) == "volume"


def test_reports_only_ever_count_up():
    world = READY.fork()
    spend(world, "nitrogen", 2850.0, every_s=0)
    request = world.request(volume=150.0)
    world.guard.judge(request, world.now)
    world.report(request.request_id, "progress", 100.0)
    world.report(request.request_id, "aborted", 40.0)
    assert verdict(world.fork().ask(volume=50.0)) == "cleared"
    assert verdict(world.fork().ask(volume=50.25)) == "volume"
    world.report(request.request_id, "aborted", 0.0)
    assert verdict(world.fork().ask(volume=50.25)) == "volume"
    world.report(request.request_id, "delivered", 120.0)
    assert verdict(world.fork().ask(volume=30.0)) == "cleared"
    assert verdict(world.fork().ask(volume=30.25)) == "volume"


def test_more_than_was_asked_counts_as_more():
    for outcome in ("progress", "delivered"):
        world = READY.fork()
        spend(world, "nitrogen", 2600.0, every_s=0)
        request = world.request(volume=150.0)
        world.guard.judge(request, world.now)
        world.report(request.request_id, outcome, 300.0)
        world.live(121)
        assert verdict(world.fork().ask(volume=100.0)) == "cleared"
        assert verdict(world.fork().ask(volume=100.25)) == "volume"


def test_reports_of_others_change_nothing():
    world = READY.fork()
    request = world.request(volume=150.0)
    world.guard.judge(request, world.now)
    world.report("7-999", "delivered", 0.0)
    world.report(request.request_id, "delivered", 0.0, gas="co2")
    world.report(request.request_id, "delivered", 0.0, enclosure="n2")
    world.report(request.request_id, "delivered", 0.0, enclosure="nowhere")
    assert verdict(world.ask()) == "busy"


def test_one_request_runs_on_a_valve():
    world = READY.fork()
    request = world.request(ahead=100.0)
    world.guard.judge(request, world.now)
    assert verdict(world.fork().ask(gas="air")) == "cleared"
    world.report(request.request_id, "accepted")
    world.report(request.request_id, "progress", 1.0)
    world.live(99.75)
    assert verdict(world.fork().ask()) == "busy"
    world.t += 0.25
    assert verdict(world.fork().ask()) == "cleared"


@pytest.mark.parametrize("outcome", ["delivered", "refused", "aborted"])
def test_a_final_report_frees_the_valve(outcome):
    world = READY.fork()
    request = world.request()
    world.guard.judge(request, world.now)
    world.live(10)
    assert verdict(world.fork().ask()) == "busy"
    world.report(request.request_id, outcome, 5.0)
    assert verdict(world.ask()) == "cleared"


def test_a_refused_request_is_not_given():
    world = READY.fork()
    assert verdict(world.ask(volume=150.25)) == "volume"
    assert verdict(world.ask(volume=150.0)) == "cleared"
