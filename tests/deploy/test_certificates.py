"""The site's own certificates: made, renewed, listed, and refused with words when they cannot be used."""

import datetime
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from deploy.gate import certificates
from supervisor.shell.identity import IdentityError, load_identity

TOP = Path(__file__).resolve().parents[2]
NOW = datetime.datetime.now(datetime.UTC)
WHO = ["supervisor", "console"]


def days(count: float) -> datetime.timedelta:
    return datetime.timedelta(days=count)


def test_made_once_and_not_again(tmp_path: Path) -> None:
    assert certificates.make(tmp_path, "quillfen", [], WHO, NOW) == ["the authority", "broker", *WHO]
    kept = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    assert certificates.make(tmp_path, "quillfen", [], WHO, NOW) == []
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == kept
    assert all(stat.S_IMODE(path.stat().st_mode) == 0o600 for path in tmp_path.glob("*.key"))
    assert [one.who for one in certificates.all_ends(tmp_path)][-1] == "ca"
    assert certificates.ends(tmp_path / "console.crt") - NOW > days(399)


def test_one_that_ends_soon_is_renewed_under_its_old_name(tmp_path: Path) -> None:
    certificates.make(tmp_path, "quillfen", [], WHO, NOW - days(345))
    name, end = certificates.name_of(tmp_path, "console"), certificates.ends(tmp_path / "console.crt")
    assert certificates.make(tmp_path, "quillfen", [], WHO, NOW - days(341)) == []
    assert certificates.make(tmp_path, "quillfen", [], WHO, NOW) == ["broker", *WHO]
    assert certificates.name_of(tmp_path, "console") == name and certificates.ends(tmp_path / "console.crt") > end
    assert load_identity(tmp_path, "console").name == name


def test_without_the_authority_s_key_nothing_is_made_and_everything_goes_on_working(tmp_path: Path) -> None:
    certificates.make(tmp_path, "quillfen", [], WHO, NOW)
    (tmp_path / "ca.key").rename(tmp_path / "elsewhere")
    assert certificates.make(tmp_path, "quillfen", [], WHO, NOW) == []
    with pytest.raises(certificates.CertificateError, match="ca.key is not there"):
        certificates.make(tmp_path, "quillfen", [], [*WHO, "screen"], NOW)
    assert load_identity(tmp_path, "supervisor").name.startswith("supervisor-")


@pytest.mark.parametrize("spoil, told", [
    (lambda folder: (folder / "console.key").unlink(), "console.key is not there"),
    (lambda folder: (folder / "console.key").chmod(0o644), "chmod 600"),
    (lambda folder: (folder / "console.crt").write_text("rubbish"), "cannot be used"),
    (lambda folder: (folder / "console.crt").write_bytes((folder / "supervisor.crt").read_bytes()), "cannot be used"),
    (lambda folder: (folder / "ca.crt").write_text(""), "cannot be used"),
    (lambda folder: (folder / "console.name").write_bytes(b"\xff"), "cannot be used"),
])  # fmt: skip
def test_an_identity_that_cannot_be_used_is_refused_with_its_mend(tmp_path: Path, spoil, told: str) -> None:
    certificates.make(tmp_path, "quillfen", [], WHO, NOW)
    spoil(tmp_path)
    with pytest.raises(IdentityError, match=told) as refused:
        load_identity(tmp_path, "console")
    assert str(tmp_path) in str(refused.value)


def run(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-m", "deploy.gate", *words], cwd=TOP, capture_output=True, text=True, timeout=60)


def test_the_commands_say_what_they_did_and_what_ends_when(tmp_path: Path) -> None:
    text = (TOP / "config" / "quillfen.toml").read_text(encoding="utf-8")
    site = tmp_path / "site.toml"
    site.write_text(text)
    without = run("certificates", str(site))
    assert without.returncode == 2 and "broker.identities is missing" in without.stderr
    site.write_text(text.replace("[broker]\n", '[broker]\nidentities = "identities"\n'))
    early = run("broker-config", str(site), "mosquitto", "--to", str(tmp_path / "broker"))
    assert early.returncode == 2 and "run deploy/certificates" in early.stderr
    done = run("certificates", str(site), "--host", "192.0.2.7")
    assert done.returncode == 0 and "made: the authority, broker, supervisor" in done.stdout
    assert "keep it away from the controller" in done.stdout and "unit-gateway-north" in done.stdout
    again = run("certificates", str(site), "--check")
    assert again.returncode == 0 and "(400 days)" in again.stdout.replace("(399 days)", "(400 days)")
    certificates.make(tmp_path / "identities", "quillfen", [], ["lamp"], NOW - days(380))
    soon = run("certificates", str(site), "--check")
    assert soon.returncode == 1 and "ENDS SOON" in soon.stdout and "1 end within 30 days" in soon.stdout
    for kind in ("mosquitto", "nats"):
        written = run("broker-config", str(site), kind, "--to", str(tmp_path / kind))
        config = Path(written.stdout.strip())
        assert written.returncode == 0 and stat.S_IMODE(config.stat().st_mode) == 0o600
        assert all(one not in config.read_text() for one in ("allow_anonymous true", "verify: false"))
