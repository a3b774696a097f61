"""Which snapshots a journal keeps: the newest few for a start, and one every few hours for whoever replays an incident.

Inputs are kept for `KEEP_S`, and can be replayed only from a snapshot before them once earlier ones are gone. So the oldest
snapshot that is kept is the newest that is older than `KEEP_S`.
"""

from collections.abc import Sequence

KEEP_S = 14 * 86_400.0
KEPT_NEWEST = 3
APART_S = 6 * 3600.0


def superfluous(snapshots: Sequence[tuple[int, float | None]]) -> list[int]:
    """The numbers of those that may go, of (number, mono_s) in their order. Of time None only a newest is kept."""
    older, newest = snapshots[:-KEPT_NEWEST], snapshots[-KEPT_NEWEST:]
    if not older:
        return []
    now_s = newest[-1][1]
    kept: list[tuple[int, float]] = []
    for seq, mono_s in older:
        if mono_s is not None and (not kept or mono_s - kept[-1][1] >= APART_S):
            kept.append((seq, mono_s))
    while now_s is not None and len(kept) > 1 and kept[1][1] <= now_s - KEEP_S:
        kept.pop(0)
    if now_s is not None and kept and newest[0][1] is not None and newest[0][1] <= now_s - KEEP_S:
        kept.clear()
    stay = {seq for seq, _ in kept}
    return [seq for seq, _ in older if seq not in stay]
