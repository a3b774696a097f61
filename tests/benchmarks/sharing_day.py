"""One day of one site under one policy: what became of the fruit, the gas, the samples and the crew's waiting.

Before the day the supervisor has once sampled all that is held, whatever the policy, so that the plants of one seed are the
same to the last bit when the day begins, and the crew with it.
"""

from collections import Counter
from dataclasses import dataclass, field

from simulator.assumed import Cadence
from simulator.crew import Schedule
from supervisor.core import sample_bound
from supervisor.core.desk import Desk
from supervisor.core.state import Sample
from supervisor.messages import CommandOutcome, EnclosureState, SelectLine
from supervisor.shell.engine import Outgoing
from supervisor.values import Now, Publish, Row, Say
from tests.benchmarks import sites
from tests.benchmarks.meter import Metered
from tests.benchmarks.pulldown import least
from tests.benchmarks.sharing_policies import BEFORE, sharing
from tests.benchmarks.sharing_sites import Size, badly_tied, build, crew_of_the_day, fill_held, held_before
from tests.inprocess import START_S

STEP_S, LOOK_S, PROMISE_S = 10.0, 60.0, 600.0
CADENCE = Cadence(status_s=20.0, air_s=15.0, climate_s=3600.0, pulp_s=3600.0, bag_s=3600.0, flow_s=600.0, source_s=60.0)
SEEN_WITHIN_S = 12 * 3600.0
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
    over_bound: float = 0.0
    over_bound_words: str = ""
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
        self.oldest_s, self.over_bound, self.bounds_s = 0.0, (0.0, ""), {}
        self.held_s: dict[str, float] = {}
        self.trouble: Counter[str] = Counter()
        self.drawn_nl: Counter[str] = Counter()
        self.visits = 0
        self.held, self._seed = held_before(size), seed
        super().__init__(sites.as_toml(build(size)), seed=seed, step_s=STEP_S, cadence=CADENCE,
                         crew=Schedule(), faults=badly_tied(size))  # fmt: skip
        self._meter_draws()

    @property
    def elapsed_s(self) -> float:
        return self.plant.now_s - START_S

    def start(self) -> None:
        """The supervisor starts with what is held already, as from a snapshot: last sampled just before, to be seen again."""
        fill_held(self.plant, self.site, self.held, self._seed)
        state, then = self.engine._core.state, Now(self.now.mono_s - 1.0, self.now.wall_s - 1.0)
        analyser = self.site.analyser[0].id
        for name in self.held:
            kept, gas = state.enclosures[name], self.plant.gas(name)
            kept.state, kept.since_mono_s, kept.since_wall_s = "holding", then.mono_s, then.wall_s
            kept.sample = Sample(analyser, "before", 1, *gas, then.mono_s, then.wall_s)
            self.engine._guard._memory.kept.sealed[name] = True
        super().start()

    def leave(self, one: Outgoing) -> None:
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
            super().leave(one)

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
        age_s = self.elapsed_s - self.sampled_s[name]
        self.oldest_s = max(self.oldest_s, age_s)
        if name in self.bounds_s:
            if age_s > self.bounds_s[name]:
                self.promise()  # something was sealed since it was last asked: a round takes longer
            words = f"{name}, {age_s / 60.0:.1f} of {self.bounds_s[name] / 60.0:.1f} min"
            self.over_bound = max(self.over_bound, (age_s / self.bounds_s[name], words))

    def promise(self) -> None:
        """Asks the supervisor what age it keeps each sample below from now on."""
        desk = Desk(self.site, self.engine._core.state, self.now)
        for analyser in self.site.analysers:
            jobs, bound_s = sample_bound.jobs(desk, analyser)
            self.bounds_s |= {job.enclosure: sample_bound.bound_of_s(desk, job.enclosure, bound_s) for job in jobs}

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
    """The whole day. Raises RuntimeError when something is not sampled before it."""
    with sharing(BEFORE):
        site = SharedSite(size, seed)
        _see_all(site)
    with sharing(policy):
        return _day(site, size, Day(policy, seed, hours, size.enclosures))


def _see_all(site: SharedSite) -> None:
    """Until all that is held has been sampled since the start."""
    while any(site.sampled_s.get(name, -1.0) < 0.0 for name in site.held):
        if site.elapsed_s > SEEN_WITHIN_S:
            raise RuntimeError(f"not everything was sampled within {SEEN_WITHIN_S / 3600:g} h")
        site.run_to(site.elapsed_s + LOOK_S)


def _day(site: SharedSite, size: Size, day: Day) -> Day:
    began_s = site.elapsed_s
    for act in crew_of_the_day(size):
        site.plant.crew.plan(act)
        day.sealed[act.target] = Sealed(began_s + act.at_s)
    before_nl = dict(site.meter.given_nl)
    site.drawn_nl.clear()
    site.visits, site.oldest_s, site.trouble = 0, 0.0, Counter()
    full_s, promised_s = 0.0, began_s
    while site.elapsed_s < began_s + day.hours * 3600.0 - 1e-6:
        if "rotation" not in day.policy and site.elapsed_s >= promised_s:
            site.promise()
            promised_s += PROMISE_S
        site.run_to(site.elapsed_s + LOOK_S)
        generator = site.plant.sources["generator"]
        full_s += LOOK_S * (generator.flow_nl_min > 0.95 * generator.capacity_nl_min)
        _look(site, day)
    for name in site.sampled_s:
        site.age(name)
    day.oldest_s, (day.over_bound, day.over_bound_words) = site.oldest_s, site.over_bound
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
