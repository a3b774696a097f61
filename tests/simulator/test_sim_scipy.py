"""The integrator against SciPy's solve_ivp on the same plant written down again, in amounts rather than contents."""

from dataclasses import dataclass

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from simulator.fruit import Fruit
from simulator.gas import Enclosure

ROOM_O2, ROOM_CO2 = 20.6, 0.3


@dataclass(frozen=True)
class Case:
    """Flow and composition in, leak, sample, fruit, hours, and where the bag turns."""

    name: str
    start: tuple[float, float] = (20.946, 0.042)
    inflow: tuple[float, float, float] = (0.0, 0.0, 0.0)
    leak: float = 0.0
    sample: float = 0.0
    fruit_kg: float = 0.0
    dissolves: bool = True
    rq: float = 1.0
    hours: float = 24.0
    bag: tuple[float, float] = (1.05, 0.95)


CASES = [
    Case("purge", inflow=(50.0, 0.25, 0.0), leak=0.1, fruit_kg=600.0, hours=1.0),
    Case("co2 dose", start=(3.7, 0.2), inflow=(20.0, 0.0, 20.0), leak=0.05, fruit_kg=600.0, hours=0.25),
    Case("dissolving after the dose", start=(3.0, 18.0), leak=0.05, fruit_kg=600.0, hours=24.0),
    Case("respiration and leak for four days", leak=0.06, fruit_kg=600.0, dissolves=False, hours=96.0),
    Case("sampling until air is drawn in", start=(3.0, 18.0), sample=1.0, fruit_kg=300.0, hours=6.0),
    Case("quotient of 1.3", leak=0.02, fruit_kg=500.0, rq=1.3, hours=48.0),
    Case("a wide bag that never turns", inflow=(0.2, 0.04, 0.0), fruit_kg=400.0, hours=48.0, bag=(2.0, 0.3)),
    Case("make-up air while holding", start=(3.0, 18.0), inflow=(1.5, 0.31, 0.0), leak=0.02, fruit_kg=600.0, hours=48.0),
]


def by_scipy(case: Case, fruit: Fruit) -> np.ndarray:
    """O2, CO2, N2, dissolved CO2, then O2, CO2, N2 let out into the room, all nl, at the end."""
    relief_nl, draw_nl = 1200.0 * case.bag[0], 1200.0 * case.bag[1]
    room = np.array([ROOM_O2, ROOM_CO2, 100.0 - ROOM_O2 - ROOM_CO2]) / 100.0
    flow, o2_in, co2_in = case.inflow
    piped = np.array([o2_in, co2_in, flow - o2_in - co2_in])

    def rhs(_minutes: float, y: np.ndarray) -> np.ndarray:
        gas, held = y[:3], y[3]
        total = gas.sum()
        share = gas / total
        uptake = fruit.vmax_nl_min * share[0] * 100.0 / (fruit.km_o2_pct + share[0] * 100.0)
        dissolving = fruit.rate_per_min * (fruit.full_nl_pct * share[1] * 100.0 - held)
        made = np.array([-uptake, case.rq * uptake - dissolving, 0.0])
        net = flow - case.sample + made.sum()
        relief = net if total >= relief_nl and net > 0.0 else 0.0
        drawn = -net if total <= draw_nl and net < 0.0 else 0.0
        out = share * (case.leak + relief)
        inward = room * (case.leak + drawn)
        return np.concatenate([piped + made + inward - out - share * case.sample, [dissolving], out - inward])

    start = 1200.0 * np.array([case.start[0], case.start[1], 100.0 - sum(case.start)]) / 100.0
    y0 = np.concatenate([start, [fruit.dissolved_nl], np.zeros(3)])
    answer = solve_ivp(rhs, (0.0, case.hours * 60.0), y0, rtol=1e-8, atol=1e-8, max_step=0.5)
    assert answer.success
    return answer.y[:, -1]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_the_integrator_agrees_with_scipy(case: Case) -> None:
    def fruit() -> Fruit:
        return Fruit(case.fruit_kg, 0.0039, 2.0, dissolves=case.dissolves, rq=case.rq)

    expected = by_scipy(case, fruit())
    inside = Enclosure(1200.0, fruit(), 0.0, *case.start, leak_nl_min=case.leak, relief_fill=case.bag[0], draw_fill=case.bag[1])
    inside.set_inflow(*case.inflow)
    inside.sample_nl_min = case.sample
    inside.advance(case.hours * 3600.0, ROOM_O2, ROOM_CO2)
    total, o2, co2 = inside.take_to_room()
    amount = expected[:3].sum()
    assert inside.amount_nl == pytest.approx(amount, abs=0.2)
    assert inside.o2_pct == pytest.approx(100.0 * expected[0] / amount, abs=2e-3)
    assert inside.co2_pct == pytest.approx(100.0 * expected[1] / amount, abs=2e-3)
    assert inside.fruit.dissolved_nl == pytest.approx(expected[3], abs=0.05)
    assert [o2, co2, total] == pytest.approx([expected[4], expected[5], expected[4:].sum()], abs=0.3)


def test_how_often_it_is_asked_changes_nothing() -> None:
    ends = []
    for pieces in (1, 7, 1440):
        inside = Enclosure(1200.0, Fruit(600.0, 0.0039, 2.0), 0.0, 3.0, 18.0, leak_nl_min=0.05)
        for i in range(1, pieces + 1):
            inside.advance(86_400.0 * i / pieces, ROOM_O2, ROOM_CO2)
        ends.append((inside.o2_pct, inside.co2_pct, inside.amount_nl))
    assert ends[0] == pytest.approx(ends[2], abs=2e-3)
    assert ends[1] == pytest.approx(ends[2], abs=2e-3)
