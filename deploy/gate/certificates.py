"""A small certificate authority for one site: one key that signs, one certificate for the broker, one for each identity.

Made and renewed with the `openssl` command, elliptic curve P-256. A name ends in 64 random bits and stays with its identity
when its certificate is renewed, so the broker's rules stay as they are (`supervisor/shell/identity.py`: what the bits are for).
"""

import datetime
import os
import secrets
import subprocess
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from ipaddress import ip_address
from pathlib import Path

AUTHORITY_DAYS = 3650
DAYS = 400  # a season and the winter, with a month to spare
RENEW_WITHIN_DAYS = 60
WARN_WITHIN_DAYS = 30
BROKER = "broker"
CURVE = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes")


class CertificateError(Exception):
    """A certificate that cannot be made or read; the message names the file and the mend."""


@dataclass(frozen=True)
class Ends:
    """Whose certificate ends when."""

    who: str
    at: datetime.datetime

    def days_left(self, now: datetime.datetime) -> float:
        return (self.at - now).total_seconds() / 86_400.0


def make(folder: Path, site_id: str, hosts: Iterable[str], identities: Iterable[str], now: datetime.datetime,
         days: float = DAYS) -> list[str]:  # fmt: skip
    """Makes what is missing and renews what ends within `RENEW_WITHIN_DAYS`; returns whose was made. May be run twice.

    `hosts` are the names and addresses by which clients reach the broker. Raises CertificateError.
    """
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    made = []
    if not (folder / "ca.crt").exists():
        if (folder / "ca.key").exists():
            raise CertificateError(f"{folder / 'ca.crt'} is missing beside its key: put it back, or remove ca.key")
        words = ("req", "-x509", *CURVE, "-days", str(AUTHORITY_DAYS), "-subj", f"/CN=stillhold {site_id}")
        with _private(folder / "ca.key") as key:
            _openssl(*words, "-addext", "keyUsage=critical,keyCertSign,cRLSign", "-keyout", key, "-out", str(folder / "ca.crt"))
        made.append("the authority")
    names = ",".join(f"{_kind(one)}:{one}" for one in dict.fromkeys((*hosts, "localhost", "127.0.0.1")))
    use = {BROKER: f"extendedKeyUsage=serverAuth\nsubjectAltName={names}\n"}
    for who in (BROKER, *identities):
        certificate = folder / f"{who}.crt"
        if certificate.exists() and (ends(certificate) - now).total_seconds() > RENEW_WITHIN_DAYS * 86_400.0:
            continue
        if not (folder / "ca.key").exists():
            raise CertificateError(f"{folder / 'ca.key'} is not there, and nothing is made without it: bring it back")
        _issue(folder, who, use.get(who, "extendedKeyUsage=clientAuth\n"), now, days)
        made.append(who)
    return made


def name_of(folder: Path, who: str) -> str:
    """The name in an identity's certificate. Raises CertificateError."""
    try:
        return (folder / f"{who}.name").read_text(encoding="ascii").strip()
    except (OSError, ValueError) as error:
        raise CertificateError(f"{folder / who}.name cannot be read ({error}): run deploy/certificates") from error


def ends(certificate: Path) -> datetime.datetime:
    """When a certificate ends, UTC. Raises CertificateError."""
    said = _openssl("x509", "-in", str(certificate), "-noout", "-enddate").strip()
    when = datetime.datetime.strptime(said.removeprefix("notAfter="), "%b %d %H:%M:%S %Y GMT")
    return when.replace(tzinfo=datetime.UTC)


def all_ends(folder: Path) -> list[Ends]:
    """Of every certificate in a folder, the first to end first."""
    return sorted((Ends(path.stem, ends(path)) for path in folder.glob("*.crt")), key=lambda one: (one.at, one.who))


def _issue(folder: Path, who: str, use: str, now: datetime.datetime, days: float) -> None:
    kept = folder / f"{who}.name"
    name = name_of(folder, who) if kept.exists() else f"{who}-{secrets.token_hex(8)}"
    begins, ends_at = now - datetime.timedelta(hours=1), now + datetime.timedelta(days=days)
    with tempfile.TemporaryDirectory(dir=folder) as work:
        request, made, key, extensions = (f"{work}/{one}" for one in ("csr", "crt", "key", "ext"))
        Path(extensions).write_text(f"basicConstraints=critical,CA:FALSE\nkeyUsage=critical,digitalSignature\n{use}", "ascii")
        _openssl("req", *CURVE, "-subj", f"/CN={name}", "-keyout", key, "-out", request)
        Path(f"{work}/index").touch()
        Path(f"{work}/config").write_text(_AUTHORITY.format(work=work), "ascii")
        _openssl("ca", "-batch", "-notext", "-config", f"{work}/config", "-cert", str(folder / "ca.crt"), "-keyfile",
                 str(folder / "ca.key"), "-in", request, "-out", made, "-extfile", extensions,
                 "-startdate", f"{begins:%Y%m%d%H%M%SZ}", "-enddate", f"{ends_at:%Y%m%d%H%M%SZ}")  # fmt: skip
        os.chmod(key, 0o600)
        os.replace(key, folder / f"{who}.key")
        os.replace(made, folder / f"{who}.crt")
    kept.write_text(name + "\n", "ascii")


_AUTHORITY = """[ca]
default_ca = site
[site]
database = {work}/index
new_certs_dir = {work}
default_md = sha256
policy = any
unique_subject = no
rand_serial = yes
[any]
commonName = supplied
"""


def _kind(host: str) -> str:
    try:
        ip_address(host)
    except ValueError:
        return "DNS"
    return "IP"


class _private:  # noqa: N801 reads as a word where it is used
    """A file that only its owner may read, from its first byte on."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def __enter__(self) -> str:
        os.close(os.open(self._path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
        return str(self._path)

    def __exit__(self, error: object, *_: object) -> None:
        if error is not None:
            self._path.unlink(missing_ok=True)


def _openssl(*words: str) -> str:
    try:
        done = subprocess.run(["openssl", *words], capture_output=True, text=True, timeout=60, check=True)
    except FileNotFoundError:
        raise CertificateError("the command openssl is not there: apt-get install openssl") from None
    except (subprocess.CalledProcessError, subprocess.TimeoutExpired) as error:
        raise CertificateError(f"openssl {words[0]} failed: {(error.stderr or '').strip()[-300:]}") from error
    return done.stdout
