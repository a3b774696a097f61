"""An analyser that drifts, in a whole site: what calibration does for the fruit, and what a bad bottle does not do.

Drift and plan are sped up some hundred times: an hour here is days there.
"""

import json

import pytest
from inprocess import EXAMPLE, InProcess, acts

from simulator.faults import Fault
from supervisor.messages import at, rfc3339
from supervisor.shell.audit.calibration_picture import drawn
from supervisor.shell.audit.calibrations import log_of
from supervisor.shell.audit.events import Auditor
from supervisor.shell.audit.file import Told

HOUR_S = 3600.0
BAND_PCT = 0.5  # of n1's oxygen, by the example's recipe
# 20 % a day is 0.125 in nine minutes: between two zeros it stays within the action limit of 0.2.
DRIFT = Fault("analyser_drift", "analyser-1", HOUR_S, size=-20.0)
CREW = acts((180, "seal", "n1"))


def planned(**hours: float) -> str:
    """The example with another plan; what is not named is never drawn."""
    text = EXAMPLE.read_text(encoding="utf-8")
    for key, old in (("zero_every_h", "24"), ("span_every_h", "168"), ("check_every_h", "168")):
        text = text.replace(f"{key} = {old}", f"{key} = {hours.get(key, 0.0):g}", 1)
    return text


def raised(site: InProcess) -> list[str]:
    return [str(one.figures["alarm"]) for one in site.events("alarm_raised")]


def calibration(site: InProcess):
    return site.engine._core.state.analysers["analyser-1"].calibration


def worst_pct(site: InProcess, until_s: float) -> float:
    """The farthest that n1's true oxygen strays from its set-point, from shortly after it is held."""
    worst = 0.0
    for minute in range(70, int(until_s / 60.0) + 1, 5):
        site.run_to(60.0 * minute)
        worst = max(worst, abs(site.plant.gas("n1")[0] - 5.0))
    return worst


def test_calibration_holds_the_true_gas_in_its_band_while_the_analyser_drifts(run_site) -> None:
    site = run_site(site_text=planned(zero_every_h=0.15), faults=[DRIFT], crew=CREW)
    assert worst_pct(site, 2.05 * HOUR_S) < BAND_PCT
    drift_pct = site.plant.analysers["analyser-1"].drift.o2_pct
    assert drift_pct < -0.8 and calibration(site).o2.offset_pct == pytest.approx(drift_pct, abs=0.2)
    assert raised(site) == [] and site.events("guard_refused") == []
    assert site.state("n1")["o2_pct"] == pytest.approx(site.plant.gas("n1")[0], abs=0.25)


def test_without_it_the_true_gas_drifts_out_and_nobody_sees_it(run_site) -> None:
    """What makes the test above one that can fail."""
    site = run_site(site_text=planned(), faults=[DRIFT], crew=CREW)
    assert worst_pct(site, 2.05 * HOUR_S) > 1.3 * BAND_PCT
    assert abs(site.state("n1")["o2_pct"] - 5.0) < BAND_PCT and raised(site) == []


def test_gain_and_offset_of_both_gases_are_found_in_a_plant_with_noise(run_site) -> None:
    """Half an hour of drift, then a zero and both spans are asked for."""
    faults = [
        Fault("analyser_drift", "analyser-1", 900, 2700, size=6.0),
        Fault("analyser_drift_co2", "analyser-1", 900, 2700, size=-12.0),
        Fault("analyser_drift_gain", "analyser-1", 900, 2700, size=24.0),
    ]  # fmt: skip
    site = run_site(site_text=planned(), faults=faults, crew=acts())
    site.run_to(2700)
    ask(site, "calibrate", "analyser-1")
    site.run_to(4500)
    drift = site.plant.analysers["analyser-1"].drift
    assert (drift.o2_pct, drift.co2_pct, drift.gain_pct) == pytest.approx((0.125, -0.25, 0.5), abs=0.005)
    cal = calibration(site)
    assert cal.o2.offset_pct == pytest.approx(0.125, abs=0.02) and cal.co2.offset_pct == pytest.approx(-0.25, abs=0.03)
    assert cal.o2.gain == pytest.approx(1 / 1.005, abs=0.002)
    assert cal.co2.gain == 1.0, "0.5 % of 15 is less than what that bottle is known to"
    assert [one.figures["outcome"] for one in site.events("calibration_result")][-1] in ("no drift", "seen")


@pytest.mark.parametrize("nothing_comes", [0.0, 1.0], ids=["room air comes", "nothing comes"])
def test_an_empty_bottle_changes_nothing(run_site, nothing_comes: float) -> None:
    empty = Fault("calibration_gas_empty", "zero-n2", 1200, size=nothing_comes)
    site = run_site(site_text=planned(zero_every_h=0.5), faults=[empty], crew=acts())
    site.run_to(3600)
    assert raised(site) == ["calibration_gas_suspect-zero-n2"]
    assert abs(calibration(site).o2.offset_pct) < 0.05 and calibration(site).untrue == ""


def test_a_wrong_bottle_changes_nothing(run_site) -> None:
    site = run_site(
        site_text=planned(zero_every_h=0.5), faults=[Fault("calibration_gas_wrong", "zero-n2", 1200, size=2.0)], crew=acts()
    )
    site.run_to(3600)
    assert raised(site) == ["calibration_gas_suspect-zero-n2"]
    assert abs(calibration(site).o2.offset_pct) < 0.05


def test_a_jump_beyond_twice_the_limit_waits_for_a_person_and_survives_a_crash(run_site) -> None:
    entries, auditor = [], Auditor()
    site = run_site(
        site_text=planned(zero_every_h=0.5), faults=[Fault("analyser_drift", "analyser-1", 900, 1800, size=50.0)], crew=acts(),
    )  # fmt: skip
    watched = site.tap

    def tap(event, made) -> None:
        watched(event, made)
        for text in auditor.entries(event, made):
            one = json.loads(text)
            entries.append(Told(0, rfc3339(at(event.now.wall_s)), one["event"], one["figures"]))

    site.tap = tap
    site.run_to(3000)
    assert "analyser_drift-analyser-1" in raised(site)
    assert [one for one in site.rows if one.measurement == "calibration_mark"]
    untrue = calibration(site).untrue
    assert untrue and calibration(site).pending.judged
    site.crash()
    assert calibration(site).untrue == untrue
    site.run_to(3100)
    ask(site, "calibrate", "analyser-1", decision="accept")
    site.run_to(3600)
    drift_pct = site.plant.analysers["analyser-1"].drift.o2_pct
    assert calibration(site).untrue == "" and calibration(site).o2.offset_pct == pytest.approx(drift_pct, abs=0.05)
    log = log_of(entries)
    assert [one.outcome for one in log.drawn][-2:] == ["applied", "seen"] or log.drawn[-1].outcome == "no drift"
    assert len(log.doubtful) == 1 and log.decided[0].accepted
    assert "waits for a decision" in drawn(log, "analyser-1", "a caution"), "the real entries can be drawn"


def ask(site: InProcess, action: str, target: str, **more: str) -> None:
    """An operator's command, over the wire."""
    body = {"command_id": f"t-{site.mono_s}", "issued_at": rfc3339(at(site.now.wall_s)), "operator": "ida"}
    site.hear("operator/command", json.dumps(body | {"action": action, "target": target} | more).encode())
    outcome = [one.figures for one in site.events("command")][-1]
    assert outcome["accepted"], outcome["reason"]
