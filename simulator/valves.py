"""A dosing valve and the hardware rules of the message contract.

A request is refused when retained, expired, of an old epoch, without a permit, while another runs, or without a
source; a repeated id gets its own outcome again. The lease ends at `valid_until`; a cut dose is not taken up again.
"""

import math
from collections.abc import Callable
from typing import Any

from .faults import FaultBoard
from .permits import RoomPermit
from .scheduler import Scheduler
from .units import Unit
from .wire import Request, Stop

PROGRESS_MS = 30_000
# An open valve through which nothing flows for this long gives up: assumed.
NO_FLOW_MS = 10_000
# Outcomes of this many ids are remembered: a lease is minutes, so this is days.
REMEMBERED = 4096


class Valve:
    """One enclosure's valve for one gas. Volumes nl, flows nl/min; metered at the source."""

    def __init__(
        self,
        enclosure: str,
        gas: str,
        largest_nl_min: float,
        source: str,
        unit: Unit,
        permit: RoomPermit,
        scheduler: Scheduler,
        faults: FaultBoard,
    ) -> None:
        self.enclosure, self.gas, self.source = enclosure, gas, source
        self.largest_nl_min = largest_nl_min
        self.unit, self._permit = unit, permit
        self._scheduler, self._faults = scheduler, faults
        self._topic = f"dosing/{enclosure}/{gas}"
        self.name = f"{enclosure}/{gas}"
        # Set by the piping: share the source anew, and whether it can give at all.
        self.demand_changed: Callable[[], None] = lambda: None
        self.source_available: Callable[[], bool] = lambda: False
        self.flow_nl_min = 0.0
        self.dose: Request | None = None
        self._delivered_nl = 0.0
        self._since_ms = scheduler.now_ms
        self._plan = 0
        self._dry_since_ms: int | None = None
        self._said_open = False
        self._opening = self._closing = False  # a slow valve on its way
        self._outcomes: dict[str, dict[str, Any]] = {}
        self._stopped: dict[str, None] = {}

    # ---- what the supervisor sends

    def request(self, asked: Request, retained: bool) -> None:
        """Run a dose or refuse it."""
        known = self._outcomes.get(asked.request_id)
        if known is not None:
            if self.dose is not None and self.dose.request_id == asked.request_id:
                self._progress()
            else:
                self._say({**known, "observed_at": self.unit.stamp()})
            return
        code = self._refusal(asked, retained)
        if code is not None:
            self._report(asked.request_id, "refused", 0.0, code)
            return
        self.dose = asked
        self._delivered_nl, self._dry_since_ms = 0.0, None
        self._since_ms = now_ms = self._scheduler.now_ms
        self._report(asked.request_id, "accepted", 0.0)
        slow_ms = self._slow_ms()
        self._opening = slow_ms > 0
        if self._opening:
            self._scheduler.at(now_ms + slow_ms, lambda: self._opened(asked))
        self._scheduler.at(now_ms + asked.valid_until_ms - self.unit.now_ms, lambda: self._lease_over(asked))
        self._scheduler.at(now_ms + PROGRESS_MS, lambda: self._beat(asked))
        self.demand_changed()

    def stop(self, stop: Stop, retained: bool) -> None:
        """End the named dose, or whatever runs. Obeyed whatever its epoch or age: stopping is the safe side."""
        if not retained:
            self.unit.epoch.see(stop.epoch)
        if self.dose is not None and stop.request_id in (None, self.dose.request_id):
            self._end("aborted", "stopped")
        elif stop.request_id is not None and stop.request_id not in self._outcomes:
            # The stop overtook its request.
            _remember(self._stopped, stop.request_id, None)

    def cut_if_uncovered(self) -> None:
        """End the dose when the room's permit does not cover it any more."""
        if self.dose is not None and not self._permit.covers(self.gas):
            self._end("aborted", "no_permit")

    def lose_power(self) -> None:
        """The unit is off: the valve falls shut and the dose is over; its outcome is told when asked again."""
        if self.dose is not None:
            self._shut("aborted", "stopped")  # by its spring, however slow its drive
        else:
            self.demand_changed()

    # ---- what the piping asks and sets

    def demand_nl_min(self) -> float:
        """The flow that would pass now if the source could give it."""
        stuck = self._faults.size("valve_stuck_open", self.name)
        if stuck is not None:
            return stuck or self.largest_nl_min
        if self.dose is None or not self.open or self._faults.stands("report_false", self.name):
            return 0.0
        kinked = self._faults.size("hose_kinked", self.name)
        return min(self.dose.max_flow_nl_min, self.largest_nl_min) * (1.0 if kinked is None else kinked)

    @property
    def open(self) -> bool:
        """The valve's position as its switch tells it."""
        if self._faults.stands("valve_stuck_open", self.name):
            return True
        return self.dose is not None and not self._opening and not self._faults.stands("valve_stuck_shut", self.name)

    def set_flow(self, flow_nl_min: float) -> None:
        """The piping's word on what passes from now on."""
        self._meter()
        changed = flow_nl_min != self.flow_nl_min or self.open != self._said_open
        self.flow_nl_min = flow_nl_min
        self._plan += 1
        if self.dose is not None and not self._closing:
            self._plan_end(self.dose)
        if changed:
            self.tell_flow()

    def tell_flow(self) -> None:
        """`dosing/<enclosure>/<gas>/flow`."""
        self._said_open = self.open
        self.unit.send(
            f"{self._topic}/flow",
            {"observed_at": self.unit.stamp(), "valve_open": self._said_open, "flow_nl_min": round(self._told_nl_min(), 3)},
        )

    # ---- within

    def _slow_ms(self) -> int:
        return round((self._faults.size("valve_slow", self.name) or 0.0) * 1000)

    def _opened(self, dose: Request) -> None:
        if self.dose is dose and self._opening:
            self._opening = False
            self.demand_changed()

    def _told_nl_min(self) -> float:
        """The flow as its gateway has it: metered, or where that lies what should flow."""
        if self.dose is not None and self.open and self._faults.stands("report_false", self.name):
            return min(self.dose.max_flow_nl_min, self.largest_nl_min)
        return self.flow_nl_min

    def _refusal(self, asked: Request, retained: bool) -> str | None:
        if retained:
            return "no_permit"
        if asked.valid_until_ms <= self.unit.now_ms:
            return "expired"
        if asked.epoch < self.unit.epoch.seen:
            return "old_epoch"
        self.unit.epoch.see(asked.epoch)
        if asked.request_id in self._stopped:
            return "stopped"
        if not self._permit.covers(self.gas):
            return "no_permit"
        if self.dose is not None:
            return "busy"
        if asked.source not in (None, self.source) or not self.source_available():
            return "no_source"
        return None

    def _plan_end(self, dose: Request) -> None:
        """When the dose will be full at the flow of now, or be given up for want of any."""
        plan, now_ms = self._plan, self._scheduler.now_ms
        flow_nl_min = self._told_nl_min()
        if flow_nl_min > 0.0:
            self._dry_since_ms = None
            wait_ms = math.ceil((dose.volume_nl - self._delivered_nl) / flow_nl_min * 60_000)
            self._scheduler.at(now_ms + wait_ms, lambda: self._planned(plan, "delivered", None))
            return
        if self._dry_since_ms is None:
            self._dry_since_ms = now_ms
        self._scheduler.at(self._dry_since_ms + NO_FLOW_MS, lambda: self._planned(plan, "aborted", "no_flow"))

    def _meter(self) -> None:
        """Count what has passed since last counted."""
        now_ms = self._scheduler.now_ms
        if self.dose is not None:
            passed_nl = self._told_nl_min() * (now_ms - self._since_ms) / 60_000.0
            most_nl = math.inf if self._closing else self.dose.volume_nl
            self._delivered_nl = min(self._delivered_nl + passed_nl, most_nl)
        self._since_ms = now_ms

    def _planned(self, plan: int, outcome: str, code: str | None) -> None:
        if plan == self._plan and self.dose is not None:
            self._end(outcome, code)

    def _lease_over(self, dose: Request) -> None:
        if self.dose is dose and not self._closing:
            self._meter()
            done = self._delivered_nl >= dose.volume_nl
            self._end("delivered" if done else "aborted", None if done else "expired")

    def _beat(self, dose: Request) -> None:
        if self.dose is dose:
            self._progress()
            self._scheduler.at(self._scheduler.now_ms + PROGRESS_MS, lambda: self._beat(dose))

    def _progress(self) -> None:
        self._meter()
        if self.dose is not None:
            self._report(self.dose.request_id, "progress", self._delivered_nl)

    def _end(self, outcome: str, code: str | None) -> None:
        """The valve is told to shut. A slow one reports when it has, with all that has passed by then."""
        slow_ms = self._slow_ms()
        if self._closing:
            return
        if slow_ms == 0 or self.flow_nl_min == 0.0:
            self._shut(outcome, code)
            return
        self._meter()
        self._closing, dose = True, self.dose
        self._scheduler.at(self._scheduler.now_ms + slow_ms, lambda: self._shut_late(dose, outcome, code))

    def _shut_late(self, dose: Request | None, outcome: str, code: str | None) -> None:
        if self.dose is dose and self._closing:
            self._shut(outcome, code)

    def _shut(self, outcome: str, code: str | None) -> None:
        self._meter()
        self._opening = self._closing = False
        dose, self.dose = self.dose, None
        if dose is not None:
            self._report(dose.request_id, outcome, self._delivered_nl, code)
        self.demand_changed()

    def _report(self, request_id: str, outcome: str, delivered_nl: float, code: str | None = None) -> None:
        report = {
            "observed_at": self.unit.stamp(),
            "request_id": request_id,
            "outcome": outcome,
            "delivered_nl": round(delivered_nl, 3),
            "metered": not self._faults.stands("report_false", self.name),
            "source": self.source,
        }
        if code is not None:
            report["code"] = code
        _remember(self._outcomes, request_id, report)
        self._say(report)

    def _say(self, report: dict[str, Any]) -> None:
        """A report goes out, unless something befalls it on its way through the gateway."""
        topic = f"{self._topic}/report"
        if self._faults.stands("report_lost", self.name):
            return
        late_s = self._faults.size("report_late", self.name)
        if late_s is not None:
            self._scheduler.at(self._scheduler.now_ms + round(late_s * 1000), lambda: self.unit.send(topic, report))
            return
        for _ in range(2 if self._faults.stands("report_doubled", self.name) else 1):
            self.unit.send(topic, report)


def _remember(ids: dict[str, Any], request_id: str, what: Any) -> None:
    ids[request_id] = what
    if len(ids) > REMEMBERED:
        del ids[next(iter(ids))]
