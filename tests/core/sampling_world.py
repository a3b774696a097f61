"""Analysers and lines in miniature: no plant, no messages. A visit takes what its line takes and brings a sample; what the
samples say, and what gas is given on them, the test decides.
"""

import tomllib
from collections.abc import Callable
from typing import Any

from coresite import SITE_TEXT

from supervisor.core import fit, sampling
from supervisor.core.desk import Desk
from supervisor.core.state import Dose, Enclosure, Sample, SiteState
from supervisor.settings import SiteFile
from supervisor.values import Now, State

BEGUN_S = 1000.0
WALL_S = 1_790_000_000.0
TICK_S = 10.0
STEP_S = 30.0  # how far this world moves while an analyser has nothing to do


def site_of(lines: dict[str, list[dict[str, Any]]], volumes_nl: dict[str, float], **sampling_keys: float) -> SiteFile:
    """A site of these enclosures, each `e` on line `line-e`; `lines` of each analyser by its id, besides what else it has."""
    data = tomllib.loads(SITE_TEXT)
    model = data["enclosure"][0]
    data["enclosure"] = [
        {**model, "id": name, "line": f"line-{name}", "free_volume_nl": nl} for name, nl in volumes_nl.items()
    ]
    data["analyser"] = [{"id": name, "unit": "gw-plant", "idle_line": "idle", "lines": own} for name, own in lines.items()]
    data["timing"] = {"tick_s": TICK_S}
    data["sampling"] = sampling_keys
    return SiteFile.model_validate(data)


class World:
    """`late_s` is how much longer a visit takes than its line's times. A line in `blocked` gives no sample, an analyser in
    `dead` says nothing, and without a link nobody hears any. `on_sample` may change the state after each sample.
    """

    def __init__(self, site: SiteFile, states: dict[str, State], late_s: float = 5.0) -> None:
        self.site, self.state, self.late_s = site, SiteState(), late_s
        fit.fit(site, self.state)
        self.mono_s = self.state.trusted_mono_s = BEGUN_S
        self.state.link_up = True
        for analyser in self.state.analysers.values():
            analyser.heard_mono_s, analyser.status = BEGUN_S, "ok"
        for name, one in states.items():
            self.state.enclosures[name].state = one
            self.state.enclosures[name].since_mono_s = BEGUN_S
        self.blocked: list[str] = []
        self.dead: list[str] = []
        self.visits: list[tuple[float, str, str]] = []
        self.ages_s: dict[str, list[tuple[float, float]]] = {name: [] for name in site.enclosures}
        self.drawn: dict[str, list[tuple[float, float]]] = {name: [] for name in site.enclosures}
        self.on_sample: Callable[[str, Enclosure], None] = lambda name, kept: None

    def desk(self) -> Desk:
        return Desk(self.site, self.state, Now(self.mono_s, WALL_S + self.mono_s))

    def run(self, seconds: float) -> None:
        """Time passes: from one end of a visit to the next, and by steps while an analyser has nothing to do."""
        end_s = self.mono_s + seconds
        while self.mono_s < end_s:
            desk = self.desk()
            for name in self.site.analysers:
                self._judge(desk, name)
            ends = [self._ends_s(name) for name in self.site.analysers if self.state.analysers[name].visit is not None]
            idle = len(ends) < len(self.site.analysers)
            self.mono_s = max(self.mono_s + 0.5, min([*ends, *([self.mono_s + STEP_S] if idle else [])]))

    def _judge(self, desk: Desk, name: str) -> None:
        analyser = self.state.analysers[name]
        if name not in self.dead and self.state.link_up:
            analyser.heard_mono_s, analyser.status = self.mono_s, "ok"
            if analyser.visit is not None and self.mono_s >= self._ends_s(name):
                self._arrives(name)
        before = analyser.visit
        sampling.judge(desk, name)
        if before is not None and analyser.visit is not before:
            enclosure = self.site.enclosure_of_line.get(before.line)
            if enclosure is not None:
                flow_nl_min = self.site.analysers[name].sample_flow_nl_min
                self.drawn[enclosure].append((self.mono_s, (self.mono_s - before.asked_mono_s) * flow_nl_min / 60.0))
        if analyser.visit is not None and analyser.visit is not before:
            self.visits.append((self.mono_s, name, analyser.visit.line))

    def _ends_s(self, name: str) -> float:
        visit = self.state.analysers[name].visit
        if visit is None:
            return self.mono_s
        if name in self.dead or visit.line in self.blocked or not self.state.link_up:
            return visit.until_mono_s
        return visit.asked_mono_s + self.site.lines[visit.line].visit_s + self.late_s

    def _arrives(self, name: str) -> None:
        visit = self.state.analysers[name].visit
        if visit is None or visit.line in self.blocked:
            return
        line = self.site.lines[visit.line]
        taken_mono_s = self.mono_s - line.transport_s
        enclosure = self.site.enclosure_of_line.get(line.id)
        if enclosure is None:
            self.state.analysers[name].seen_mono_s[line.id] = taken_mono_s
            return
        kept = self.state.enclosures[enclosure]
        known_mono_s = kept.sample.taken_mono_s if kept.sample is not None else BEGUN_S
        self.ages_s[enclosure].append((self.mono_s, self.mono_s - known_mono_s))
        kept.before, kept.sample = kept.sample, Sample(name, "b", 1, 3.0, 18.0, taken_mono_s, WALL_S + taken_mono_s)
        kept.visited_mono_s, kept.missed_visits = self.mono_s, 0
        self.on_sample(enclosure, kept)

    def oldest_s(self, name: str) -> float:
        """The greatest age that a sample of this enclosure has had, the one of now included."""
        kept = self.state.enclosures[name]
        now_s = self.mono_s - (kept.sample.taken_mono_s if kept.sample is not None else BEGUN_S)
        return max([now_s, *(age_s for _, age_s in self.ages_s[name])])

    def most_drawn_nl(self, name: str) -> float:
        """The most that any day of 24 hours took from this enclosure."""
        drawn = self.drawn[name]
        return max([sum(nl for at_s, nl in drawn if 0.0 <= at_s - begun_s < 86400.0) for begun_s, _ in drawn], default=0.0)


def given(name: str, gas: str, asked_mono_s: float, closed_mono_s: float, volume_nl: float = 50.0) -> Dose:
    """A dose that is in."""
    return Dose(f"{name}-{asked_mono_s}", name, gas, gas, volume_nl, 50.0, asked_mono_s, closed_mono_s,
                "delivered", volume_nl, closed_mono_s)  # type: ignore[arg-type]  # fmt: skip
