"""An alarm as the world sees it: the retained message."""

from datetime import datetime

from supervisor.core.catalogue import row_of
from supervisor.core.desk import Desk
from supervisor.core.state import Alarm
from supervisor.messages import AlarmStatus, at


def show(desk: Desk, key: str, alarm: Alarm) -> None:
    """Publishes this alarm, retained."""
    row = row_of(alarm.name)
    desk.publish(
        AlarmStatus(
            alarm=key, subject=alarm.subject, occurrence=alarm.occurrence, state=alarm.state,  # type: ignore[arg-type]
            priority=row.priority, condition=alarm.condition, latched=alarm.latched,
            raised_at=_when(alarm.raised_wall_s), cleared_at=_when(alarm.cleared_wall_s),
            acknowledged_at=_when(alarm.acknowledged_wall_s), acknowledged_by=alarm.acknowledged_by,
            shelved_until=_when(alarm.shelved_until_wall_s), text=f"{row.text}: {alarm.text}" if alarm.text else row.text,
            advice=row.advice, note=alarm.note, first=alarm.first, trips=alarm.trips, cause=alarm.cause or None,
            holds_back=desk.state.held_back.get(key, 0),
        ),
        key,
    )  # fmt: skip


def _when(wall_s: float | None) -> datetime | None:
    return None if wall_s is None else at(wall_s)
