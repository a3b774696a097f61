"""What the audit is told: every change of an alarm, every command and its answer, every state, room status and permit.

Heartbeats are left out: a permit is told when what it allows changes, not each time it is renewed.
"""

from collections.abc import Sequence

from supervisor.guard import Cleared
from supervisor.messages import CommandOutcome, OperatorCommand, RoomEntry
from supervisor.shell.audit.chain import event_text
from supervisor.shell.records import Input
from supervisor.values import Arrived, Event, LinkChanged, PermitRoom, Publish, Row, Say, Started, Stopping

AUDITED = frozenset({
    "alarm_raised", "alarm_cleared", "alarm_acknowledged", "alarm_shelved", "alarm_unshelved", "alarm_suppressed",
    "alarm_unsuppressed", "alarm_out_of_service", "alarm_in_service", "alarm_removed", "alarm_unannounced",
    "alarm_chattering", "alarm_calm", "alarm_away_chattering", "alarm_away_calm",
    "transition", "room_status", "permit_refused_by_guard", "started", "stopping",
    "epoch_raised", "epoch_overtaken", "command_refused", "operators", "operators_refused", "entry_permit", "entry_left",
    "filling_opened", "filling_corrected", "stock_refilled",
    "calibration_result", "calibration_decided", "readings_doubtful",
    "people_unaccounted",
})  # fmt: skip
"""What is said under these names goes into the audit, with all its figures."""

NOT_AUDITED = {
    "command": "the command itself and its outcome are entries of their own, with more in them",
    "link": "the alarm link_lost says it",
    "out_of_service_refused": "changes nothing: the site file names an alarm that it may not",
    "visit_without_sample": "nothing changes by it; when it goes on, the alarm sample_overdue says it",
    "calibration_interrupted": "nothing changes by it; when it goes on, the alarm calibration_due says it",
    "calibration_given_up": "nothing changes by it; the alarm calibration_due says it, with the reason",
    "unit_restarted": "what it leads to is said by permits and alarms",
    "report_of_unknown_request": "dosing is in the journal and the history",
    "dose_not_delivered": "dosing is in the journal and the history; when it goes on, the alarm dose_failing says it",
    "dose_unknown": "dosing is in the journal and the history",
    "decided": "dosing is in the journal and the history",
    "message_rejected": "changes nothing; published on `rejected`, and the alarm rejected_messages says it",
    "reading_doubted": "readings are in the journal; when it goes on, an alarm says it",
    "reading_confirmed": "readings are in the journal, and the sample in the history",
    "finding_held": "changes nothing until the reading is believed, and is then an alarm",
    "analyser_disbelieved": "the alarm analyser_untrue says it",
    "analyser_believed": "the end of the alarm analyser_untrue says it",
    "guard_refused": "comes again with each try; when it goes on, the alarm guard_refusals says it",
}
"""What else is said, and why it is not in the audit."""

SECRET = {"signature"}
"""Of a command, what is for checking it and not for showing."""


class Auditor:
    """Turns what went into the engine and what came out of it into the audit's events.

    It remembers what each room was last permitted and why. A start remembers nothing and permits nothing: the entry
    `started` ends every permit before it (the hardware lets them run out) and makes every room forbidden.
    """

    def __init__(self) -> None:
        self._forget()

    def _forget(self) -> None:
        self._permitted: dict[str, tuple[bool, bool]] = {}
        self._rooms: dict[str, RoomEntry] = {}
        self._link_up = False

    def entries(self, event: Event, made: Sequence[Cleared | Publish | Row | Say]) -> list[str]:
        """The events in canonical form, in the order in which they happened."""
        if isinstance(event, Started):
            self._forget()
        if isinstance(event, LinkChanged):
            self._link_up = event.up
        texts = []
        answered = True
        if isinstance(event, Arrived) and isinstance(event.body, OperatorCommand):
            # The engine says `command` when it answers one for the first time. The broker may give one again after a crash:
            # that changes nothing, its first answer is sent again, and both stand here already.
            answered = any(isinstance(one, Say) and one.event == "command" for one in made)
        if answered and isinstance(event, Arrived) and isinstance(event.body, OperatorCommand):
            texts.append(event_text("operator_command", event.body.model_dump(mode="json", exclude_none=True, exclude=SECRET)))
        for one in made:
            match one:
                case Say(event=name, figures=figures) if name in AUDITED:
                    texts.append(event_text(name, figures))
                case Publish(body=CommandOutcome() as body) if answered:
                    texts.append(event_text("command_outcome", body.model_dump(mode="json")))
                case Publish(names=names, body=RoomEntry() as body):
                    self._rooms[names[0]] = body
                case Cleared(effect=PermitRoom() as permit) if self._is_news(permit):
                    texts.append(event_text("permit", self._told(permit, event, made)))
        return texts

    def _is_news(self, permit: PermitRoom) -> bool:
        what = (permit.dosing_permitted, permit.air_permitted)
        before = self._permitted.get(permit.room, (False, False))
        self._permitted[permit.room] = what
        return what != before

    def _told(self, permit: PermitRoom, event: Event, made: Sequence[object]) -> dict[str, object]:
        return {
            "room": permit.room,
            "dosing_permitted": permit.dosing_permitted,
            "air_permitted": permit.air_permitted,
            "epoch": permit.epoch,
            "reason": "; ".join(self._reasons(permit.room, event, made)),
        }

    def _reasons(self, room: str, event: Event, made: Sequence[object]) -> list[str]:
        """Why it is so, the most particular first."""
        reasons = ["the supervisor ends"] if isinstance(event, Stopping) else []
        for one in made:
            if isinstance(one, Say) and one.event == "permit_refused_by_guard" and one.figures.get("room") == room:
                rule, measured, limit = (one.figures.get(key) for key in ("rule", "measured", "limit"))
                reasons.append(f"the guard refused: {rule}, {measured}, limit {limit}")
        if not self._link_up:
            reasons.append("no link to the broker")
        entry = self._rooms.get(room)
        if entry is not None:
            reasons.append(f"the room is {entry.status}")
            reasons += entry.reasons
        return reasons


def set_aside(message: Input, what: str) -> str:
    """The event of an input that made the engine fail and is never given to it again. Its bytes lie in the journal."""
    start = message.payload[:200].decode("utf-8", "replace")
    return event_text("message_set_aside", {"kind": message.kind, "topic": message.topic, "starts": start, "failed": what})
