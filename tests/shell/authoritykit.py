"""An operators file with people of every role, and commands signed by them. Needs nothing but a folder."""

import json
from pathlib import Path
from typing import Any

from shellkit import T0

from supervisor.messages import OperatorCommand, at, rfc3339
from supervisor.shell.authority import signing
from supervisor.shell.authority.operators import ROLES, UserKey, add, revoke
from supervisor.values import Now

SITE = "quillfen"
NOW = Now(1000.0, T0)


class People:
    """One person for each role, called as the role, and `gone`, who was revoked."""

    def __init__(self, folder: Path) -> None:
        self.file = folder / "operators.json"
        self.keys: dict[str, UserKey] = {role: add(self.file, SITE, role, role, T0) for role in ROLES}
        self.keys["gone"] = add(self.file, SITE, "gone", "engineer", T0)
        revoke(self.file, SITE, "gone", T0)
        self._number = 0

    def body(self, by: str = "operate", action: str = "seal", target: str = "n1", **more: Any) -> dict[str, Any]:
        self._number += 1
        head = {"command_id": f"c{self._number}", "issued_at": rfc3339(at(T0)), "operator": by}
        return head | {"action": action, "target": target} | more

    def signed(self, by: str = "operate", action: str = "seal", target: str = "n1", **more: Any) -> bytes:
        """A command that nothing is wrong with, but for what `more` brings along."""
        return self.sign(self.body(by, action, target, **more))

    def sign(self, body: dict[str, Any], by: str | None = None) -> bytes:
        key = self.keys[by or body["operator"]].secret
        return json.dumps(body | {"signature": signing.sign(key, body)}).encode()


def read(payload: bytes) -> OperatorCommand:
    return OperatorCommand.model_validate_json(payload)
