"""The gas of one enclosure: a well-mixed flexible bag with relief, a leak, fruit, and gas piped in.

For the content c of a gas while the bag holds n and gas flows in at F_g of a total F (fruit and dissolving counted as
inflows of either sign), n dc/dt = F_g - c F; what leaves as mixture changes n alone. With constant flows n is linear
in time and, in T = integral dt/n, c(T) = c0 + (F_g - c0 F) (1 - exp(-F T))/F exactly. Uptake and dissolving bend
slowly, so they are taken at the middle of a step (second order); a step ends where the bag fills or empties.
"""

import math

from .fruit import Fruit

# With gas flowing the contents move in minutes, otherwise over hours; checked against SciPy in the tests.
ACTIVE_STEP_MIN = 1.0
QUIET_STEP_MIN = 10.0


class Enclosure:
    """Gas space and fruit of one enclosure, with its own time. Amounts nl, flows nl/min, contents percent.

    `to_room_*` gather what reached the room since they were last taken, net of the room air drawn in.
    """

    __slots__ = (
        "_fills",
        "amount_nl",
        "co2_pct",
        "draw_nl",
        "fruit",
        "inflow_co2_nl_min",
        "inflow_nl_min",
        "inflow_o2_nl_min",
        "leak_nl_min",
        "nominal_nl",
        "o2_pct",
        "open",
        "relief_nl",
        "sample_nl_min",
        "time_s",
        "to_room_co2_nl",
        "to_room_nl",
        "to_room_o2_nl",
    )

    def __init__(
        self,
        nominal_nl: float,
        fruit: Fruit,
        time_s: float,
        o2_pct: float,
        co2_pct: float,
        *,
        leak_nl_min: float = 0.0,
        relief_fill: float = 1.05,
        draw_fill: float = 0.95,
    ) -> None:
        self.nominal_nl = nominal_nl
        self._fills = (relief_fill, draw_fill)
        self.relief_nl = nominal_nl * relief_fill
        self.draw_nl = nominal_nl * draw_fill
        self.fruit = fruit
        self.time_s = time_s
        self.o2_pct = o2_pct
        self.co2_pct = co2_pct
        self.amount_nl = nominal_nl
        self.open = False
        self.leak_nl_min = leak_nl_min
        self.sample_nl_min = 0.0
        self.inflow_nl_min = self.inflow_o2_nl_min = self.inflow_co2_nl_min = 0.0
        self.to_room_nl = self.to_room_o2_nl = self.to_room_co2_nl = 0.0

    @property
    def fill_pct(self) -> float:
        """How full the bag is, percent of nominal."""
        return 100.0 * self.amount_nl / self.nominal_nl

    def set_inflow(self, total_nl_min: float, o2_nl_min: float, co2_nl_min: float) -> None:
        """Gas piped in from now on, and the oxygen and CO2 in it. Call `advance` to now first."""
        self.inflow_nl_min, self.inflow_o2_nl_min, self.inflow_co2_nl_min = total_nl_min, o2_nl_min, co2_nl_min

    def advance(self, to_s: float, air_o2_pct: float, air_co2_pct: float) -> None:
        """Bring the gas to an instant, the room's air being as given meanwhile. Earlier instants change nothing."""
        minutes = (to_s - self.time_s) / 60.0
        if minutes <= 0.0:
            return
        self.time_s = to_s
        if self.open:
            self._stand_open(minutes, air_o2_pct, air_co2_pct)
            return
        longest = ACTIVE_STEP_MIN if self.inflow_nl_min > 0.0 else QUIET_STEP_MIN
        steps = math.ceil(minutes / longest - 1e-9)
        step = minutes / steps
        for _ in range(steps):
            left = step
            while left > 1e-9:
                left -= self._step(left, air_o2_pct, air_co2_pct)

    def swell(self, share: float, air_o2_pct: float, air_co2_pct: float) -> None:
        """The bag holds so many times as much as at the start: air pressure and temperature have moved. What it cannot hold
        goes out, what it lacks is drawn in. Call `advance` to now first.
        """
        self.relief_nl, self.draw_nl = (self.nominal_nl * fill * share for fill in self._fills)
        if self.open:
            return
        before_nl = self.amount_nl
        self.amount_nl = min(max(before_nl, self.draw_nl), self.relief_nl)
        came_nl = self.amount_nl - before_nl
        if came_nl == 0.0:
            return
        o2_pct, co2_pct = (air_o2_pct, air_co2_pct) if came_nl > 0.0 else (self.o2_pct, self.co2_pct)
        self.o2_pct += came_nl * (o2_pct - self.o2_pct) / self.amount_nl
        self.co2_pct += came_nl * (co2_pct - self.co2_pct) / self.amount_nl
        self.to_room_nl -= came_nl
        self.to_room_o2_nl -= came_nl * o2_pct / 100.0
        self.to_room_co2_nl -= came_nl * co2_pct / 100.0

    def take_to_room(self) -> tuple[float, float, float]:
        """Total, oxygen and CO2 that went to the room since last taken, nl; taking empties them."""
        taken = (self.to_room_nl, self.to_room_o2_nl, self.to_room_co2_nl)
        self.to_room_nl = self.to_room_o2_nl = self.to_room_co2_nl = 0.0
        return taken

    def _stand_open(self, minutes: float, air_o2_pct: float, air_co2_pct: float) -> None:
        """An open bag holds room air; fruit and pipes act on the room itself."""
        fruit = self.fruit
        uptake = fruit.uptake_nl_min(air_o2_pct)
        dissolving = fruit.dissolving_nl_min(air_co2_pct, minutes)
        fruit.dissolved_nl += dissolving * minutes
        o2 = self.inflow_o2_nl_min - uptake
        co2 = self.inflow_co2_nl_min + fruit.rq * uptake - dissolving
        self.to_room_o2_nl += o2 * minutes
        self.to_room_co2_nl += co2 * minutes
        self.to_room_nl += (self.inflow_nl_min + (fruit.rq - 1.0) * uptake - dissolving) * minutes
        self.o2_pct, self.co2_pct, self.amount_nl = air_o2_pct, air_co2_pct, self.nominal_nl

    def _step(self, minutes: float, air_o2_pct: float, air_co2_pct: float) -> float:
        """One step of at most `minutes`; returns how long it was."""
        fruit = self.fruit
        half = self._mixed(
            minutes / 2.0,
            fruit.uptake_nl_min(self.o2_pct),
            fruit.dissolving_nl_min(self.co2_pct, minutes),
            air_o2_pct,
            air_co2_pct,
        )
        uptake = fruit.uptake_nl_min(half[1])
        dissolving = fruit.dissolving_nl_min(half[2], minutes)
        minutes, o2_pct, co2_pct, amount_nl, drawn = self._mixed(minutes, uptake, dissolving, air_o2_pct, air_co2_pct)
        self._book(minutes, uptake, dissolving, drawn, (o2_pct, co2_pct, amount_nl), air_o2_pct, air_co2_pct)
        fruit.dissolved_nl += dissolving * minutes
        self.o2_pct, self.co2_pct, self.amount_nl = o2_pct, co2_pct, amount_nl
        return minutes

    def _mixed(
        self,
        minutes: float,
        uptake: float,
        dissolving: float,
        air_o2_pct: float,
        air_co2_pct: float,
    ) -> tuple[float, float, float, float, float]:
        """(minutes, O2, CO2, amount, room air drawn in nl/min) after constant flows; short where the bag turns."""
        amount = self.amount_nl
        rq = self.fruit.rq
        growth = self.inflow_nl_min - self.sample_nl_min + (rq - 1.0) * uptake - dissolving
        drawn = self.leak_nl_min
        slack = 1e-9 * self.nominal_nl
        room_nl = (self.relief_nl if growth > 0.0 else self.draw_nl) - amount
        if growth == 0.0:
            pass
        elif abs(room_nl) <= slack or room_nl * growth < 0.0:
            # Full and filling: the relief lets it out. Empty and shrinking: room air comes in.
            if growth < 0.0:
                drawn -= growth
            growth = 0.0
        elif room_nl / growth < minutes:
            minutes = room_nl / growth
        after = amount + growth * minutes
        span = math.log(after / amount) / growth if abs(growth) * minutes > 1e-9 * amount else minutes / amount
        inflow = self.inflow_nl_min + drawn + (rq - 1.0) * uptake - dissolving
        turnover = inflow * span
        share = -math.expm1(-turnover) / inflow if abs(turnover) > 1e-12 else span
        o2_in = 100.0 * (self.inflow_o2_nl_min - uptake) + drawn * air_o2_pct
        co2_in = 100.0 * (self.inflow_co2_nl_min + rq * uptake - dissolving) + drawn * air_co2_pct
        o2_pct = self.o2_pct + (o2_in - self.o2_pct * inflow) * share
        co2_pct = self.co2_pct + (co2_in - self.co2_pct * inflow) * share
        return minutes, o2_pct, co2_pct, after, drawn

    def _book(
        self,
        minutes: float,
        uptake: float,
        dissolving: float,
        drawn: float,
        after: tuple[float, float, float],
        air_o2_pct: float,
        air_co2_pct: float,
    ) -> None:
        """Give the room what left by leak and relief: by balance, so that no gas is made or lost."""
        rq = self.fruit.rq
        o2_pct, co2_pct, amount_nl = after
        inflow = self.inflow_nl_min + drawn + (rq - 1.0) * uptake - dissolving
        out_nl = self.amount_nl + inflow * minutes - amount_nl
        if out_nl > 0.0:
            to_room = max(0.0, 1.0 - self.sample_nl_min * minutes / out_nl)
            o2_nl = (self.amount_nl * self.o2_pct - amount_nl * o2_pct + drawn * minutes * air_o2_pct) / 100.0
            o2_nl += (self.inflow_o2_nl_min - uptake) * minutes
            co2_nl = (self.amount_nl * self.co2_pct - amount_nl * co2_pct + drawn * minutes * air_co2_pct) / 100.0
            co2_nl += (self.inflow_co2_nl_min + rq * uptake - dissolving) * minutes
            self.to_room_nl += out_nl * to_room
            self.to_room_o2_nl += o2_nl * to_room
            self.to_room_co2_nl += co2_nl * to_room
        self.to_room_nl -= drawn * minutes
        self.to_room_o2_nl -= drawn * minutes * air_o2_pct / 100.0
        self.to_room_co2_nl -= drawn * minutes * air_co2_pct / 100.0
