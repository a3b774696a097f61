"""What every part of the core works at during one step: the site, the state, the instant, and the effects so far."""

from dataclasses import dataclass, field

from supervisor.core.reasons import Kind, Told, Why
from supervisor.core.state import Enclosure, SiteState
from supervisor.messages import Outbound
from supervisor.settings import Recipe, SiteFile
from supervisor.values import Effect, Gas, Now, Publish, Say


@dataclass(slots=True)
class Desk:
    """One step's worth of work. Lives no longer than the step. Whoever wants to know why puts a list into `told`."""

    site: SiteFile
    state: SiteState
    now: Now
    effects: list[Effect] = field(default_factory=list)
    told: list[Told] | None = None

    def publish(self, body: Outbound, *names: str) -> None:
        self.effects.append(Publish(names, body))

    def say(self, event: str, /, level: str = "info", **figures: float | int | str | bool | None) -> None:
        self.effects.append(Say(level, event, figures))  # type: ignore[arg-type]

    def tell(self, kind: Kind, enclosure: str, gas: Gas | None, why: Why) -> None:
        """Gives a reason out, if anybody listens."""
        if self.told is not None:
            self.told.append(Told(kind, enclosure, gas, why.code, why.told(), why.volume_nl))

    def enclosure(self, name: str) -> tuple[Enclosure, Recipe]:
        return self.state.enclosures[name], self.site.recipe_of(name)

    def touch(self, enclosure: str) -> None:
        """This enclosure has news: the next tick looks at it."""
        self.state.dirty[enclosure] = True

    def age_s(self, mono_s: float | None) -> float | None:
        return None if mono_s is None else self.now.mono_s - mono_s

    def fresh(self, mono_s: float | None, age_s_max: float) -> bool:
        """Whether something was heard within `age_s_max`, and since the last start or clock jump. Never is not fresh."""
        return mono_s is not None and mono_s >= self.state.trusted_mono_s and self.now.mono_s - mono_s <= age_s_max

    def starting(self) -> bool:
        """Within the grace that inputs have after a start, a clock jump or a new link before their absence is an alarm."""
        if not self.state.link_up:
            return True  # that is an alarm of its own, and what is missing for want of a link would only bury it
        since_s = max(self.state.trusted_mono_s, self.state.linked_mono_s)
        return self.now.mono_s - since_s < self.site.timing.start_grace_s
