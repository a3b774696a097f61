"""Each way in which the simulated analyser lies: by how much, on which line, and no longer than its fault stands."""

import pytest
from sim_plants import Hand, small, small_site

from simulator.assumed import AIR_CO2_PCT, AIR_O2_PCT
from simulator.faults import Fault
from simulator.sitefile import read_site

READING = "analyser/an/reading"
HELD = (3.0 - 0.0027 * 18.0, 18.0)
AIR = (AIR_O2_PCT - 0.0027 * AIR_CO2_PCT, AIR_CO2_PCT)


def drawn(fault: Fault, *lines: str) -> tuple[float, float]:
    """What the last of these lines reads; enclosure `a` on line `la` holds 3/18, `b` on `lb` air."""
    hand: Hand = small(faults=[fault])
    bag = hand.plant.enclosures["a"]
    bag.o2_pct, bag.co2_pct = 3.0, 18.0
    for line in lines:
        hand.select(line, 300.0)
        hand.go(280.0)
    reading = hand.last(READING)
    assert reading["line"] == lines[-1] and reading["settled"] and reading["status"] == "ok"
    return reading["o2_pct"], reading["co2_pct"]


def between(gas: tuple[float, float], other: tuple[float, float], share: float) -> tuple[float, float]:
    return gas[0] + share * (other[0] - gas[0]), gas[1] + share * (other[1] - gas[1])


@pytest.mark.parametrize(
    ("fault", "lines", "reads"),
    [
        (Fault("analyser_carry_over", "an", 0.0, size=0.3), ("lb", "la"), between(HELD, AIR, 0.3)),
        (Fault("analyser_carry_over", "an", 0.0, size=0.3), ("la", "lb"), between(AIR, HELD, 0.3)),
        (Fault("analyser_selector_leak", "an", 0.0, size=0.2), ("la",), between(HELD, AIR, 0.2)),
        (Fault("line_leak", "an/la", 0.0, size=1.0), ("la",), AIR),
        (Fault("line_leak", "an/lb", 0.0, size=1.0), ("la",), HELD),
        (Fault("analyser_moisture", "an", 0.0, size=2.3), ("la",), (HELD[0] * 0.977, 18.0 * 0.977)),
        (Fault("analyser_offset", "an/o2", 0.0, size=0.6), ("la",), (HELD[0] + 0.6, 18.0)),
        (Fault("analyser_offset", "an/co2", 0.0, size=-1.0), ("la",), (HELD[0], 17.0)),
        (Fault("analyser_scale", "an/o2", 0.0, size=0.01), ("la",), (HELD[0] / 100.0, 18.0)),
        (Fault("analyser_pegged", "an/co2", 0.0, size=25.0), ("la",), (HELD[0], 25.0)),
    ],
    ids=lambda one: f"{one.name} {one.target}" if isinstance(one, Fault) else None,
)  # fmt: skip
def test_a_vice_is_as_large_as_it_says(fault: Fault, lines: tuple[str, ...], reads: tuple[float, float]) -> None:
    assert drawn(fault, *lines) == pytest.approx(reads, abs=0.004)


@pytest.mark.parametrize("name", ["analyser_carry_over", "analyser_selector_leak", "analyser_moisture"])
def test_a_vice_is_over_with_its_fault(name: str) -> None:
    assert drawn(Fault(name, "an", 0.0, 300.0, 0.5), "lb", "la") == pytest.approx(HELD, abs=0.004)


def test_a_site_without_faults_reads_true() -> None:
    assert drawn(Fault("unit_off", "u2", 0.0), "lb", "la") == pytest.approx(HELD, abs=0.004)
    assert len(read_site(small_site()).analysers) == 1
