"""`stillhold replay --with`: the recorded inputs under other settings, and until when the answer holds."""

import argparse
import json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from supervisor.caution import CAUTION
from supervisor.shell.console.audit import printable

if TYPE_CHECKING:
    from supervisor.settings import SiteFile
    from supervisor.shell.retrace.otherwise import Event, Otherwise
    from supervisor.shell.retrace.proof import Window
    from supervisor.shell.retrace.record import Record

EVENTS_MAX = 40
HOLDS = (
    "An answer ends with the first dose or visit of the analyser that would have been another: what was read from there on",
    "answers what was given, and nobody knows what it would have been. To go on from there, rehearse the other site file.",
)


def show(args: argparse.Namespace, record: "Record", site: "SiteFile | None", window: "Window") -> int:
    """Prints it; the exit status. Raises RecordUnreadable and SiteFileError."""
    from supervisor.shell.console.replay import changes
    from supervisor.shell.retrace.otherwise import otherwise
    from supervisor.shell.retrace.proof import check_settings, differing
    from supervisor.shell.retrace.written import deciding, site_of
    from supervisor.sitefile import load

    other = load(args.other)
    if site is not None:
        check_settings(record, site, window.last)
    told = otherwise(record, site, other, window)
    run = record.run_at(window.last)
    was = site if site is not None or run is None else site_of(record.settings(run.settings))
    changed = [] if was is None else differing(deciding(was), deciding(other))
    if args.json:
        print(json.dumps(_as_data(args.other, told, changed), indent=2))
        return 0
    lines = [f"Under {args.other}, {_utc(told.first_wall_s)} to {_utc(told.last_wall_s)}", *changes(changed, "then", "now")]
    if not changed:
        lines.append("These settings are those that it was written by.")
    lines += ["", *_events(told.events), "", *(_end(name, end, told.doses[name]) for name, end in told.ends.items()), ""]
    if told.broken is not None:
        words = "this version does not decide as recorded under the settings of then: nothing after it is told"
        lines.append(f"From input {told.broken:,} on {words}; see stillhold replay.")
    if told.unknown:
        lines.append(f"{told.unknown:,} messages are about what this site file has not got; they were left out.")
    print("\n".join(printable(line) for line in (*lines, *HOLDS, CAUTION)))
    return 0


def _events(events: "list[Event]") -> list[str]:
    if not events:
        return ["No alarm, state or refusal would have been another while the answers hold."]
    lines = [
        f"  {one.subject}: {one.what} at {_time(one.was_wall_s)}; would have been at {_time(one.other_wall_s)}"
        for one in events[:EVENTS_MAX]
    ]
    more = [f"  and {len(events) - EVENTS_MAX} more"] if len(events) > EVENTS_MAX else []
    return ["Otherwise would have been, while the answers hold:", *lines, *more]


def _end(name: str, end: Any, doses: int) -> str:
    if end is None:
        return f"{name}: the same {doses} doses to the end; its answer holds"
    doubt = f" (may be only because {end.doubt})" if end.doubt else ""
    return f"{name}: the same {doses} doses until {_utc(end.wall_s)}, where its answer ends: {end.why}{doubt}"


def _utc(wall_s: float) -> str:
    from supervisor.shell.console.replay import utc

    return utc(wall_s)


def _time(wall_s: float | None) -> str:
    return "no time" if wall_s is None else _utc(wall_s)


def _as_data(other: Path, told: "Otherwise", changed: list[tuple[str, Any, Any]]) -> dict[str, Any]:
    return {
        "with": str(other),
        "from": _utc(told.first_wall_s),
        "to": _utc(told.last_wall_s),
        "from_snapshot": told.from_snapshot,
        "changed": [{"place": place, "then": was, "now": now} for place, was, now in changed],
        "otherwise": [
            {"subject": one.subject, "what": one.what,
             "was_at": None if one.was_wall_s is None else _utc(one.was_wall_s),
             "would_be_at": None if one.other_wall_s is None else _utc(one.other_wall_s)} for one in told.events
        ],
        "enclosures": {
            name: {"same_doses": told.doses[name], "holds_until": None if end is None else _utc(end.wall_s),
                   "end": None if end is None else {key: value for key, value in asdict(end).items() if key != "wall_s"}}
            for name, end in told.ends.items()
        },
        "messages_left_out": told.unknown,
        "does_not_replay_from": told.broken,
        "caution": CAUTION,
    }  # fmt: skip
