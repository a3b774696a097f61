"""Who is on duty at an instant, by local time.

Where the clocks change, a local time comes twice or never. A shift is then the longer one of the two that it could be, so
that two shifts which meet on the clock face overlap on such a day and never leave a gap.
"""

from collections.abc import Iterable
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from supervisor.settings_notify import Notify, Shift

WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


class Roster:
    """The duty hours of a site's people. Times are UTC seconds since 1970."""

    def __init__(self, notify: Notify) -> None:
        self._people = notify.people
        self._zone = ZoneInfo(notify.time_zone)

    def on_duty(self, person: str, wall_s: float) -> bool:
        """Whether this person is on duty; one without duty hours always is, one who is not in the site file never."""
        known = self._people.get(person)
        if known is None:
            return False
        if not known.duty:
            return True
        today = datetime.fromtimestamp(wall_s, self._zone).date()
        days = [today + timedelta(days=shift_days) for shift_days in (-1, 0, 1)]
        return any(self._covers(shift, day, wall_s) for shift in known.duty for day in days)

    def among(self, people: Iterable[str], wall_s: float) -> list[str]:
        """Those of `people` who are on duty, in their order."""
        return [one for one in people if self.on_duty(one, wall_s)]

    def next_at(self, clock: str, wall_s: float) -> float:
        """The next instant after `wall_s` at which the local clock reads `clock`."""
        today = datetime.fromtimestamp(wall_s, self._zone).date()
        instants = (max(self._instants(today + timedelta(days=ahead), clock)) for ahead in range(-1, 3))
        return next(one for one in instants if one > wall_s)

    def local(self, wall_s: float) -> str:
        """For people: day and time with the offset from UTC."""
        return datetime.fromtimestamp(wall_s, self._zone).strftime("%Y-%m-%d %H:%M:%S UTC%z")

    def _covers(self, shift: Shift, day: date, wall_s: float) -> bool:
        if WEEKDAYS[day.weekday()] not in shift.days:
            return False
        end_day = day if shift.ends > shift.begins else day + timedelta(days=1)
        return min(self._instants(day, shift.begins)) <= wall_s < max(self._instants(end_day, shift.ends))

    def _instants(self, day: date, clock: str) -> list[float]:
        """The instants that a local time can mean: one, or two where it comes twice or never."""
        local = datetime.combine(day, time.fromisoformat(clock), self._zone)
        return [local.replace(fold=fold).astimezone(UTC).timestamp() for fold in (0, 1)]
