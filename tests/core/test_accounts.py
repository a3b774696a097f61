"""Gas accounts: worked by hand, and totals that nothing can make wrong: repeats, late words, restarts, unknown ends."""

import corekit
import pytest
from accountskit import DAY_S, SOURCE, Office
from CoolProp.CoolProp import PropsSI
from coresite import SITE_TEXT, site_with
from hypothesis import given, settings
from hypothesis import strategies as st

from supervisor.core import accounts, books, ledger
from supervisor.core.books import Amounts
from supervisor.core.site import Core
from supervisor.values import Row, Say, Started


def test_the_densities_are_those_of_the_pure_gases_at_normal_conditions() -> None:
    """CoolProp's equations of state: Span et al. 2000 (N2), Span and Wagner 1996 (CO2), Lemmon et al. 2000 (air)."""
    for gas, fluid in (("nitrogen", "Nitrogen"), ("co2", "CarbonDioxide"), ("air", "Air")):
        kg_m3 = PropsSI("D", "T", 273.15, "P", 101_325.0, fluid)
        assert books.KG_PER_NL[gas] * 1000.0 == pytest.approx(kg_m3, abs=5e-5), gas


def test_each_outcome_by_hand() -> None:
    office = Office()
    office.report(office.ask(), "delivered", 89.0)
    office.report(office.ask(), "aborted", 40.0)
    office.report(office.ask(), "refused", 0.0)
    assert office.season() == Amounts(delivered_nl=129.0, unknown_nl=0.0, not_given_nl=1.0 + 50.0 + 90.0)
    last = office.ask()
    office.report(last, "progress", 30.0)
    assert office.season().delivered_nl == 129.0, "what runs is not over"
    office.go(131.0)
    assert office.season() == Amounts(129.0 + 30.0, 60.0, 141.0) and office.season().given_nl == 219.0
    assert office.books.sources["generator"].season == office.season()


def test_a_late_word_corrects_and_adds_nothing() -> None:
    office = Office()
    one = office.ask()
    office.go(131.0)
    assert office.season() == Amounts(0.0, 90.0, 0.0)
    office.report(one, "progress", 20.0)
    assert office.season() == Amounts(20.0, 70.0, 0.0), "so much has certainly come"
    for _ in range(3):
        office.report(one, "aborted", 35.0)
    assert office.season() == Amounts(35.0, 0.0, 55.0) == office.books.sources["generator"].season


def test_what_a_valve_gives_beyond_its_request_is_delivered_too() -> None:
    office = Office()
    office.report(office.ask(volume_nl=50.0), "delivered", 53.0)
    assert office.season() == Amounts(53.0, 0.0, 0.0)


def test_what_the_guard_refused_is_in_no_account() -> None:
    office = Office()
    ledger.strike(office.desk(), "e1", office.ask())
    office.go(200.0)
    assert office.books.enclosures == {} and office.books.sources == {}


def test_a_day_is_a_day_in_utc_and_a_dose_is_of_the_day_on_which_it_ended() -> None:
    office = Office()
    office.go(16 * 3600.0 - 60.0)  # 23:59
    unknown = office.ask()
    over = office.ask(gas="co2")
    office.go(90.0)
    office.report(over, "delivered", 90.0, gas="co2")
    office.go(41.0)
    day = office.books.enclosures["e1"].days
    assert day == {20_701: {"nitrogen": Amounts(0.0, 90.0, 0.0), "co2": Amounts(90.0, 0.0, 0.0)}}
    office.go(DAY_S / 8)
    office.report(unknown, "delivered", 90.0)
    assert day[20_701]["nitrogen"] == Amounts(90.0, 0.0, 0.0), "corrected where it was booked"
    rows = [one for one in office.effects if isinstance(one, Row) and one.measurement == "gas_day"]
    assert {one.wall_s for one in rows} == {20_701 * DAY_S}, "a row is of its day's beginning, so that the newest counts"
    assert dict(rows[-1].tags) == {"enclosure": "e1", "gas": "nitrogen"}
    assert dict(rows[-1].fields) == {
        "delivered_nl": 90.0, "unknown_nl": 0.0, "not_given_nl": 0.0, "given_kg": pytest.approx(90.0 * 1.2504e-3),
    }  # fmt: skip


def test_a_late_word_after_midnight_corrects_the_day_before() -> None:
    office = Office()
    office.go(16 * 3600.0 - 300.0)
    unknown = office.ask()
    office.go(131.0)
    office.go(3600.0)
    office.report(unknown, "aborted", 10.0)
    assert office.books.enclosures["e1"].days == {20_700: {"nitrogen": Amounts(10.0, 0.0, 80.0)}}
    assert office.books.sources["generator"].days == {20_700: Amounts(10.0, 0.0, 80.0)}


def test_a_lease_that_ended_before_midnight_is_of_that_day_although_nobody_knew_it_then() -> None:
    office = Office()
    office.go(16 * 3600.0 - 125.0)
    office.ask()
    office.go(131.0)  # its end is 5 s before midnight, its last word was waited for until 6 s after
    assert office.books.enclosures["e1"].days == {20_700: {"nitrogen": Amounts(0.0, 90.0, 0.0)}}


def test_a_word_that_says_nothing_new_writes_no_row() -> None:
    office = Office()
    one = office.ask()
    office.go(131.0)
    for _ in range(3):
        office.report(one, "progress", 20.0)
    assert len([row for row in office.effects if isinstance(row, Row) and row.measurement == "gas_day"]) == 2


def test_a_day_that_is_older_than_all_that_are_kept_is_not_begun_again() -> None:
    """As after a clock that was set back. The season has it all the same."""
    office = Office()
    for _ in range(14):
        office.report(office.ask(), "delivered", 10.0)
        office.go(DAY_S)
    office.ahead_s -= 100 * DAY_S
    office.effects.clear()
    office.report(office.ask(), "delivered", 10.0)
    assert min(office.books.enclosures["e1"].days) == 20_700 and len(office.books.enclosures["e1"].days) == 14
    assert not [row for row in office.effects if isinstance(row, Row) and row.measurement == "gas_day"]
    assert office.season().delivered_nl == 150.0 and min(office.books.sources["generator"].days) == 20_614


def test_the_books_stay_bounded_and_the_season_stays_whole() -> None:
    office = Office()
    for _ in range(500):
        office.report(office.ask(), "delivered", 10.0)
        office.go(DAY_S)
    for _ in range(20):
        accounts.seal(office.desk(), "e1", None)
        accounts.unseal(office.desk(), "e1")
    book, source = office.books.enclosures["e1"], office.books.sources["generator"]
    assert len(book.days) == 14 and min(book.days) == 20_700 + 486
    assert len(source.days) == 400 and len(book.fillings) == 8 and book.fillings[-1].number == 20
    assert office.season().delivered_nl == 5000.0 and sum(one.delivered_nl for one in source.days.values()) == 4000.0


# ------------------------------------------------------------------------------------------------ fillings and seasons


def test_a_filling_is_from_seal_to_open_and_has_its_lot() -> None:
    office = Office()
    accounts.seal(office.desk(), "e1", "P-17")
    office.report(office.ask(), "delivered", 90.0)
    meant = office.ask()
    accounts.unseal(office.desk(), "e1")
    office.go(10.0)
    accounts.seal(office.desk(), "e1", None)
    office.report(office.ask(gas="co2", volume_nl=20.0), "delivered", 20.0, gas="co2")
    office.report(meant, "aborted", 5.0)
    first, second = office.books.enclosures["e1"].fillings
    assert (first.lot, first.fruit_kg, first.gases) == ("P-17", 600.0, {"nitrogen": Amounts(95.0, 0.0, 85.0)})
    assert first.opened_wall_s is not None and second.opened_wall_s is None
    assert (second.number, second.lot, second.gases) == (2, "", {"co2": Amounts(20.0, 0.0, 0.0)})
    assert office.books.enclosures["e1"].fruit_kg == 1200.0
    assert [one["nitrogen_delivered_nl"] for one in office.said("filling_corrected")] == [95.0], "what came after it was opened"


def test_a_filling_says_what_it_was_given_and_what_was_corrected_later() -> None:
    office = Office()
    accounts.seal(office.desk(), "e1", "P-17")
    office.report(office.ask(), "delivered", 90.0)
    unknown = office.ask()
    office.go(131.0)
    accounts.unseal(office.desk(), "e1")
    office.report(unknown, "delivered", 90.0)
    said = {one.event: one.figures for one in office.effects if isinstance(one, Say) and one.event.startswith("filling")}
    lot = {"enclosure": "e1", "filling": 1, "lot": "P-17", "fruit_kg": 600.0}
    assert said["filling_opened"] == lot | {"nitrogen_delivered_nl": 90.0, "nitrogen_unknown_nl": 90.0}
    assert said["filling_corrected"] == lot | {"nitrogen_delivered_nl": 180.0, "nitrogen_unknown_nl": 0.0}


def test_each_opening_ends_the_last_filling_once_and_needs_one() -> None:
    office = Office()
    accounts.unseal(office.desk(), "e1")
    office.report(office.ask(), "delivered", 90.0)
    accounts.unseal(office.desk(), "e1")
    assert office.said("filling_opened") == []
    opened_at = []
    for _ in range(2):
        office.go(100.0)
        accounts.seal(office.desk(), "e1", None)
        office.report(office.ask(volume_nl=50.0), "delivered", 49.96, "e1")
        office.go(100.0)
        accounts.unseal(office.desk(), "e1")
        opened_at.append(office.desk().now.wall_s)
        office.go(100.0)
        accounts.unseal(office.desk(), "e1")
    fillings = office.books.enclosures["e1"].fillings
    assert [one.opened_wall_s for one in fillings] == opened_at
    assert [(one["filling"], one["nitrogen_delivered_nl"]) for one in office.said("filling_opened")] == [(1, 50.0), (2, 50.0)]


def test_gas_that_was_asked_for_before_the_first_seal_is_of_no_filling() -> None:
    office = Office()
    early = office.ask()
    office.go(1.0)
    accounts.seal(office.desk(), "e1", None)
    office.report(early, "aborted", 5.04)
    assert office.books.enclosures["e1"].fillings[0].gases == {} and office.season().delivered_nl == 5.04


def test_the_lot_comes_with_the_seal_or_from_the_site_file() -> None:
    bench = corekit.ready(site_with(**{'id = "e1"\n': 'id = "e1"\nlot = "from-the-file"\n'}))
    bench.command("seal", "e1")
    bench.command("seal", "e2", lot="P-18")
    assert not bench.command("seal", "e2", lot="P-19").accepted
    lots = {name: [one.lot for one in book.fillings] for name, book in bench.core.state.books.enclosures.items()}
    assert lots == {"e1": ["from-the-file"], "e2": ["P-18"]}


def test_opening_ends_the_filling() -> None:
    bench = corekit.ready()
    bench.cell["line-1"] = (20.5, 0.1)
    bench.command("seal", "e1", lot="P-20")
    bench.run(200)
    bench.command("vent", "e1")
    bench.run(900, until=lambda: bench.core.state.enclosures["e1"].breathable_samples >= 2)
    assert corekit.opened(bench, "e1").accepted
    filling = bench.core.state.books.enclosures["e1"].fillings[0]
    assert filling.opened_wall_s == bench.wall_s and bench.said("filling_opened")[0].figures["lot"] == "P-20"
    assert filling.sampled_nl > 0.0


def test_a_new_season_opens_new_books_and_an_old_word_corrects_none_of_them() -> None:
    office = Office(Core(site_with(**{'id = "bench"\n': 'id = "bench"\nseason = "first"\n'})))
    accounts.seal(office.desk(), "e1", "P-20")
    accounts.unseal(office.desk(), "e1")
    accounts.seal(office.desk(), "e1", "P-21")
    office.report(office.ask(), "delivered", 90.0)
    accounts.seal(office.desk(), "e2", "P-22")
    accounts.unseal(office.desk(), "e2")
    office.report(office.ask("w1"), "delivered", 10.0, "w1")
    unknown = office.ask()
    office.go(131.0)
    running = office.ask()
    office.core = Core.load(site_with(**{'id = "bench"\n': 'id = "bench"\nseason = "second"\n'}), office.core.dump())
    office.core.step(Started(office.desk().now, 2, "again"))
    begun_wall_s = office.desk().now.wall_s
    office.go(10.0)
    office.core.step(Started(office.desk().now, 3, "and again"))
    assert (office.books.season, office.books.begun_wall_s) == ("second", begun_wall_s)
    assert list(office.books.enclosures) == ["e1"], "what was opened, or never sealed, begins with nothing"
    office.report(unknown, "aborted", 10.0)
    assert office.books.enclosures["e1"].season == {}
    office.report(running, "delivered", 70.0)
    assert office.season().delivered_nl == 70.0
    (filling,) = office.books.enclosures["e1"].fillings
    assert office.books.enclosures["e1"].fruit_kg == 600.0
    assert filling.lot == "P-21" and filling.gases["nitrogen"].delivered_nl == 160.0, "what is sealed stays one filling"


def test_what_the_site_file_loses_keeps_its_account_and_its_open_request_counts_as_given() -> None:
    office = Office()
    office.core.step(Started(office.desk().now, 1, "bench"))
    office.report(office.ask("e2"), "aborted", 60.0, "e2")
    office.ask("e2", volume_nl=30.0)
    head, tail = SITE_TEXT.split('[[enclosure]]\nid = "e2"', 1)
    cut = head + tail[tail.index("[[enclosure]]") :]
    office.core = Core.load(site_with(**{SITE_TEXT: cut}), office.core.dump())
    assert office.season("e2") == Amounts(60.0, 30.0, 30.0) == office.books.sources["generator"].season
    assert list(office.books.enclosures["e2"].days) == [20_700]
    assert "e2" not in office.core.state.enclosures


def test_sample_gas_is_counted_by_what_the_analyser_draws() -> None:
    bench = corekit.ready()
    bench.cell["line-1"] = (20.9, 0.04)
    bench.command("seal", "e1")
    bench.line, bench.line_until_s = "idle", 0.0
    before_nl = accounts_of(bench).sampled_nl
    for seconds in (5.0, 5.0, 60.0):
        bench.go(seconds)
        bench.read("line-1", sample_flow_nl_min=1.5)
    assert accounts_of(bench).sampled_nl - before_nl == pytest.approx(1.5 * 70.0 / 60.0)
    bench.go(60.5)
    bench.read("line-1", sample_flow_nl_min=1.5)
    bench.go(5.0)
    bench.read("line-1", seq=bench.seq["az"], sample_flow_nl_min=1.5)
    assert accounts_of(bench).sampled_nl - before_nl == pytest.approx(1.75), "silence draws nothing, a repeat nothing either"
    bench.read("line-1", boot="a2", seq=1)
    assert accounts_of(bench).sampled_nl - before_nl == pytest.approx(1.75 + 5.0 / 60.0), "by the site file where it tells none"


def test_sample_gas_is_of_the_filling_that_is_sealed() -> None:
    bench = corekit.Bench().start()
    bench.read("line-1")

    def draw() -> list[float]:
        bench.go(30.0)
        bench.read("line-1", sample_flow_nl_min=1.0)
        return [one.sampled_nl for one in accounts_of(bench).fillings]

    assert draw() == []
    accounts.seal(bench.desk(), "e1", None)
    assert draw() == [0.5]
    accounts.unseal(bench.desk(), "e1")
    assert draw() == [0.5]
    accounts.seal(bench.desk(), "e1", None)
    assert draw() == [0.5, 0.5] and accounts_of(bench).sampled_nl == 2.0


def test_the_first_reading_of_all_draws_nothing_and_a_line_without_an_enclosure_is_nobody_s() -> None:
    bench = corekit.Bench().start()
    bench.read("line-1")
    bench.go(5.0)
    bench.read("idle")
    assert bench.core.state.books.enclosures == {}


def accounts_of(bench: corekit.Bench) -> books.EnclosureBook:
    return bench.core.state.books.enclosures.setdefault("e1", books.EnclosureBook())


# ------------------------------------------------------------------------------------------------ conservation

FINAL = ("delivered", "refused", "aborted")
WORDS = st.tuples(st.sampled_from(("accepted", "progress", "delivered", "refused", "aborted")), st.floats(0.0, 150.0))
DEEDS = st.one_of(
    st.tuples(st.just("ask"), st.sampled_from(("e1", "e2", "w1")), st.sampled_from(("nitrogen", "co2")), st.floats(2.0, 150.0)),
    st.tuples(st.just("report"), st.integers(0, 60), WORDS),
    st.tuples(st.just("go"), st.sampled_from((1.0, 60.0, 131.0, 7200.0, 90_000.0))),
    st.tuples(st.sampled_from(("seal", "unseal")), st.sampled_from(("e1", "e2", "w1"))),
    st.tuples(st.just("reload")),
)


def total(amounts: list[Amounts]) -> list[float]:
    return [sum(one[place] for one in amounts) for place in range(3)]


@given(st.lists(DEEDS, max_size=60))
@settings(max_examples=60, deadline=None)
def test_totals_are_conserved_whatever_happens(deeds: list[tuple]) -> None:
    """Every request is booked by the last thing that was known of it while it was remembered, once, in every account."""
    office, asked, known = Office(), [], {}
    for what, *rest in deeds:
        if what == "ask":
            enclosure, gas, volume_nl = rest
            if gas not in office.core.state.enclosures[enclosure].running:
                asked.append((office.ask(enclosure, gas, volume_nl), enclosure, gas, volume_nl, office.mono_s))
                known[asked[-1][0]] = ["open", 0.0]
        elif what == "report" and asked:
            number, (outcome, delivered_nl) = rest
            request_id, enclosure, gas, _, _ = asked[number % len(asked)]
            told = known[request_id]
            if request_id in office.core.state.enclosures[enclosure].doses and told[0] not in FINAL:
                told[1] = max(told[1], delivered_nl)
                if outcome in FINAL:
                    told[0] = outcome
            office.report(request_id, outcome, delivered_nl, enclosure, gas)
        elif what == "go":
            office.go(*rest)
            for request_id, _, _, _, asked_s in asked:
                if known[request_id][0] == "open" and office.mono_s > asked_s + 120.0 + 10.0:
                    known[request_id][0] = "unknown"
        elif what == "seal":
            accounts.seal(office.desk(), rest[0], "lot")
        elif what == "unseal":
            accounts.unseal(office.desk(), rest[0])
        else:
            office.reload()
    expected: dict[str, list[Amounts]] = {"generator": [], "bank": []}
    for request_id, _, gas, volume_nl, _ in asked:
        outcome, delivered_nl = known[request_id]
        rest_nl = max(0.0, volume_nl - delivered_nl)
        if outcome != "open":
            unknown = outcome == "unknown"
            expected[SOURCE[gas]].append(Amounts(delivered_nl, rest_nl if unknown else 0.0, 0.0 if unknown else rest_nl))
    for gas in ("nitrogen", "co2"):
        wanted = pytest.approx(total(expected[SOURCE[gas]]), abs=1e-6)
        enclosures = [book.season[gas] for book in office.books.enclosures.values() if gas in book.season]
        days = [day[gas] for book in office.books.enclosures.values() for day in book.days.values() if gas in day]
        source = office.books.sources.get(SOURCE[gas], books.SourceBook())
        assert total(enclosures) == wanted and list(source.season) == wanted
        if office.mono_s < 14 * DAY_S:
            assert total(days) == wanted and total(list(source.days.values())) == wanted
    before = office.books
    office.reload()
    assert office.books == before
