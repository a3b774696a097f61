"""`stillhold gas` over a journal on disk: the tables, their sums by hand, prices, days, lots, and the forecast."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from controller import Controller
from inprocess import EXAMPLE, acts

from supervisor import __main__ as cli
from supervisor.core import books, site
from supervisor.core.books import Amounts, EnclosureBook, Filling, Reckoning, Refill, SourceBook, Stock
from supervisor.core.site import Core
from supervisor.shell import engine
from supervisor.shell.clock import Mark
from supervisor.shell.engine import Engine
from supervisor.shell.journal import Batch, Journal
from supervisor.values import Now, Started, Ticked
from tests.benchmarks.meter import Meter

DAY_S = 86_400.0
DAY = 20_700  # 2026-09-04
NOW = Now(10 * DAY_S, (DAY + 9) * DAY_S + 3600.0)


def accounts() -> books.Books:
    """Nine days of two enclosures. Nitrogen is 0.12 for 1,000 nl, CO2 0.45 a kilogram in the example."""
    n2, co2 = Amounts(1000.0, 0.0, 50.0), Amounts(90.0, 10.0, 0.0)
    first = EnclosureBook(
        {"nitrogen": Amounts(9000.0, 0.0, 450.0), "co2": Amounts(810.0, 90.0, 0.0)},
        {DAY + n: {"nitrogen": n2, "co2": co2} for n in range(9)},
        [Filling(1, "Q-001", 500.0, 0.0, DAY * DAY_S, (DAY + 4) * DAY_S, {"nitrogen": Amounts(4000.0), "co2": Amounts(400.0)}),
         Filling(2, "Q-002", 400.0, 4.5 * DAY_S, (DAY + 4.5) * DAY_S, None, {"nitrogen": Amounts(5000.0)})],
        fruit_kg=900.0, sampled_nl=120.0,
    )  # fmt: skip
    second = EnclosureBook(
        {"nitrogen": Amounts(500.0)}, {DAY + 8: {"nitrogen": Amounts(500.0)}},
        [Filling(1, "Q-002", 600.0, 8.0 * DAY_S, (DAY + 8) * DAY_S, None, {"nitrogen": Amounts(500.0)})], fruit_kg=600.0,
    )  # fmt: skip
    stock = Stock(
        [120.0] * 3, 120.0, 165.0, DAY, 120.0, refilled_kg=60.0, refills=[Refill((DAY + 3) * DAY_S, 60.0)],
        losses_kg={DAY + n: (0.0, 12.0, 11.0, 13.0, 12.0, 10.0, 14.0, 12.0, 12.0)[n] for n in range(9)},
        begun=Reckoning(DAY * DAY_S, 0.0, Amounts(), 0.0),
    )  # fmt: skip
    return books.Books(
        "2026", DAY * DAY_S, {"n1": first, "n2": second},
        {"generator": SourceBook("nitrogen", Amounts(9500.0, 0.0, 450.0), {DAY + 8: Amounts(1500.0, 0.0, 50.0)}),
         "bank": SourceBook("co2", Amounts(810.0, 90.0, 0.0), {DAY + 8: co2}, stock)},
    )  # fmt: skip


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A journal whose newest snapshot holds those books."""
    core = Core(_site())
    core.step(Started(NOW, 1, "bench"))
    core.step(Ticked(NOW))
    core.state.books = accounts()
    running = Engine(_site())
    running._core = core
    journal = Journal.open(tmp_path / "state", "quillfen", "boot")
    journal.commit(Batch(Mark(NOW.mono_s, NOW.wall_s, 0.0, "boot"), snapshot=running.dump()))
    journal.close()
    return tmp_path / "state"


def _site() -> site.SiteFile:
    from supervisor.sitefile import load

    return load(EXAMPLE)


Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def gas(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Run:
    monkeypatch.setenv("COLUMNS", "160")

    def run(*words: object) -> tuple[int, str, str]:
        status = cli.main(["gas", *map(str, words)])
        out = capsys.readouterr()
        return status, out.out, out.err

    return run


def lines_of(out: str) -> set[str]:
    return {" ".join(line.split()) for line in out.splitlines()}


def test_for_a_person(gas: Run, folder: Path) -> None:
    status, out, _ = gas(EXAMPLE, folder)
    assert status == 0 and "\x1b" not in out
    assert lines_of(out) >= {
        "Gas of Quillfen soft-fruit store (invented example), season 2026 since 2026-09-04 00:00, as written down "
        "2026-09-13 01:00 UTC",
        "generator nitrogen 9500.0 11.88 0.0 450.0 1.14",
        "bank co2 900.0 1.78 90.0 0.0 0.80",
        "n1 nitrogen 9000.0 11.25 0.0 450.0 1.08 10.000",
        "co2 900.0 1.78 90.0 0.0 0.80 1.000",
        "n2 nitrogen 500.0 0.63 0.0 0.0 0.06 0.833",
        "Q-001 (500 kg, n1 2026-09-04 to 2026-09-08) nitrogen 4000.0 5.00 0.0 0.0 0.48 8.000",
        "Q-002 (1000 kg, n1 2026-09-08 to now, n2 2026-09-12 to now) nitrogen 5500.0 6.88 0.0 0.0 0.66 5.500",
        "2026-09-12 generator 1500.0 1.88 0.0 50.0 0.18",
        "bank: 120.0 kg in stock, reserve 20 kg. Since 2026-09-04 00:00 UTC 105.0 kg went out, 1.8 kg are booked, "
        "+103.2 kg unexplained; 1 refills",
        "order by 2026-09-17: a delivery takes 3 days",
    }  # fmt: skip
    assert "reserve reached between 2026-09-20 and 2026-09-22 (90 % interval, 12.00 kg a day by 8 days)" in out
    assert out.count("Not a safety instrumented system") == 4
    assert "Stillhold is not a safety instrumented system" in " ".join(out.split())


def test_one_table(gas: Run, folder: Path) -> None:
    for table, heads in (("source", "source"), ("enclosure", "enclosure"), ("lot", "lot"), ("day", "day")):
        status, out, _ = gas(EXAMPLE, folder, "--by", table)
        assert status == 0 and out.count("of it unknown nl") == 1 and f"\n  {heads} " in out, table
        assert "order by 2026-09-17" in out


def test_the_same_for_a_program(gas: Run, folder: Path) -> None:
    status, out, _ = gas(EXAMPLE, folder, "--json")
    read = json.loads(out)
    assert status == 0 and "not a safety instrumented system" in read["caution"]
    n1 = next(one for one in read["by_enclosure"] if one["enclosure"] == "n1")
    assert n1["gases"]["co2"] == {
        "delivered_nl": 810.0, "unknown_nl": 90.0, "not_given_nl": 0.0, "given_nl": 900.0, "given_kg": 1.7791, "cost": 0.8,
    }  # fmt: skip
    assert n1["cost"] == pytest.approx(1.88) and n1["sampled_nl"] == 120.0 and n1["fruit_kg"] == 900.0
    (stock,) = read["stocks"]
    assert stock["refills"] == [{"at": "2026-09-07T00:00:00.000Z", "added_kg": 60.0}]
    assert stock["forecast"]["reserve_in_days_middle"] == pytest.approx(100.0 / 12.0, abs=0.01)
    assert [one["lot"] for one in read["by_lot"]] == ["Q-001", "Q-002"]
    assert read["currency"] == "EUR" and read["as_of"] == "2026-09-13T01:00:00.000Z"


def test_since_a_day(gas: Run, folder: Path) -> None:
    read = json.loads(gas(EXAMPLE, folder, "--json", "--since", "2026-09-11")[1])
    given = {one["enclosure"]: one["gases"]["nitrogen"]["given_nl"] for one in read["by_enclosure"]}
    assert given == {"n1": 2000.0, "n2": 500.0}
    assert all(one["nl_per_kg_fruit"] is None for one in read["by_enclosure"]), "not all of a filling's gas"
    assert [one["lot"] for one in read["by_lot"]] == ["Q-002"] and [one["day"] for one in read["by_day"]] == ["2026-09-12"]
    _, out, _ = gas(EXAMPLE, folder, "--since", "2026-09-01")
    assert "since 2026-09-01" in out and "Days before 2026-09-12 are not kept of every enclosure" in out


def test_without_prices_nothing_costs(gas: Run, folder: Path, tmp_path: Path) -> None:
    plain = tmp_path / "plain.toml"
    keep = [line for line in EXAMPLE.read_text(encoding="utf-8").splitlines() if not line.startswith(("price_", "order_lead"))]
    plain.write_text("\n".join(keep), encoding="utf-8")
    read = json.loads(gas(plain, folder, "--json")[1])
    assert {one["cost"] for one in read["by_enclosure"] + read["by_source"] + read["by_lot"]} == {None}
    assert read["stocks"][0]["forecast"]["order_by"] is None and read["stocks"][0]["forecast"]["reserve_on_earliest"]


def test_what_the_site_file_has_lost_is_still_told(gas: Run, folder: Path, tmp_path: Path) -> None:
    text = EXAMPLE.read_text(encoding="utf-8")
    head, tail = text.split('[[enclosure]]\nid = "n2"', 1)
    less = tmp_path / "less.toml"
    less.write_text(head + tail[tail.index("[[enclosure]]") :], encoding="utf-8")
    read = json.loads(gas(less, folder, "--json")[1])
    assert {one["enclosure"]: one["in_site_file"] for one in read["by_enclosure"]} == {"n1": True, "n2": False}


def test_what_cannot_be_read_is_said_with_the_way_back(gas: Run, tmp_path: Path) -> None:
    status, _, err = gas(EXAMPLE, tmp_path / "nowhere")
    assert status == 2 and "there is no journal" in err
    Journal.open(tmp_path / "new", "quillfen", "boot").close()
    status, _, err = gas(EXAMPLE, tmp_path / "new")
    assert status == 2 and "nothing is written down yet" in err
    status, _, err = gas(tmp_path / "no.toml", tmp_path / "new")
    assert status == 2 and "no.toml" in err
    with pytest.raises(SystemExit):
        cli.main(["gas", str(EXAMPLE), str(tmp_path / "new"), "--since", "yesterday"])


def test_a_snapshot_of_a_version_without_accounts_is_said(gas: Run, folder: Path) -> None:
    import sqlite3

    with sqlite3.connect(folder / "journal.sqlite") as db:
        (blob,) = db.execute("SELECT blob FROM snapshots").fetchone()
        core = json.loads(engine.snapshot_of_core(blob))
        del core["books"]
        kept = engine._Snapshot.model_validate_json(blob)
        kept.core = json.dumps(core).encode()
        db.execute("UPDATE snapshots SET blob = ?", (_dumped(kept),))
    db.close()
    status, _, err = gas(EXAMPLE, folder)
    assert status == 2 and "kept no gas accounts" in err


def _dumped(kept: "engine._Snapshot") -> bytes:
    import base64

    parts = {name: base64.b64encode(getattr(kept, name)).decode() for name in ("core", "guard", "watch")}
    return json.dumps(parts).encode()


def test_the_journal_of_a_controller_that_was_killed_in_the_middle_of_doses(gas: Run, tmp_path: Path) -> None:
    """The real loop on disk. Read while it runs, and after an end in order, when it holds all that the valves said."""
    meter, example = Meter(), EXAMPLE.read_text(encoding="utf-8")
    running = Controller(tmp_path / "state", example, crew=acts((180, "seal", "n1"), (200, "seal", "s4")),
                         heard=lambda at_s, topic, body: meter.see(topic, body), step_s=10.0)  # fmt: skip
    for second, away_s in ((500, 20.0), (700, 200.0)):
        running.run_to(second)
        running.kill(away_s)
    running.run_to(1800)
    live = json.loads(gas(EXAMPLE, tmp_path / "state", "--json")[1])
    assert live["by_source"][0]["given_nl"] > 0.0 and live["as_of"] <= "2026-03-01T00:30:00.000Z"
    running.run_to(2400)
    assert running.end() == 0
    read = json.loads(gas(EXAMPLE, tmp_path / "state", "--json")[1])
    told = {(one["enclosure"], kind): figures for one in read["by_enclosure"] for kind, figures in one["gases"].items()}
    assert {where for where, nl in meter.given_nl.items() if nl > 0.0} <= told.keys()
    for where, figures in told.items():
        so_far_nl = figures["delivered_nl"] - meter.given_nl[where]  # of doses without a last word, what they had told
        assert so_far_nl == pytest.approx(0.0, abs=0.01) if figures["unknown_nl"] == 0.0 else so_far_nl > -0.01, where
    unknown = [where for where, figures in told.items() if figures["unknown_nl"] > 0.0]
    assert 0 < len(unknown) < len(told), "what ended while nobody listened, and no more"
