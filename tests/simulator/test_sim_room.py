"""Room air against dilution figures. [D]: one-zone dilution computed from the stated inputs."""

import pytest
from sim_plants import SPARSE, STILL, ready, small, small_site

from simulator.assumed import AIR_O2_PCT
from simulator.faults import Fault
from simulator.room import Room


def closed(volume_m3: float = 60.0, ventilation_m3_h: float = 0.0) -> Room:
    return Room(volume_m3, ventilation_m3_h, 0.0, fresh_o2_pct=20.95, fresh_co2_pct=0.04)


def nl_min(m3_h: float) -> float:
    return m3_h * 1000.0 / 60.0


@pytest.mark.parametrize(("nitrogen_m3_h", "minutes", "o2_pct"), [(10, 25.8, 19.5), (10, 54.6, 18.0), (3, 86.1, 19.5)])
def test_nitrogen_into_a_closed_room(nitrogen_m3_h: float, minutes: float, o2_pct: float) -> None:
    room = closed()
    room.release = (nl_min(nitrogen_m3_h), 0.0, 0.0)
    room.advance(minutes * 60.0)
    assert room.o2_pct == pytest.approx(o2_pct, abs=5e-3)


@pytest.mark.parametrize(("minutes", "co2_pct"), [(16.6, 0.5), (53.0, 1.5), (108.0, 3.0), (145.5, 4.0)])
def test_co2_into_a_closed_room(minutes: float, co2_pct: float) -> None:
    # 1 m3/h into 60 m3 [D].
    room = closed()
    room.release = (nl_min(1.0), 0.0, nl_min(1.0))
    room.advance(minutes * 60.0)
    assert room.co2_pct == pytest.approx(co2_pct, abs=6e-3)


def test_a_pure_co2_leak_passes_the_dangerous_four_percent_before_oxygen_tells() -> None:
    # At 4 % CO2 oxygen is still 20.11; 19.5 % O2 corresponds to 6.92 % CO2 [D], from air without CO2.
    room = closed()
    room.co2_pct = 0.0
    room.release = (nl_min(1.0), 0.0, nl_min(1.0))
    while room.co2_pct < 4.0:
        room.advance(room.time_s + 1.0)
    assert room.o2_pct == pytest.approx(20.11, abs=5e-3)
    while room.o2_pct > 19.5:
        room.advance(room.time_s + 1.0)
    assert room.co2_pct == pytest.approx(6.92, abs=5e-3)


@pytest.mark.parametrize(("volumes", "o2_pct", "co2_pct"), [(2.516, 19.5, 1.49), (3.665, 20.49, 0.5), (4.449, 20.74, 0.25)])
def test_a_room_is_aired_by_fresh_air(volumes: float, o2_pct: float, co2_pct: float) -> None:
    room = closed(60.0, 60.0)
    room.o2_pct, room.co2_pct = 3.0, 18.0
    room.advance(volumes * 3600.0)
    assert (room.o2_pct, room.co2_pct) == pytest.approx((o2_pct, co2_pct), abs=6e-3)


def test_a_ventilated_room_comes_to_rest() -> None:
    # O2 = 20.95 Q/(Q + q): 19.5 % with Q 75 m3/h and q 5.58 m3/h of nitrogen [D].
    room = closed(150.0, 75.0)
    room.release = (nl_min(5.58), 0.0, 0.0)
    room.advance(40.0 * 3600.0)
    assert room.o2_pct == pytest.approx(19.5, abs=2e-3)


def test_an_opened_bag_spills_into_its_room() -> None:
    # One bag of 1.2 m3 at 3/18 into a closed 60 m3: O2 20.59, CO2 0.40 [D].
    hand = small()
    bag = hand.plant.enclosures["a"]
    bag.o2_pct, bag.co2_pct = 3.0, 18.0
    hand.plant.open_bag("a")
    hand.go(10.0)
    room = hand.plant.rooms["r"]
    assert (room.o2_pct, room.co2_pct) == pytest.approx((20.59, 0.40), abs=6e-3)
    assert hand.plant.gas("a") == pytest.approx((room.o2_pct, room.co2_pct), abs=1e-3)
    assert hand.last("enclosure/a/closure")["open"] is True


def test_what_a_purge_pushes_out_reaches_the_room_and_its_sensors() -> None:
    hand = small(site=small_site(room_m3=20.0))
    hand.permit()
    hand.ask("x", volume_nl=49.0, lease_s=59.0)
    hand.go(70.0)
    hand.permit()
    hand.ask("y", volume_nl=49.0, lease_s=59.0)
    hand.go(70.0)
    bag, room = hand.plant.enclosures["a"], hand.plant.rooms["r"]
    # 60 nl fill the bag, 38 nl leave it with less oxygen than the room has.
    assert bag.fill_pct == pytest.approx(105.0)
    assert room.o2_pct < AIR_O2_PCT - 1e-3
    o2_nl = bag.amount_nl * bag.o2_pct / 100.0 + 20_000.0 * room.o2_pct / 100.0
    # What the full room lets out in turn is room air, all but.
    assert o2_nl == pytest.approx((1200.0 + 20_000.0 - 38.0) * AIR_O2_PCT / 100.0 + 98.0 * 0.005, abs=0.02)
    assert hand.last("room/r/air/door")["o2_pct"] == pytest.approx(room.o2_pct, abs=1e-3)


def test_while_gas_flows_the_room_feels_it_with_every_reading() -> None:
    hand = ready()
    hand.ask("x", volume_nl=100.0)
    hand.hold(90.0)
    seen = []
    for _ in range(4):
        hand.hold(5.0)
        seen.append(hand.plant.rooms["r"].o2_pct)
    assert seen == sorted(set(seen), reverse=True)


def test_the_same_release_through_the_whole_plant() -> None:
    # 10 m3/h of nitrogen: 19.5 % after 25.8 min from 20.95, here from 20.946.
    hand = small(faults=[Fault("nitrogen_release", "r", 0.0, size=nl_min(10.0))])
    hand.to(25.8 * 60.0)
    assert hand.last("room/r/air/floor")["o2_pct"] == pytest.approx(19.5, abs=0.02)


def test_fruit_in_an_open_bag_breathes_in_the_room() -> None:
    hand = small(site=small_site(fruit_kg=600.0), cadence=SPARSE)
    for enclosure in ("a", "b"):
        hand.plant.open_bag(enclosure)
    hand.to(86_400.0)
    room = hand.plant.rooms["r"]
    # 1200 kg at 3.87 nml/kg/h: 111 nl a day in 60 m3, a little less as oxygen falls.
    assert room.o2_pct == pytest.approx(AIR_O2_PCT - 100.0 * 111.4 / 60_000.0, abs=2e-3)
    assert room.o2_pct + room.co2_pct == pytest.approx(20.988, abs=1e-3)
    assert hand.plant.gas("b") == pytest.approx((room.o2_pct, room.co2_pct), abs=1e-3)


def test_two_sensors_with_noise_of_their_own() -> None:
    hand = small(assumptions=None)
    hand.to(3600.0)
    door = [one["o2_pct"] for one in hand.on("room/r/air/door")]
    floor = [one["o2_pct"] for one in hand.on("room/r/air/floor")]
    assert len(door) == len(floor) == 721 and door != floor
    assert max(abs(one - AIR_O2_PCT) for one in door + floor) < 0.12
    assert [one["seq"] for one in hand.on("room/r/air/door")] == list(range(1, 722))
    assert STILL.room_o2_noise_pct == 0.0
