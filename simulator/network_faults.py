"""What can happen to messages between hardware, broker and supervisor: a table of kinds. Usual figures are assumed.

A link is a hardware unit, the `crew`'s consoles, the `supervisor`, or `all` of them. MQTT at QoS 1 loses nothing while both
sides live, keeps the order of a connection and delivers whole packets; what each kind beyond that stands for is said at it.
"""

from .kinds import Kind, Size, table

MINUTE = 60.0
ALL, BROKER, SUPERVISOR, CREW = "all", "broker", "supervisor", "crew"

LINKS = (
    # An acknowledgement is lost and the packet sent again: QoS 1 is at least once.
    Kind("messages_doubled", "link", "A share of {size} of the messages of {target} comes twice", (2 * MINUTE, 15 * MINUTE),
         Size("share that comes twice", 0.0, 1.0, (0.1, 0.6))),
    # A bridge or gateway with several connections: one connection keeps the order.
    Kind("messages_reordered", "link", "Messages of {target} overtake each other within {size} s", (2 * MINUTE, 15 * MINUTE),
         Size("s within which they overtake each other", 0.0, 3600.0, (5.0, 40.0), "by_ratio")),
    # A radio link or a bridge that buffers.
    Kind("messages_late", "link", "Messages of {target} come {size} s late", (2 * MINUTE, 15 * MINUTE),
         Size("s that each is under way", 0.0, 3600.0, (4.0, 90.0), "by_ratio")),
    # A gateway whose buffer is too short: MQTT delivers what it was given.
    Kind("messages_cut", "link", "A share of {size} of the messages of {target} is cut short", (2 * MINUTE, 15 * MINUTE),
         Size("share that is cut short", 0.0, 1.0, (0.05, 0.5))),
    # A disturbed field bus behind the gateway: TCP has its check sums.
    Kind("messages_garbled", "link", "In a share of {size} of the messages of {target} bytes are wrong",
         (2 * MINUTE, 15 * MINUTE), Size("share in which some bytes are wrong", 0.0, 1.0, (0.05, 0.5))),
    # A gateway whose queue is full, or that sends at QoS 0.
    Kind("messages_lost", "link", "A share of {size} of the messages of {target} is lost", (2 * MINUTE, 15 * MINUTE),
         Size("share that never comes", 0.0, 1.0, (0.05, 0.6))),
    # A cable or a switch. What was not acknowledged comes when it is mended; what was said later does not, reports aside.
    Kind("network_split", "link", "The network between the broker and {target} is cut", (10.0, 15 * MINUTE)),
)  # fmt: skip

BROKERS = (
    Kind("broker_down", "broker", "The broker is down", (10.0, 10 * MINUTE)),
    # Restarted without its memory: nothing retained, and no session with what waited in it.
    Kind("broker_forgets", "broker", "The broker is down and will have forgotten everything", (5.0, 2 * MINUTE)),
    # A machine without time or disk.
    Kind("broker_slow", "broker", "Each message waits {size} s in the broker", (MINUTE, 10 * MINUTE),
         Size("s that each message waits in it", 0.0, 600.0, (1.0, 12.0), "by_ratio")),
    # One that drops what exceeds its queues, having acknowledged it.
    Kind("broker_lossy", "broker", "The broker loses a share of {size} of the messages", (MINUTE, 10 * MINUTE),
         Size("share that it takes and never gives", 0.0, 1.0, (0.05, 0.6))),
    # Its disk is full: connections stay, and it takes and acknowledges nothing.
    Kind("broker_full", "broker", "The broker takes no messages any more", (MINUTE, 10 * MINUTE)),
)  # fmt: skip

NETWORK = table(*LINKS, *BROKERS)


def network_targets(units: tuple[str, ...]) -> dict[str, set[str]]:
    """What each kind of target may name where there are these hardware units."""
    return {"link": {*units, CREW, SUPERVISOR, ALL}, "broker": {BROKER}}
