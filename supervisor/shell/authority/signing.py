"""How a command is signed: HMAC-SHA-256 (FIPS 198-1, RFC 2104) over one canonical form of all that it says.

The canonical form is the JSON canonicalization scheme of RFC 8785, for the kinds of value that a command has: the object
without its `signature`, keys sorted, no spaces, UTF-8, texts escaped as little as JSON allows, whole numbers in plain
digits. Keys that this version does not know are signed like the others, so nothing can be changed or added on the way.
A number with a fraction or an exponent, a number beyond 2^53 and a key that comes twice are refused: programs differ in
how they read and write those.
"""

import hashlib
import hmac
import json
from typing import Any

FIELD = "signature"
LARGEST = 2**53


class Unsignable(ValueError):
    """What cannot be brought into the canonical form; the message says what stands in the way."""


def parse(payload: bytes) -> dict[str, Any]:
    """The object that was sent, as it was sent. Raises Unsignable."""
    try:
        body = json.loads(payload, object_pairs_hook=_once, parse_constant=_no_constant)
    except (ValueError, RecursionError) as error:
        raise Unsignable(f"not plain JSON: {error}") from None
    if not isinstance(body, dict):
        raise Unsignable("not a JSON object")
    return body


def canonical(body: dict[str, Any]) -> bytes:
    """The bytes that are signed: `body` without its signature. Raises Unsignable."""
    plain = _ordered({key: value for key, value in body.items() if key != FIELD})
    try:
        return json.dumps(plain, ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode("utf-8")
    except UnicodeEncodeError:
        raise Unsignable("a text holds half a character (a lone surrogate)") from None


def sign(key: bytes, body: dict[str, Any]) -> str:
    """The signature of `body` as 64 lower-case hexadecimal digits. Raises Unsignable."""
    return hmac_sha256(key, canonical(body)).hex()


def fits(key: bytes, body: dict[str, Any], signature: str) -> bool:
    """Whether `signature` is the one of `body`, compared in constant time. Raises Unsignable."""
    return hmac.compare_digest(sign(key, body).encode(), signature.encode("utf-8", "replace"))


def hmac_sha256(key: bytes, message: bytes) -> bytes:
    """RFC 2104 with SHA-256: 32 bytes."""
    return hmac.new(key, message, hashlib.sha256).digest()


def _ordered(value: Any) -> Any:
    """`value` with the keys of every object sorted by their UTF-16 code units (RFC 8785, 3.2.3)."""
    if isinstance(value, dict):
        return {key: _ordered(value[key]) for key in sorted(value, key=lambda one: one.encode("utf-16-be", "surrogatepass"))}
    if isinstance(value, list):
        return [_ordered(one) for one in value]
    if isinstance(value, float):
        raise Unsignable(f"{value!r} is no whole number; a signed command has none else")
    if isinstance(value, int) and abs(value) > LARGEST:
        raise Unsignable(f"{value} is beyond 2^53, which not every program reads exactly")
    return value


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    body = dict(pairs)
    if len(body) != len(pairs):
        raise ValueError("a key comes twice")
    return body


def _no_constant(word: str) -> None:
    raise ValueError(f"{word} is not JSON")
