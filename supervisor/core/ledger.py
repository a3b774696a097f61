"""What was requested, what was confirmed, what is unknown. Unknown counts as given."""

from supervisor.core import accounts, reconcile
from supervisor.core.desk import Desk
from supervisor.core.state import Dose, Enclosure
from supervisor.messages import DoseReport
from supervisor.values import Gas

FINAL = ("delivered", "refused", "aborted")
SETTLE_S = 10.0  # after a lease's end, how long its last report may still be on its way
SERVED_SHARE = 0.5  # a dose that was not full but gave as much is no failure
KEEP_S = 6 * 3600.0  # longer than any sample is believed, so every dose since any sample is still here


def running(desk: Desk, enclosure: str, gas: Gas) -> Dose | None:
    """The request that this valve may still be carrying out."""
    kept = desk.state.enclosures[enclosure]
    request_id = kept.running.get(gas)
    return None if request_id is None else kept.doses[request_id]


def open_doses(desk: Desk, enclosure: str) -> list[Dose]:
    """The requests that this enclosure's valves may still be carrying out, at most one each."""
    kept = desk.state.enclosures[enclosure]
    return [kept.doses[request_id] for request_id in kept.running.values()]


def drawing(desk: Desk, source: str) -> list[Dose]:
    """The requests that may be drawing on a source."""
    enclosures = desk.state.enclosures
    doses = (enclosures[where].doses[request_id] for request_id, where in desk.state.open_doses.items())
    return [one for one in doses if one.source == source]


def within_nl(desk: Desk, enclosure: str, gas: Gas, span_s: float) -> float:
    """What this valve has given, or may have, by requests that ran within the last `span_s`; at most `KEEP_S`."""
    return sum(
        one.volume_nl if one.closed_mono_s is None or one.outcome == "unknown" else one.delivered_nl
        for one in desk.state.enclosures[enclosure].doses.values()
        if one.gas == gas and (one.closed_mono_s is None or one.closed_mono_s >= desk.now.mono_s - span_s)
    )


def enter(desk: Desk, dose: Dose) -> None:
    """A request is about to leave: from here on it counts as given. What no longer counts is forgotten."""
    kept = desk.state.enclosures[dose.enclosure]
    kept.doses = {
        key: old for key, old in kept.doses.items()
        if old.closed_mono_s is None or desk.now.mono_s - old.closed_mono_s <= KEEP_S
    }  # fmt: skip
    kept.doses[dose.request_id] = dose
    kept.running[dose.gas] = dose.request_id
    desk.state.open_doses[dose.request_id] = dose.enclosure


def strike(desk: Desk, enclosure: str, request_id: str) -> None:
    """A request was refused by the guard and never left."""
    _close(desk, desk.state.enclosures[enclosure].doses[request_id])
    del desk.state.enclosures[enclosure].doses[request_id]


def _close(desk: Desk, dose: Dose) -> None:
    """The request cannot be running any more."""
    running_now = desk.state.enclosures[dose.enclosure].running
    if running_now.get(dose.gas) == dose.request_id:
        del running_now[dose.gas]
    desk.state.open_doses.pop(dose.request_id, None)


def given_nl(desk: Desk, enclosure: str, since_mono_s: float) -> list[tuple[Gas, float]]:
    """What went in, or may have, since a moment, oldest first; each dose spread evenly over its time.

    An open request counts with its whole volume, the part still to come included: it answers "where will the gas stand
    when all that was asked for is in".
    """
    given = []
    for dose in desk.state.enclosures[enclosure].doses.values():
        volume_nl = dose.volume_nl if dose.closed_mono_s is None or dose.outcome == "unknown" else dose.delivered_nl
        end = dose.closed_mono_s if dose.closed_mono_s is not None else dose.until_mono_s
        if volume_nl <= 0.0 or end <= since_mono_s:
            continue
        # A dose takes as long as its flow needs, not the whole lease, and is reported at its end.
        start = max(dose.asked_mono_s, end - 60.0 * volume_nl / dose.flow_nl_min)
        share = 1.0 if start >= since_mono_s else (end - since_mono_s) / max(end - start, 1e-9)
        given.append((start, dose.gas, volume_nl * share))
    return [(gas, volume_nl) for _, gas, volume_nl in sorted(given)]


def on_report(desk: Desk, enclosure: str, gas: Gas, report: DoseReport) -> None:
    """Takes the hardware's word on a request. A final word is final: what comes after it changes nothing."""
    dose = desk.state.enclosures[enclosure].doses.get(report.request_id)
    if dose is None or dose.gas != gas:
        desk.say("report_of_unknown_request", "warning", enclosure=enclosure, gas=gas, request_id=report.request_id)
        return
    if dose.outcome in FINAL:
        return
    dose.delivered_nl = max(dose.delivered_nl, report.delivered_nl)
    desk.touch(enclosure)
    was_unknown = dose.outcome == "unknown"
    if report.outcome not in FINAL:
        if not was_unknown:  # its lease is over: only a last word makes the rest known
            dose.outcome = report.outcome
        else:
            accounts.count(desk, dose)
        return
    dose.outcome = report.outcome
    _close(desk, dose)
    if dose.closed_mono_s is None:
        dose.closed_mono_s = desk.now.mono_s
    accounts.count(desk, dose)
    reconcile.count(desk, dose, late=was_unknown)
    _settle(desk, dose, report.code, was_unknown)


def _settle(desk: Desk, dose: Dose, code: str | None, counted: bool) -> None:
    """A request has ended for good: what is missing is wanted again, unless its state has moved on. `counted`: its failure
    was counted when its lease ended without a word."""
    kept = desk.state.enclosures[dose.enclosure]
    short_nl = dose.volume_nl - dose.delivered_nl
    if dose.outcome == "delivered":
        kept.failures = 0
        return
    if dose.stopped_mono_s is None and dose.delivered_nl >= SERVED_SHARE * dose.volume_nl:
        kept.failures = 0  # slow, and no failure: the watch tells of a valve that falls short again and again
    elif dose.stopped_mono_s is None:
        if not counted:
            kept.failures += 1
        _rest(desk, kept, dose, code)
    # A decision on a sample from after this dose's end saw the shortfall in the gas, and has it in its volume already.
    decided = kept.decided_mono_s is not None and dose.closed_mono_s is not None and dose.closed_mono_s <= kept.decided_mono_s
    if short_nl > 0.0 and dose.gas in kept.wanted_nl and not decided:
        kept.wanted_nl[dose.gas] += short_nl
    desk.say(
        "dose_not_delivered", "warning", enclosure=dose.enclosure, gas=dose.gas, request_id=dose.request_id,
        outcome=dose.outcome, code=code, requested_nl=round(dose.volume_nl, 1), delivered_nl=round(dose.delivered_nl, 1),
    )  # fmt: skip


def _rest(desk: Desk, kept: Enclosure, dose: Dose, code: str | None) -> None:
    """A valve that fails is asked again later, the oftener it fails the later."""
    kept.hold_until_mono_s = kept.pauses_mono_s[dose.gas] = desk.now.mono_s + min(15.0 * 2 ** min(kept.failures, 4), 240.0)
    kept.hold_reason = f"hardware {dose.outcome} {dose.gas}: {code or 'no code'}"


def age(desk: Desk, enclosure: str) -> None:
    """Closes what can no longer be running."""
    for dose in open_doses(desk, enclosure):
        if desk.now.mono_s > dose.until_mono_s + SETTLE_S:
            # The lease has ended, so the valve is shut; without a last word the whole volume counts as given.
            dose.closed_mono_s = dose.until_mono_s
            dose.outcome = "unknown"
            _close(desk, dose)
            accounts.count(desk, dose)
            reconcile.silent(desk, dose)
            desk.state.enclosures[enclosure].failures += 1
            desk.say(
                "dose_unknown", "warning", enclosure=enclosure, gas=dose.gas, request_id=dose.request_id,
                counted_as_given_nl=round(dose.volume_nl, 1), reported_nl=round(dose.delivered_nl, 1),
            )  # fmt: skip
