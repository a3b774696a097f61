"""What happens in one simulated run, all of it drawn from the seed."""

import random
from dataclasses import dataclass, replace

from simulator.crew import Act
from simulator.faults import targets_of
from simulator.kinds import Fault
from simulator.library import LIBRARY, drawn
from simulator.network_faults import NETWORK, network_targets
from tests.simulation.host_faults import HOST
from tests.simulation.site import ENCLOSURES, site

QUIET_S = 1800  # faults are over from here on
LASTS_S = (15.0, 1200.0)
SEAL_S = 120.0
# What mends itself in no hour, or stays: the season's affair (calibration decides), not this simulation's.
NOT_HERE = ("analyser_drift", "analyser_drift_co2", "analyser_drift_gain", "calibration_gas_empty", "calibration_gas_wrong")
COUNTS = (0, 1, 1, 2, 2, 3, 3, 4, 5, 7)


@dataclass(frozen=True)
class Plan:
    """`faults` of plant, network and host together; `acts` are what the crew does beside sealing."""

    seed: int
    faults: tuple[Fault, ...]
    acts: tuple[Act, ...]

    def of(self, table: object) -> list[Fault]:
        return [one for one in self.faults if one.name in table]  # type: ignore[operator]

    def without(self, index: int) -> "Plan":
        """One fault or act less, for finding the few that it takes."""
        faults, acts = list(self.faults), list(self.acts)
        if index < len(faults):
            del faults[index]
        else:
            del acts[index - len(faults)]
        return replace(self, faults=tuple(faults), acts=tuple(acts))

    def __len__(self) -> int:
        return len(self.faults) + len(self.acts)


def plan(seed: int) -> Plan:
    """The plan of a seed."""
    rng = random.Random(f"{seed}/plan")
    faults = tuple(_fault(rng) for _ in range(rng.choice(COUNTS)))
    return Plan(seed, faults, tuple(_acts(rng)))


def _fault(rng: random.Random) -> Fault:
    units = site().spec.units
    where = rng.random()
    if where < 0.3:
        names, targets = sorted(set(LIBRARY) - set(NETWORK) - set(NOT_HERE)), targets_of(site().spec)
        names = [one for one in names if targets.get(LIBRARY[one].on)]
        fault = drawn(rng.choice(names), targets, rng, 0.0)
    elif where < 0.65:
        kind = NETWORK[rng.choice(sorted(NETWORK))]
        fault = kind.draw(network_targets(units)[kind.on], rng, 0.0)
    else:
        kind = HOST[rng.choice(sorted(HOST))]
        fault = kind.draw(("supervisor",), rng, 0.0)
    start_s = round(rng.uniform(20.0, QUIET_S - 60.0), 1)
    lasts_s = LASTS_S[0] * (LASTS_S[1] / LASTS_S[0]) ** rng.random()
    size = float(round(fault.size)) if fault.name == "supervisor_killed" else fault.size
    return replace(fault, start_s=start_s, end_s=round(min(QUIET_S, start_s + lasts_s), 1), size=size)


def _acts(rng: random.Random) -> list[Act]:
    acts = []
    if rng.random() < 0.5:
        at_s, room = rng.uniform(200.0, QUIET_S - 300.0), rng.choice([one.id for one in site().spec.rooms])
        minutes, stays_s = rng.randint(3, 12), rng.uniform(60.0, 900.0)
        people = {"people": ["mara", "sol"]}
        acts.append(Act(at_s, "enter", room, {**people, "standby": "ono", "minutes": minutes}))
        acts.append(Act(at_s + stays_s, "leave", room, people))
    if rng.random() < 0.2:
        acts.append(Act(rng.uniform(300.0, QUIET_S - 300.0), "stop", rng.choice(ENCLOSURES)))
    if rng.random() < 0.1:
        acts.append(Act(rng.uniform(300.0, QUIET_S - 300.0), "calibrate", "analyser-1"))
    return acts
