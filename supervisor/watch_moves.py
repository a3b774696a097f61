"""How far the gas of an enclosure moved between two samples, and when that is too little for what was given; for the watch."""

from dataclasses import dataclass

# A move that counts. Analysers are noisy by about 0.05 % (two deviations of a good one, with its drift between visits);
# eight times that is no noise.
MOVE_PCT_MIN = 0.4
# Less of the expected move than this is no answer. Free volumes in site files are off by tens of percent, not threefold.
ANSWER_SHARE_MIN = 0.3
# What fruit and a usual leak do against a dose meanwhile, percent an hour. Fruit at 18 % CO2 dissolves up to 150 nl of
# 1,200 with a half time near 3.5 h (Rotabakk 2007), which is 2.5 %/h at first, and gives as much back; it breathes up to
# 0.4 %/h cold (Joles 1994 for raspberry at 2 degC) and several times that warm; an enclosure that exchanges 2.5 % of its
# volume an hour lets in 0.5 %/h of oxygen.
DRIFT_PCT_H = {("o2", True): 2.0, ("o2", False): 0.5, ("co2", True): 2.5, ("co2", False): 4.0}


@dataclass
class Point:
    at_s: float
    o2_pct: float
    co2_pct: float


def moves(base: Point, point: Point) -> tuple[tuple[str, float], tuple[str, float]]:
    return ("o2", point.o2_pct - base.o2_pct), ("co2", point.co2_pct - base.co2_pct)


def too_little(gas: str, moved_pct: float, expected_pct: float, hours: float) -> bool:
    along_pct = moved_pct if expected_pct > 0 else -moved_pct
    return along_pct < ANSWER_SHARE_MIN * abs(expected_pct) - DRIFT_PCT_H[gas, expected_pct > 0] * hours
