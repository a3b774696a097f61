"""How an external event stands in the journal, and how it is read back for a replay.

A message is kept exactly as it was received, so that a replay runs through the same decoder as the live message did.
Events that the engine derives from these are not kept: it derives them again.
"""

import json
from dataclasses import dataclass

from supervisor.shell.wire import Decoder, Refused
from supervisor.values import Arrived, Event, LinkChanged, Now, ShellTrouble, Started, Stopping, Ticked


class UnknownRecord(Exception):
    """The journal holds an input that this version does not know."""


@dataclass(frozen=True, slots=True)
class Input:
    """One row of the journal's inputs. `topic` is absolute and only set for a message; the payload of the others is
    their fields as JSON."""

    mono_s: float
    wall_s: float
    kind: str
    topic: str
    payload: bytes
    retained: bool


def of_message(now: Now, topic: str, payload: bytes, retained: bool) -> Input:
    return Input(now.mono_s, now.wall_s, "arrived", topic, payload, retained)


def of_event(event: Event) -> Input:
    """Any external event but a message. Raises TypeError for one that is not journalled."""
    now = event.now
    match event:
        case Ticked():
            return Input(now.mono_s, now.wall_s, "ticked", "", b"", False)
        case Started(epoch=epoch, instance=instance):
            fields: dict[str, object] = {"epoch": epoch, "instance": instance}
            kind = "started"
        case LinkChanged(up=up):
            fields, kind = {"up": up}, "link"
        case ShellTrouble(trouble=trouble, active=active, detail=detail):
            fields, kind = {"trouble": trouble, "active": active, "detail": detail}, "trouble"
        case Stopping():
            fields, kind = {}, "stopping"
        case _:
            raise TypeError(f"{type(event).__name__} is not an external event")
    return Input(now.mono_s, now.wall_s, kind, "", json.dumps(fields).encode(), False)


def to_event(row: Input, decoder: Decoder) -> Event | Refused:
    """The event of a row. A message of a topic that the site file no longer has comes back as a Refused.

    Raises UnknownRecord for a kind that this version does not know.
    """
    now = Now(row.mono_s, row.wall_s)
    if row.kind == "arrived":
        decoded = decoder.decode(row.topic, row.payload, row.retained)
        return decoded if isinstance(decoded, Refused) else Arrived(now, *decoded)
    if row.kind == "ticked":
        return Ticked(now)
    fields = json.loads(row.payload)
    match row.kind:
        case "started":
            return Started(now, fields["epoch"], fields["instance"])
        case "link":
            return LinkChanged(now, fields["up"])
        case "trouble":
            return ShellTrouble(now, fields["trouble"], fields["active"], fields["detail"])
        case "stopping":
            return Stopping(now)
    raise UnknownRecord(f"the journal holds an input of kind {row.kind!r}, which this version does not know")
