"""What a site file says of an analyser beside its lines: what its figures are corrected by, and when they are believed.

The defaults of `Corrections` change nothing: a figure is corrected only by what somebody has looked up in the manual of the
instrument. Those of `Belief` are wide, and for a good instrument at a usual recipe.
"""

from typing import Annotated, Literal

from pydantic import Field

from supervisor.settings_table import Table

Positive = Annotated[float, Field(gt=0)]


class Corrections(Table):
    """Carried out unless a reading says that it is `corrected`. What each is worth stands in `core/corrections.py`.

    `o2_spanned_in_co2_pct`: how much CO2 was in the gas that the oxygen was last spanned with. `dried`: the sample is dried
    before the cell; if not, it is taken for saturated at `saturated_at_c`. `pressure_compensated`: the instrument makes up for
    air pressure itself; if not, its oxygen is set right by the barometer, from the pressure at which it was calibrated.
    """

    o2_principle: Literal["unstated", "paramagnetic", "electrochemical"] = "unstated"
    o2_spanned_in_co2_pct: Annotated[float, Field(ge=0, le=100)] = 0.0
    dried: bool = True
    saturated_at_c: Annotated[float, Field(ge=-10, le=50)] = 2.0
    pressure_compensated: bool = True
    calibrated_at_pa: Annotated[float, Field(ge=50_000, le=110_000)] = 101_325.0


class Belief(Table):
    """When a reading of this analyser is believed.

    `*_range_pct`: where the instrument's range ends. `flat_line_readings`: so many readings with not a digit moved, although
    another line was drawn or gas was given, are a flat line; 0 is for instruments that round so coarsely that it tells nothing.
    `against_balance`: a reading is set against what gas that was given, fruit and leaks can have done since the last; without
    it a line that lets in other gas is never found. `air_*`: what a line of room air may read. `apart_*`: how far two analysers
    may differ on one enclosure.
    """

    o2_range_pct: Annotated[float, Field(ge=21, le=100)] = 25.0
    co2_range_pct: Annotated[float, Field(gt=0, le=100)] = 50.0
    flat_line_readings: Annotated[int, Field(ge=0, le=1000)] = 6
    against_balance: bool = True
    reading_age_s_max: Annotated[float, Field(gt=0, le=600)] = 120.0
    air_o2_off_pct_max: Annotated[float, Field(gt=0, le=2)] = 0.2
    air_co2_pct_max: Annotated[float, Field(gt=0, le=2)] = 0.3
    apart_o2_pct_max: Annotated[float, Field(gt=0, le=5)] = 0.4
    apart_co2_pct_max: Annotated[float, Field(gt=0, le=5)] = 1.0
