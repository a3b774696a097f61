"""The gas analyser's part of the site file: its lines, what each line carries, and how long a line takes to be read."""

from math import log, pi
from typing import Annotated

from pydantic import Field, model_validator

from supervisor.settings_belief import Belief, Corrections
from supervisor.settings_calibration import CalibrationPlan
from supervisor.settings_table import Name, Table

LARGEST_STEP_PCT = 17.95  # from air to 3 % O2: the largest step from one line to the next
SETTLED_PCT = 0.02  # what may be left of it in the cell when a reading counts


class Tube(Table):
    length_m: Annotated[float, Field(gt=0, le=1000)]
    bore_mm: Annotated[float, Field(gt=0, le=50)]

    @property
    def volume_nl(self) -> float:
        """What it holds; the few per cent between normal and real litres are left out."""
        return pi / 4.0 * self.bore_mm**2 * self.length_m / 1000.0


class Line(Table):
    """What an analyser draws: an enclosure (which names the line), or the air of `room`, or calibration gas `gas`.

    A time that is not given is computed from the tube, the analyser's flow and its cell; it is None in a file with a mistake
    only. A time that is given was measured, and counts.
    """

    id: Name
    transport_s: Annotated[float, Field(ge=0)] = Field(default=None)  # type: ignore[assignment]
    settling_s: Annotated[float, Field(ge=0)] = Field(default=None)  # type: ignore[assignment]
    tube: Tube | None = None
    room: Name | None = None
    gas: Name | None = None

    @property
    def visit_s(self) -> float:
        """From being sent there to the first reading that counts."""
        return self.transport_s + self.settling_s

    def timed(self, sample_flow_nl_min: float, cell_ml: float) -> "Line":
        if self.tube is None:
            return self
        times_s = {
            "transport_s": transport_s(self.tube, sample_flow_nl_min),
            "settling_s": settling_s(cell_ml, sample_flow_nl_min),
        }
        return self.model_copy(update={name: time_s for name, time_s in times_s.items() if getattr(self, name) is None})


class Analyser(Table):
    """One instrument behind a manifold of lines. `cell_ml` is the gas space that each line's gas must sweep."""

    id: Name
    unit: Name
    idle_line: Name
    sample_flow_nl_min: Annotated[float, Field(gt=0)] = 1.0
    cell_ml: Annotated[float, Field(gt=0)] = 150.0
    corrections: Corrections = Corrections()
    belief: Belief = Belief()
    calibration: CalibrationPlan = CalibrationPlan()
    lines: Annotated[tuple[Line, ...], Field(min_length=1, strict=False)]

    @model_validator(mode="after")
    def _times(self) -> "Analyser":
        lines = tuple(line.timed(self.sample_flow_nl_min, self.cell_ml) for line in self.lines)
        return self.model_copy(update={"lines": lines})


class Sampling(Table):
    """What looking may cost. `drawn_pct_max` is the share of its free volume that sampling may take from a held enclosure in
    a day. Gas that is not returned is a leak made by ourselves: 120 litres a day from 1200 let in 1.8 % O2 a day, as much as
    a fairly leaky enclosure does. `room_air_per_day` is how often each line of room air is drawn.
    """

    drawn_pct_max: Annotated[float, Field(gt=0, le=100)] = 10.0
    room_air_per_day: Annotated[int, Field(ge=1, le=96)] = 4


def transport_s(tube: Tube, flow_nl_min: float) -> float:
    """How long gas is on its way through a tube: plug flow, no pressure drop."""
    return tube.volume_nl / flow_nl_min * 60.0


def settling_s(cell_ml: float, flow_nl_min: float) -> float:
    """How long a well-mixed cell takes to forget the last line's gas."""
    return cell_ml / 1000.0 / flow_nl_min * 60.0 * log(LARGEST_STEP_PCT / SETTLED_PCT)
