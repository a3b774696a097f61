"""A recorded run of the core: every event it was given and every effect it answered with, against the simulated plant."""

from functools import cache

import coresite
from inprocess import InProcess, acts

from simulator.faults import Fault
from supervisor.core.site import Core
from supervisor.settings import SiteFile
from supervisor.values import Effect, Event, LinkChanged

Story = list[tuple[Event, list[Effect]]]


class _Recorder(Core):
    def __init__(self, site: SiteFile) -> None:
        super().__init__(site)
        self.story: Story = []

    def step(self, event: Event) -> list[Effect]:
        effects = super().step(event)
        self.story.append((event, effects))
        return effects


@cache
def recorded() -> Story:
    """An hour and a half: three seals, a sensor's fault, a silent unit, a vent, a lost link and its return."""
    crew = acts((180, "seal", "e1"), (200, "seal", "e2"), (260, "seal", "w1"), (3000, "vent", "e2"))
    faults = [Fault("sensor_fault", "east/door", 2000.0, 2040.0), Fault("unit_off", "gw-west", 2600.0, 2700.0)]
    site = InProcess(coresite.SITE_TEXT, seed=7, crew=crew, faults=faults)
    core = _Recorder(site.site)
    site.engine._core = core
    site.start()
    site.run_to(4000)
    site.step(LinkChanged(site.now, False))
    site.run_to(4060)
    site.step(LinkChanged(site.now, True))
    site.run_to(5400)
    return core.story
