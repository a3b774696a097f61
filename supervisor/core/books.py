"""The gas accounts as plain data: what every enclosure was given and every source gave, by day, by filling, in the season.

Days are numbers of whole days since 1970 in UTC: every one is 24 hours long, so that daily use can be compared. A filling
is one load of an enclosure, from seal to open. Everything here is bounded but the season itself, which is one figure.
"""

from dataclasses import dataclass, field
from typing import NamedTuple

from supervisor.values import Gas

KG_PER_NL: dict[Gas, float] = {  # CoolProp at 0 degC and 101.325 kPa; what oxygen nitrogen still holds is left out
    "nitrogen": 1.2504e-3,
    "co2": 1.9768e-3,
    "air": 1.2931e-3,
}
DAY_S = 86_400.0
ENCLOSURE_DAYS = 14
SOURCE_DAYS = 400
FILLINGS = 8
REFILLS = 20


def day_of(wall_s: float) -> int:
    return int(wall_s // DAY_S)


class Amounts(NamedTuple):
    """Every litre that was asked for is one of these. `unknown` has no last word yet and counts as given; `not_given` was
    refused or cut short by the hardware. What a valve gave beyond its request is delivered too.
    """

    delivered_nl: float = 0.0
    unknown_nl: float = 0.0
    not_given_nl: float = 0.0

    @property
    def given_nl(self) -> float:
        return self.delivered_nl + self.unknown_nl

    def plus(self, other: "Amounts") -> "Amounts":
        return Amounts(*(one + more for one, more in zip(self, other, strict=True)))

    def minus(self, other: "Amounts") -> "Amounts":
        return Amounts(*(one - less for one, less in zip(self, other, strict=True)))


NOTHING = Amounts()
ByGas = dict[Gas, Amounts]


@dataclass(slots=True)
class Counted:
    """What of a dose stands in the books, and where: a later word on it corrects that and adds nothing beside it."""

    season: str
    day: int
    filling: int
    amounts: Amounts


@dataclass(slots=True)
class Filling:
    """One load of an enclosure. `number` counts them from 1; `opened_wall_s` is None while it is sealed."""

    number: int
    lot: str
    fruit_kg: float
    sealed_mono_s: float
    sealed_wall_s: float
    opened_wall_s: float | None = None
    gases: ByGas = field(default_factory=dict)
    sampled_nl: float = 0.0


@dataclass(slots=True)
class EnclosureBook:
    """`fruit_kg` is all that was sealed in this season, `sampled_nl` what the analysers drew."""

    season: ByGas = field(default_factory=dict)
    days: dict[int, ByGas] = field(default_factory=dict)
    fillings: list[Filling] = field(default_factory=list)
    fruit_kg: float = 0.0
    sampled_nl: float = 0.0


class Refill(NamedTuple):
    wall_s: float
    added_kg: float


class Reckoning(NamedTuple):
    """Where stock and books stood when they were last set against each other. `open_nl` was asked for and not booked."""

    wall_s: float
    loss_kg: float
    booked: Amounts
    open_nl: float


@dataclass(slots=True)
class Stock:
    """A stock by what its source tells of it. `heard_kg` are the last words, of which the middle one counts; `first_day` is
    the day on which it was first heard. `low_kg` is the lowest since the last refill; while one goes on, it began at
    `rising_from_kg` and stands at `top_kg`.
    """

    heard_kg: list[float] = field(default_factory=list)
    kg: float | None = None
    first_kg: float = 0.0
    first_day: int = 0
    low_kg: float = 0.0
    rising_from_kg: float | None = None
    top_kg: float = 0.0
    top_mono_s: float = 0.0
    refilled_kg: float = 0.0
    refills: list[Refill] = field(default_factory=list)
    losses_kg: dict[int, float] = field(default_factory=dict)
    begun: Reckoning | None = None
    checked: Reckoning | None = None
    news: bool = False

    @property
    def loss_kg(self) -> float:
        """All that went out of it since it was first heard, whoever had it."""
        return 0.0 if self.kg is None else self.first_kg + self.refilled_kg - self.kg


@dataclass(slots=True)
class SourceBook:
    gas: Gas = "nitrogen"
    season: Amounts = NOTHING
    days: dict[int, Amounts] = field(default_factory=dict)
    stock: Stock = field(default_factory=Stock)


@dataclass(slots=True)
class Books:
    """All accounts of one season. Those of points that the site file has lost are kept to its end: their gas was used."""

    season: str = ""
    begun_wall_s: float | None = None
    enclosures: dict[str, EnclosureBook] = field(default_factory=dict)
    sources: dict[str, SourceBook] = field(default_factory=dict)
