"""Hardware units: signs of life, clocks, and the one epoch of the site."""

import corekit
import pytest
from corekit import PermitRoom, RequestDose, at

from supervisor.core.units import our_times, usable
from supervisor.values import LinkChanged, Started

SILENCE_S_MAX = 45
OFFSET_S_MAX = 10


def bare() -> corekit.Bench:
    """Started, and nobody has said anything."""
    bench = corekit.Bench().start()
    bench.go(1.0)
    return bench


def test_the_first_heartbeat_is_no_sign_of_life() -> None:
    """It may be the one that the broker kept from a unit that is long dead."""
    bench = bare()
    bench.say_unit("gw-east", observed_at=at(bench.wall_s - 2.0))
    assert usable(bench.desk(), "gw-east") == "unit gw-east is silent"
    bench.go(10.0)
    bench.say_unit("gw-east", observed_at=at(bench.wall_s))
    assert usable(bench.desk(), "gw-east") is None


def test_the_same_heartbeat_again_is_no_sign_of_life() -> None:
    bench = bare()
    kept = at(bench.wall_s - 5.0)
    for _ in range(3):
        bench.say_unit("gw-east", observed_at=kept)
        bench.go(1.0)
    assert usable(bench.desk(), "gw-east") == "unit gw-east is silent"


def test_a_unit_is_silent_once_its_time_has_passed() -> None:
    bench = corekit.ready()
    bench.run(10, until=lambda: int(bench.mono_s) % 10 == 0)
    del bench.units["gw-west"]
    bench.go(SILENCE_S_MAX)
    assert usable(bench.desk(), "gw-west") is None
    bench.go(0.001)
    assert usable(bench.desk(), "gw-west") == "unit gw-west is silent"
    bench.tick()
    assert bench.alarm("unit_silent-gw-west").condition


def test_a_clock_that_was_set_back_does_not_make_the_unit_deaf() -> None:
    bench = corekit.ready()
    bench.units["gw-east"] = -3600.0
    bench.run(12)
    assert "clock of unit gw-east is -3600.0 s off" in (usable(bench.desk(), "gw-east") or "")


def test_its_last_will_counts_at_once() -> None:
    bench = corekit.ready()
    bench.say_unit("gw-east", online=False, observed_at=at(bench.wall_s - 100.0))
    assert usable(bench.desk(), "gw-east") == "unit gw-east is offline"
    bench.go(1.0)
    bench.say_unit("gw-east")
    assert usable(bench.desk(), "gw-east") is None


def test_a_new_boot_is_told_and_is_a_sign_of_life_whatever_its_clock_says() -> None:
    bench = corekit.ready()
    bench.say_unit("gw-east", boot="b2", observed_at=at(bench.wall_s - 5.0))
    assert [one.figures for one in bench.said("unit_restarted")] == [{"unit": "gw-east", "boot": "b2", "boot_before": "b1"}]
    assert bench.core.state.units["gw-east"].clock_offset_s == pytest.approx(-5.0, abs=0.001)


@pytest.mark.parametrize("offset_s", [-9.5, -3.0, 0.0, 4.0, 9.5])
def test_offsets_are_learned_and_times_corrected(offset_s: float) -> None:
    bench = corekit.ready()
    bench.units["gw-east"] = offset_s
    bench.run(52)  # five heartbeats: a slower clock is told from a late word by the last few
    desk = bench.desk()
    assert bench.core.state.units["gw-east"].clock_offset_s == pytest.approx(offset_s, abs=0.002)
    assert usable(desk, "gw-east") is None
    mono_s, wall_s = our_times(desk, "gw-east", bench.wall_s + offset_s - 30.0)
    assert mono_s == pytest.approx(bench.mono_s - 30.0, abs=0.002)
    assert wall_s == pytest.approx(bench.wall_s - 30.0, abs=0.002)
    assert our_times(desk, "gw-east", bench.wall_s + offset_s + 99.0) == (bench.mono_s, bench.wall_s)


def test_a_late_heartbeat_does_not_make_a_clock_look_slow() -> None:
    bench = corekit.ready()
    bench.run(60)
    bench.units["gw-east"] = -6.0  # six seconds on its way
    bench.run(12)
    assert bench.core.state.units["gw-east"].clock_offset_s == pytest.approx(0.0, abs=0.002)
    bench.units["gw-east"] = 0.0
    bench.run(12)
    assert usable(bench.desk(), "gw-east") is None


def test_a_clock_set_back_by_more_than_any_delay_counts_at_once() -> None:
    bench = corekit.ready()
    bench.units["gw-east"] = -60.0
    bench.run(12)
    assert bench.core.state.units["gw-east"].clock_offset_s == pytest.approx(-60.0, abs=0.002)
    assert "-60.0 s off" in str(usable(bench.desk(), "gw-east"))


def test_a_heartbeat_that_was_late_on_its_way_is_no_slow_clock() -> None:
    """The least delayed of the last five counts; five that are all late are what the clock says."""
    bench = corekit.ready()
    unit = bench.core.state.units["gw-east"]
    for _ in range(4):
        bench.go(10.0)
        bench.say_unit("gw-east", observed_at=at(bench.wall_s - 6.0))
        assert unit.clock_offset_s == pytest.approx(0.0, abs=0.002)
    bench.go(10.0)
    bench.say_unit("gw-east", observed_at=at(bench.wall_s - 6.0))
    assert unit.clock_offset_s == pytest.approx(-6.0, abs=0.002)
    bench.go(10.0)
    bench.say_unit("gw-east", observed_at=at(bench.wall_s + 3.0))
    assert unit.clock_offset_s == pytest.approx(3.0, abs=0.002)


def test_offsets_of_the_boot_before_are_nothing_to_the_next() -> None:
    bench = corekit.ready()
    bench.go(10.0)
    bench.say_unit("gw-east", boot="b2", observed_at=at(bench.wall_s - 8.0))
    assert bench.core.state.units["gw-east"].clock_offset_s == pytest.approx(-8.0, abs=0.002)


@pytest.mark.parametrize("offset_s", [-10.5, 10.5])
def test_a_clock_too_far_off_takes_the_unit_out(offset_s: float) -> None:
    bench = corekit.ready()
    bench.units["gw-east"] = offset_s
    bench.run(25)
    why = usable(bench.desk(), "gw-east")
    assert why is not None and f"{offset_s:+.1f} s off" in why and f"at most {OFFSET_S_MAX} s" in why
    assert bench.alarm("unit_clock_off-gw-east").condition
    bench.units["gw-east"] = 0.0
    bench.run(25)
    assert usable(bench.desk(), "gw-east") is None and not bench.alarm("unit_clock_off-gw-east").condition


def test_requests_carry_the_offset_of_the_unit_that_has_the_valve() -> None:
    bench = corekit.ready()
    bench.units["gw-east"], bench.units["gw-plant"] = 4.0, -6.0
    bench.run(12)
    bench.cell["line-1"] = (20.9, 0.04)
    bench.command("seal", "e1")
    bench.run(300)
    assert {round(one.clock_offset_s, 2) for one in bench.requests("e1")} == {4.0}


# ------------------------------------------------------------------------------------------------ epochs


@pytest.mark.parametrize("seen", [1, 41])
def test_the_epoch_is_raised_above_what_hardware_has_seen_before_it_is_first_used(seen: int) -> None:
    bench = corekit.Bench()
    bench.epoch_seen = seen
    bench.start(epoch=1).run(150)
    used = {one.epoch for one in bench.effects(PermitRoom) if one.dosing_permitted or one.air_permitted}
    assert used == {seen + 1}
    bench.command("seal", "e1")
    bench.run(300)
    requests = bench.effects(RequestDose)
    assert requests and {one.epoch for one in requests} == {seen + 1}
    assert all(one.request_id.startswith(f"{seen + 1}-") for one in requests)


def test_our_own_epoch_seen_again_is_nobody_else_s() -> None:
    bench = corekit.ready()
    bench.epoch_seen = epoch = bench.core.state.epoch
    bench.run(60)
    assert bench.core.state.epoch == epoch
    assert bench.alarm("epoch_overtaken-site") is None and bench.core.state.rooms["east"].dosing_permitted


def test_a_higher_epoch_after_first_use_is_another_supervisor() -> None:
    bench = corekit.sealed()
    bench.run(300, until=lambda: bool(bench.requests()))
    epoch = bench.core.state.epoch
    bench.epoch_seen = epoch + 5
    bench.run(11)
    told = bench.alarm("epoch_overtaken-site")
    assert told.condition and told.priority == "critical" and f"has seen epoch {epoch + 5}, ours is {epoch}" in told.text
    overtaken_s = bench.mono_s
    assert not bench.permits()[-1][1].dosing_permitted and not bench.permits()[-1][1].air_permitted
    bench.run(600)
    assert bench.core.state.epoch == epoch, "an epoch is not climbed over in the middle of a run"
    assert bench.effects(RequestDose, overtaken_s) == []
    assert not any(one.dosing_permitted or one.air_permitted for one in bench.effects(PermitRoom, overtaken_s))


def test_a_restart_after_being_overtaken_starts_above() -> None:
    bench = corekit.ready()
    bench.epoch_seen = 50
    bench.run(11)
    assert bench.alarm("epoch_overtaken-site").condition
    bench.start(epoch=2)
    again_s = bench.mono_s
    bench.run(150)
    assert not bench.alarm("epoch_overtaken-site").condition
    used = {one.epoch for one in bench.effects(PermitRoom, again_s) if one.dosing_permitted}
    assert used == {51}


def test_an_epoch_never_goes_down() -> None:
    bench = corekit.ready()
    before = bench.core.state.epoch
    bench.step(Started(bench.now, 0, "an old clock"))
    bench.step(LinkChanged(bench.now, True))
    assert bench.core.state.epoch > before
