"""One site's alarms on fake time, without the rest of the core: what the plant says, what people say, and time."""

from datetime import UTC, datetime

import corekit
from pydantic import TypeAdapter

from supervisor.core import alarm_words, alarms
from supervisor.core.desk import Desk
from supervisor.core.state import Alarm, SiteState
from supervisor.messages import AlarmStatus, OperatorCommand
from supervisor.settings import SiteFile
from supervisor.values import Now, Publish, Say

WALL_S = 1_790_000_000.0
_STATE = TypeAdapter(SiteState)


class Panel:
    """Steps of a script: `on`, `off`, `ack`, `ack N`, `shelve HOURS`, `unshelve`, `wait`, `restart`; each takes `seconds`.

    `do` gives back why a person's word was refused, or None. The other methods do the same to any alarm of the site.
    """

    def __init__(self, name: str = "unit_silent", subject: str = "gw-east", site: SiteFile | None = None) -> None:
        self.name, self.subject, self.site = name, subject, site or corekit.site()
        self.state, self.mono_s = SiteState(link_up=True), 100.0
        self.told: list[AlarmStatus] = []
        self.said: list[Say] = []

    @property
    def key(self) -> str:
        return f"{self.name}-{self.subject}"

    def do(self, what: str, seconds: float = 1.0, operator: str = "kit") -> str | None:
        self.mono_s += seconds
        word, _, figure = what.partition(" ")
        if word in ("on", "off"):
            return self.condition(self.name, self.subject, word == "on")
        if word == "ack":
            return self.acknowledge(self.key, int(figure) if figure else self.alarm.occurrence, operator)
        if word == "shelve":
            return self.shelve(self.key, float(figure) * 3600.0, operator)
        if word == "unshelve":
            return self._with(lambda desk: alarm_words.unshelve(desk, self.key, operator))
        if word == "restart":
            self.restart()
        return self._with(alarms.on_tick)

    def condition(self, name: str, subject: str, active: bool) -> None:
        words = f"measured at {self.mono_s:g}"
        self._with(lambda desk: alarms.condition(desk, name, subject, active, words))
        self._with(alarms.on_tick)

    def acknowledge(self, key: str, occurrence: int | None, operator: str = "kit", note: str | None = None) -> str | None:
        return self._with(lambda desk: alarm_words.acknowledge(desk, key, occurrence, operator, note))

    def shelve(self, key: str, ahead_s: float | None, operator: str = "kit", note: str | None = "works on it",
               occurrence: int | None = None) -> str | None:  # fmt: skip
        until = None if ahead_s is None else datetime.fromtimestamp(WALL_S + self.mono_s + ahead_s, UTC)
        now = datetime.fromtimestamp(WALL_S + self.mono_s, UTC)
        command = OperatorCommand(command_id="c", issued_at=now, operator=operator, action="shelve", target=key,
                                  note=note, until=until, occurrence=occurrence)  # fmt: skip
        return self._with(lambda desk: alarm_words.shelve(desk, command))

    def restart(self, site: SiteFile | None = None) -> None:
        """Only what a snapshot holds is left; then the site file is looked at anew."""
        self.site = site or self.site
        self.state = _STATE.validate_json(_STATE.dump_json(self.state))
        self._with(alarm_words.follow_site_file)

    def _with(self, act) -> str | None:
        desk = Desk(self.site, self.state, Now(self.mono_s, WALL_S + self.mono_s))
        answer = act(desk)
        self.told += [one.body for one in desk.effects if isinstance(one, Publish)]
        self.said += [one for one in desk.effects if isinstance(one, Say)]
        return answer

    @property
    def alarm(self) -> Alarm:
        return self.state.alarms.get(self.key) or Alarm(self.name, self.subject)

    @property
    def shown(self) -> str:
        """The state that was last published for this alarm."""
        return next((one.state for one in reversed(self.told) if one.alarm == self.key), "normal")

    def events(self, *names: str) -> list[str]:
        """What was said, in order; only the events `names` if there are any."""
        return [one.event for one in self.said if not names or one.event in names]
