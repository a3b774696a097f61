"""May people go in, and may gas be given? Both gases, every sensor, and what is not known is forbidden.

Limits: 29 CFR 1910.146(b) for oxygen (19.5 and 23.5 %), 29 CFR 1910.1000 Table Z-1 for CO2 (0.5 %), NIOSH for the
immediately dangerous 4 % CO2. The bench's site calls 18 % oxygen and 1.5 % CO2 (UK EH40) dangerous.
"""

import corekit
import pytest
from corekit import FRESH, at, status, told

from supervisor.core.balance import AIR, CO2, Mixture, sweep_volume_nl, swept
from supervisor.values import LinkChanged, Started

CLEAR_AFTER_S = 60 + 1  # the site's clear_after_s and one tick
AIR_AGE_S_MAX = 30


# ------------------------------------------------------------------------------------------------ status by both gases


@pytest.mark.parametrize(
    ("air", "expected"),
    [
        ((20.9, 0.04), "clear"), ((19.5, 0.04), "clear"), ((19.49, 0.04), "forbidden"), ((23.5, 0.04), "clear"),
        ((23.51, 0.04), "forbidden"), ((20.9, 0.5), "clear"), ((20.9, 0.51), "forbidden"), ((20.9, 1.51), "forbidden"),
        ((17.9, 0.04), "forbidden"), ((20.9, -0.05), "clear"), ((20.9, -1.0), "forbidden"), ((100.0, 0.0), "forbidden"),
    ],
)  # fmt: skip
@pytest.mark.parametrize("sensor", ["door", "floor"])
def test_the_worst_sensor_and_the_worse_gas_decide(sensor: str, air: tuple[float, float], expected: str) -> None:
    bench = corekit.ready()
    # The other sensor reads much the same, within the limits: sensors that differ widely are another matter.
    bench.air["east", "door"] = bench.air["east", "floor"] = (min(max(air[0], 19.6), 23.4), min(max(air[1], 0.0), 0.4))
    assert told(bench, **{sensor: air}) == expected
    assert bench.entry().status == expected
    assert bool(bench.entry().reasons) == (expected != "clear")
    assert status(bench, "west") == "clear", "the other room has nothing to do with it"


def test_words_say_which_sensor_reads_what_against_which_limit() -> None:
    bench = corekit.ready()
    told(bench, door=(19.0, 0.9))
    for text in (bench.alarm("room_air_unsafe-east").text, "; ".join(bench.bodies(corekit.RoomEntry, "east")[-2].reasons)):
        assert "oxygen 19.00 % at door, at least 19.5 %" in text and "CO2 0.90 % at door, at most 0.5 %" in text
    # what has to be reached again to end it is a little better
    assert "oxygen 19.00 % at door, at least 19.6 %" in bench.entry().reasons
    told(bench, door="fault")
    assert bench.entry().reasons == ["sensor door says fault"]
    del bench.air["east", "door"]
    bench.run(40)
    assert any("sensor door silent for" in reason and "at most 30 s" in reason for reason in bench.entry().reasons)


@pytest.mark.parametrize(("air_changes", "o2_pct", "co2_pct", "expected"), [
    (2.516, 19.5, 1.49, "forbidden"), (3.665, 20.49, 0.5, "clear"), (4.449, 20.74, 0.25, "clear"),
])  # fmt: skip
def test_air_that_is_good_by_oxygen_alone_is_forbidden(
    air_changes: float, o2_pct: float, co2_pct: float, expected: str
) -> None:
    """One-zone dilution from 3 % O2 and 18 % CO2, computed: at 19.5 % oxygen CO2 still stands at 1.49 %."""
    after = swept(Mixture(3.0, 18.0), AIR, air_changes, 1.0)
    assert after.o2_pct == pytest.approx(o2_pct, abs=0.005) and after.co2_pct == pytest.approx(co2_pct, abs=0.005)
    bench = corekit.ready()
    rounded_down = (round(after.o2_pct, 2), int(after.co2_pct * 1000) / 1000)
    assert told(bench, door=rounded_down, floor=rounded_down) == expected


def test_a_pure_co2_leak_is_forbidden_long_before_oxygen_shows_it() -> None:
    # Computed: at NIOSH's 4 % oxygen still reads 20.11 %, and 19.5 % oxygen means 6.92 % CO2.
    without_co2 = Mixture(20.95, 0.0)
    at_4 = swept(without_co2, CO2, sweep_volume_nl(0.0, 100.0, 4.0, 1.0), 1.0)
    assert at_4.o2_pct == pytest.approx(20.11, abs=0.005)
    bench = corekit.ready()
    assert told(bench, floor=(round(at_4.o2_pct, 2), 4.0)) == "forbidden"
    assert bench.alarm("room_air_dangerous-east").condition and bench.sounder()
    at_half = swept(without_co2, CO2, sweep_volume_nl(0.0, 100.0, 0.51, 1.0), 1.0)
    bench = corekit.ready()
    assert at_half.o2_pct > 20.8 and told(bench, floor=(at_half.o2_pct, 0.51)) == "forbidden"


# ------------------------------------------------------------------------------------------------ unknown is forbidden


@pytest.mark.parametrize("words", ["fault", "warming_up", "calibrating"])
def test_a_sensor_that_is_not_well_knows_nothing(words: str) -> None:
    bench = corekit.ready()
    assert told(bench, floor=words) == "forbidden"
    assert bench.alarm("room_air_unknown-east").condition


def test_a_silent_sensor_is_lost_when_its_age_passes_the_limit() -> None:
    bench = corekit.ready()
    del bench.air["east", "floor"]
    bench.run(100, until=lambda: status(bench) == "forbidden")
    heard_s = bench.core.state.rooms["east"].sensors["floor"].heard_mono_s
    assert AIR_AGE_S_MAX < bench.mono_s - heard_s <= AIR_AGE_S_MAX + 1
    assert bench.alarm("room_air_unknown-east").condition


def test_a_sensor_that_was_never_heard_forbids() -> None:
    bench = corekit.Bench()
    del bench.air["east", "floor"]
    bench.start().run(200)
    assert status(bench) == "forbidden" and status(bench, "west") == "clear"


def test_bad_news_is_judged_by_the_next_tick_however_soon_it_comes() -> None:
    """Everything is looked at once a second; what has news, at once."""
    bench = corekit.ready()
    bench.go(0.1)
    bench.say_air("east", "floor", 20.9, 0.9)
    bench.tick()
    assert status(bench) == "forbidden" and bench.bodies(corekit.RoomEntry, "east")[-1].status == "forbidden"
    assert not bench.core.state.rooms["east"].dosing_permitted
    assert [one.level for one in bench.said("room_status") if one.figures["room"] == "east"] == ["info", "warning"]


def test_a_repeated_number_is_no_news() -> None:
    bench = corekit.ready()
    del bench.air["east", "floor"]
    seq = bench.seq["east/floor"]
    for _ in range(8):
        bench.run(5)
        bench.say_air("east", "floor", seq=seq)
    bench.tick()
    assert status(bench) == "forbidden"


def test_a_latecomer_neither_refreshes_nor_outvotes_a_newer_word() -> None:
    bench = corekit.ready()
    assert told(bench, floor=(18.5, 0.04)) == "forbidden"
    del bench.air["east", "floor"]
    old = at(bench.wall_s - 20.0)
    bench.say_air("east", "floor", *FRESH, observed_at=old)
    bench.run(3)
    assert bench.core.state.rooms["east"].sensors["floor"].o2_pct == 18.5


def test_bad_news_counts_even_when_it_comes_late() -> None:
    bench = corekit.ready()
    bench.say_air("east", "floor", status="fault", observed_at=at(bench.wall_s - 20.0))
    bench.go(1.0)
    bench.tick()
    assert status(bench) == "forbidden"


def test_a_word_that_waited_in_the_broker_is_as_old_as_it_is() -> None:
    bench = corekit.ready()
    del bench.air["east", "floor"]
    bench.run(40)
    assert status(bench) == "forbidden"
    for ago_s in (38.0, 35.0, 32.0):
        bench.say_air("east", "floor", *FRESH, observed_at=at(bench.wall_s - ago_s))
    bench.run(2)
    assert any("floor silent" in reason for reason in bench.entry().reasons)


@pytest.mark.parametrize("what", ["silent", "offline", "clock"])
def test_a_sensor_is_worth_what_its_unit_is(what: str) -> None:
    bench = corekit.ready()
    if what == "silent":
        del bench.units["gw-east"]
        bench.run(50)
    elif what == "offline":
        bench.say_unit("gw-east", online=False)
        bench.run(2)
    else:
        bench.units["gw-east"] = 14.0
        bench.run(12)
    assert status(bench) == "forbidden" and status(bench, "west") == "clear"


def test_a_jump_of_the_clock_makes_everything_unknown() -> None:
    bench = corekit.ready()
    bench.wall_s += 3600.0
    bench.go(1.0)
    bench.tick()
    assert status(bench) == "forbidden"
    assert [one.dosing_permitted for _, one in bench.permits()][-1] is False


def test_after_a_start_nothing_is_known() -> None:
    bench = corekit.ready()
    bench.step(Started(bench.now, 2, "again"))
    bench.step(LinkChanged(bench.now, True))
    assert bench.entry().status == "forbidden"
    bench.tick()
    assert status(bench) == "forbidden" and not bench.core.state.rooms["east"].dosing_permitted


# ------------------------------------------------------------------------------------------------ becoming clear again


def test_clear_only_after_the_air_was_good_for_long_enough() -> None:
    bench = corekit.Bench().start()
    bench.run(200, until=lambda: bench.core.state.rooms["east"].good_since_mono_s is not None)
    good_since_s = bench.mono_s
    bench.run(200, until=lambda: status(bench) == "clear")
    assert bench.mono_s - good_since_s == CLEAR_AFTER_S


def test_one_bad_word_starts_the_wait_anew() -> None:
    bench = corekit.ready()
    told(bench, 6, floor="fault")
    bench.air["east", "floor"] = FRESH
    bench.run(CLEAR_AFTER_S - 10)
    assert status(bench) == "forbidden" and "air good for 61 s is needed" in bench.entry().reasons[0]
    told(bench, 6, floor="fault")
    bench.air["east", "floor"] = FRESH
    bench.run(CLEAR_AFTER_S - 10)
    assert status(bench) == "forbidden"
    bench.run(20)
    assert status(bench) == "clear"


@pytest.mark.parametrize(("air", "row"), [((19.0, 0.04), "room_air_unsafe"), ((20.9, 2.0), "room_air_dangerous")])
def test_after_bad_air_a_person_must_say_so(air: tuple[float, float], row: str) -> None:
    bench = corekit.ready()
    told(bench, door=air)
    told(bench, 600, door=FRESH)
    assert status(bench) == "restricted" and f"alarm {row} waits for a named person" in bench.entry().reasons
    assert not bench.core.state.rooms["east"].dosing_permitted
    for name in ("room_air_dangerous-east", "room_air_unsafe-east"):
        if bench.alarm(name) is not None:
            occurrence = bench.alarm(name).occurrence
            assert bench.command("acknowledge", name, occurrence=occurrence).accepted
            bench.run(2)
            assert status(bench) == "restricted", "seen is not yet reset"
            assert bench.command("acknowledge", name, occurrence=occurrence).accepted
    bench.run(2)
    assert status(bench) == "clear" and bench.core.state.rooms["east"].dosing_permitted


def test_seeing_it_while_it_lasts_does_not_end_it() -> None:
    bench = corekit.ready()
    told(bench, door=(19.0, 0.04))
    assert bench.command("acknowledge", "room_air_unsafe-east", occurrence=1).accepted
    assert told(bench, 600, door=FRESH) == "restricted"


def test_the_alarm_does_not_flutter_at_its_limit() -> None:
    """A tenth of a percent better than the limit is needed on the way back (ours, no source)."""
    bench = corekit.ready()
    for _ in range(5):
        told(bench, door=(19.49, 0.04), floor=(19.8, 0.04))
        told(bench, door=(19.52, 0.04))
    assert bench.alarm("room_air_unsafe-east").occurrence == 1 and bench.alarm("room_air_unsafe-east").condition
    told(bench, door=(19.65, 0.04))
    assert not bench.alarm("room_air_unsafe-east").condition


def test_the_sounder_sounds_until_a_person_ends_the_alarm_and_no_longer() -> None:
    bench = corekit.ready()
    assert not bench.sounder()
    told(bench, door=(17.0, 0.04))
    assert bench.sounder()
    told(bench, 10, door=FRESH)
    assert bench.sounder()
    for sounding in (True, False):
        assert bench.command("acknowledge", "room_air_dangerous-east", occurrence=1).accepted
        bench.run(2)
        assert bench.sounder() == sounding


def test_time_that_starts_at_nothing_counts_like_any_other() -> None:
    """The monotonic clock may begin at 0: that instant is not "never"."""
    bench = corekit.Bench()
    bench.mono_s = -20.0
    bench.start()
    bench.run(200, until=lambda: bench.core.state.rooms["east"].status == "clear")
    assert bench.core.state.rooms["east"].status == "clear"
