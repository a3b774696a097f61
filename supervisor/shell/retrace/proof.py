"""The proof that a journal's decisions follow from its inputs, or the first place where they do not."""

import json
from dataclasses import dataclass, field
from typing import Any, Literal

from supervisor.settings import SiteFile
from supervisor.shell.engine import Engine, snapshot_of_core
from supervisor.shell.records import Input
from supervisor.shell.retrace import written
from supervisor.shell.retrace.record import Record, RecordUnreadable
from supervisor.shell.retrace.replayer import Replayer, Stepped

KEEP_EVERY = 5000  # inputs, after which the state is kept to be gone back to
LEAVES_MAX = 12

Kind = Literal["decisions", "missing", "refused", "state"]


@dataclass(slots=True)
class Difference:
    """The first. `recorded` and `now` are decisions; `changed` lists where they part, or the states after the input do, as
    (place, recorded, now). `state` is the core's own before the input, of what the decisions are about."""

    kind: Kind
    seq: int
    row: Input
    words: str
    recorded: list[str] = field(default_factory=list)
    now: list[str] = field(default_factory=list)
    changed: list[tuple[str, Any, Any]] = field(default_factory=list)
    state: dict[str, Any] = field(default_factory=dict)


@dataclass(slots=True)
class Proof:
    """What was compared. `runs` wrote it, `unknown` tells that a part of it was written by nobody knows whom."""

    first_seq: int
    last_seq: int
    first_wall_s: float
    last_wall_s: float
    from_snapshot: bool
    inputs: int
    decisions: int
    snapshots: int
    runs: list[written.Run]
    unknown: bool
    failures: list[float]
    difference: Difference | None


class OtherSettings(Exception):
    """The given site file is not the one that the journal was written by. `changed` as in `Difference`."""

    def __init__(self, run: written.Run, changed: list[tuple[str, Any, Any]]) -> None:
        super().__init__(f"the settings from input {run.seq} on are others")
        self.run, self.changed = run, changed


class Window:
    """What is to be replayed: from the snapshot `base` on up to the input `last`; `first` is the first that was asked for."""

    def __init__(self, record: Record, since_wall_s: float | None, until_wall_s: float | None) -> None:
        self.first = max(record.earliest(), 1 if since_wall_s is None else record.seq_from(since_wall_s))
        self.last = record.last_seq
        if until_wall_s is not None:
            self.last = min(self.last, record.seq_from(until_wall_s, self.first - 1) - 1)
        if self.first > self.last:
            raise RecordUnreadable(f"{record.path}: no input came in that time")
        base = record.beginning(self.first)
        if base is None:
            raise RecordUnreadable(f"{record.path}: what leads to input {self.first} is gone; ask for a later time")
        self.base = base


def check_settings(record: Record, given: SiteFile, last: int) -> None:
    """Raises OtherSettings when `given` is not what the inputs up to `last` were written by at their end."""
    run = record.run_at(last)
    text = written.settings_text(given)
    if run is None or run.settings == written.sha256_of(text):
        return
    kept = record.settings(run.settings)
    try:
        kept = written.settings_text(written.site_of(kept))  # a version before had not got every key that has a default now
    except ValueError:
        pass  # a key that this version has not got any more: then that is what differs
    if kept != text:
        raise OtherSettings(run, differing(json.loads(kept), json.loads(text)))


def prove(record: Record, given: SiteFile | None, window: Window) -> Proof:
    """Replays and compares. Raises OtherSettings and RecordUnreadable."""
    if given is not None:
        check_settings(record, given, window.last)
    replayer = Replayer(record, given, window.base, window.last)
    snapshots = {one for one in record.snapshots if window.base < one <= window.last}
    inputs = decisions = proved = 0
    last_wall_s = first_wall_s = 0.0
    kept: tuple[int, SiteFile, bytes] = (window.base, replayer.site, replayer.engine.dump())
    difference = None
    for one in replayer.steps():
        first_wall_s = first_wall_s if inputs else one.row.wall_s
        last_wall_s = one.row.wall_s
        if (difference := _found(one)) is not None:
            difference.state = _state_before(record, replayer, kept, difference)
            break
        inputs, decisions = inputs + 1, decisions + len(one.decided)
        blob = record.blob(one.seq) if one.seq in snapshots else None
        if blob is not None:
            if (difference := _state_differs(one, blob, replayer.engine)) is not None:
                break
            proved += 1
        if inputs % KEEP_EVERY == 0:
            kept = (one.seq, replayer.site, replayer.engine.dump())
    if difference is None and window.last == record.last_seq < record.decided_seq:
        words = f"inputs {record.last_seq + 1} to {record.decided_seq} are missing: decisions on them are there"
        difference = Difference("missing", record.last_seq + 1, one.row, words)
    end = window.last if difference is None else difference.seq
    runs = [one for one in record.runs if one.seq <= end]
    before = [one for one in runs if one.seq <= window.base + 1][:-1]
    failures = [one.wall_s for one, _ in record.faults() if first_wall_s <= one.wall_s <= last_wall_s]
    return Proof(
        window.base + 1, end, first_wall_s, last_wall_s, window.base > 0, inputs, decisions, proved, runs[len(before):],
        record.run_at(window.base + 1) is None, failures, difference,
    )  # fmt: skip


def _found(one: Stepped) -> Difference | None:
    if one.gap:
        missing = f"input {one.seq - one.gap}" if one.gap == 1 else f"inputs {one.seq - one.gap} to {one.seq - 1}"
        verb = "is" if one.gap == 1 else "are"
        return Difference("missing", one.seq - one.gap, one.row, f"{missing} {verb} missing, before input {one.seq}")
    if one.trouble:
        return Difference("refused", one.seq, one.row, one.trouble, one.recorded, [])
    if one.recorded == one.decided:
        return None
    pairs = zip(one.recorded, one.decided, strict=False)
    place = next((number for number, (was, now) in enumerate(pairs) if was != now), min(len(one.recorded), len(one.decided)))
    was, now = one.recorded[place : place + 1], one.decided[place : place + 1]
    if not was:
        words = f"decision {place + 1} on it was not recorded"
    elif not now:
        words = f"decision {place + 1} on it is not made"
    else:
        words = f"decision {place + 1} on it is another"
    return Difference("decisions", one.seq, one.row, words, was, now, differing(_read(was), _read(now)) if was and now else [])


def _read(texts: list[str]) -> Any:
    """The first of `texts`; a decision that is no JSON as it stands."""
    try:
        return json.loads(texts[0])
    except ValueError:
        return texts[0]


def differing(was: Any, now: Any, place: str = "") -> list[tuple[str, Any, Any]]:
    """Where two pieces of plain data part, as (dotted place, was, now). Lists of tables are set against each other by `id`."""
    if isinstance(was, dict) and isinstance(now, dict):
        keys = [*was, *(one for one in now if one not in was)]
        return [one for key in keys for one in differing(was.get(key), now.get(key), f"{place}.{key}" if place else str(key))]
    if isinstance(was, list) and isinstance(now, list):
        by_id = _by_id(was), _by_id(now)
        if None not in by_id:
            return differing(*by_id, place)
        if len(was) == len(now):
            both = zip(was, now, strict=True)
            return [one for n, (a, b) in enumerate(both) for one in differing(a, b, f"{place}.{n}")]
    return [] if was == now and type(was) is type(now) else [(place, was, now)]


def _by_id(listed: list[Any]) -> dict[str, Any] | None:
    named = {one["id"]: one for one in listed if isinstance(one, dict) and "id" in one}
    return named if named and len(named) == len(listed) else None


def _state_differs(one: Stepped, blob: bytes, engine: Engine) -> Difference | None:
    if (now := engine.dump()) == blob:
        return None
    changed = [
        (f"{part}.{place}", was, is_now)
        for part, (a, b) in _parts(blob, now).items() for place, was, is_now in differing(a, b)
    ]  # fmt: skip
    words = "every decision up to it is the same, and the state that was kept after it is another"
    return Difference("state", one.seq, one.row, words, changed=changed[:LEAVES_MAX])


def _parts(a: bytes, b: bytes) -> dict[str, tuple[Any, Any]]:
    import base64

    try:
        read = [{key: json.loads(base64.b64decode(value)) for key, value in json.loads(one).items()} for one in (a, b)]
    except ValueError:
        return {"snapshot": ("cannot be read", "as it should be")}
    return {key: (read[0].get(key), read[1].get(key)) for key in read[1]}


# ------------------------------------------------------------------------------------------------ the state before


def _state_before(
    record: Record, replayer: Replayer, kept: tuple[int, SiteFile, bytes], difference: Difference
) -> dict[str, Any]:
    """The core's state before the input, of what differs. Steps once more from where the state was last kept."""
    seq, site, blob = kept
    engine = Engine.load(site, blob)
    if difference.seq - 1 > seq:
        again = Replayer(record, replayer.given, seq, difference.seq - 1, blob)
        try:
            for _ in again.steps():
                pass
        except RecordUnreadable:  # a start in between went on from before what was kept: the words have to do without
            return {}
        engine = again.engine
    core = json.loads(snapshot_of_core(engine.dump()))
    return _about(core, subjects(difference, replayer.site.root))


def subjects(difference: Difference, root: str) -> list[str]:
    """The names that the differing decisions, or the input itself, are about."""
    names: list[str] = []
    for text in (*difference.recorded, *difference.now):
        read = _read([text])
        if not isinstance(read, dict):
            continue
        figures = read.get("figures", {})
        keys = ("enclosure", "room", "analyser", "source", "alarm", "subject")
        names += [str(figures[key]) for key in keys if key in figures]
        names += str(read.get("topic", "")).removeprefix(f"{root}/").split("/")[1:3]
    return list(dict.fromkeys([*names, *difference.row.topic.removeprefix(f"{root}/").split("/")[1:3]]))


def _about(core: dict[str, Any], names: list[str]) -> dict[str, Any]:
    """The parts of the core's state of these names."""
    kinds = ("enclosures", "rooms", "analysers", "sources", "alarms")
    return {f"{kind[:-1]} {name}": core[kind][name] for name in names for kind in kinds if name in core.get(kind, {})}
