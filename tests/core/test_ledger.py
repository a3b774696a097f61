"""What was requested, what was confirmed, what is unknown: unknown counts as given."""

import corekit
import pytest

from supervisor.core import ledger
from supervisor.core.desk import Desk
from supervisor.core.state import Dose
from supervisor.messages import DoseReport, at
from supervisor.values import Now

LEASE_S, FLOW_NL_MIN, VOLUME_NL = 120.0, 50.0, 90.0
SETTLE_S = 10.0  # how long after its lease a last word may still come


class Book:
    """The ledger of one enclosure on fake time; `dose` enters a request, `report` is the hardware's word on it."""

    def __init__(self) -> None:
        self.bench = corekit.Bench()
        self.mono_s, self.count = 1000.0, 0
        self.effects: list = []

    def desk(self) -> Desk:
        return Desk(self.bench.site, self.bench.core.state, Now(self.mono_s, corekit.WALL_S + self.mono_s), self.effects)

    @property
    def kept(self):
        return self.bench.core.state.enclosures["e1"]

    def dose(self, gas: str = "nitrogen", volume_nl: float = VOLUME_NL, source: str = "generator") -> str:
        self.count += 1
        request_id = f"1-{self.count}"
        one = Dose(request_id, "e1", gas, source, volume_nl, FLOW_NL_MIN, self.mono_s, self.mono_s + LEASE_S)
        ledger.enter(self.desk(), one)
        return request_id

    def report(
        self, request_id: str, outcome: str, delivered_nl: float, gas: str = "nitrogen", code: str | None = None
    ) -> None:
        told = DoseReport(observed_at=at(corekit.WALL_S), request_id=request_id, outcome=outcome, delivered_nl=delivered_nl,
                          metered=True, code=code)  # fmt: skip
        ledger.on_report(self.desk(), "e1", gas, told)

    def go(self, seconds: float) -> None:
        self.mono_s += seconds
        ledger.age(self.desk(), "e1")

    def given_nl(self, since_s: float = 0.0) -> float:
        return sum(nl for _, nl in ledger.given_nl(self.desk(), "e1", since_s))

    def said(self, event: str) -> list[dict]:
        return [one.figures for one in self.effects if getattr(one, "event", "") == event]


def test_from_the_moment_it_leaves_a_request_counts_whole() -> None:
    book = Book()
    book.dose()
    assert book.given_nl() == VOLUME_NL
    book.report("1-1", "accepted", 0.0)
    assert book.given_nl() == VOLUME_NL
    book.go(30.0)
    book.report("1-1", "progress", 25.0)
    assert book.given_nl() == VOLUME_NL


@pytest.mark.parametrize(("outcome", "delivered_nl"), [("delivered", 89.5), ("aborted", 40.0), ("refused", 0.0)])
def test_a_last_word_counts_as_told(outcome: str, delivered_nl: float) -> None:
    book = Book()
    book.dose()
    book.go(60.0)
    book.report("1-1", outcome, delivered_nl)
    assert book.given_nl() == pytest.approx(delivered_nl)
    assert ledger.open_doses(book.desk(), "e1") == [] and ledger.running(book.desk(), "e1", "nitrogen") is None
    assert ledger.drawing(book.desk(), "generator") == []


def test_a_last_word_is_final() -> None:
    book = Book()
    book.dose()
    book.report("1-1", "delivered", 90.0)
    for outcome, delivered_nl in (("progress", 10.0), ("aborted", 5.0), ("refused", 0.0), ("delivered", 95.0)):
        book.report("1-1", outcome, delivered_nl)
    assert book.given_nl() == 90.0 and book.kept.failures == 0


def test_what_was_told_once_is_never_less_later() -> None:
    book = Book()
    book.dose()
    book.go(60.0)
    book.report("1-1", "progress", 50.0)
    book.report("1-1", "aborted", 20.0)
    assert book.given_nl() == pytest.approx(50.0)


def test_without_a_last_word_the_whole_counts_as_given() -> None:
    book = Book()
    book.dose()
    book.report("1-1", "progress", 10.0)
    book.go(LEASE_S + SETTLE_S)
    assert ledger.running(book.desk(), "e1", "nitrogen") is not None, "its last word may still be on its way"
    book.go(1.0)
    assert ledger.running(book.desk(), "e1", "nitrogen") is None
    assert book.given_nl() == VOLUME_NL
    assert book.said("dose_unknown")[0]["counted_as_given_nl"] == VOLUME_NL
    assert book.kept.failures == 1


def test_a_late_progress_makes_nothing_known() -> None:
    book = Book()
    book.dose()
    book.go(LEASE_S + SETTLE_S + 1.0)
    book.report("1-1", "progress", 10.0)
    assert book.given_nl() == VOLUME_NL


@pytest.mark.parametrize(("outcome", "delivered_nl"), [("delivered", 90.0), ("aborted", 35.0)])
def test_a_late_last_word_makes_it_known_after_all(outcome: str, delivered_nl: float) -> None:
    book = Book()
    book.dose()
    book.go(LEASE_S + SETTLE_S + 60.0)
    assert book.given_nl() == VOLUME_NL
    book.report("1-1", outcome, delivered_nl)
    assert book.given_nl() == pytest.approx(delivered_nl)


def test_what_is_missing_is_wanted_again() -> None:
    book = Book()
    book.kept.wanted_nl = {"nitrogen": 100.0}
    book.dose()
    book.report("1-1", "aborted", 40.0, code="no_flow")
    assert book.kept.wanted_nl["nitrogen"] == pytest.approx(100.0 + 50.0)
    assert book.kept.hold_until_mono_s > book.mono_s, "not at once"
    assert "no_flow" in book.kept.hold_reason
    assert book.said("dose_not_delivered")[0]["delivered_nl"] == 40.0


def test_a_late_shortfall_that_the_last_decision_knew_of_is_not_wanted_twice() -> None:
    """A sample that was taken after the valve had shut shows what is missing; the volume decided on it contains it."""
    book = Book()
    book.dose()
    book.go(LEASE_S + SETTLE_S + 60.0)
    book.kept.decided_mono_s = book.mono_s
    book.kept.wanted_nl = {"nitrogen": 300.0}
    book.report("1-1", "aborted", 0.0)
    assert book.kept.wanted_nl["nitrogen"] == 300.0


def test_a_late_shortfall_that_the_last_decision_took_for_given_is_wanted_again() -> None:
    book = Book()
    book.kept.decided_mono_s = book.mono_s - 10.0
    book.kept.wanted_nl = {"nitrogen": 300.0}
    book.dose()
    book.go(LEASE_S + SETTLE_S + 60.0)
    book.report("1-1", "aborted", 0.0)
    assert book.kept.wanted_nl["nitrogen"] == 390.0


def test_what_nobody_wants_any_more_is_not_wanted_again() -> None:
    """The enclosure's state has moved on and with it what was decided."""
    book = Book()
    book.dose()
    book.kept.wanted_nl = {}
    book.report("1-1", "aborted", 10.0, code="stopped")
    assert book.kept.wanted_nl == {}


def test_failures_wait_longer_each_time_and_end_with_a_success() -> None:
    book = Book()
    waits = []
    for _ in range(6):
        request_id = book.dose()
        book.report(request_id, "refused", 0.0, code="busy")
        waits.append(book.kept.hold_until_mono_s - book.mono_s)
        book.go(300.0)
    assert waits == sorted(waits) and waits[0] < waits[2] and waits[-1] == 240.0
    assert book.kept.failures == 6
    book.report(book.dose(), "delivered", 90.0)
    assert book.kept.failures == 0


def test_a_report_of_nobody_s_request_changes_nothing_and_is_said() -> None:
    book = Book()
    book.dose()
    book.report("9-9", "delivered", 90.0)
    book.report("1-1", "delivered", 1.0, gas="co2")
    assert book.given_nl() == VOLUME_NL
    assert [one["request_id"] for one in book.said("report_of_unknown_request")] == ["9-9", "1-1"]


def test_a_request_that_the_guard_refused_was_never_given() -> None:
    book = Book()
    book.dose()
    ledger.strike(book.desk(), "e1", "1-1")
    assert book.given_nl() == 0.0 and ledger.open_doses(book.desk(), "e1") == []
    assert ledger.drawing(book.desk(), "generator") == []


def test_open_requests_take_their_source_s_flow() -> None:
    book = Book()
    book.dose()
    book.dose("co2", source="bank")
    assert [one.gas for one in ledger.drawing(book.desk(), "generator")] == ["nitrogen"]
    assert [one.gas for one in ledger.drawing(book.desk(), "bank")] == ["co2"]


def test_only_what_came_after_the_sample_counts_and_what_was_under_way_by_its_share() -> None:
    book = Book()
    first_s = book.mono_s
    book.dose()
    book.go(108.0)  # 90 nl at 50 nl/min
    book.report("1-1", "delivered", 90.0)
    book.go(60.0)
    book.dose("co2", 30.0, source="bank")
    book.go(36.0)
    book.report("1-2", "delivered", 30.0, gas="co2")
    assert [gas for gas, _ in ledger.given_nl(book.desk(), "e1", first_s)] == ["nitrogen", "co2"], "oldest first"
    assert book.given_nl(first_s) == pytest.approx(120.0)
    assert book.given_nl(first_s + 54.0) == pytest.approx(45.0 + 30.0)
    assert book.given_nl(first_s + 108.0) == pytest.approx(30.0)
    assert book.given_nl(book.mono_s) == 0.0


def test_a_dose_that_is_reported_late_ended_with_its_report_and_took_as_long_as_its_flow_needs() -> None:
    book = Book()
    book.dose(volume_nl=25.0)  # 30 s at 50 nl/min
    book.go(60.0)
    book.report("1-1", "delivered", 25.0)
    assert book.given_nl(1000.0 + 30.0) == pytest.approx(25.0)
    assert book.given_nl(1000.0 + 45.0) == pytest.approx(12.5)


def test_every_dose_since_any_believed_sample_is_still_in_the_book() -> None:
    """A sample is believed for two hours at most (settings' ceiling); the book keeps six."""
    book = Book()
    taken_s = book.mono_s
    for _ in range(110):
        book.report(book.dose(), "delivered", 90.0)
        book.go(120.0)
        if book.mono_s - taken_s <= 7200.0:
            assert book.given_nl(taken_s - 1.0) == pytest.approx(90.0 * len(book.kept.doses))
    for _ in range(200):
        book.go(120.0)
        book.report(book.dose(), "delivered", 90.0)
    assert len(book.kept.doses) < 200, "the book does not grow for ever"


# ------------------------------------------------------------------------------------------------ in the core


def test_a_dose_without_a_word_delays_the_next_and_is_not_given_again() -> None:
    """The valve may have given it all: the plan goes on from there, and only a sample shows otherwise."""
    bench = corekit.sealed()
    bench.run(300, until=lambda: bool(bench.requests()))
    first = bench.requests()[0]
    bench.hardware = "silent"
    bench.owed.clear()
    wanted_nl = bench.core.state.enclosures["e1"].wanted_nl["nitrogen"]
    bench.cell["line-1"] = None  # and no sample shows anything new
    bench.run(int(LEASE_S + SETTLE_S) + 5)
    assert bench.said("dose_unknown")[0].figures["request_id"] == first.request_id
    asked = sum(one.volume_nl for one in bench.requests()[1:])
    assert bench.core.state.enclosures["e1"].wanted_nl["nitrogen"] + asked == pytest.approx(wanted_nl)


def test_the_ledger_survives_dump_and_load_in_the_middle_of_a_dose() -> None:
    from supervisor.core.site import Core

    bench = corekit.sealed()
    bench.run(300, until=lambda: bool(bench.requests()))
    bench.run(20)
    before = ledger.given_nl(bench.desk(), "e1", 0.0)
    bench.core = Core.load(bench.site, bench.core.dump())
    assert ledger.given_nl(bench.desk(), "e1", 0.0) == before
    assert ledger.running(bench.desk(), "e1", "nitrogen").request_id == bench.requests()[0].request_id
    assert bench.core.state.open_doses == {bench.requests()[0].request_id: "e1"}


def test_what_a_valve_gave_within_an_hour_counts_until_the_hour_is_over() -> None:
    book = Book()
    book.report(book.dose(), "aborted", 40.0)
    book.go(1800.0)
    book.dose()
    assert ledger.within_nl(book.desk(), "e1", "nitrogen", 3600.0) == 40.0 + VOLUME_NL, "one that runs counts whole"
    assert ledger.within_nl(book.desk(), "e1", "co2", 3600.0) == 0.0
    book.go(1801.0)
    assert ledger.within_nl(book.desk(), "e1", "nitrogen", 3600.0) == VOLUME_NL, "unknown counts as given"
