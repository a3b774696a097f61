"""The AsyncAPI document is the models', and both are the contract as the design has it."""

import json
import re
from typing import Any, get_args

import jsonschema
import pytest
from contract_table import FROM_THE_SUPERVISOR, MAY_BE_NULL, TO_THE_SUPERVISOR, WORDS, Topic

from supervisor import __main__ as cli
from supervisor import messages
from supervisor.messages import INBOUND, OUTBOUND, Inbound, Outbound
from supervisor.shell.contract_doc import document
from supervisor.shell.contract_examples import EXAMPLES

DOCUMENT = json.loads(json.dumps(document(), allow_nan=False))
MODELS = {one.TOPIC: one for one in (*INBOUND, *OUTBOUND)}
TABLE = TO_THE_SUPERVISOR + FROM_THE_SUPERVISOR
CHECKER = jsonschema.Draft7Validator.FORMAT_CHECKER


def schema_of(model: type[Any]) -> dict[str, Any]:
    return DOCUMENT["components"]["messages"][model.__name__]["payload"]


def at(reference: str) -> Any:
    here: Any = DOCUMENT
    assert reference.startswith("#/")
    for step in reference[2:].split("/"):
        here = here[step]
    return here


# ------------------------------------------------------------------------------------------------ drift


def test_the_topics_are_the_contracts() -> None:
    assert [one.TOPIC for one in INBOUND] == [one.topic for one in TO_THE_SUPERVISOR]
    assert [one.TOPIC for one in OUTBOUND] == [one.topic for one in FROM_THE_SUPERVISOR]


@pytest.mark.parametrize("row", TABLE, ids=[row.topic for row in TABLE])
def test_the_keys_are_the_contracts(row: Topic) -> None:
    model = MODELS[row.topic]
    schema = schema_of(model)
    assert row.retained == model.RETAINED
    assert set(schema["required"]) == set(row.required.split())
    assert set(schema["properties"]) == set((row.required + " " + row.optional).split())


def test_the_words_are_the_contracts() -> None:
    have = {}
    for topic, model in MODELS.items():
        for name, node in schema_of(model)["properties"].items():
            for one in (node, *node.get("anyOf", [])):
                if "enum" in one or "const" in one:
                    have[topic, name] = set(one.get("enum", [one.get("const")]))
    assert have == {place: set(words.split()) for place, words in WORDS.items()}


def test_null_stands_only_where_the_contract_has_it() -> None:
    have = {}
    for topic, model in MODELS.items():
        schema = schema_of(model)
        nullable = {
            name
            for name, node in schema["properties"].items()
            if {"type": "null"} in node.get("anyOf", []) and name in schema["required"]
        }
        if nullable:
            have[topic] = nullable
    assert have == {topic: set(names.split()) for topic, names in MAY_BE_NULL.items()}


def test_the_gases_are_the_contracts() -> None:
    assert DOCUMENT["components"]["parameters"]["gas"]["enum"] == ["nitrogen", "co2", "air"]


# ------------------------------------------------------------------------------------------------ AsyncAPI 3.0


def test_the_command_prints_the_document(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["contract"]) == 0
    assert json.loads(capsys.readouterr().out) == DOCUMENT


def test_what_the_specification_requires_is_there() -> None:
    """AsyncAPI 3.0.0: version, info with title and version; operations with action and channel; references."""
    assert DOCUMENT["asyncapi"] == "3.0.0"
    assert {"title", "version"} <= set(DOCUMENT["info"])
    assert set(DOCUMENT) <= {
        "asyncapi", "id", "info", "servers", "defaultContentType", "channels", "operations", "components",
    }  # fmt: skip
    key = re.compile(r"^[A-Za-z0-9_-]+$")  # component keys: ^[a-zA-Z0-9\.\-_]+$
    for part in ("messages", "parameters"):
        assert all(key.match(name) for name in DOCUMENT["components"][part])


@pytest.mark.parametrize("model", [*INBOUND, *OUTBOUND], ids=lambda one: one.__name__)
def test_each_model_has_its_channel_operation_and_message(model: type[Inbound] | type[Outbound]) -> None:
    name = model.__name__
    receives = model in INBOUND
    channel = DOCUMENT["channels"][name]
    assert channel["address"] == "{root}/" + model.TOPIC
    assert set(channel["parameters"]) == set(re.findall(r"\{(\w+)\}", channel["address"]))
    for reference in channel["parameters"].values():
        assert set(at(reference["$ref"])) <= {"enum", "default", "description", "examples", "location"}
    assert at(channel["messages"][name]["$ref"]) is DOCUMENT["components"]["messages"][name]
    operation = DOCUMENT["operations"][("receive" if receives else "send") + name]
    assert operation["action"] == ("receive" if receives else "send")
    assert at(operation["channel"]["$ref"]) is channel
    # An operation's messages point into its channel, not into the components.
    assert [one["$ref"] for one in operation["messages"]] == [f"#/channels/{name}/messages/{name}"]
    assert operation["bindings"] == {"mqtt": {"qos": 1, "retain": model.RETAINED, "bindingVersion": "0.2.0"}}


def test_nothing_else_is_in_it() -> None:
    names = {model.__name__ for model in (*INBOUND, *OUTBOUND)}
    assert set(DOCUMENT["channels"]) == names
    assert set(DOCUMENT["components"]["messages"]) == names
    assert len(DOCUMENT["operations"]) == len(names)
    used = {name for one in DOCUMENT["channels"].values() for name in one["parameters"]}
    assert set(DOCUMENT["components"]["parameters"]) == used


# ------------------------------------------------------------------------------------------------ payloads


@pytest.mark.parametrize("model", [*INBOUND, *OUTBOUND], ids=lambda one: one.__name__)
def test_each_example_is_read_by_the_model_and_by_the_schema(model: type[Inbound] | type[Outbound]) -> None:
    schema = schema_of(model)
    jsonschema.Draft7Validator.check_schema(schema)
    validator = jsonschema.Draft7Validator(schema, format_checker=CHECKER)
    (example,) = DOCUMENT["components"]["messages"][model.__name__]["examples"]
    validator.validate(example["payload"])
    read = model.model_validate_json(json.dumps(example["payload"]))
    # Nothing in the example is a key that the model ignores, and it goes out as it came in.
    assert json.loads(read.model_dump_json(exclude_unset=True)) == example["payload"]


@pytest.mark.parametrize("model", [*INBOUND, *OUTBOUND], ids=lambda one: one.__name__)
def test_a_required_key_that_is_missing_is_refused_by_both(model: type[Inbound] | type[Outbound]) -> None:
    schema = schema_of(model)
    for name in schema["required"]:
        payload = {key: value for key, value in EXAMPLES[model].items() if key != name}
        assert not jsonschema.Draft7Validator(schema).is_valid(payload)
        with pytest.raises(ValueError, match="Field required"):
            model.model_validate_json(json.dumps(payload))


@pytest.mark.parametrize("model", [*INBOUND, *OUTBOUND], ids=lambda one: one.__name__)
def test_a_value_of_another_kind_is_refused_by_both(model: type[Inbound] | type[Outbound]) -> None:
    schema = schema_of(model)
    for name, value in EXAMPLES[model].items():
        wrong = {"is": value} if not isinstance(value, dict) else 1
        payload = EXAMPLES[model] | {name: wrong}
        assert not jsonschema.Draft7Validator(schema).is_valid(payload), name
        with pytest.raises(ValueError, match=name):
            model.model_validate_json(json.dumps(payload))


def test_every_message_class_is_in_one_of_the_two_lists() -> None:
    """A model that inherits from another model would be left out of both."""
    classes = {
        one
        for one in vars(messages).values()
        if isinstance(one, type) and issubclass(one, messages._Message) and "TOPIC" in vars(one)
    }
    assert classes == {*INBOUND, *OUTBOUND}
    assert len(get_args(messages.OperatorCommand.model_fields["action"].annotation)) == 12
