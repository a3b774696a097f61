"""Decoding: every legal topic is understood, everything else is refused with a reason and changes nothing.

The topics and payload keys are retyped here from the message contract (version 1), not taken from the models.
"""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st
from shellkit import example_site, reading

from supervisor.settings import Mapping
from supervisor.shell.wire import Decoded, Decoder, Refused

ROOT = "stillhold/quillfen"
AT = "2026-08-29T10:40:00.000Z"
DECODER = Decoder(example_site())

CONTRACT = {
    "hardware/gateway-north/status": {"observed_at": AT, "online": True, "boot": "b", "epoch_seen": 3},
    "analyser/analyser-1/reading": json.loads(reading()),
    "room/north/air/north-door": {"observed_at": AT, "seq": 1, "o2_pct": 20.9, "co2_pct": 0.05, "status": "ok"},
    "room/north/climate": {"observed_at": AT, "temperature_c": 1.5, "rh_pct": 92.0},
    "room/north/door": {"observed_at": AT, "open": False},
    "enclosure/n1/closure": {"observed_at": AT, "open": False},
    "enclosure/n1/pulp": {"observed_at": AT, "temperature_c": 0.5},
    "enclosure/n1/bag": {"observed_at": AT, "pressure_pa": 12.0},
    "source/bank/status": {"observed_at": AT, "available": True, "stock_kg": 250.0},
    "dosing/n1/co2/report": {
        "observed_at": AT, "request_id": "7-1", "outcome": "progress", "delivered_nl": 12.5, "metered": True,
    },
    "dosing/n1/nitrogen/flow": {"observed_at": AT, "valve_open": True, "flow_nl_min": 40.0},
    "operator/command": {
        "command_id": "c1", "issued_at": AT, "operator": "ada", "action": "seal", "target": "n1",
    },
}  # fmt: skip
NAMES = {
    "hardware/gateway-north/status": ("hardware/{unit}/status", ("gateway-north",)),
    "room/north/air/north-door": ("room/{room}/air/{sensor}", ("north", "north-door")),
    "dosing/n1/co2/report": ("dosing/{enclosure}/{gas}/report", ("n1", "co2")),
    "operator/command": ("operator/command", ()),
}


def decode(tail: str, payload: bytes, retained: bool = False) -> Decoded | Refused:
    return DECODER.decode(f"{ROOT}/{tail}", payload, retained)


@pytest.mark.parametrize("tail", CONTRACT)
def test_a_message_of_the_contract_is_read(tail: str) -> None:
    got = decode(tail, json.dumps(CONTRACT[tail]).encode())
    assert isinstance(got, Decoded), got
    if tail in NAMES:
        assert (got.kind, got.names) == NAMES[tail]
    for key, value in CONTRACT[tail].items():
        if not key.endswith("_at"):
            assert getattr(got.body, key) == value


@pytest.mark.parametrize("tail", CONTRACT)
def test_only_a_units_status_may_be_retained(tail: str) -> None:
    got = decode(tail, json.dumps(CONTRACT[tail]).encode(), retained=True)
    if tail.startswith("hardware/"):
        assert isinstance(got, Decoded)
    else:
        assert isinstance(got, Refused) and got.why == "retained"


@pytest.mark.parametrize("tail", CONTRACT)
def test_a_missing_key_is_named(tail: str) -> None:
    for key in CONTRACT[tail]:
        if key == "pressure_pa" or key == "stock_kg":
            continue
        body = {other: value for other, value in CONTRACT[tail].items() if other != key}
        got = decode(tail, json.dumps(body).encode())
        assert isinstance(got, Refused) and key in got.reason, (key, got)


@pytest.mark.parametrize(
    ("tail", "name"),
    [
        ("hardware/gateway-west/status", "gateway-west"), ("analyser/analyser-2/reading", "analyser-2"),
        ("room/west/air/north-door", "west"), ("room/north/air/south-door", "south-door"),
        ("room/west/climate", "west"), ("room/west/door", "west"), ("enclosure/n7/closure", "n7"),
        ("enclosure/n7/pulp", "n7"), ("enclosure/n7/bag", "n7"), ("source/well/status", "well"),
        ("dosing/n7/co2/report", "n7"), ("dosing/n1/argon/report", "argon"), ("dosing/n1/CO2/flow", "CO2"),
    ],
)  # fmt: skip
def test_a_name_that_the_site_does_not_have_is_refused_by_name(tail: str, name: str) -> None:
    got = decode(tail, b"{}")
    assert isinstance(got, Refused)
    assert got.why == "unknown_name" and repr(name) in got.reason


@pytest.mark.parametrize("tail", ["", "x", "operator", "operator/command/x", "dosing/n1/co2/request", "alarm/a"])
def test_a_topic_outside_the_contract_is_refused(tail: str) -> None:
    got = decode(tail, b"{}")
    assert isinstance(got, Refused) and got.why == "unknown_topic"


def test_another_sites_topic_is_refused() -> None:
    got = DECODER.decode("stillhold/elsewhere/operator/command", b"{}", False)
    assert isinstance(got, Refused) and got.why == "unknown_topic"


@pytest.mark.parametrize(
    ("payload", "why"),
    [
        (b"", "not_json"), (b"null", "not_valid"), (b"[]", "not_valid"), (b"3", "not_valid"), (b'""', "not_valid"),
        (b"\xff\xfe", "not_json"), (b"{", "not_json"), (b"[" * 5000, "not_json"),
        (reading(o2_pct=None), "not_valid"), (reading(o2_pct="3.0"), "not_valid"), (reading(o2_pct=True), "not_valid"),
        (reading(o2_pct=3.0).replace(b"3.0", b"NaN"), "not_json"),
        (reading().replace(b"17.9", b"Infinity"), "not_json"), (reading().replace(b"17.9", b"-Infinity"), "not_json"),
        (reading().replace(b"17.9", b"1e999"), "not_valid"),
        (reading().replace(b'"b1"', b'"b1", "ignored": NaN'), "not_json"),
        (reading(o2_pct=33792), "not_valid"),  # a fault code read as gas: 0x8400
        (reading(seq=-1), "not_valid"), (reading(seq=1.5), "not_valid"), (reading(status="great"), "not_valid"),
        (reading(observed_at="2026-08-29T10:40:00"), "not_valid"), (reading(observed_at=1788000000), "not_valid"),
        (reading(observed_at="0001-01-01T00:00:00+14:00"), "not_valid"),
        (reading(observed_at="9999-12-31T23:59:59-14:00"), "not_valid"),
        (reading(padding="x" * 65536), "too_large"),
    ],
)  # fmt: skip
def test_a_bad_payload_is_refused(payload: bytes, why: str) -> None:
    got = decode("analyser/analyser-1/reading", payload)
    assert isinstance(got, Refused), got
    assert got.why == why and got.reason and len(got.reason) < 500


def test_the_word_nan_inside_a_text_is_only_a_word() -> None:
    got = decode("analyser/analyser-1/reading", reading(boot="NaN", note="to Infinity"))
    assert isinstance(got, Decoded)


def test_an_unknown_key_is_ignored() -> None:
    assert isinstance(decode("analyser/analyser-1/reading", reading(colour="blue", nested={"a": [1]})), Decoded)


def test_a_payload_of_exactly_the_limit_is_read() -> None:
    payload = reading(padding="")
    payload = reading(padding="x" * (65536 - len(payload)))
    assert len(payload) == 65536
    assert isinstance(decode("analyser/analyser-1/reading", payload), Decoded)


@given(tail=st.sampled_from(sorted(CONTRACT)) | st.text(max_size=40), payload=st.binary(max_size=200), kept=st.booleans())
def test_no_bytes_break_the_decoder(tail: str, payload: bytes, kept: bool) -> None:
    assert isinstance(decode(tail, payload, kept), Decoded | Refused)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=8,
)


@given(tail=st.sampled_from(sorted(CONTRACT)), data=st.data())
def test_no_value_under_a_known_key_breaks_the_decoder(tail: str, data: st.DataObject) -> None:
    body = dict(CONTRACT[tail])
    body[data.draw(st.sampled_from(sorted(body)))] = data.draw(JSON)
    assert isinstance(decode(tail, json.dumps(body).encode()), Decoded | Refused)


def test_the_filters_cover_every_topic_of_the_contract_and_no_topic_of_our_own() -> None:
    def covers(pattern: str, topic: str) -> bool:
        levels, wanted = topic.split("/"), pattern.split("/")
        return len(levels) == len(wanted) and all(w in ("+", have) for w, have in zip(wanted, levels, strict=True))

    for tail in CONTRACT:
        assert sum(covers(one, f"{ROOT}/{tail}") for one in DECODER.filters) == 1, tail  # two would deliver it twice
    for own in ("dosing/n1/co2/request", "dosing/n1/co2/stop", "room/north/permit", "room/north/entry",
                "enclosure/n1/state", "alarm/a", "operator/outcome", "supervisor/status", "rejected"):  # fmt: skip
        assert not any(covers(one, f"{ROOT}/{own}") for one in DECODER.filters), own


def test_a_gateway_that_speaks_differently_is_read_by_its_mapping_and_judged_like_any_other() -> None:
    mapping = Mapping(
        topic="plant/{room}/{sensor}/gas",
        kind="room/{room}/air/{sensor}",
        fields={"observed_at": "t", "seq": "n", "o2_pct": "o2", "co2_pct": "co2_ppm", "status": "health"},
        units={"co2_pct": "ppm", "observed_at": "epoch_s"},
    )
    decoder = Decoder(example_site().model_copy(update={"mapping": (mapping,)}))
    assert "plant/+/+/gas" in decoder.filters

    def say(topic: str = "plant/north/north-door/gas", retained: bool = False, **changed: object) -> Decoded | Refused:
        body = {"t": 1788000000, "n": 4, "o2": 20.9, "co2_ppm": 600, "health": "ok"} | changed
        return decoder.decode(topic, json.dumps(body).encode(), retained)

    got = say()
    assert isinstance(got, Decoded), got
    assert (got.kind, got.names) == ("room/{room}/air/{sensor}", ("north", "north-door"))
    assert got.body.co2_pct == pytest.approx(0.06)  # 10,000 ppm are one percent
    for refused, why in [
        (say(o2="20.9"), "not_valid"),
        (say(co2_ppm=None), "not_valid"),
        (say("plant/north/south-door/gas"), "unknown_name"),
        (say(retained=True), "retained"),
        (decoder.decode("plant/north/north-door/gas", b"{", False), "not_valid"),
    ]:
        assert isinstance(refused, Refused) and refused.why == why, refused
