"""What adds up over a run: gas used, time to hold, oldest samples, alarms raised. Made from messages only."""

from dataclasses import dataclass, field

from supervisor.messages import AlarmStatus, DoseReport, EnclosureState
from supervisor.values import GASES, Gas

IN_USE = ("pulling_down", "holding")


@dataclass
class EnclosureTally:
    """`gas_nl` is what the hardware reported, normal litres; times are seconds of the site's time."""

    gas_nl: dict[Gas, float] = field(default_factory=lambda: dict.fromkeys(GASES, 0.0))
    sealed_at_s: float | None = None
    held_at_s: float | None = None
    worst_sample_age_s: float | None = None
    _delivered_nl: dict[tuple[Gas, str], float] = field(default_factory=dict)

    @property
    def time_to_hold_s(self) -> float | None:
        """From the start of the latest pull-down to its hold."""
        if self.sealed_at_s is None or self.held_at_s is None:
            return None
        return self.held_at_s - self.sealed_at_s

    def see_state(self, state: EnclosureState) -> None:
        since_s = state.since.timestamp()
        if state.state == "pulling_down":
            self.sealed_at_s, self.held_at_s = since_s, None
        elif state.state == "holding" and self.held_at_s is None:
            self.held_at_s = since_s

    def see_report(self, gas: Gas, report: DoseReport) -> None:
        """`delivered_nl` is so far, and a report may come twice or late: each request counts its highest word once."""
        key = (gas, report.request_id)
        before_nl = self._delivered_nl.get(key, 0.0)
        if report.delivered_nl > before_nl:
            self._delivered_nl[key] = report.delivered_nl
            self.gas_nl[gas] += report.delivered_nl - before_nl

    def see_age(self, age_s: float) -> None:
        self.worst_sample_age_s = max(age_s, self.worst_sample_age_s or 0.0)


@dataclass
class AlarmTally:
    """Every occurrence once, at the priority that it was raised with."""

    _priority_of: dict[tuple[str, int], str] = field(default_factory=dict)

    def see(self, name: str, alarm: AlarmStatus) -> bool:
        """True when this occurrence is new."""
        if alarm.state == "normal" or (name, alarm.occurrence) in self._priority_of:
            return False
        self._priority_of[name, alarm.occurrence] = alarm.priority
        return True

    def by_priority(self) -> dict[str, int]:
        counts = dict.fromkeys(("critical", "high", "medium", "low"), 0)
        for priority in self._priority_of.values():
            counts[priority] += 1
        return counts
