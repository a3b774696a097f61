"""Who we are to the broker: a certificate of the site's own small authority, as `deploy/certificates` makes them.

A folder holds `ca.crt`, by which the broker is known, and for each identity `<who>.crt`, `<who>.key` and `<who>.name`. The name
is what stands in the certificate. It ends in 64 random bits and is the MQTT client id as well, so that nobody who is let in can
take another's connection by its client id: MQTT hands the connection to whoever comes last with it, and asks for no more.
"""

import ssl
import stat
from dataclasses import dataclass, field
from pathlib import Path

MAKE = "deploy/certificates makes it"


class IdentityError(Exception):
    """An identity that cannot be used; the message names the file and the mend."""


@dataclass(frozen=True, slots=True)
class Identity:
    """The name in a certificate, and the TLS settings of a connection under it."""

    name: str
    context: ssl.SSLContext = field(repr=False)


def load_identity(folder: Path, who: str) -> Identity:
    """The identity `who` out of a folder. Raises IdentityError."""
    authority, certificate, key, name = (folder / one for one in ("ca.crt", f"{who}.crt", f"{who}.key", f"{who}.name"))
    for path in (authority, certificate, key, name):
        if not path.is_file():
            raise IdentityError(f"{path} is not there or cannot be read: {MAKE}")
    if key.stat().st_mode & 0o077:
        mode = stat.S_IMODE(key.stat().st_mode)
        raise IdentityError(f"{key}: mode {mode:04o}: others than its owner may read or change it; chmod 600 {key}")
    try:
        context = ssl.create_default_context(ssl.Purpose.SERVER_AUTH, cafile=str(authority))
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        context.load_cert_chain(certificate, key)
        return Identity(name.read_text(encoding="ascii").strip(), context)
    except (OSError, ValueError) as error:
        raise IdentityError(f"{certificate}: it or its key or its authority cannot be used ({error}); {MAKE} anew") from error
