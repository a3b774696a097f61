"""The log of calibration from the audit: read back, printed, drawn; and the command that has a gas drawn."""

import json
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
from shellkit import EXAMPLE, T0

from supervisor import __main__ as cli
from supervisor.messages import at, rfc3339
from supervisor.shell.audit.calibration_picture import drawn
from supervisor.shell.audit.calibrations import log_of
from supervisor.shell.audit.chain import event_text
from supervisor.shell.audit.file import Told
from supervisor.shell.clock import Mark
from supervisor.shell.console import calibration as cli_calibration
from supervisor.shell.journal import Batch, Journal

DAY_S = 86_400.0


def result(day: float, gas: str, use: str, outcome: str, o2: float, co2: float, analyser: str = "analyser-1") -> Told:
    """`o2` and `co2` are by how much they were read too high."""
    figures = {
        "analyser": analyser, "gas": gas, "use": use, "line": f"line-{gas}", "certificate": "invented 1", "outcome": outcome,
        "by": "plan", "taken_at": rfc3339(at(T0 + day * DAY_S)), "o2_error_pct": o2, "co2_error_pct": co2, "o2_told_pct": o2,
        "co2_told_pct": co2, "o2_doubt_pct": 0.01, "co2_doubt_pct": 0.02, "o2_offset_pct": o2, "o2_gain": 1.0,
        "co2_offset_pct": 0.0, "co2_gain": 0.99, "o2_warn_pct": 0.1, "o2_action_pct": 0.2, "co2_warn_pct": 0.25,
        "co2_action_pct": 0.5,
    }  # fmt: skip
    return Told(0, rfc3339(at(T0 + day * DAY_S)), "calibration_result", figures)


def example() -> list[Told]:
    """Eight days of one analyser, and one gas of another."""
    entries = [result(day, "zero", "zero", "applied", 0.03 * day, 0.0) for day in range(6)]
    entries += [
        result(6.0, "zero", "zero", "waits for a decision", 0.9, 0.05),
        Told(0, rfc3339(at(T0 + 6.01 * DAY_S)), "readings_doubtful", {
            "analyser": "analyser-1", "gas": "zero", "since": rfc3339(at(T0 + 5 * DAY_S)),
            "until": rfc3339(at(T0 + 6 * DAY_S)), "o2_error_pct": 0.9, "co2_error_pct": 0.05,
        }),
        Told(0, rfc3339(at(T0 + 6.1 * DAY_S)), "calibration_decided", {
            "analyser": "analyser-1", "gas": "zero", "accepted": True, "operator": "B. Example", "words": "",
        }),
        result(7.0, "air", "span_o2", "applied", -0.15, 7.0),
        result(7.1, "carbon", "span_co2", "gas suspect", 7.0, -15.0),
        result(7.2, "mix", "check", "no drift", 0.01, 0.02),
        result(7.3, "zero", "zero", "no drift", 0.0, 0.0, "analyser-2"),
        Told(0, rfc3339(at(T0)), "alarm_raised", {"alarm": "sample_overdue-n1"}),
    ]  # fmt: skip
    return entries


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    journal = Journal.open(tmp_path / "state", "quillfen", "boot")
    for number, one in enumerate(example()):
        journal.commit(Batch(Mark(number, T0 + number, 0.0, "boot"), audit=[event_text(one.event, one.figures)]))
    journal.close()
    return tmp_path / "state"


@pytest.fixture
def type_in(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setenv("COLUMNS", "160")

    def run(*words: object) -> tuple[int, str, str]:
        try:
            status = cli.main([str(one) for one in words])
        except SystemExit as ended:
            status = ended.code
        return status, *capsys.readouterr()

    return run


# ------------------------------------------------------------------------------------------------ reading it back


def test_the_log_is_what_the_audit_holds_of_it() -> None:
    log = log_of(example())
    assert (len(log.drawn), len(log.doubtful), len(log.decided)) == (11, 1, 1)
    assert log.analysers == ["analyser-1", "analyser-2"]
    assert [one.outcome for one in log.drawn[5:8]] == ["applied", "waits for a decision", "applied"]
    assert log.doubtful[0].end_s - log.doubtful[0].begin_s == DAY_S
    assert (log.decided[0].operator, log.decided[0].accepted) == ("B. Example", True)
    assert len(log_of(example(), "analyser-2").drawn) == 1 and log_of(example(), "analyser-2").doubtful == []


@pytest.mark.parametrize(("use", "shown"), [("zero", (1, 1)), ("span_o2", (1, 0)), ("span_co2", (0, 1)), ("check", (1, 1))])
def test_a_span_gas_says_nothing_of_the_other_gas(use: str, shown: tuple[int, int]) -> None:
    one = log_of([result(0, "g", use, "applied", 0.1, 0.1)]).drawn[0]
    assert (one.shows("o2"), one.shows("co2")) == shown


# ------------------------------------------------------------------------------------------------ printed


def test_it_is_printed_with_what_was_found_done_and_decided(folder: Path, type_in) -> None:
    status, out, _ = type_in("calibration", folder)
    lines = [" ".join(line.split()) for line in out.splitlines()]
    assert status == 0 and "\x1b" not in out
    waits = "2026-09-04 10:40 analyser-1 zero (zero) +0.900 +0.050 waits for a decision 0.900, 1.0000 0.000, 0.9900 plan"
    assert waits in lines
    assert any("air (span_o2) -0.150 - applied" in one for one in lines), "of a span gas only its own"
    assert any("Doubtful: what analyser-1 read from 2026-09-03T10:40:00.000Z to 2026-09-04" in one for one in lines)
    assert any(one.endswith("B. Example accepted zero of analyser-1") for one in lines)
    assert "Stillhold is not a safety instrumented system" in " ".join(out.split())


def test_one_analyser_and_one_period(folder: Path, type_in) -> None:
    assert "analyser-1" not in type_in("calibration", folder, "analyser-2")[1]
    read = json.loads(type_in("calibration", folder, "analyser-1", "--json")[1])
    assert len(read["drawn"]) == 10 and read["drawn"][0]["certificate"] == "invented 1"
    assert read["doubtful"] == [
        {"analyser": "analyser-1", "gas": "zero", "since": "2026-09-03T10:40:00.000Z", "until": "2026-09-04T10:40:00.000Z"}
    ]
    assert read["decided"][0]["accepted"] is True and "not a safety instrumented system" in read["caution"]


def test_nothing_to_print_and_nowhere_to_write(folder: Path, tmp_path: Path, type_in) -> None:
    for words, part in (
        ((tmp_path / "none",), "there is no journal"),
        ((folder, "analyser-9"), "no calibration of analyser-9"),
        ((folder, "--since", "2027-01-01"), "no calibration in that time"),
        ((folder, "--picture", tmp_path / "p.svg"), "name one of analyser-1, analyser-2"),
        ((folder, "analyser-1", "--picture", tmp_path / "none" / "p.svg"), "p.svg"),
    ):
        status, out, err = type_in("calibration", *words)
        assert (status, out) == (2, "") and part in err, words


# ------------------------------------------------------------------------------------------------ drawn


def marks(root: ET.Element) -> list[tuple[str, str]]:
    """Shape and filling of every result that is drawn, without the legend's three."""
    found = []
    for one in root.iter():
        shape = one.tag.rpartition("}")[2]
        square = shape == "rect" and one.get("stroke") is not None
        if shape in ("circle", "polygon") or square:
            found.append(("square" if square else shape, one.get("fill")))
    return found[3:]


def test_the_picture_tells_by_shape_filling_and_words(folder: Path, tmp_path: Path, type_in) -> None:
    picture = tmp_path / "picture.svg"
    assert type_in("calibration", folder, "analyser-1", "--picture", picture)[0] == 0
    root = ET.fromstring(picture.read_text())
    found = marks(root)
    # Oxygen: seven zeros, the air span, the check; CO2: seven zeros, the CO2 span, the check.
    assert [shape for shape, _ in found].count("circle") == 14
    assert [shape for shape, _ in found].count("polygon") == 2 and [shape for shape, _ in found].count("square") == 2
    assert found.count(("circle", "#222222")) == 12 and found.count(("circle", "#ffffff")) == 2
    assert ("polygon", "#222222") in found and ("polygon", "#ffffff") in found
    words = [one.text or "" for one in root.iter() if one.tag.endswith("text")]
    assert "Calibration of analyser-1" in words and "+0.2" in words and "-0.5" in words
    assert "+0.90: waits for a decision" in words and "-15.00: gas suspect" in words
    assert sum(one.get("fill") == "url(#hatched)" for one in root.iter()) == 2, "doubtful, in both panels"
    assert "not a safety instrumented system" in " ".join(words)


def test_it_is_grey_and_stays_on_its_page() -> None:
    root = ET.fromstring(drawn(log_of(example()), "analyser-1", "a caution of two lines"))
    for one in root.iter():
        for name in ("fill", "stroke"):
            colour = one.get(name, "none")
            assert colour in ("none", "url(#hatched)") or len({colour[1:3], colour[3:5], colour[5:7]}) == 1, colour
        for name in ("x", "cx", "x1", "x2", "y", "cy", "y1", "y2"):
            most = 960.0 if "x" in name else float(root.get("height"))
            assert 0.0 <= float(one.get(name, 0.0)) <= most


def test_a_single_result_can_be_drawn() -> None:
    root = ET.fromstring(drawn(log_of([result(0, "z", "zero", "applied", 0.0, 0.0)]), "analyser-1", "a caution"))
    assert len(marks(root)) == 2


# ------------------------------------------------------------------------------------------------ the command


@pytest.fixture
def sent(monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, str, dict]]:
    """What would be sent; the link itself is tried in tests/system."""
    calls: list[tuple[str, str, dict]] = []
    monkeypatch.setattr(
        cli_calibration, "send", lambda args, action, target, **more: calls.append((action, target, more)) or 0
    )
    return calls


@pytest.mark.parametrize(
    ("words", "more"),
    [
        ([], {"gas": None, "decision": None}), (["--gas", "n2"], {"gas": "n2", "decision": None}),
        (["--accept"], {"gas": None, "decision": "accept"}), (["--refuse"], {"gas": None, "decision": "refuse"}),
    ],
    ids=str,
)  # fmt: skip
def test_what_is_typed_is_what_is_sent(words: list[str], more: dict, sent: list, type_in) -> None:
    assert type_in("calibrate", EXAMPLE, "analyser-1", *words)[0] == 0
    assert sent == [("calibrate", "analyser-1", more)]


def test_a_check_names_the_analyser_s_own_check_gas(tmp_path: Path, sent: list, type_in) -> None:
    assert type_in("calibrate", EXAMPLE, "analyser-1", "--check")[0] == 0
    assert sent == [("calibrate", "analyser-1", {"gas": "check-3-18", "decision": None})]
    status, _, err = type_in("calibrate", EXAMPLE, "nowhere", "--check")
    assert status == 2 and "there is no analyser nowhere" in err
    bare = tmp_path / "bare.toml"
    bare.write_text(EXAMPLE.read_text(encoding="utf-8").replace(', gas = "check-3-18"', ""), encoding="utf-8")
    status, _, err = type_in("calibrate", bare, "analyser-1", "--check")
    assert status == 2 and "draws no check gas" in err
    assert type_in("calibrate", EXAMPLE, "analyser-1", "--check", "--accept")[0] == 2, "one thing at a time"
