"""One day of one site under one policy: what became of the fruit, the gas, the samples and the crew's waiting.

Before the day all that is held is sampled and declared held by the supervisor, whatever the policy, so that the plants of one
seed are the same to the last bit when the day begins, and the crew with it.
"""

from collections import Counter
from dataclasses import dataclass, field

from simulator.assumed import Cadence
from simulator.crew import Act, Schedule
from supervisor.messages import CommandOutcome, EnclosureState, SelectLine
from supervisor.shell.engine import Outgoing
from supervisor.values import Publish, Row, Say
from tests.benchmarks import sites
from tests.benchmarks.meter import Metered
from tests.benchmarks.pulldown import least
from tests.benchmarks.sharing_policies import BEFORE, sharing
from tests.benchmarks.sharing_sites import Size, badly_tied, build, crew_of_the_day, fill_held, held_before
from tests.inprocess import START_S

STEP_S, LOOK_S = 10.0, 60.0
CADENCE = Cadence(status_s=20.0, air_s=15.0, climate_s=3600.0, pulp_s=3600.0, bag_s=3600.0, flow_s=600.0, source_s=60.0)
SEAL_HELD_S = 120.0
HELD_WITHIN_S = 8 * 3600.0
GASES = ("nitrogen", "co2", "air")


@dataclass
class Sealed:
    """One enclosure's day, by the crew's hands and the supervisor's word; seconds since the plant's start."""

    sealed_s: float
    held_s: float | None = None
    least_nitrogen_nl: float = 0.0
    nitrogen_nl: float = 0.0


@dataclass
class Day:
    """What one day came to. Looks are at the plant's truth; ages are those of samples of whatever stands sealed."""

    policy: str
    seed: int
    hours: float
    enclosures: int
    ended_s: float = 0.0
    looks: int = 0
    in_band: int = 0
    new_looks: int = 0
    new_in_band: int = 0
    since_seal_looks: int = 0
    since_seal_in_band: int = 0
    oldest_s: float = 0.0
    oldest_name: str = ""
    fruit_kg: float = 0.0
    gas_nl: dict[str, float] = field(default_factory=dict)
    drawn_nl: float = 0.0
    drawn_share_max: float = 0.0
    visits: int = 0
    sealed: dict[str, Sealed] = field(default_factory=dict)
    nitrogen_full_share: float = 0.0
    trouble: Counter[str] = field(default_factory=Counter)


class SharedSite(Metered):
    """Keeps of what leaves only what is measured, and encodes only what the plant listens to: large sites say much."""

    def __init__(self, size: Size, seed: int) -> None:
        self.states: dict[str, EnclosureState] = {}
        self.sampled_s: dict[str, float] = {}
        self.oldest: tuple[float, str] = (0.0, "")
        self.held_s: dict[str, float] = {}
        self.trouble: Counter[str] = Counter()
        self.drawn_nl: Counter[str] = Counter()
        self.visits = 0
        self.held = held_before(size)
        crew = Schedule(tuple(Act(SEAL_HELD_S, "seal", name) for name in self.held))
        super().__init__(sites.as_toml(build(size)), seed=seed, step_s=STEP_S, cadence=CADENCE, crew=crew,
                         faults=badly_tied(size))  # fmt: skip
        fill_held(self.plant, self.site, self.held, seed)
        self._meter_draws()

    @property
    def elapsed_s(self) -> float:
        return self.plant.now_s - START_S

    def _leave(self, one: Outgoing) -> None:
        if isinstance(one, Row):
            return
        if isinstance(one, Say):
            if one.event in ("guard_refused", "visit_without_sample", "dose_not_delivered", "dose_unknown"):
                self.trouble[one.event] += 1
        elif isinstance(one, Publish) and isinstance(one.body, EnclosureState):
            self._see(one.names[0], one.body)
        elif isinstance(one, Publish) and not isinstance(one.body, SelectLine | CommandOutcome):
            return
        else:
            self.visits += isinstance(one, Publish) and isinstance(one.body, SelectLine)
            super()._leave(one)

    def _see(self, name: str, state: EnclosureState) -> None:
        self.states[name] = state
        if state.state == "filling":
            return
        if state.state == "holding":
            self.held_s.setdefault(name, self.elapsed_s)
        self.trouble["faulted"] += state.state == "faulted"
        sampled_s = None if state.sampled_at is None else state.sampled_at.timestamp() - START_S
        before_s = self.sampled_s.get(name, state.since.timestamp() - START_S)
        if sampled_s is None or sampled_s <= before_s:
            self.sampled_s.setdefault(name, before_s)
            return
        self.age(name)
        self.sampled_s[name] = sampled_s

    def age(self, name: str) -> None:
        """Its sample, as old as it is now; never sampled counts from the seal."""
        self.oldest = max(self.oldest, (self.elapsed_s - self.sampled_s[name], name))

    def _meter_draws(self) -> None:
        """What the analyser takes out of each enclosure."""
        name_of = {one.line: one.id for one in self.site.enclosure}
        for analyser in self.plant.analysers.values():
            draw, began_s = analyser._drawn, {}

            def metered(line: str, more_nl_min: float, draw=draw, began_s=began_s) -> None:
                draw(line, more_nl_min)
                if line not in name_of:
                    return
                if more_nl_min > 0.0:
                    began_s[line] = self.plant.now_s
                else:
                    self.drawn_nl[name_of[line]] += -more_nl_min * (self.plant.now_s - began_s.pop(line)) / 60.0

            analyser._drawn = metered


def live(size: Size, policy: str, seed: int, hours: float) -> Day:
    """The whole day. Raises RuntimeError when what should be held before it was never seen."""
    with sharing(BEFORE):
        site = SharedSite(size, seed)
        _hold(site)
    with sharing(policy):
        return _day(site, size, Day(policy, seed, hours, size.enclosures))


def _hold(site: SharedSite) -> None:
    """Until all is held, or as long as that may take: where one analyser is too slow for it, all has at least been seen."""
    while any(site.states[name].state != "holding" for name in site.held) and site.elapsed_s < HELD_WITHIN_S:
        site.run_to(site.elapsed_s + LOOK_S)
    if any(site.states[name].sampled_at is None for name in site.held):
        raise RuntimeError(f"not everything was sampled within {HELD_WITHIN_S / 3600:g} h")


def _day(site: SharedSite, size: Size, day: Day) -> Day:
    began_s = site.elapsed_s
    for act in crew_of_the_day(size):
        site.plant.crew.plan(act)
        day.sealed[act.target] = Sealed(began_s + act.at_s)
    before_nl = dict(site.meter.given_nl)
    site.drawn_nl.clear()
    site.visits, site.oldest, site.trouble = 0, (0.0, ""), Counter()
    full_s = 0.0
    while site.elapsed_s < began_s + day.hours * 3600.0 - 1e-6:
        site.run_to(site.elapsed_s + LOOK_S)
        generator = site.plant.sources["generator"]
        full_s += LOOK_S * (generator.flow_nl_min > 0.95 * generator.capacity_nl_min)
        _look(site, day)
    for name in site.sampled_s:
        site.age(name)
    day.oldest_s, day.oldest_name = site.oldest
    day.ended_s = site.elapsed_s
    day.nitrogen_full_share = full_s / (day.hours * 3600.0)
    day.gas_nl = {
        gas: sum(nl - before_nl.get(key, 0.0) for key, nl in site.meter.given_nl.items() if key[1] == gas) for gas in GASES
    }
    day.fruit_kg = sum(one.fruit_kg for one in site.site.enclosure)
    day.drawn_nl, day.visits, day.trouble = sum(site.drawn_nl.values()), site.visits, site.trouble
    day.drawn_share_max = max(
        nl / site.site.enclosures[name].free_volume_nl / (day.hours / 24.0) for name, nl in site.drawn_nl.items()
    )
    return day


def _look(site: SharedSite, day: Day) -> None:
    """The truth now; and, of enclosures declared held since the last look, what that took."""
    for name in site.held:
        day.looks += 1
        day.in_band += _in_band(site, name)
    for name, one in day.sealed.items():
        if one.held_s is None and (held_s := site.held_s.get(name)) is not None:
            one.held_s = held_s
            one.nitrogen_nl = site.meter.given_nl[name, "nitrogen"]
            one.least_nitrogen_nl = _least_nitrogen_nl(site, name)
        if site.elapsed_s < one.sealed_s:
            continue
        in_band = _in_band(site, name)
        day.since_seal_looks += 1
        day.since_seal_in_band += in_band
        if one.held_s is not None:
            day.new_looks += 1
            day.new_in_band += in_band


def _in_band(site: SharedSite, name: str) -> bool:
    recipe = site.site.recipe_of(name)
    o2_pct, co2_pct = site.plant.gas(name)
    return abs(o2_pct - recipe.o2_pct) <= recipe.o2_band_pct and abs(co2_pct - recipe.co2_pct) <= recipe.co2_band_pct


def _least_nitrogen_nl(site: SharedSite, name: str) -> float:
    """The closed-form minimum from room air: to the set-points or to what is there now, whichever needs less."""
    inside, recipe, flows = site.plant.enclosures[name], site.site.recipe_of(name), site.site.enclosures[name].flow_nl_min_max
    source = site.site.source_of(name, "nitrogen")
    fixed = source.o2_pct, inside.nominal_nl, inside.relief_nl, flows.nitrogen, flows.co2  # type: ignore[union-attr]
    goals = (recipe.o2_pct, recipe.co2_pct), site.plant.gas(name)
    return min(least(*goal, *fixed).nitrogen_nl for goal in goals)
