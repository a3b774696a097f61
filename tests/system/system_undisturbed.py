"""What a scenario takes when nothing is killed: the same engine and plant with the same seed, coupled in one process."""

from inprocess import InProcess
from system_drill import Drill

from simulator.crew import load_schedule
from simulator.faults import load_faults

# By how much more than in the undisturbed scenario may be given. One doubled nitrogen lease would be 90 nl of some 570 (16 %),
# one doubled CO2 lease 36 nl of some 70 (51 %). Less is given the longer nobody doses, because the fruit breathes the oxygen
# away meanwhile (7 % less after eight kills): that side is bounded too, but as wide as such waits may be.
NITROGEN_SHARE, CO2_SHARE = 0.08, 0.25
LESS_SHARE = 0.25


def hold_gas(given_nl: float, usual_nl: float, gas: str, where: str) -> None:
    """Nothing was given twice, and nothing was forgotten."""
    more = NITROGEN_SHARE if gas == "nitrogen" else CO2_SHARE
    least_nl, most_nl = (1.0 - LESS_SHARE) * usual_nl, (1.0 + more) * usual_nl
    assert least_nl <= given_nl <= most_nl, f"{given_nl} nl {gas} to {where}, usually {usual_nl}"


def undisturbed_nl(drill: Drill, *enclosures: str) -> dict[tuple[str, str], float]:
    """Normal litres by enclosure and gas until all `enclosures` are held. Raises AssertionError when they never are."""
    crew, faults = load_schedule(drill.folder / "crew.toml"), load_faults(drill.folder / "faults.toml")
    site = InProcess(drill.site_path.read_text(encoding="utf-8"), crew=crew, faults=faults, step_s=1.0)
    for until_s in range(60, 7200, 60):
        site.run_to(until_s)
        if until_s > 600 and {site.state(name)["state"] for name in enclosures} == {"holding"}:
            return dict(site.requested_nl)
    raise AssertionError("the scenario itself does not end")
