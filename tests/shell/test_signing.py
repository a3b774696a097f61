"""The signature of a command: the primitive by RFC 4231, the canonical form by RFC 8785, and nothing can be altered."""

import json
import string
from copy import deepcopy
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from supervisor import messages
from supervisor.shell.authority import signing
from supervisor.shell.authority.signing import Unsignable, canonical, fits, hmac_sha256, parse, sign
from supervisor.shell.contract_examples import EXAMPLES

KEY = bytes(range(32))


@pytest.mark.parametrize(
    ("key", "message", "digest"),
    [  # RFC 4231, sections 4.2, 4.3, 4.4 and 4.7 (test cases 1, 2, 3 and 6)
        (b"\x0b" * 20, b"Hi There", "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"),
        (b"Jefe", b"what do ya want for nothing?", "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"),
        (b"\xaa" * 20, b"\xdd" * 50, "773ea91e36800e46854db8ebd09181a72959098b3ef8c122d9635514ced565fe"),
        (b"\xaa" * 131, b"Test Using Larger Than Block-Size Key - Hash Key First",
         "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54"),
    ],
)  # fmt: skip
def test_the_primitive_is_the_one_of_rfc_4231(key: bytes, message: bytes, digest: str) -> None:
    assert hmac_sha256(key, message).hex() == digest


# Typed by hand, and signed with `openssl dgst -sha256 -mac HMAC -macopt hexkey:000102...1f`.
BYTES = (
    '{"action":"enter","command_id":"desk-118","issued_at":"2026-07-01T05:00:00.000Z","minutes":20,'
    '"note":"caf\u00e9 \u2028","operator":"B. Example","people":["B. Example","C. Example"],"standby":"D. Example",'
    '"target":"north"}'
).encode()
SIGNED = "ce153e35e064ea720fd7de32d1a4c84f135dd2b96503642b9e232e4e28328225"


def test_a_command_is_signed_as_another_program_signs_it() -> None:
    sent = json.dumps(dict(reversed(json.loads(BYTES).items())) | {"signature": "whatever"}, indent=3)
    assert canonical(parse(sent.encode())) == BYTES
    assert sign(KEY, parse(sent.encode())) == SIGNED


def test_the_example_of_the_contract_is_signed_as_the_contract_says() -> None:
    example = EXAMPLES[messages.OperatorCommand]
    assert example["signature"] == sign(KEY, example)


def test_texts_are_written_with_the_escapes_of_rfc_8785_and_keys_in_the_order_of_their_utf_16_units() -> None:
    # RFC 8785, 3.2.2.2: two-letter escapes where there are some, lower-case \u00xx for other control characters, no more.
    assert canonical({"a": '\b\t\n\f\r"\\/\x0f\x7f\u20ac'}) == b'{"a":"\\b\\t\\n\\f\\r\\"\\\\/\\u000f\x7f\xe2\x82\xac"}'
    # RFC 8785, 3.2.3: by code units the surrogates of U+1F600 come before U+FB33, by code points they would come after it.
    assert canonical({"\ufb33": 1, "\U0001f600": 2, "1": 3, "\r": 4}).decode() == '{"\\r":4,"1":3,"\U0001f600":2,"\ufb33":1}'


@pytest.mark.parametrize(
    ("payload", "words"),
    [
        (b'{"minutes":20.0}', "no whole number"), (b'{"minutes":2e1}', "no whole number"),
        (b'{"occurrence":9007199254740993}', "2\\^53"), (b'{"a":1,"a":1}', "twice"), (b'{"x":{"b":1,"b":2}}', "twice"),
        (b'{"a":NaN}', "NaN"), (b"[1]", "object"), (b"{", "JSON"), (b"\xff", "JSON"), (b'{"a":"\\ud800"}', "surrogate"),
        (b"[" * 100_000, "JSON"),
    ],
)  # fmt: skip
def test_what_programs_read_differently_is_not_signed(payload: bytes, words: str) -> None:
    with pytest.raises(Unsignable, match=words):
        sign(KEY, parse(payload))


COMMAND: dict[str, Any] = {
    "command_id": "c1", "issued_at": "2026-07-01T05:00:00.000Z", "operator": "B. Example", "action": "shelve",
    "target": "late_report-n1", "occurrence": 3, "note": "known", "until": "2026-07-01T06:00:00.000Z",
    "people": ["B. Example", "C. Example"], "standby": "D. Example", "minutes": 20, "lot": "L-7", "gas": "zero-n2",
    "decision": "accept", "unknown": {"deep": [1, {"er": None}]},
}  # fmt: skip
SIGNATURE = sign(KEY, COMMAND)
values = st.none() | st.booleans() | st.integers(-(2**53), 2**53) | st.text(st.characters(exclude_categories=["Cs"]))


def test_it_fits_however_the_json_is_written_and_in_no_other_case() -> None:
    assert fits(KEY, COMMAND, SIGNATURE) and fits(KEY, COMMAND | {"signature": SIGNATURE}, SIGNATURE)
    assert fits(KEY, parse(json.dumps(COMMAND, indent=1, sort_keys=True).encode()), SIGNATURE)
    for wrong in ("", SIGNATURE[:-1], SIGNATURE.upper(), SIGNATURE[::-1], "\u00e9" * 64, "\ud800"):
        assert not fits(KEY, COMMAND, wrong)
    assert not fits(bytes(32), COMMAND, SIGNATURE)


def test_the_model_has_no_field_that_the_property_below_leaves_out() -> None:
    assert set(messages.OperatorCommand.model_fields) == (set(COMMAND) - {"unknown"}) | {"signature"}


@given(st.sampled_from(sorted(COMMAND)), values)
def test_no_field_can_be_changed(field: str, value: object) -> None:
    changed = COMMAND | {field: value}
    same = json.dumps(value) == json.dumps(COMMAND[field])  # not ==: in Python True is 1
    assert fits(KEY, changed, SIGNATURE) is same


@given(st.sampled_from(sorted(COMMAND)))
def test_no_field_can_be_taken_away(field: str) -> None:
    assert not fits(KEY, {key: value for key, value in COMMAND.items() if key != field}, SIGNATURE)


@given(st.text(string.ascii_lowercase, min_size=1).filter(lambda key: key not in COMMAND | {"signature": 0}), values)
def test_no_field_can_be_added(key: str, value: object) -> None:
    assert not fits(KEY, COMMAND | {key: value}, SIGNATURE)


@given(st.integers(0, 255), st.data())
def test_no_byte_can_be_changed(byte: int, data: st.DataObject) -> None:
    sent = json.dumps(COMMAND).encode()
    at = data.draw(st.integers(0, len(sent) - 1))
    changed = sent[:at] + bytes([byte]) + sent[at + 1 :]
    try:
        body = parse(changed)
        assert fits(KEY, body, SIGNATURE) is (json.dumps(body, sort_keys=True) == json.dumps(COMMAND, sort_keys=True))
    except Unsignable:
        pass


def test_what_lies_deeper_is_signed_too() -> None:
    changed = deepcopy(COMMAND)
    changed["unknown"]["deep"][1]["er"] = 0
    assert not fits(KEY, changed, SIGNATURE)
    assert signing.FIELD == "signature"
