"""What is thought of a reading, and what follows from it: the one table that says so.

Every reading gets a verdict with the figures that it rests on. `instrument` judges what the instrument itself shows, `air_line`
what it makes of room air, `doubt` whether the gas balance allows it; `readings` carries out what stands here.
"""

from dataclasses import dataclass
from typing import Literal, NamedTuple

Quality = Literal["good", "uncertain", "bad"]
Alarm = Literal["", "analyser_untrue", "line_suspect", "reading_doubtful"]


@dataclass(frozen=True, slots=True)
class Row:
    """What one verdict leads to.

    `sample`: the reading becomes the enclosure's sample, and is decided on. `holds`: nothing is given to the enclosure until a
    good reading has come; otherwise its last sample stands as if this reading had not come. `alarm`: what it is if it goes on.
    """

    quality: Quality
    sample: bool
    holds: bool
    alarm: Alarm
    words: str


VERDICTS: dict[str, Row] = {
    "good": Row("good", True, False, "", "believed"),
    # the instrument says so itself, or is not ready: nothing is said of the gas, and the last sample stands
    "not_ready": Row("bad", False, False, "", "the instrument warms up, is being calibrated, or reports a fault"),
    "time_unknown": Row("bad", False, False, "", "nobody knows the time by its unit's clock"),
    "settling": Row("bad", False, False, "", "the last line's gas is not gone yet"),
    "line_denied": Row("bad", False, False, "line_suspect", "the manifold says that another line is drawn"),
    "below_zero": Row("uncertain", False, False, "", "just below nothing, as noise is"),
    "air_unclear": Row("uncertain", False, False, "", "room air is not as it should be, and the room's own sensors agree"),
    # what no gas can be: the instrument
    "fault_code": Row("bad", False, True, "analyser_untrue", "no gas reads like this: a fault code, or a broken cell"),
    "end_stop": Row("bad", False, True, "analyser_untrue", "at the end of the instrument's range"),
    "sum_over_100": Row("bad", False, True, "analyser_untrue", "oxygen and CO2 together are more than everything"),
    "flat_line": Row("bad", False, True, "analyser_untrue", "not a digit moves although the gas must have changed"),
    "scale_slip": Row("bad", False, True, "analyser_untrue", "off by a factor as between percent and parts per million"),
    "not_air": Row("bad", False, False, "analyser_untrue", "room air does not read as air"),
    "disbelieved": Row("bad", False, True, "analyser_untrue", "this analyser misread room air or calibration gas"),
    # what may be, but not yet for certain
    "late": Row("uncertain", False, True, "reading_doubtful", "old by its own time when it came"),
    "moving": Row("uncertain", False, True, "reading_doubtful", "said to be settled, and still on the move"),
    "too_fast": Row("uncertain", False, True, "reading_doubtful", "moved further than gas, fruit and leaks can have moved it"),
    "apart": Row("uncertain", False, True, "reading_doubtful", "two analysers do not agree on this enclosure"),
    "carry_over": Row("uncertain", False, True, "line_suspect", "as if gas of the line before were in it"),
    "line_before": Row("uncertain", False, True, "line_suspect", "the same as the line before, which holds other gas"),
    "room_air": Row("uncertain", False, True, "line_suspect", "as if room air came in at the line or the selector valve"),
}  # fmt: skip


class Verdict(NamedTuple):
    """`measured`: the figures that it rests on, with what they were measured against."""

    name: str
    measured: str = ""

    @property
    def row(self) -> Row:
        return VERDICTS[self.name]

    @property
    def text(self) -> str:
        return f"{self.row.words}: {self.measured}"


GOOD = Verdict("good")


class Draw(NamedTuple):
    """How a reading was drawn: whether its unit's time is known, whether the line was drawn for long enough and the gateway
    calls it settled, how old it was when it came, and when its gas left the line's far end.
    """

    known: bool
    complete: bool
    age_s: float
    taken_mono_s: float
    taken_wall_s: float


def table() -> str:
    """The table for people, in Markdown."""
    lines = ["| verdict | quality | becomes a sample | gas meanwhile | alarm, when it goes on | what it means |"]
    lines.append("| --- | --- | --- | --- | --- | --- |")
    for name, row in VERDICTS.items():
        gas = "as decided on it" if row.sample else "none until a good reading" if row.holds else "as the last sample allows"
        alarm = f"`{row.alarm}`" if row.alarm else "none"
        lines.append(f"| `{name}` | {row.quality} | {'yes' if row.sample else 'no'} | {gas} | {alarm} | {row.words} |")
    return "\n".join(lines)
