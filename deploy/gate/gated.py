"""What `deploy.brokers.Broker` needs to run a broker as the gate of a site, in demos and tests."""

import os
import pwd
from pathlib import Path

from deploy.brokers import Gated, Kind
from deploy.gate.certificates import name_of
from deploy.gate.configs import Gate, write
from deploy.gate.rules import SCREEN, rules
from supervisor.settings import SiteFile
from supervisor.shell.identity import load_identity


def gate_of(site: SiteFile, identities: Path, data: Path, host: str, port: int) -> Gate:
    """The gate of a site with the identities in a folder. Raises CertificateError when one is not there."""
    table = rules(site)
    return Gate(host, port, identities, data, {who: name_of(identities, who) for who in table}, table)


def gated(site: SiteFile, identities: Path) -> Gated:
    """Raises CertificateError or IdentityError when the identities are not all there."""

    def written(kind: Kind, folder: Path, host: str, port: int) -> Path:
        user = pwd.getpwuid(os.getuid()).pw_name
        return write(kind, gate_of(site, identities, folder / "data", host, port), folder, user)

    return Gated(written, load_identity(identities, SCREEN).context)
