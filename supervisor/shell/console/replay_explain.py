"""`stillhold replay --explain`: why each dose of an enclosure was or was not given, one line for each reason."""

import argparse
import json
from dataclasses import asdict
from typing import TYPE_CHECKING

from supervisor.caution import CAUTION
from supervisor.shell.console.audit import printable

if TYPE_CHECKING:
    from supervisor.settings import SiteFile
    from supervisor.shell.retrace.explain import Line
    from supervisor.shell.retrace.proof import Window
    from supervisor.shell.retrace.record import Record

_HEADS = {
    "decided": "", "event": "", "asked": "asked: ", "delivered": "delivered: ", "not_given": "nothing given: ",
    "refused": "nothing given: ", "stopped": "stopped: ",
}  # fmt: skip


def show(args: argparse.Namespace, record: "Record", site: "SiteFile | None", window: "Window") -> int:
    """Prints it; the exit status. Raises RecordUnreadable and OtherSettings."""
    from supervisor.messages import at, rfc3339
    from supervisor.shell.console.replay import EXIT_DIFFERENT, EXIT_SAME
    from supervisor.shell.retrace.explain import explain

    lines, broken = explain(record, site, window, args.explain)
    if args.json:
        for one in lines:
            data = asdict(one) | {"at": rfc3339(at(one.wall_s)), "until": rfc3339(at(one.until_wall_s))}
            print(json.dumps({key: value for key, value in data.items() if not key.endswith("wall_s")}))
        if broken is not None:
            print(json.dumps({"does_not_replay_from": broken}))
        return EXIT_SAME if broken is None else EXIT_DIFFERENT
    print(f"Why {args.explain} was given gas or not, by the core's own reasons; times are UTC.")
    day = ""
    for one in lines:
        stamp = rfc3339(at(one.wall_s))
        if stamp[:10] != day:
            day = stamp[:10]
            print(f"\n{day}")
        print(printable(told(one)))
    if broken is not None:
        words = "this version does not decide as recorded, so its reasons would not be those of then; see stillhold replay"
        print(f"\nFrom input {broken:,} on {words}.")
    print(f"\n{CAUTION}")
    return EXIT_SAME if broken is None else EXIT_DIFFERENT


def told(one: "Line") -> str:
    """A line as it is printed."""
    from supervisor.messages import at, rfc3339

    gas = f"{one.gas} " if one.gas else ""
    again = ""
    if one.times > 1:
        in_all = f", {one.times} times, {one.volume_nl:,.1f} nl in all" if one.volume_nl else ""
        again = f" (the same until {rfc3339(at(one.until_wall_s))[11:19]}{in_all})"
    head = f"{rfc3339(at(one.wall_s))[11:19]}  {one.state.replace('_', ' '):<12}  "
    return f"{head}{gas}{_HEADS[one.kind]}{one.words}{again}"
