"""What the hardware says on a beat of its own accord: room air, climate, bags, pulp temperature.

The beats of one kind are spread over their period, so that messages come evenly and not in bursts.
"""

from collections.abc import Callable, Sequence

from .sitefile import EnclosureSpec, RoomSpec
from .yard import Yard

# An enclosure without gas flowing is brought up to date at least this often for its room's sake.
QUIET_S = 60.0

Tell = Callable[[], None]


def spread(yard: Yard, period_s: float, acts: Sequence[Tell]) -> None:
    """Do each of these every period, from now on, one after another within it."""
    period_ms = round(period_s * 1000)
    for i, act in enumerate(acts):
        yard.scheduler.every(yard.scheduler.now_ms + i * period_ms // len(acts), period_ms, act)


def air_teller(yard: Yard, spec: RoomSpec) -> Tell:
    """`room/<room>/air/<sensor>` of every sensor of a room; also what moves the room's air on."""
    room, assumed, faults, seq = yard.rooms[spec.id], yard.assumed, yard.faults, 0
    inside = [(one.id, yard.enclosures[one.id]) for one in yard.spec.enclosures if one.room == spec.id]
    sensors = [
        (
            f"{spec.id}/{one.id}",
            f"room/{spec.id}/air/{one.id}",
            yard.units[one.unit],
            yard.chance(f"air/{spec.id}/{one.id}").gauss,
        )
        for one in spec.sensors
    ]

    last: dict[str, tuple[float, float]] = {}

    def tell() -> None:
        nonlocal seq
        seq += 1
        now_s = yard.elapsed_s()
        for enclosure_id, enclosure in inside:
            if enclosure.inflow_nl_min > 0.0 or now_s - enclosure.time_s >= QUIET_S:
                yard.bring(enclosure_id)
        room.advance(now_s)
        for name, topic, unit, gauss in sensors:
            # Drawn whether it is sent or not: a silent sensor changes no later value.
            o2_pct = room.o2_pct + gauss(0.0, assumed.room_o2_noise_pct)
            co2_pct = max(0.0, room.co2_pct + gauss(0.0, assumed.room_co2_noise_pct))
            if (off_pct := faults.size("sensor_off", name)) is not None:
                o2_pct, co2_pct = o2_pct + off_pct, max(0.0, co2_pct + off_pct)
            if (a_day_pct := faults.size("sensor_drift", name)) is not None:
                o2_pct += a_day_pct * faults.lasted_s("sensor_drift", name) / 86_400.0
            if (share := faults.size("sensor_poisoned", name)) is not None:
                co2_pct *= share
            if faults.stands("sensor_flat", name):
                o2_pct, co2_pct = last.get(name, (o2_pct, co2_pct))
            last[name] = (o2_pct, co2_pct)
            if not faults.stands("sensor_silent", name):
                unit.send(
                    topic,
                    {
                        "observed_at": unit.stamp(),
                        "seq": seq,
                        "o2_pct": round(o2_pct, 3),
                        "co2_pct": round(co2_pct, 4),
                        "status": "fault" if faults.stands("sensor_fault", name) else "ok",
                    },
                )

    return tell


def climate_teller(yard: Yard, spec: RoomSpec) -> Tell:
    """`room/<room>/climate` and its `door`; also what moves the room's temperature on."""
    unit = yard.units[spec.sensors[0].unit if spec.sensors else yard.spec.units[0]]
    gauss, topic, assumed = yard.chance(f"climate/{spec.id}").gauss, f"room/{spec.id}/climate", yard.assumed

    def tell() -> None:
        yard.weather(spec.id)
        off = yard.faults.stands("ventilation_off", spec.id)
        unit.send(
            topic,
            {
                "observed_at": unit.stamp(),
                "temperature_c": round(yard.climates[spec.id].air_c + gauss(0.0, 0.1), 2),
                "rh_pct": round(min(100.0, assumed.room_rh_pct + gauss(0.0, 0.5)), 1),
                "barometer_pa": round(yard.barometer_pa(), 1),
                "ventilation_m3_h": 0.0 if off else spec.ventilation_m3_h,
            },
        )
        yard.tell_door(spec.id)

    return tell


def bag_teller(yard: Yard, spec: EnclosureSpec) -> Tell:
    """`enclosure/<enclosure>/bag` and its `closure`. Pressure rises to the relief's as the bag fills: assumed."""
    unit, topic, assumed = yard.units[spec.unit], f"enclosure/{spec.id}/bag", yard.assumed
    slack_pct = 100.0 * (assumed.relief_fill - 1.0)

    def tell() -> None:
        fill_pct = yard.bring(spec.id).fill_pct
        pressure_pa = assumed.relief_pa * (fill_pct - 100.0) / slack_pct if slack_pct else 0.0
        unit.send(topic, {"observed_at": unit.stamp(), "pressure_pa": round(pressure_pa, 1), "fill_pct": round(fill_pct, 2)})
        yard.tell_closure(spec.id)

    return tell


def pulp_teller(yard: Yard, spec: EnclosureSpec) -> Tell:
    """`enclosure/<enclosure>/pulp`."""
    fruit, unit, topic = yard.enclosures[spec.id].fruit, yard.units[spec.unit], f"enclosure/{spec.id}/pulp"
    gauss = yard.chance(f"pulp/{spec.id}").gauss

    def tell() -> None:
        unit.send(topic, {"observed_at": unit.stamp(), "temperature_c": round(fruit.temperature_c + gauss(0.0, 0.05), 2)})

    return tell
