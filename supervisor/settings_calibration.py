"""Calibration's part of the site file: the gases, what each is for, how often each is drawn, and how much drift is too much."""

from typing import Annotated, Literal

from pydantic import Field

from supervisor.settings_table import Name, Table

Use = Literal["zero", "span_o2", "span_co2", "span", "check"]
USES: tuple[Use, ...] = ("zero", "span_o2", "span_co2", "span", "check")
NONE_PCT = 0.1  # a gas that has less of it has none: the 0.04 % CO2 of dry air is no CO2 span
FROM_MEMORY = "common practice, no source: 0.2 % O2 and 0.5 % CO2 call for action"


class CalibrationGas(Table):
    """A cylinder of known gas: what its certificate says, how surely (expanded, k = 2), and until when.

    What it is for follows from what is in it, or from `use`: nothing of either is a zero gas, one of the two a span gas for
    that one, both a check gas, which shows and changes nothing.
    """

    id: Name
    o2_pct: Annotated[float, Field(ge=0, le=100)]
    co2_pct: Annotated[float, Field(ge=0, le=100)]
    o2_uncertainty_pct: Annotated[float, Field(ge=0, le=5)]
    co2_uncertainty_pct: Annotated[float, Field(ge=0, le=5)]
    certificate: Annotated[str, Field(min_length=1)]
    expires: Annotated[str, Field(pattern=r"^\d{4}-\d{2}-\d{2}$", description="a date such as 2027-03-31, in quotes")]
    use: Use | None = None

    @property
    def serves(self) -> Use:
        if self.use is not None:
            return self.use
        has_o2, has_co2 = self.o2_pct >= NONE_PCT, self.co2_pct >= NONE_PCT
        if has_o2 and has_co2:
            return "check"
        return "span_o2" if has_o2 else "span_co2" if has_co2 else "zero"

    @property
    def shows_o2(self) -> bool:
        """Whether it says something about how oxygen is read."""
        return self.serves != "span_co2"

    @property
    def shows_co2(self) -> bool:
        return self.serves != "span_o2"


class Drift(Table):
    """How much drift is corrected without a word (to `warn_pct`), with one (to `action_pct`), and by a person's word only."""

    warn_pct: Annotated[float, Field(gt=0, le=5)]
    action_pct: Annotated[float, Field(gt=0, le=5)]
    source: Annotated[str, Field(min_length=3)] = FROM_MEMORY


class CalibrationPlan(Table):
    """How often each kind of gas is drawn (0: only when a person asks), when its readings stand still, what is drift."""

    zero_every_h: Annotated[float, Field(ge=0, le=8760)] = 24.0
    span_every_h: Annotated[float, Field(ge=0, le=8760)] = 168.0
    check_every_h: Annotated[float, Field(ge=0, le=8760)] = 168.0
    readings: Annotated[int, Field(ge=3, le=60)] = 6
    stable_o2_pct: Annotated[float, Field(gt=0, le=1)] = 0.05
    stable_co2_pct: Annotated[float, Field(gt=0, le=1)] = 0.1
    o2: Drift = Drift(warn_pct=0.1, action_pct=0.2)
    co2: Drift = Drift(warn_pct=0.25, action_pct=0.5)

    def every_h(self, use: Use) -> float:
        return self.zero_every_h if use == "zero" else self.check_every_h if use == "check" else self.span_every_h
