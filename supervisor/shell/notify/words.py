"""The words of a notification: a title for a small screen, and what was measured, what to do, and what this program is not."""

from supervisor import caution
from supervisor.shell.notify.calls import Note, is_personnel, name_of
from supervisor.shell.notify.packing import Parcel, worst_first
from supervisor.shell.notify.roster import Roster

CAUTION = (
    f"{caution.CAUTION} Obey fixed gas detectors and their sounders whatever this message says. "
    "Nobody goes in alone; rescuers die too."
)
REPEAT = "Sent again after an attempt whose end is not known: it may be a repeat."
NOTES_SHOWN_MAX = 60
TITLE_MAX = 140

_HEADS = {
    "raised": "Alarm",
    "escalated": "Alarm that nobody has acknowledged",
    "repeated": "Still not acknowledged",
    "again": "Alarm again",
    "latched": "Cause gone, waits for a named person",
    "acknowledged": "Acknowledged",
    "quiet": "Not called about any more",
    "over": "Over",
}


def title(site: str, parcel: Parcel) -> str:
    """One line of at most TITLE_MAX characters."""
    worst = parcel.notes[0]
    if len(parcel.notes) == 1 and not parcel.digest:
        text = f"{site}: {_HEADS[worst.kind]}: {_short(worst)} ({worst.priority})"
    else:
        what = "Daily summary" if parcel.digest else f"{len(parcel.notes)} notifications"
        text = f"{site}: {what}, worst: {_short(worst)} ({worst.priority})"
    return " ".join(text.split())[:TITLE_MAX]  # one line: a mail's subject is one


def body(parcel: Parcel, roster: Roster, number: str) -> str:
    """Everything; `number` is the message's own, by which a receiver can drop a repeat."""
    if len(parcel.notes) == 1:
        lines = _told(parcel.notes[0], roster)
    else:
        lines = _grouped(parcel, roster)
    if any(is_personnel(note.alarm) for note in parcel.notes):
        lines += ["", CAUTION]
    return "\n".join([*lines, "", f"Message {number}"])


def _short(note: Note) -> str:
    return f"{note.text.split(':', 1)[0].rstrip('.')}, {note.alarm.split('-', 1)[-1]}"


def _told(note: Note, roster: Roster) -> list[str]:
    which = f"Alarm {note.alarm}, occurrence {note.occurrence}, priority {note.priority}."
    lines = [f"{_HEADS[note.kind]}: {note.text}", which]
    if note.raised_wall_s is not None:
        lines.append(f"Raised {roster.local(note.raised_wall_s)}.")
    if note.by is not None:
        lines.append(f"Acknowledged by {note.by}.")
    if note.detail:
        lines.append(f"{note.detail[:1].upper()}{note.detail[1:].rstrip('.')}.")
    if note.kind not in ("over", "acknowledged", "quiet"):
        lines.append(f"What to do: {note.advice}")
        lines.append("Acknowledge it, naming the occurrence that you saw.")
    elif note.kind == "acknowledged":
        lines.append("That ends the calls about it, not its cause.")
    return lines


def _grouped(parcel: Parcel, roster: Roster) -> list[str]:
    """By alarm name, worst first; of very many the rest is counted."""
    groups: dict[str, list[Note]] = {}
    for note in worst_first(parcel.notes):
        groups.setdefault(name_of(note.alarm), []).append(note)
    lines = [f"{len(parcel.notes)} notifications in one message, {len(groups)} alarms, worst first."]
    shown = 0
    for name, notes in groups.items():
        lines += ["", f"{_short(notes[0]).rsplit(',', 1)[0]} ({name}, {notes[0].priority}): {len(notes)}"]
        for note in notes[: max(0, NOTES_SHOWN_MAX - shown)]:
            by = f", by {note.by}" if note.by else ""
            lines.append(f"  {_HEADS[note.kind]}{by}: {note.alarm}, occurrence {note.occurrence}: {note.text}")
        shown += len(notes)
        calling = [note for note in notes if note.kind not in ("over", "acknowledged", "quiet")]
        if calling:
            lines.append(f"  What to do: {calling[0].advice}")
    if shown > NOTES_SHOWN_MAX:
        lines += ["", f"Some of the {shown} are counted here and not listed: see the console."]
    return lines
