"""A bench whose analyser is judged in full: what it reads is set against the gas balance, the other lines and room air.

`visit` draws a line for as long as a sample takes, on the intervals of a real one, with a little noise in the digits.
"""

import corekit
from coresite import SITE_TEXT, site_with

from supervisor.settings import SiteFile
from supervisor.values import GASES

EVERY_S = 5.0
TAKES_S = {"line-1": 80.0, "line-2": 90.0, "line-3": 85.0, "air-east": 85.0}
HELD = {"line-1": (3.0, 18.0), "line-2": (6.0, 12.0), "line-3": (9.0, 5.0)}
ENCLOSURE = {"line-1": "e1", "line-2": "e2", "line-3": "w1"}
UNJUDGED = "belief = { flat_line_readings = 0, against_balance = false, co2_range_pct = 100, o2_range_pct = 100 }"


def judged_site(belief: str = "", second: bool = False) -> SiteFile:
    """The bench's site with all of `belief` at its defaults, and a line of the east room's air."""
    if UNJUDGED not in SITE_TEXT:
        raise ValueError("the bench's site has changed: see UNJUDGED")
    spare = '[[analyser]]\nid = "spare"\nunit = "gw-plant"\nidle_line = "idle"\nlines = [{ id = "line-1", transport_s = 20, '
    spare += "settling_s = 60 }]\n"
    return site_with(
        **{
            UNJUDGED: f"belief = {{ {belief} }}",
            '  { id = "line-3", transport_s = 25, settling_s = 60 },':
            '  { id = "line-3", transport_s = 25, settling_s = 60 },\n'
            '  { id = "air-east", transport_s = 25, settling_s = 60, room = "east" },',
            '[[enclosure]]\nid = "e1"': f'{spare if second else ""}[[enclosure]]\nid = "e1"',
        }
    )  # fmt: skip


class Judged(corekit.Bench):
    """Every enclosure holds what `HELD` says and was sampled so."""

    def __init__(self, site: SiteFile | None = None, sampled: bool = True) -> None:
        super().__init__(site or judged_site())
        self.start()
        self.run(corekit.READY_S)
        self.cell["idle"] = None
        for enclosure in self.site.enclosures:
            self.command("seal", enclosure)
            kept = self.core.state.enclosures[enclosure]
            kept.state, kept.sealed_over_air = "holding", False
            if enclosure != "e1":
                # Only the first holds its recipe; gas for the others would move what they hold.
                kept.pauses_mono_s = dict.fromkeys(GASES, 1e9)
        self.wobble = 0
        if sampled:
            for line, gas in HELD.items():
                self.visit(line, *gas)

    def say_what_is_due(self) -> None:
        """The analyser says only what a test says."""
        self.line = "idle"
        super().say_what_is_due()

    def visit(self, line: str, o2_pct: float, co2_pct: float, readings: int = 0, noise: float = 0.004, **fields: object) -> str:
        """Draws a line until some readings count, or so many; the last verdict's name. No noise below zero."""
        readings = readings or int(TAKES_S.get(line, 90.0) / EVERY_S) + 5
        for _ in range(readings):
            self.run(EVERY_S)
            self.wobble = (self.wobble + 1) % 3
            more = noise * (self.wobble - 1)
            self.read(line, o2_pct + more, co2_pct + more, **fields)
        self.run(1)
        return self.verdict()

    def verdict(self, analyser: str = "az") -> str:
        return self.core.state.analysers[analyser].verdict.split()[0]

    def kept(self, line: str = "line-1"):
        return self.core.state.enclosures[ENCLOSURE[line]]

    def sampled(self, line: str = "line-1") -> tuple[float, float]:
        sample = self.kept(line).sample
        return round(sample.o2_pct, 1), round(sample.co2_pct, 1)

    def alarm_state(self, key: str) -> str:
        told = self.alarm(key)
        return "none" if told is None else told.state


__all__ = ["ENCLOSURE", "EVERY_S", "HELD", "TAKES_S", "Judged", "judged_site"]
