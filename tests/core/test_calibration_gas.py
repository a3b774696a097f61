"""Bottles of calibration gas: empty, wrong, too old, or the only one there is; and what is due."""

import tomllib

import pytest
from calibrationkit import (
    AIR,
    CHECK,
    CO2,
    DAY_S,
    GASES_TEXT,
    HOUR_S,
    ROOM_AIR,
    ZERO,
    Instrument,
    a_day_later,
    alarms,
    instrument,
    later,
    site_text,
    without,
)  # fmt: skip

from supervisor.core.site import Core
from supervisor.settings import SiteFile

# ------------------------------------------------------------------------------------------------ the gas itself


def test_an_empty_bottle_is_told_from_a_drifted_analyser() -> None:
    """Room air comes instead of nitrogen: the check gas is still read right, so nothing is changed and nobody is doubted."""
    bench = instrument()
    bench.there["gas-1"] = ROOM_AIR
    bench.retell()
    a_day_later(bench)
    assert bench.outcomes() == [(ZERO, "gas suspect")] and alarms(bench) == ["calibration_gas_suspect-zero-n2"]
    assert bench.cal.o2.offset_pct == 0.0 and bench.cal.untrue == ""
    told = bench.alarm("calibration_gas_suspect-zero-n2").text
    assert "20.95 % too high" in told and "check-mix on gas-4 is still read right" in told


@pytest.mark.parametrize(
    ("gas", "line", "there"),
    [(ZERO, "gas-1", (1.0, 0.0)), (AIR, "gas-2", (15.0, 0.0)), (CO2, "gas-3", ROOM_AIR), (CO2, "gas-3", (0.0, 0.0))],
)  # fmt: skip
def test_a_wrong_bottle_is_told_from_a_drifted_analyser(gas: str, line: str, there: tuple[float, float]) -> None:
    bench = instrument()
    bench.there[line] = there
    bench.retell()
    assert bench.command("calibrate", "az", gas=gas).accepted
    bench.run(600)
    assert bench.outcomes() == [(gas, "gas suspect")] and alarms(bench) == [f"calibration_gas_suspect-{gas}"]
    assert bench.cal.o2 == bench.cal.co2 == type(bench.cal.o2)()


def test_room_air_bears_witness_where_there_is_no_check_gas() -> None:
    bench = instrument(site_text(lines=without(CHECK)))
    bench.there["gas-1"] = (4.0, 0.0)
    bench.retell()
    a_day_later(bench)
    assert bench.outcomes() == [(ZERO, "gas suspect")]
    assert bench.lines_drawn()[:2] == ["gas-1", "gas-2"], "another bottle first, it is known better than room air"


def test_with_no_second_gas_at_all_a_person_has_to_tell() -> None:
    bench = instrument(site_text(lines=without(AIR, CO2, CHECK, "east-air")))
    bench.there["gas-1"] = ROOM_AIR
    bench.retell()
    a_day_later(bench)
    assert bench.outcomes() == [(ZERO, "beyond the action limit")]
    assert "no other gas could tell" in bench.alarm("analyser_drift-az").text and bench.cal.untrue
    refused = bench.command("calibrate", "az", decision="accept")
    assert not refused.accepted and bench.cal.o2.offset_pct == 0.0, "21 % is no offset that an instrument can have"


def test_room_air_alone_can_tell() -> None:
    bench = instrument(site_text(lines=without(AIR, CO2, CHECK)))
    bench.there["gas-1"] = (4.0, 0.0)
    bench.retell()
    a_day_later(bench)
    assert bench.outcomes() == [(ZERO, "gas suspect")]
    assert "room air on east-air is still read right" in bench.alarm("calibration_gas_suspect-zero-n2").text


def test_another_bottle_ends_the_suspicion() -> None:
    bench = instrument()
    bench.there["gas-1"] = ROOM_AIR
    bench.retell()
    a_day_later(bench)
    bench.site = SiteFile.model_validate(tomllib.loads(site_text(gases=GASES_TEXT.replace("invented Z-1", "invented Z-2"))))
    bench.core = Core.load(bench.site, bench.core.dump())
    bench.there["gas-1"] = (0.0, 0.0)
    bench.retell()
    bench.start(2)
    bench.run(30)
    assert not bench.alarm("calibration_gas_suspect-zero-n2").condition


def test_a_line_from_which_nothing_comes_is_told_at_once() -> None:
    bench = instrument()
    bench.go(DAY_S)
    bench.run(60, until=lambda: bench.line == "gas-1")
    bench.cell["gas-1"] = None
    for _ in range(20):
        bench.run(5)
        bench.read("gas-1", 3.1, 17.9, sample_flow_nl_min=0.02)
    told = bench.alarm("calibration_gas_suspect-zero-n2")
    assert told.condition and "no gas comes: 0.02 nl/min" in told.text
    assert bench.outcomes() == [] and bench.cal.o2.offset_pct == 0.0


def test_a_check_gas_that_is_off_asks_for_zero_and_span_which_put_it_right() -> None:
    bench = instrument(o2_offset=0.15, o2_slope=1.03)  # at 3 % 0.24 too high, beyond the action limit
    later(bench, 3 * HOUR_S)
    assert bench.command("calibrate", "az", gas=CHECK).accepted
    bench.run(1200)
    assert bench.outcomes()[:2] == [(CHECK, "to be drawn again after zero and span"), (ZERO, "applied")]
    # The span gas now shows 0.63: beyond twice, so a person decides, and the check gas shows no such thing at 3 %.
    assert (AIR, "waits for a decision") in bench.outcomes()
    assert bench.command("calibrate", "az", decision="accept").accepted
    bench.run(900)
    assert bench.outcomes()[-1] == (CHECK, "no drift")
    assert (bench.cal.o2.offset_pct, bench.cal.o2.gain) == pytest.approx((0.15, 1 / 1.03), abs=1e-4)


def test_a_check_gas_that_stays_off_after_good_zero_and_span_is_itself_suspect() -> None:
    bench = instrument()
    bench.there["gas-4"] = (3.4, 18.0)
    bench.retell()
    assert bench.command("calibrate", "az", gas=CHECK).accepted
    bench.run(1500)
    assert bench.outcomes()[-1] == (CHECK, "gas suspect") and alarms(bench) == ["calibration_gas_suspect-check-mix"]
    assert bench.cal.untrue == ""


def test_a_check_gas_alone_shows_drift_and_can_change_nothing() -> None:
    bench = instrument(site_text(lines=without(ZERO, AIR, CO2)), o2_offset=0.5)
    assert bench.command("calibrate", "az").accepted
    bench.run(300)
    assert bench.outcomes() == [(CHECK, "beyond the action limit")] and bench.cal.untrue
    refused = bench.command("calibrate", "az", decision="accept")
    assert not refused.accepted and "nothing to accept" in refused.reason


# ------------------------------------------------------------------------------------------------ certificates


def test_an_expired_gas_is_not_drawn_and_said_and_the_site_still_loads() -> None:
    old = site_text(gases=GASES_TEXT.replace("2026-12-31", "2026-09-20"))  # the bench's clock says 2026-09-21
    bench = Instrument(old).start()
    bench.step_s = 5.0
    bench.run(20 * 60)
    assert [gas for gas, _ in bench.outcomes()] == [AIR, CO2, CHECK]
    told = bench.alarm("calibration_gas_expired-zero-n2")
    assert told.condition and "invented Z-1 was good to 2026-09-20" in told.text
    refused = bench.command("calibrate", "az", gas=ZERO)
    assert not refused.accepted and "good to 2026-09-20" in refused.reason


def test_a_certificate_is_good_through_its_last_day() -> None:
    last = site_text(gases=GASES_TEXT.replace("2026-12-31", "2026-09-21"))
    bench = Instrument(last).start()
    bench.step_s = 5.0
    bench.run(20 * 60)
    assert (ZERO, "no drift") in bench.outcomes() and bench.alarm("calibration_gas_expired-zero-n2") is None
    a_day_later(bench)
    assert bench.alarm("calibration_gas_expired-zero-n2").condition


def test_due_is_told_low_and_overdue_medium_and_a_run_ends_both() -> None:
    bench = instrument()
    bench.shaking = ["gas-1"]
    for hours in (24, 3, 3, 3):
        later(bench, hours * HOUR_S)
    assert bench.alarm("calibration_due-az").condition and bench.alarm("calibration_due-az").priority == "low"
    assert "readings do not stand still" in bench.alarm("calibration_due-az").text
    for _ in range(5):
        later(bench, 4 * HOUR_S)
    assert not bench.alarm("calibration_due-az").condition
    assert bench.alarm("calibration_overdue-az").condition and bench.alarm("calibration_overdue-az").priority == "medium"
    bench.shaking = []
    assert bench.command("calibrate", "az", gas=ZERO).accepted
    bench.run(300)
    assert not bench.alarm("calibration_overdue-az").condition
