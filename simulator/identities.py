"""The certificates that hardware shows to a broker which asks for them: `<who>.crt`, `<who>.key`, `<who>.name` and `ca.crt`."""

import ssl
import tomllib
from dataclasses import dataclass
from pathlib import Path

CONSOLE = "console"


@dataclass(frozen=True)
class Identity:
    """What a connection is made with."""

    client_id: str
    context: ssl.SSLContext


def identities_of(site_file: Path) -> Path | None:
    """The folder that a site file names, None when it names none: then the broker asks for nothing."""
    named = tomllib.loads(site_file.read_text(encoding="utf-8")).get("broker", {}).get("identities")
    return None if named is None else site_file.resolve().parent / named


def load_identity(folder: Path, who: str) -> Identity:
    """Raises OSError or ValueError for files that are not there or cannot be used.

    A unit's client id is the name in its certificate. Consoles share one, so theirs gets an ending of its own.
    """
    context = ssl.create_default_context(ssl.Purpose.SERVER_AUTH, cafile=str(folder / "ca.crt"))
    context.load_cert_chain(folder / f"{who}.crt", folder / f"{who}.key")
    name = (folder / f"{who}.name").read_text(encoding="ascii").strip()
    return Identity(f"{name}-crew" if who == CONSOLE else name, context)
