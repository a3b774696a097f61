"""How the crew signs what it commands, retyped from the contract: HMAC-SHA-256 over the message's canonical JSON."""

import hashlib
import hmac
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any


class KeyFileError(ValueError):
    """A key file that cannot be used; the text names it and the mend."""


@dataclass(frozen=True)
class CrewKey:
    """Whose key it is, and the key."""

    operator: str
    key: bytes = field(repr=False)

    def signed(self, command: Mapping[str, Any]) -> dict[str, Any]:
        """The command with its signature. Its keys are ASCII and its numbers whole, so plain sorting is the canonical order."""
        text = json.dumps(command, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        return {**command, "signature": hmac.new(self.key, text.encode(), hashlib.sha256).hexdigest()}


def load_key(path: Path) -> CrewKey:
    """A key file as `stillhold operators add` writes it. Raises KeyFileError."""
    try:
        told = json.loads(path.read_text(encoding="utf-8"))
        return CrewKey(str(told["operator"]), bytes.fromhex(told["key"]))
    except (OSError, ValueError, KeyError, TypeError) as why:
        kind = type(why).__name__
        raise KeyFileError(f"{path}: no operator's key file ({kind}); `stillhold operators add` makes one") from None
