"""The bus: what the loop asks of a message broker, without naming a client library.

Everything happens inside `poll`, on the loop's own thread. So a loop that hangs also stops answering the broker, which
then publishes our will: nobody is told that we live when only a network thread does. What was not polled yet waits with
the broker and in the socket, so that nothing in between can overflow and drop.
"""

from dataclasses import dataclass, field
from typing import NamedTuple, Protocol


class Received(NamedTuple):
    """A message as it came. `retained`: the broker kept it from before."""

    topic: str
    payload: bytes
    retained: bool


class Notice(NamedTuple):
    """Something about the link for the log: a short name and words."""

    event: str
    detail: str


class BusStopped(Exception):
    """The bus will not go on: what it would do next would make things worse. The message says why."""


@dataclass(slots=True)
class Round:
    """What one poll brought. `link` holds each change of the proved link, `confirmed` the receipts that the broker has
    taken over, `notices` what to log. `full`: more was there than one round takes."""

    received: list[Received] = field(default_factory=list)
    link: list[bool] = field(default_factory=list)
    confirmed: list[int] = field(default_factory=list)
    notices: list[Notice] = field(default_factory=list)
    full: bool = False


class Bus(Protocol):
    """A link to the broker that heals itself."""

    def poll(self, wait_s: float) -> Round:
        """Do the network's work for at most `wait_s` real seconds, less when something came. Raises BusStopped."""
        ...

    def publish(self, topic: str, payload: bytes, retain: bool, receipt: int | None = None) -> bool:
        """Send. A retained message is also kept and sent again whenever the link comes back, the latest one per topic.

        False when it was not handed to the broker now. With `receipt`, a later Round confirms when the broker has it.
        """
        ...

    def settle(self) -> None:
        """Acknowledge to the broker, in order, everything that the last polls returned: it is on disk."""
        ...

    def close(self, patience_s: float, goodbye: bool = True) -> bool:
        """Send what is under way and close, within `patience_s` real seconds. False when not all was sent.

        A goodbye discards the will, so the offline status must have been published before; without one the broker
        publishes the will.
        """
        ...
