"""The message contract as an AsyncAPI 3.0 document, made from the models: what is not in them is not in it."""

import re
from typing import Any

from supervisor.caution import CAUTION
from supervisor.messages import INBOUND, OUTBOUND, Inbound, Outbound
from supervisor.shell.contract_examples import EXAMPLES
from supervisor.values import GASES

Model = type[Inbound] | type[Outbound]

CONTRACT_VERSION = "1.0.0"
QOS = 1
BINDING_VERSION = "0.2.0"

DESCRIPTION = """\
What Stillhold's supervisor and the hardware of a site say to each other, over MQTT 3.1.1 or 5, JSON in UTF-8, QoS 1.
Nothing rests on a feature of MQTT 5. `receive` and `send` are the supervisor's.

Gas contents are volume percent of dry gas; volumes are normal litres (0 degC, 101.325 kPa), dry, metered at the source.
Times are RFC 3339 in UTC with milliseconds. Unknown keys are ignored. A message that does not validate changes nothing
and is told on `rejected`. A request, stop, permit, select or command is never retained.

What hardware must do:
- Refuse a request or permit that is retained, expired, or of an epoch lower than the highest seen; answer a repeated
  id by its own outcome again.
- Hold `valid_until` as a lease: the valve is shut by then, and what was delivered is reported as aborted. Report
  `accepted` within 5 s and `progress` every 30 s.
- Run one request for each valve; another is `busy`.
- Shut every valve of a room that the permit in force does not cover, and all when no permit has come before the last
  ran out. Believe no permit for longer than 60 s ahead. A dose that was cut is not taken up again.
- Under one epoch each permit for a room, a withdrawal too, ends later than the ones before it. While one is in force,
  refuse one that allows something and ends earlier: it is an old one, delivered late or twice.
- After a select's `valid_until` the analyser draws its idle line.

How an operator's command is signed, where the site file names an operators file:
- `signature` is HMAC-SHA-256 under the operator's key (32 bytes, in the key file as hexadecimal digits), written as 64
  lower-case hexadecimal digits, over the canonical form of the message: the JSON object with all its keys but `signature`,
  by RFC 8785: keys sorted by UTF-16 code units, no spaces, UTF-8, texts with no escapes but those that JSON demands
  (`\\"`, `\\\\`, `\\b`, `\\t`, `\\n`, `\\f`, `\\r`, other control characters as `\\u00xx` in lower case), whole numbers in
  plain digits. Numbers with a fraction or an exponent, numbers beyond 2^53 and repeated keys are refused. The
  example of OperatorCommand is signed with the key 00 01 02 ... 1f.
- `issued_at` is within 60 s of the supervisor's clock, either way, and a `command_id` is never used for two commands. The
  same message again, while it is fresh, is answered by its first outcome again.
- `look` may command nothing; `acknowledge`: acknowledge, shelve, unshelve, enter, leave, stop; `operate`: also seal, vent,
  open, resume; `engineer`: also calibrate, test.
- A command that is not taken is answered on `operator/outcome` with the reason; within bounds, when too many come.

""" + CAUTION + "\n"

PARAMETERS: dict[str, dict[str, Any]] = {
    "root": {
        "description": "The site's root, one or more levels; by default stillhold/ and the site's id.",
        "default": "stillhold/quillfen",
        "examples": ["stillhold/quillfen"],
    },
    "unit": {"description": "A hardware unit, named in the site file by what it serves."},
    "analyser": {"description": "An analyser of the site file."},
    "room": {"description": "A room of the site file."},
    "sensor": {"description": "An air sensor of the room."},
    "enclosure": {"description": "An enclosure of the site file."},
    "source": {"description": "A gas source of the site file."},
    "gas": {"description": "Which of the enclosure's valves.", "enum": list(GASES)},
    "alarm": {"description": "The alarm's own name, the same each time that it is raised."},
}


def document() -> dict[str, Any]:
    """The whole AsyncAPI document as plain data for JSON."""
    models: tuple[Model, ...] = (*INBOUND, *OUTBOUND)
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "Stillhold message contract",
            "version": CONTRACT_VERSION,
            "description": DESCRIPTION,
            "license": {"name": "Apache-2.0"},
        },
        "defaultContentType": "application/json",
        "channels": {model.__name__: _channel(model) for model in models},
        "operations": {_operation_name(model): _operation(model) for model in models},
        "components": {
            "messages": {model.__name__: _message(model) for model in models},
            "parameters": PARAMETERS,
        },
    }


def address_of(model: Model) -> str:
    """The topic with its root, `{name}` for each variable level."""
    return "{root}/" + model.TOPIC


def _channel(model: Model) -> dict[str, Any]:
    names = re.findall(r"\{(\w+)\}", address_of(model))
    return {
        "address": address_of(model),
        "description": _retained_in_words(model),
        "messages": {model.__name__: {"$ref": f"#/components/messages/{model.__name__}"}},
        "parameters": {name: {"$ref": f"#/components/parameters/{name}"} for name in names},
    }


def _retained_in_words(model: Model) -> str:
    if not model.RETAINED:
        return "Never retained: a retained one is refused." if model in INBOUND else "Never retained."
    return "Retained: the broker gives the last one to whoever subscribes."


def _operation_name(model: Model) -> str:
    return ("receive" if model in INBOUND else "send") + model.__name__


def _operation(model: Model) -> dict[str, Any]:
    return {
        "action": "receive" if model in INBOUND else "send",
        "channel": {"$ref": f"#/channels/{model.__name__}"},
        "messages": [{"$ref": f"#/channels/{model.__name__}/messages/{model.__name__}"}],
        "bindings": {"mqtt": {"qos": QOS, "retain": model.RETAINED, "bindingVersion": BINDING_VERSION}},
    }


def _message(model: Model) -> dict[str, Any]:
    schema = model.model_json_schema()
    summary = schema.pop("description", None)
    message = {
        "name": model.__name__,
        "title": re.sub(r"(?<=[a-z])(?=[A-Z])", " ", model.__name__),
        "contentType": "application/json",
        "payload": schema,
        "examples": [{"name": "invented", "payload": EXAMPLES[model]}],
    }
    return message | ({"summary": " ".join(summary.split())} if summary else {})
