"""To the wire: what the engine decided becomes topic, bytes and the retain flag.

Dosing requests, stops and room permits are taken only as `Cleared`, which only the guard can make. A bare one is a
broken invariant, raised and never sent.
"""

import re
from typing import NamedTuple

from supervisor.guard import Cleared
from supervisor.messages import DoseRequest, DoseStop, Outbound, RoomPermit, at
from supervisor.shell.wire import fill
from supervisor.values import PermitRoom, Publish, RequestDose, StopDose

_GUARDED = (DoseRequest, DoseStop, RoomPermit)
_LEVEL = re.compile(r"[a-z0-9_-]{1,128}")  # what every supported broker takes as a topic level


class Unguarded(TypeError):
    """Something that moves gas came to the publisher without the guard's clearance."""


class Encoded(NamedTuple):
    """A message ready to send: `topic` is absolute."""

    topic: str
    payload: bytes
    retain: bool


class Encoder:
    """Writes what leaves, below `root`."""

    def __init__(self, root: str) -> None:
        self._root = root
        self._topics: dict[tuple[str, tuple[str, ...]], str] = {}

    def encode(self, outgoing: Cleared | Publish) -> Encoded:
        """Raises Unguarded for a bare request, stop or permit, ValueError for a name that is no legal topic level."""
        if isinstance(outgoing, Publish):
            if isinstance(outgoing.body, _GUARDED):
                raise Unguarded(f"{type(outgoing.body).__name__} was to be published without the guard's clearance")
            return self._encode(outgoing.names, outgoing.body)
        if type(outgoing) is Cleared:
            return self._cleared(outgoing.effect)
        raise Unguarded(f"{type(outgoing).__name__} cannot be published")

    def _cleared(self, effect: RequestDose | StopDose | PermitRoom) -> Encoded:
        if isinstance(effect, RequestDose):
            body: Outbound = DoseRequest(
                request_id=effect.request_id,
                epoch=effect.epoch,
                volume_nl=effect.volume_nl,
                max_flow_nl_min=effect.max_flow_nl_min,
                # In the time of the unit that has to keep it.
                valid_until=at(effect.valid_until_wall_s + effect.clock_offset_s),
                reason=effect.reason,
                source=effect.source,
            )
            return self._encode((effect.enclosure, effect.gas), body)
        if isinstance(effect, StopDose):
            stop = DoseStop(request_id=effect.request_id, epoch=effect.epoch, reason=effect.reason)
            return self._encode((effect.enclosure, effect.gas), stop)
        permit = RoomPermit(
            dosing_permitted=effect.dosing_permitted,
            air_permitted=effect.air_permitted,
            epoch=effect.epoch,
            valid_until=at(effect.valid_until_wall_s),
        )
        return self._encode((effect.room,), permit)

    def _encode(self, names: tuple[str, ...], body: Outbound) -> Encoded:
        topic = self._topics.get((body.TOPIC, names))
        if topic is None:
            topic = self._topics[body.TOPIC, names] = f"{self._root}/{_checked(body.TOPIC, names)}"
        return Encoded(topic, body.__pydantic_serializer__.to_json(body), body.RETAINED)


def _checked(template: str, names: tuple[str, ...]) -> str:
    for name in names:
        if not _LEVEL.fullmatch(name):
            raise ValueError(f"{name!r} cannot be a level of {template}: allowed are a-z, 0-9, _ and -, at most 128")
    return fill(template, names)
