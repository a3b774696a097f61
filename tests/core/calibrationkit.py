"""A bench whose analyser draws calibration gases and drifts. What stands in each line is told here; what is read of it is
computed here, apart from the program: told = offset + slope * there.
"""

import tomllib
from copy import deepcopy
from functools import cache

import corekit
from coresite import SITE_TEXT

from supervisor.settings import SiteFile

HOUR_S, DAY_S = 3600.0, 86_400.0
ZERO, AIR, CO2, CHECK = "zero-n2", "span-air", "span-co2", "check-mix"
LINES = {ZERO: "gas-1", AIR: "gas-2", CO2: "gas-3", CHECK: "gas-4"}
THERE = {"gas-1": (0.0, 0.0), "gas-2": (20.9, 0.0), "gas-3": (0.0, 15.0), "gas-4": (3.0, 18.0), "east-air": (20.95, 0.05)}
ROOM_AIR = (20.95, 0.04)

GASES_TEXT = """
[[calibration_gas]]
id = "zero-n2"
o2_pct = 0.0
co2_pct = 0.0
o2_uncertainty_pct = 0.005
co2_uncertainty_pct = 0.005
certificate = "invented Z-1"
expires = "2026-12-31"
[[calibration_gas]]
id = "span-air"
o2_pct = 20.9
co2_pct = 0.0
o2_uncertainty_pct = 0.02
co2_uncertainty_pct = 0.005
certificate = "invented A-1"
expires = "2027-06-30"
[[calibration_gas]]
id = "span-co2"
o2_pct = 0.0
co2_pct = 15.0
o2_uncertainty_pct = 0.005
co2_uncertainty_pct = 0.05
certificate = "invented C-1"
expires = "2027-06-30"
[[calibration_gas]]
id = "check-mix"
o2_pct = 3.0
co2_pct = 18.0
o2_uncertainty_pct = 0.03
co2_uncertainty_pct = 0.1
certificate = "invented M-1"
expires = "2027-06-30"
"""
LINES_TEXT = """
  { id = "gas-1", transport_s = 5, settling_s = 60, gas = "zero-n2" },
  { id = "gas-2", transport_s = 5, settling_s = 60, gas = "span-air" },
  { id = "gas-3", transport_s = 5, settling_s = 60, gas = "span-co2" },
  { id = "gas-4", transport_s = 5, settling_s = 60, gas = "check-mix" },
  { id = "east-air", transport_s = 5, settling_s = 60, room = "east" },
"""


def site_text(gases: str = GASES_TEXT, lines: str = LINES_TEXT, plan: str = "") -> str:
    text = SITE_TEXT.replace('  { id = "line-1"', f'{lines}  {{ id = "line-1"')
    return text.replace("[[analyser]]", f"{gases}\n[[analyser]]").replace('idle_line = "idle"', f'idle_line = "idle"\n{plan}')


def without(*gases: str) -> str:
    """The lines of the site without these gases, or without `east-air`."""
    return "\n".join(line for line in LINES_TEXT.splitlines() if not any(f'"{gas}"' in line for gas in gases))


class Instrument(corekit.Bench):
    """`there` is what stands in each line; change `o2_offset`, `o2_slope` and so on, then `retell`."""

    def __init__(self, text: str | None = None, **more: object) -> None:
        super().__init__(SiteFile.model_validate(tomllib.loads(site_text() if text is None else text)), **more)
        self.there: dict[str, tuple[float, float]] = dict(THERE)
        self.o2_offset, self.o2_slope, self.co2_offset, self.co2_slope = 0.0, 1.0, 0.0, 1.0
        self.shaking: list[str] = []
        self.retell()

    def read(self, line: str, o2_pct: float = 20.9, co2_pct: float = 0.04, **fields: object) -> list:
        if line in self.shaking:
            o2_pct += 0.5 * (-1) ** self.seq.get("az", 0)
        return super().read(line, o2_pct, co2_pct, **fields)

    def retell(self, **drift: float) -> None:
        for name, value in drift.items():
            setattr(self, name, value)
        for line, (o2_pct, co2_pct) in self.there.items():
            told = (self.o2_offset + self.o2_slope * o2_pct, self.co2_offset + self.co2_slope * co2_pct)
            self.cell[line] = (round(told[0], 4), round(told[1], 4))

    @property
    def cal(self):
        return self.core.state.analysers["az"].calibration

    def outcomes(self) -> list[tuple[str, str]]:
        """Gas and outcome of every result, in order."""
        return [(str(one.figures["gas"]), str(one.figures["outcome"])) for one in self.said("calibration_result")]

    def lines_drawn(self, since_s: float = 0.0) -> list[str]:
        """The bottles' lines that were drawn; the room's air is drawn now and then besides, and the idle line in between."""
        sent = [(at_s, one.body) for at_s, one in self.log if isinstance(getattr(one, "body", None), corekit.SelectLine)]
        return [body.line for at_s, body in sent if at_s >= since_s and body.line.startswith("gas-")]


@cache
def _fresh(text: str | None) -> Instrument:
    bench = Instrument(text).start()
    bench.step_s = 5.0
    bench.run(corekit.READY_S + 20 * 60)
    if bench.cal.run is not None or bench.cal.pending is not None:
        raise RuntimeError("the first calibration has not ended")
    return bench


def instrument(text: str | None = None, **drift: float) -> Instrument:
    """A running site whose plan has just been carried out for the first time, with no drift; then it drifts."""
    fresh = _fresh(text)
    bench = deepcopy(fresh, {id(fresh.site): fresh.site})
    bench.log.clear()
    bench.retell(**drift)
    return bench


def later(bench: Instrument, seconds: float, minutes: float = 12) -> None:
    """Time passes in which nobody is heard, then some minutes in which everybody is."""
    bench.go(seconds)
    bench.said_s = bench.mono_s
    bench.run(minutes * 60)


def a_day_later(bench: Instrument) -> None:
    later(bench, DAY_S)


def alarms(bench: Instrument) -> list[str]:
    """The alarms whose condition holds."""
    return [key for key, one in bench.core.state.alarms.items() if one.condition]
