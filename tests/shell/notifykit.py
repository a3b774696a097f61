"""What the tests of notifications share: an invented crew, and a story on fake time in which alarms come and go."""

from supervisor.messages import AlarmStatus, at
from supervisor.settings_notify import Notify
from supervisor.shell.notify import calls as calling
from supervisor.shell.notify.calls import Calls, Rules
from supervisor.shell.notify.packing import Parcel, Sent, pack
from supervisor.shell.notify.roster import Roster
from supervisor.values import Now

MONDAY_10 = 1_788_166_800.0  # 2026-08-31T09:00:00Z, a Monday, 10:00 in Dublin (Irish Standard Time, UTC+1)
DAY = {"days": ["mon", "tue", "wed", "thu", "fri"], "begins": "06:00", "ends": "18:00"}
NIGHT = {"days": ["mon", "tue", "wed", "thu", "fri"], "begins": "18:00", "ends": "06:00"}
MINUTE = 60.0


def crew(**changed: object) -> Notify:
    """Ada by day and Ben by night on weekdays, Cleo always, Dov never but at noon on Sundays."""
    chain = {"steps": [["ada", "ben"], ["cleo"]], "escalate_after_s": 300, "repeat_every_s": 900}
    data: dict[str, object] = {
        "addresses_file": "addresses.toml",
        "time_zone": "Europe/Dublin",
        "person": [
            {"id": "ada", "duty": [DAY]},
            {"id": "ben", "duty": [NIGHT]},
            {"id": "cleo"},
            {"id": "dov", "duty": [{"days": ["sun"], "begins": "12:00", "ends": "12:01"}]},
        ],
        "chains": {
            "critical": {**chain, "steps": [["ada", "ben"], ["cleo"], ["dov"]]},
            "high": chain,
            "medium": {"steps": [["ada"], ["ben"]], "escalate_after_s": 600},
            "low": {"steps": [["ada"]], "digest_at": "07:00"},
        },
    }
    return Notify.model_validate(data | changed)


def status(
    alarm: str, state: str = "unacknowledged", occurrence: int = 1, priority: str = "high", **changed: object
) -> AlarmStatus:
    body: dict[str, object] = {
        "alarm": alarm, "subject": alarm.split("-", 1)[1], "occurrence": occurrence, "state": state, "priority": priority,
        "condition": state in ("unacknowledged", "acknowledged"), "latched": "latched" in state, "raised_at": at(MONDAY_10),
        "cleared_at": None, "acknowledged_at": None, "acknowledged_by": None, "shelved_until": None,
        "text": f"Something about {alarm}: 3.1 %, limit 4.0 %", "advice": "Look at it.",
    }  # fmt: skip
    return AlarmStatus.model_validate(body | changed)


class Story:
    """Alarms are said, time goes by, and what left for whom is told as `ada raised unit_silent-u1`."""

    def __init__(self, notify: Notify | None = None, wall_s: float = MONDAY_10) -> None:
        notify = notify or crew()
        self.rules = Rules(notify, Roster(notify))
        self.calls = Calls()
        self.sent: dict[str, Sent] = {}
        self.stuck: set[str] = set()
        self.now = Now(1000.0, wall_s)
        self.parcels: list[Parcel] = []

    def say(self, alarm: str, state: str = "unacknowledged", occurrence: int = 1, **changed: object) -> list[str]:
        """An alarm is published; what leaves at once."""
        calling.take(self.calls, self.rules, status(alarm, state, occurrence, **changed), self.now)
        return self._turn()

    def burst(self, alarms: list[str], **changed: object) -> list[str]:
        """Many in one turn."""
        for alarm in alarms:
            calling.take(self.calls, self.rules, status(alarm, **changed), self.now)
        return self._turn()

    def go(self, seconds: float, step_s: float = 5.0) -> list[str]:
        """Time goes by in ticks; what leaves meanwhile, with the seconds after which it left."""
        told = []
        gone_s = 0.0
        while gone_s < seconds:
            step = min(step_s, seconds - gone_s)
            gone_s += step
            self.now = Now(self.now.mono_s + step, self.now.wall_s + step)
            told += [f"{gone_s:g}: {one}" for one in self._turn()]
        return told

    def _turn(self) -> list[str]:
        calling.due(self.calls, self.rules, self.now)
        made = pack(self.calls, self.rules.notify, self.sent, self.stuck, self.now)
        self.parcels += made
        return [_told(one) for one in made]


def _told(parcel: Parcel) -> str:
    first = parcel.notes[0]
    if parcel.digest:
        return f"{parcel.person} digest {' '.join(f'{one.kind} {one.alarm}' for one in parcel.notes)}"
    if len(parcel.notes) > 1:
        return f"{parcel.person} merged {len(parcel.notes)}, worst {first.priority} {first.alarm}"
    return f"{parcel.person} {first.kind} {first.alarm}"
