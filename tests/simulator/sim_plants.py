"""A small plant for tests, and hands to drive it: one room, two enclosures, every kind of source, one analyser."""

import json
from typing import Any

from simulator.assumed import Assumptions, Cadence
from simulator.crew import Schedule
from simulator.site import Plant
from simulator.stamp import to_text

# Nothing random, nothing that drifts by itself: what a test sees is what it did.
STILL = Assumptions(
    leak_per_day_min=0.0,
    leak_per_day_max=0.0,
    o2_noise_pct=0.0,
    co2_noise_pct=0.0,
    room_o2_noise_pct=0.0,
    room_co2_noise_pct=0.0,
    co2_dissolves=False,
    cycle_k=0.0,
    barometer_swing_pa=0.0,
)
IDLE = Schedule()
# For days on end.
SPARSE = Cadence(status_s=600, reading_s=60, air_s=60, climate_s=600, pulp_s=600, bag_s=600, flow_s=600, source_s=600)


def small_site(*, fruit_kg: float = 0.0, ventilation_m3_h: float = 0.0, room_m3: float = 60.0) -> dict[str, Any]:
    """Enclosures `a` and `b` of 1200 nl in room `r`, each with nitrogen, CO2 and air."""
    pipes = {"nitrogen": "generator", "co2": "bank", "air": "blower"}
    flows = {"nitrogen": 50.0, "co2": 20.0, "air": 60.0}
    one = {
        "room": "r",
        "unit": "u",
        "recipe": "x",
        "free_volume_nl": 1200,
        "fruit_kg": fruit_kg,
        "sources": pipes,
        "flow_nl_min_max": flows,
    }
    return {
        "site": {"id": "small"},
        "recipe": [{"id": "x", "crop": "blueberry"}],
        "room": [
            {
                "id": "r",
                "volume_m3": room_m3,
                "ventilation_m3_h": ventilation_m3_h,
                "sensor": [{"id": "door", "unit": "u"}, {"id": "floor", "unit": "u2"}],
            }
        ],
        "source": [
            {"id": "generator", "gas": "nitrogen", "unit": "p", "capacity_nl_min": 80, "o2_pct": 0.5},
            {"id": "bank", "gas": "co2", "unit": "p", "capacity_nl_min": 60, "stock_kg": 0.1},
            {"id": "blower", "gas": "air", "unit": "p", "capacity_nl_min": 400},
        ],
        "analyser": [
            {
                "id": "an",
                "unit": "p",
                "idle_line": "idle",
                "sample_flow_nl_min": 1.0,
                "lines": [
                    {"id": "la", "transport_s": 30.2, "settling_s": 61.2},
                    {"id": "lb", "transport_s": 20, "settling_s": 61.2},
                    {"id": "span", "transport_s": 5, "settling_s": 61.2, "gas": "mix"},
                    {"id": "lr", "transport_s": 5, "settling_s": 61.2, "room": "r"},
                ],
            }
        ],
        "calibration_gas": [{"id": "mix", "o2_pct": 5.0, "co2_pct": 10.0}],
        "enclosure": [{**one, "id": "a", "line": "la"}, {**one, "id": "b", "line": "lb"}],
    }


class Hand:
    """Drives a plant as a supervisor would, and keeps everything that was said in `said`."""

    def __init__(self, plant: Plant) -> None:
        self.plant, self.start_s = plant, plant.now_s
        self.said: list[tuple[str, dict[str, Any], bool]] = []
        self.go(0.0)

    def go(self, seconds: float) -> None:
        """Let so much simulated time pass."""
        self.plant.advance(self.plant.now_s + seconds)
        self.said += self.plant.take()

    def to(self, elapsed_s: float) -> None:
        """Let time pass until so long after the start."""
        self.plant.advance(self.start_s + elapsed_s)
        self.said += self.plant.take()

    def hold(self, seconds: float) -> None:
        """Let time pass with the room's permit renewed."""
        end_s = self.plant.now_s + seconds
        while end_s - self.plant.now_s >= 5e-4:
            self.permit()
            self.go(min(30.0, end_s - self.plant.now_s))

    def at(self, seconds: float) -> str:
        """An instant so far from now, as it goes on the wire."""
        return to_text(round((self.plant.now_s + seconds) * 1000))

    def give(self, topic: str, retained: bool = False, **body: Any) -> None:
        self.plant.deliver(topic, json.dumps(body), retained)
        self.said += self.plant.take()

    def permit(
        self,
        seconds: float = 60.0,
        *,
        dosing: bool = True,
        air: bool = True,
        epoch: int = 1,
        retained: bool = False,
        room: str = "r",
    ) -> None:
        self.give(
            f"room/{room}/permit",
            retained,
            dosing_permitted=dosing,
            air_permitted=air,
            epoch=epoch,
            valid_until=self.at(seconds),
        )

    def ask(
        self,
        request_id: str,
        valve: str = "a/nitrogen",
        volume_nl: float = 25.0,
        *,
        flow: float = 50.0,
        lease_s: float = 120.0,
        epoch: int = 1,
        retained: bool = False,
        **more: Any,
    ) -> None:
        self.give(
            f"dosing/{valve}/request",
            retained,
            request_id=request_id,
            epoch=epoch,
            volume_nl=volume_nl,
            max_flow_nl_min=flow,
            valid_until=self.at(lease_s),
            reason="test",
            **more,
        )

    def stop(self, request_id: str | None, valve: str = "a/nitrogen", *, epoch: int = 1, retained: bool = False) -> None:
        self.give(f"dosing/{valve}/stop", retained, request_id=request_id, epoch=epoch, reason="test")

    def select(self, line: str, seconds: float = 300.0, *, retained: bool = False) -> None:
        self.give("sampling/an/select", retained, request_id="s", line=line, valid_until=self.at(seconds))

    def on(self, topic: str) -> list[dict[str, Any]]:
        """Everything said on a topic."""
        return [payload for said, payload, _ in self.said if said == topic]

    def reports(self, request_id: str, valve: str = "a/nitrogen") -> list[tuple[str, float, str | None]]:
        """What was said about a request: (outcome, delivered nl, code)."""
        return [
            (one["outcome"], one["delivered_nl"], one.get("code"))
            for one in self.on(f"dosing/{valve}/report")
            if one["request_id"] == request_id
        ]

    def last(self, topic: str) -> dict[str, Any]:
        return self.on(topic)[-1]


def small(**how: Any) -> Hand:
    """A hand on a small, still plant whose bags are sealed."""
    site = how.pop("site", None) or small_site()
    how.setdefault("crew", IDLE)
    how.setdefault("assumptions", STILL)
    hand = Hand(Plant(site, 1, **how))
    for enclosure in hand.plant.enclosures:
        hand.plant.close_bag(enclosure)
    hand.said += hand.plant.take()
    return hand


def ready(**how: Any) -> Hand:
    """The same with a permit given."""
    hand = small(**how)
    hand.permit()
    return hand
