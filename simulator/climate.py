"""The temperature of a room's air, and the barometer: what refrigeration, its cycles and the weather make of them.

The air follows what refrigeration holds, or the outside where it is off, by a first-order law; on top of that lies the cycle of
the refrigeration as a triangle. The barometer is two slow sines with their own phases. All assumed, see `assumed.py`.
"""

import math
import random

from .assumed import STANDARD_PA, Assumptions

BAROMETER_PERIODS_S = (3.7 * 86_400.0, 1.3 * 86_400.0)
BAROMETER_SHARES = (0.75, 0.25)


class Barometer:
    """Air pressure at the site."""

    def __init__(self, swing_pa: float, chance: random.Random) -> None:
        self._swing_pa = swing_pa
        self._phases = [chance.uniform(0.0, 2.0 * math.pi) for _ in BAROMETER_PERIODS_S]

    def pa(self, elapsed_s: float) -> float:
        waves = zip(BAROMETER_SHARES, BAROMETER_PERIODS_S, self._phases, strict=True)
        return STANDARD_PA + self._swing_pa * sum(
            share * math.sin(2.0 * math.pi * elapsed_s / period_s + phase) for share, period_s, phase in waves
        )


class Climate:
    """One room's air. `mean_c` is without the cycle, and is what fruit follows."""

    def __init__(self, assumed: Assumptions, chance: random.Random) -> None:
        self._assumed, self._phase = assumed, chance.random()
        self.mean_c = assumed.room_c
        self._time_s = 0.0
        self._cooled = True

    def advance(self, to_s: float, *, cooled: bool) -> None:
        """Bring the air to an instant, refrigeration having been on until now as it was last said; then it is on or off."""
        assumed = self._assumed
        target_c, hours = (assumed.room_c, assumed.cools_h) if self._cooled else (assumed.outside_c, assumed.warms_h)
        self.mean_c = follow(self.mean_c, target_c, to_s - self._time_s, hours)
        self._time_s, self._cooled = to_s, cooled

    @property
    def air_c(self) -> float:
        """As a thermometer in the room has it now."""
        if not self._cooled:
            return self.mean_c
        turn = (self._time_s / self._assumed.cycle_s + self._phase) % 1.0
        return self.mean_c + self._assumed.cycle_k * (4.0 * abs(turn - 0.5) - 1.0)


def follow(here_c: float, there_c: float, seconds: float, hours: float) -> float:
    """First order: after so many hours 1/e of the difference is left."""
    return there_c + (here_c - there_c) * math.exp(-seconds / 3600.0 / hours) if here_c != there_c else here_c
