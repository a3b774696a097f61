"""Does the broker hold its rules? A message to where nobody may publish: when it comes back, it does not.

A broker tells nobody what it let pass and what it did not: a forbidden message is acknowledged like any other, and a forbidden
subscription may be granted and stay silent (mosquitto 2.0, nats-server 2.15). So it is tried, at each new link.
"""

from supervisor.settings import SiteFile
from supervisor.shell.bus import Bus, Received
from supervisor.shell.troubles import Troubles

WORDS = (
    "a message that nobody may publish came through: anybody who is let in can speak for the hardware or ask for gas; "
    "see that the broker runs by the configuration that deploy/broker-config wrote"
)


class Canary:
    """`topic` is to be subscribed to as well. Made only for a site whose broker is to be a gate."""

    def __init__(self, site: SiteFile, instance: str) -> None:
        self.topic = f"{site.root}/canary/{instance}"

    def send(self, bus: Bus, troubles: Troubles) -> None:
        """At a new link. What the last one told is told no more: this one tells anew."""
        troubles.put("broker_open", False)
        bus.publish(self.topic, b"nobody may say this", False)

    def came_back(self, raw: Received, troubles: Troubles) -> bool:
        """Whether a message is it; then it is a trouble."""
        if raw.topic != self.topic:
            return False
        troubles.put("broker_open", True, WORDS)
        return True
