"""`stillhold replay`: a journal's inputs through a fresh engine, proved the same or shown where not."""

import argparse
import json
import sys
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from supervisor.caution import CAUTION
from supervisor.shell.console.audit import add_period, printable

if TYPE_CHECKING:
    from supervisor.settings import SiteFile
    from supervisor.shell.records import Input
    from supervisor.shell.retrace.proof import Difference, OtherSettings, Proof
    from supervisor.shell.retrace.record import Record

EXIT_SAME, EXIT_DIFFERENT, EXIT_WRONG = 0, 1, 2
EPILOG = "exit status: 0 the same; 1 different, with the first difference; 2 it cannot be read, or not with this site file"
USAGE = """stillhold replay [SITE] JOURNAL [--explain ENCLOSURE | --with OTHER_SITE]
                        [--since TIME] [--until TIME] [--json]"""
SHOWN_MAX = 400


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Adds `replay` to the command line."""
    what = (
        "Feeds the inputs that a journal recorded through a fresh engine and proves that the same decisions follow from them, "
        "bit for bit, or prints the first difference. It only reads: the journal may be a running supervisor's, or a copy. "
        "Without SITE each stretch is replayed by the settings that the journal keeps; with SITE these must be the same."
    )
    parser = commands.add_parser("replay", help="prove that a journal's decisions follow from its inputs",
                                 usage=USAGE, description=what, epilog=EPILOG, allow_abbrev=False)  # fmt: skip
    parser.add_argument("paths", type=Path, nargs="+", metavar="[SITE] JOURNAL",
                        help="the site file, and the folder given to `run` as --state, its copy or a bundle")  # fmt: skip
    parser.add_argument("--explain", metavar="ENCLOSURE", help="why each of its doses was or was not given, with numbers")
    parser.add_argument("--with", dest="other", type=Path, metavar="OTHER_SITE",
                        help="what would have been decided under this site file, and until when that can be said")  # fmt: skip
    add_period(parser)
    parser.add_argument("--json", action="store_true", help="as JSON")
    parser.set_defaults(carry_out=_replay)


def _replay(args: argparse.Namespace) -> int:
    from supervisor.shell.retrace.bundle import is_bundle, unpacked
    from supervisor.shell.retrace.proof import OtherSettings
    from supervisor.shell.retrace.record import RecordUnreadable, opened
    from supervisor.sitefile import SiteFileError, load

    if args.other is not None and args.explain is not None:
        return _wrong("--explain tells of what was, --with of what would have been: give one of them")
    if len(args.paths) > 2:
        return _wrong("give a site file and a journal, or a journal alone")
    try:
        site = load(args.paths[0]) if len(args.paths) == 2 else None
        if is_bundle(args.paths[-1]):
            with unpacked(args.paths[-1]) as (record, packed):
                nobody_noted = site is None and record.run_at(record.earliest()) is None
                return _carry_out(args, record, load(packed) if nobody_noted else site)
        with opened(args.paths[-1]) as record:
            return _carry_out(args, record, site)
    except (RecordUnreadable, SiteFileError) as error:
        return _wrong(str(error))
    except OtherSettings as other:
        return _other_settings(args, other)


def _carry_out(args: argparse.Namespace, record: "Record", site: "SiteFile | None") -> int:
    from supervisor.shell.retrace.proof import Window, prove

    window = Window(record, _wall_s(args.since), _wall_s(args.until))
    if args.other is not None:
        from supervisor.shell.console import replay_with

        return replay_with.show(args, record, site, window)
    if args.explain is not None:
        from supervisor.shell.console import replay_explain

        return replay_explain.show(args, record, site, window)
    proof = prove(record, site, window)
    if args.json:
        print(json.dumps(as_data(record, proof), indent=2))
    else:
        print("\n".join(printable(line) for line in told(record, proof)))
    return EXIT_SAME if proof.difference is None else EXIT_DIFFERENT


def _wall_s(moment: datetime | None) -> float | None:
    return None if moment is None else moment.timestamp()


def _wrong(words: str) -> int:
    print(f"stillhold replay: {words}", file=sys.stderr)
    return EXIT_WRONG


def _other_settings(args: argparse.Namespace, other: "OtherSettings") -> int:
    """Not different but another question: these settings did not write it."""
    words = f"{args.paths[0]} is not what this journal was written by (inputs from {other.run.seq} on):"
    print(f"stillhold replay: {words}", file=sys.stderr)
    for line in changes(other.changed, "in the journal", "in the file"):
        print(printable(f"  {line}"), file=sys.stderr)
    print("Leave the site file out to replay by what the journal keeps.", file=sys.stderr)
    return EXIT_WRONG


# ------------------------------------------------------------------------------------------------ in words


def told(record: "Record", proof: "Proof") -> list[str]:
    begin = f"from the snapshot after input {proof.first_seq - 1:,}" if proof.from_snapshot else "from the first input"
    lines = [
        f"Journal of {record.site_id}, {utc(proof.first_wall_s)} to {utc(proof.last_wall_s)},",
        f"  {begin} to input {proof.last_seq:,}",
        *(f"  {one}" for one in _written(proof)),
    ]
    if proof.difference is None:
        return [
            *lines,
            f"The same: {proof.decisions:,} decisions on {proof.inputs:,} inputs, bit for bit"
            + (f", and the state at {proof.snapshots} snapshots." if proof.snapshots else "."),
            CAUTION,
        ]
    same = f"Before it {proof.decisions:,} decisions on {proof.inputs:,} inputs are the same."
    return [*lines, *_different(proof.difference), same]


def _written(proof: "Proof") -> list[str]:
    """Who wrote it, in stretches of one program and one site file, and what of that is not this program."""
    from supervisor.shell.retrace.written import program

    here, lines, last = program(), [], None
    if proof.unknown:
        lines.append("begins with what a version wrote that did not note itself: taken for written by this site file")
    for run in proof.runs:
        if last is not None and (run.program, run.settings) == (last.program, last.settings):
            continue
        lines.append(
            f"from input {run.seq:,}: version {run.program.version} ({run.program.sha256[:12]}), settings {run.settings[:12]}"
        )
        last = run
    others = {run.program.sha256 for run in proof.runs} - {here.sha256}
    if others:
        words = "which is another: a difference may be the program's"
        lines.append(f"replayed by version {here.version} ({here.sha256[:12]}), {words}")
    elsewhere = {run.program.platform for run in proof.runs} - {here.platform}
    lines += [f"written on {one}, replayed on {here.platform}" for one in sorted(elsewhere)]
    words = "and was started again; the input at fault is not in it"
    return [*lines, *(f"the engine failed at {utc(one)} {words}" for one in proof.failures)]


def _different(found: "Difference") -> list[str]:
    lines = [
        f"DIFFERENT at input {found.seq:,}, {utc(found.row.wall_s)}: {found.words}",
        f"  input      {input_told(found.row)}",
    ]
    if found.kind in ("decisions", "refused"):
        lines.append(f"  recorded   {_short(found.recorded[0]) if found.recorded else 'nothing'}")
        lines.append(f"  now        {_short(found.now[0]) if found.now else 'nothing'}")
    lines += [f"  where      {line}" for line in changes(found.changed, "recorded", "now")]
    for name, state in found.state.items():
        told = {key: value for key, value in state.items() if value not in (None, "", {}, [])}
        flat = ", ".join(f"{key} {_short(json.dumps(value), 120)}" for key, value in told.items())
        lines.append(f"  {name} before it: {_short(flat, 3 * SHOWN_MAX)}")
    return lines


def changes(changed: list[tuple[str, Any, Any]], was_where: str, now_where: str) -> list[str]:
    lines = [
        f"{place or 'all of it'}: {_value(was)} {was_where}, {_value(now)} {now_where}" for place, was, now in changed[:20]
    ]
    return [*lines, f"and {len(changed) - 20} more"] if len(changed) > 20 else lines


def _value(value: Any) -> str:
    return "nothing" if value is None else _short(json.dumps(value, ensure_ascii=False), 120)


def input_told(row: "Input") -> str:
    if row.kind == "arrived":
        return f"{row.topic} {_short(row.payload.decode('utf-8', 'replace'))}"
    return f"{row.kind} {row.payload.decode('utf-8', 'replace')}".rstrip()


def _short(text: str, most: int = SHOWN_MAX) -> str:
    return text if len(text) <= most else f"{text[:most]}... ({len(text)} characters)"


def utc(wall_s: float) -> str:
    from supervisor.messages import at, rfc3339

    return rfc3339(at(wall_s))


# ------------------------------------------------------------------------------------------------ as data


def as_data(record: "Record", proof: "Proof") -> dict[str, Any]:
    found = proof.difference
    return {
        "site": record.site_id,
        "same": found is None,
        "first_input": proof.first_seq,
        "last_input": proof.last_seq,
        "from": utc(proof.first_wall_s),
        "to": utc(proof.last_wall_s),
        "from_snapshot": proof.from_snapshot,
        "inputs": proof.inputs,
        "decisions": proof.decisions,
        "snapshots": proof.snapshots,
        "written_by": [
            {"from_input": one.seq, "version": one.program.version, "program_sha256": one.program.sha256,
             "platform": one.program.platform, "settings_sha256": one.settings} for one in proof.runs
        ],
        "writer_unknown": proof.unknown,
        "failures": [utc(one) for one in proof.failures],
        "difference": None if found is None else {
            "kind": found.kind, "input": found.seq, "at": utc(found.row.wall_s), "words": found.words,
            "input_kind": found.row.kind, "topic": found.row.topic, "payload": found.row.payload.decode("utf-8", "replace"),
            "recorded": found.recorded, "now": found.now,
            "changed": [{"place": place, "recorded": was, "now": now} for place, was, now in found.changed],
            "state_before": found.state,
        },
        "caution": CAUTION,
    }  # fmt: skip
