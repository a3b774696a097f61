"""What the tests of the gas accounts share: a ledger that is written by hand on fake time."""

import corekit

from supervisor.core import ledger
from supervisor.core import stock as stocks
from supervisor.core.books import Amounts, Books, Stock
from supervisor.core.desk import Desk
from supervisor.core.site import Core
from supervisor.core.state import Dose
from supervisor.messages import DoseReport, at
from supervisor.values import Now

DAY_S = 86_400.0
MIDNIGHT_S = 20_700 * DAY_S  # a day's beginning in UTC
SOURCE = {"nitrogen": "generator", "co2": "bank", "air": "blower"}


class Office:
    """A core whose ledger is written by hand: doses asked for, reported and aged on fake time."""

    def __init__(self, core: Core | None = None) -> None:
        self.core = core or Core(corekit.site())
        self.mono_s, self.ahead_s, self.asked = 1000.0, MIDNIGHT_S + 8 * 3600.0 - 1000.0, 0
        self.effects: list = []

    def desk(self) -> Desk:
        return Desk(self.core.site, self.core.state, Now(self.mono_s, self.mono_s + self.ahead_s), self.effects)

    def ask(self, enclosure: str = "e1", gas: str = "nitrogen", volume_nl: float = 90.0) -> str:
        self.asked += 1
        one = Dose(f"1-{self.asked}", enclosure, gas, SOURCE[gas], volume_nl, 50.0, self.mono_s, self.mono_s + 120.0)
        ledger.enter(self.desk(), one)
        return one.request_id

    def report(self, request_id: str, outcome: str, delivered_nl: float, enclosure: str = "e1", gas: str = "nitrogen") -> None:
        told = DoseReport(observed_at=at(corekit.WALL_S), request_id=request_id, outcome=outcome, delivered_nl=delivered_nl,
                          metered=True)  # fmt: skip
        ledger.on_report(self.desk(), enclosure, gas, told)

    def go(self, seconds: float) -> None:
        self.mono_s += seconds
        for name in self.core.site.enclosures:
            ledger.age(self.desk(), name)

    def reload(self) -> None:
        self.core = Core.load(self.core.site, self.core.dump())

    @property
    def books(self) -> Books:
        return self.core.state.books

    def season(self, enclosure: str = "e1", gas: str = "nitrogen") -> Amounts:
        return self.books.enclosures[enclosure].season[gas]

    def tell(self, stock_kg: float, words: int = 1) -> None:
        """The bank says so much, half a minute apart, and each word is judged."""
        for _ in range(words):
            self.go(30.0)
            self.core.state.sources["bank"].stock_kg = stock_kg
            stocks.on_status(self.desk(), "bank")
            stocks.judge(self.desk(), "bank")

    @property
    def stock(self) -> Stock:
        return self.books.sources["bank"].stock

    def said(self, event: str) -> list[dict]:
        return [one.figures for one in self.effects if getattr(one, "event", "") == event]
