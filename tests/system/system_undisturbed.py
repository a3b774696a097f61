"""What a scenario takes when nothing is killed: the same engine and plant with the same seed, coupled in one process."""

from inprocess import InProcess
from system_drill import Drill

from simulator.crew import load_schedule
from simulator.faults import load_faults

# How far the gas given may part from that of the undisturbed scenario. One doubled nitrogen lease would be 90 nl of some 570
# (16 %), one doubled CO2 lease 36 nl of some 70 (51 %). What a crash costs is little: while nobody doses, the fruit
# breathes and the bag leaks for some minutes, and where a bag stands when its last purge ends decides how it is trimmed.
NITROGEN_SHARE, CO2_SHARE = 0.08, 0.25


def undisturbed_nl(drill: Drill, *enclosures: str) -> dict[tuple[str, str], float]:
    """Normal litres by enclosure and gas until all `enclosures` are held. Raises AssertionError when they never are."""
    crew, faults = load_schedule(drill.folder / "crew.toml"), load_faults(drill.folder / "faults.toml")
    site = InProcess(drill.site_path.read_text(encoding="utf-8"), crew=crew, faults=faults, step_s=1.0)
    for until_s in range(60, 7200, 60):
        site.run_to(until_s)
        if until_s > 600 and {site.state(name)["state"] for name in enclosures} == {"holding"}:
            return dict(site.requested_nl)
    raise AssertionError("the scenario itself does not end")
