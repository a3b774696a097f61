"""What the watch found. It judges every reading for itself, so a finding that rests on one that the core does not believe
waits until that is known: a lying analyser would otherwise fault every enclosure there is.
"""

from supervisor.core import alarms
from supervisor.core.desk import Desk
from supervisor.core.transitions import stop, trigger
from supervisor.values import PlantFinding

BY_READINGS = ("no_response", "unexplained_move")


def on_finding(desk: Desk, event: PlantFinding) -> None:
    """The watch saw the plant answer wrongly. What follows stands in the catalogue."""
    kept = desk.state.enclosures[event.enclosure]
    if event.finding in BY_READINGS and kept.misread_mono_s == desk.now.mono_s:
        return  # the reading that ends a doubt, compared with one that was wrong
    if event.finding in BY_READINGS and kept.doubt:
        if event.finding not in [held for held, _, _ in kept.held_findings]:
            kept.held_findings.append((event.finding, event.measured, event.limit))
        desk.say("finding_held", "warning", enclosure=event.enclosure, finding=event.finding, measured=event.measured,
                 why=kept.doubt)  # fmt: skip
        return
    _tell(desk, event.enclosure, event.finding, event.measured, event.limit)
    if event.gas is not None and event.finding == "unrequested_flow":
        stop(desk, event.enclosure, event.gas, "flow that nobody asked for")


def release(desk: Desk, enclosure: str, confirmed: bool) -> None:
    """The doubt about an enclosure is over: what was found meanwhile is true when the readings were."""
    kept = desk.state.enclosures[enclosure]
    held, kept.held_findings = kept.held_findings, []
    kept.misread_mono_s = None if confirmed else desk.now.mono_s
    for finding, measured, limit in held if confirmed else ():
        _tell(desk, enclosure, finding, measured, limit)


def _tell(desk: Desk, enclosure: str, finding: str, measured: str, limit: str) -> None:
    # An event and not a level: the watch never says that it is over. It stands until a person has acknowledged it.
    alarms.condition(desk, finding, enclosure, True, f"{measured}; {limit}")
    alarms.condition(desk, finding, enclosure, False)
    row = alarms.CATALOGUE[finding]
    if row.consequence == "fault" and desk.state.enclosures[enclosure].state != "faulted":
        trigger(desk, enclosure, "fault", f"{row.text}: {measured}; {limit}")
