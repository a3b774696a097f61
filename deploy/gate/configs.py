"""Complete configurations of both brokers: TLS only, a certificate for everybody, and the rules. The reason stands beside each
setting. Both are written from the same table, and `tests/deploy/test_gate.py` tries what they forbid on both.
"""

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from deploy.gate.rules import Rules

PACKET_BYTES_MAX = 128 * 1024  # twice what the supervisor reads; the largest that the contract knows is some kilobytes
CONNECTIONS_MAX = 200
HEADER = "Written by deploy/broker-config from the site file and its certificates; change those, not this."


@dataclass(frozen=True)
class Gate:
    """What a configuration is made from. `names` has the name in the certificate of each identity."""

    host: str
    port: int
    folder: Path  # ca.crt, broker.crt and broker.key
    data: Path
    names: Mapping[str, str]
    rules: Mapping[str, Rules]


def mosquitto(gate: Gate, rules_file: Path, user: str) -> str:
    """`mosquitto.conf`; `mosquitto_rules` goes to `rules_file`. Mosquitto 2.0."""
    return f"""# {HEADER}
# One listener, no other: a broker with one more of its own would let in whoever finds that one.
listener {gate.port} {gate.host}
cafile {gate.folder / "ca.crt"}
certfile {gate.folder / "broker.crt"}
keyfile {gate.folder / "broker.key"}
tls_version tlsv1.2
# Nobody without a certificate of this site; the name in it is the user that the rules go by.
require_certificate true
use_identity_as_username true
allow_anonymous false
acl_file {rules_file}
user {user}
# Without this a request and its answer take 14 to 20 ms instead of 0.3 ms.
set_tcp_nodelay true
# A larger packet ends the connection: no reading is larger, and memory stays bounded.
max_packet_size {PACKET_BYTES_MAX}
max_connections {CONNECTIONS_MAX}
# A client that asks for a longer silence is refused: its will would come too late.
max_keepalive 60
# The usual 1000 queued messages are passed in a second by a burst, and what does not fit is dropped with a PUBACK. Beyond
# these 64 MB the oldest controller that was away would fill the memory.
max_queued_messages 100000
max_queued_bytes 67108864
max_inflight_messages 1000
# A session that nobody takes up again is a client that is gone.
persistent_client_expiration 14d
persistence true
persistence_location {gate.data}/
# Once a second: a kill loses about the last second. The usual 30 minutes lose everything; saving on each change takes
# the broker to under 700 messages a second. Retained messages are a cache here, so a second is affordable.
autosave_interval 1
autosave_on_changes false
log_dest stderr
log_timestamp_format %Y-%m-%dT%H:%M:%S
# Nothing about clients is told to clients.
sys_interval 0
"""


def mosquitto_rules(gate: Gate) -> str:
    """The rules file: what stands under no user is forbidden to all."""
    lines = [f"# {HEADER}"]
    for who, name in sorted(gate.names.items()):
        if who in gate.rules:
            lines += ["", f"# {who}", f"user {name}"]
            lines += [f"topic write {one}" for one in gate.rules[who].publish]
            lines += [f"topic read {one}" for one in gate.rules[who].subscribe]
    return "\n".join(lines) + "\n"


def nats(gate: Gate) -> str:
    """`nats-server.conf`, rules and all. nats-server 2.11 or newer."""
    users = ",\n".join(
        f'    {{ user: "CN={name}", allowed_connection_types: ["MQTT"], permissions: {{\n'
        f"      publish: {_subjects(gate.rules[who].publish)}\n"
        f"      subscribe: {_subjects(gate.rules[who].subscribe)}\n    }} }}"
        for who, name in sorted(gate.names.items()) if who in gate.rules
    )  # fmt: skip
    return f"""# {HEADER}
server_name: "stillhold"
# NATS' own protocol is not used: its port is any free one, on loopback only, and none of the users below may come by it.
host: "127.0.0.1"
port: -1
logtime_utc: true
max_payload: {PACKET_BYTES_MAX}   # a larger packet ends the connection: no reading is larger, and memory stays bounded
max_connections: {CONNECTIONS_MAX}
jetstream {{
  store_dir: "{gate.data}"
  sync_interval: always     # a PUBACK means that the message is on disk
  max_memory_store: 64MB
  max_file_store: 1GB
}}
mqtt {{
  host: "{gate.host}"
  port: {gate.port}
  ack_wait: "5s"            # what was not acknowledged comes again after this; by default only after 30 s
  max_ack_pending: 1000     # the supervisor acknowledges after its journal's commit, in batches; 100 would throttle it
  tls {{
    cert_file: "{gate.folder / "broker.crt"}"
    key_file: "{gate.folder / "broker.key"}"
    ca_file: "{gate.folder / "ca.crt"}"
    verify_and_map: true    # nobody without a certificate of this site; the name in it is the user
    timeout: 5
  }}
}}
authorization {{
  users: [
{users}
  ]
}}
"""


def _subjects(filters: tuple[str, ...]) -> str:
    """MQTT filters as NATS has them. Nothing is told by denying everything: an empty list would allow it."""
    if not filters:
        return '{ deny: ">" }'
    return "[" + ", ".join(f'"{_subject(one)}"' for one in filters) + "]"


def _subject(topic: str) -> str:
    return ".".join({"+": "*", "#": ">"}.get(level, level) for level in topic.split("/"))


def write(kind: str, gate: Gate, folder: Path, user: str) -> Path:
    """Writes what this kind of broker reads into `folder`, which others than its owner may not read; returns the file to start
    it with. Raises OSError."""
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    gate.data.mkdir(parents=True, exist_ok=True, mode=0o700)
    rules_file, config = folder / "rules.acl", folder / "broker.conf"
    texts = {config: nats(gate)} if kind == "nats" else {
        rules_file: mosquitto_rules(gate), config: mosquitto(gate, rules_file, user)
    }  # fmt: skip
    for path, text in texts.items():
        path.unlink(missing_ok=True)
        with open(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600), "w", encoding="utf-8") as file:
            file.write(text)
    return config
