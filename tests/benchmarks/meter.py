"""How much gas really passed the valves of a simulated plant, by the final reports that the valves give of each request."""

from collections import defaultdict
from typing import Any

from tests.inprocess import InProcess

FINAL = ("delivered", "refused", "aborted")


class Meter:
    """`given_nl` by enclosure and gas, normal litres."""

    def __init__(self) -> None:
        self.given_nl: dict[tuple[str, str], float] = defaultdict(float)
        self._counted: set[str] = set()

    def see(self, topic: str, body: dict[str, Any]) -> None:
        """Every message that the plant sends; others than dose reports change nothing."""
        levels = topic.split("/")
        if levels[0] != "dosing" or levels[-1] != "report" or body["outcome"] not in FINAL:
            return
        key = f"{topic} {body['request_id']}"
        if key not in self._counted:
            self._counted.add(key)
            self.given_nl[levels[1], levels[2]] += body["delivered_nl"]

    def total_nl(self, gas: str) -> float:
        return sum(nl for (_, one), nl in self.given_nl.items() if one == gas)


class Metered(InProcess):
    """Engine and plant coupled, with a meter on what the plant says."""

    def __init__(self, *args: Any, **options: Any) -> None:
        self.meter = Meter()
        super().__init__(*args, **options)
        take = self.plant.take

        def metered() -> list[tuple[str, dict[str, Any], bool]]:
            said = take()
            for topic, body, _ in said:
                self.meter.see(topic, body)
            return said

        self.plant.take = metered  # type: ignore[method-assign]
