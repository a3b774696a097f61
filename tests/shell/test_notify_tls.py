"""Notifications over TLS, to real servers on loopback whose certificates an authority made here: SMTP with STARTTLS, SMTP over
TLS, a web hook and the heartbeat. What cannot be trusted is never sent to: RFC 5280 (path, time), RFC 6125 (name)."""

import ssl
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from brokers import poll
from notify_servers import Hook, Mailbox, message
from shellkit import StillClock

from supervisor.shell.notify import heartbeat, transport
from supervisor.shell.notify.sender import FAILING_AFTER_S, Sender
from supervisor.shell.notify.transport import UNTRUSTED

HERE, ELSEWHERE = "IP:127.0.0.1", "DNS:elsewhere.example"
KINDS = ("smtp with starttls", "smtps", "https hook", "https heartbeat")


class Authority:
    """A certificate authority in a folder of its own."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir()
        self._folder, self.file = folder, folder / "authority.pem"
        key = ["-keyout", str(folder / "authority.key"), "-out", str(self.file)]
        self._request(*key, "-subj", "/CN=an authority made for a test", "-addext", "keyUsage=critical,keyCertSign")

    def serving(self, name: str) -> ssl.SSLContext:
        """What a server with a certificate for `name` (a subjectAltName) needs."""
        key, certificate = self._folder / "server.key", self._folder / "server.pem"
        signed = ["-CA", str(self.file), "-CAkey", str(self._folder / "authority.key"), "-subj", "/CN=a server"]
        plain = ["-addext", f"subjectAltName={name}", "-addext", "basicConstraints=critical,CA:FALSE"]
        self._request("-keyout", str(key), "-out", str(certificate), *signed, *plain)
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(certificate, key)
        return context

    def _request(self, *words: str) -> None:
        curve = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-days", "1"]
        subprocess.run(["openssl", "req", "-x509", *curve, *words], check=True, capture_output=True, timeout=30)


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("tls") / "known")


@pytest.fixture
def reach(request: pytest.FixtureRequest) -> Iterator[Callable[..., tuple[str | None, int]]]:
    """Makes a server of a kind and tries to reach it: why it was not reached, and how much it got."""
    made: list[Mailbox | Hook] = []

    def attempt(kind: str, tls: ssl.SSLContext | None, more: str = "") -> tuple[str | None, int]:
        server: Mailbox | Hook
        server = Mailbox(tls, starttls="starttls" in kind and tls is not None) if "smtp" in kind else Hook(tls=tls)
        made.append(server)
        if kind == "https heartbeat":
            try:
                heartbeat.get(f"https://127.0.0.1:{server.port}/secrettoken")
            except Exception as error:
                return heartbeat.words(error), len(server.got)
            return None, len(server.got)
        to = "from=stillhold@quillfen.example&to=secret@quillfen.example"
        mode = "starttls" if "starttls" in kind else "ssl"
        address = f"mailtos://127.0.0.1:{server.port}/?{to}&mode={mode}" if "smtp" in kind else (
            f"jsons://127.0.0.1:{server.port}/secrettoken?method=post")  # fmt: skip
        return transport.send(address + more, message(7), False), len(server.got)

    yield attempt
    for one in made:
        one.stop()


@pytest.fixture(autouse=True)
def nobody_yet(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("REQUESTS_CA_BUNDLE", "")  # which `send` changes; afterwards it is as it was
    monkeypatch.delenv("SSL_CERT_FILE", raising=False)


@pytest.fixture
def trusted(authority: Authority, monkeypatch: pytest.MonkeyPatch) -> Authority:
    """The authority that SSL_CERT_FILE names."""
    monkeypatch.setenv("SSL_CERT_FILE", str(authority.file))
    return authority


@pytest.mark.parametrize("kind", KINDS)
def test_a_private_authority_is_trusted_by_ssl_cert_file(reach: Callable, trusted: Authority, kind: str) -> None:
    assert reach(kind, trusted.serving(HERE)) == (None, 1)


@pytest.mark.parametrize("kind", KINDS)
def test_an_authority_that_nobody_named_is_not(reach: Callable, authority: Authority, kind: str) -> None:
    assert reach(kind, authority.serving(HERE)) == (UNTRUSTED, 0)


@pytest.mark.parametrize("kind", KINDS)
def test_a_certificate_of_somebody_elses_name_is_not(reach: Callable, trusted: Authority, kind: str) -> None:
    assert reach(kind, trusted.serving(ELSEWHERE)) == (UNTRUSTED, 0)


@pytest.mark.parametrize("kind", [kind for kind in KINDS if "heartbeat" not in kind])
def test_no_address_can_ask_to_trust_anybody(reach: Callable, trusted: Authority, tmp_path: Path, kind: str) -> None:
    stranger = Authority(tmp_path / "stranger")
    assert reach(kind, stranger.serving(HERE), more="&verify=no") == (UNTRUSTED, 0)


@pytest.mark.parametrize("kind", KINDS)
def test_where_tls_is_asked_for_nothing_goes_out_without(reach: Callable, trusted: Authority, kind: str) -> None:
    why, got = reach(kind, None)
    assert why and "secret" not in why and why != UNTRUSTED and got == 0


def test_the_alarms_text_says_that_it_is_the_certificate(authority: Authority) -> None:
    hook, clock = Hook(tls=authority.serving(HERE)), StillClock()
    sender = Sender(lambda _: {"phone": f"jsons://127.0.0.1:{hook.port}/secrettoken"}, transport.send, clock.real_s)
    sender.start()
    try:
        sender.put([message(1)])
        assert poll(lambda: any(line.why for line in sender._lines.values()))
        clock.go(FAILING_AFTER_S)
        assert f"ada by phone: {UNTRUSTED}" in (sender.failing() or "") and hook.got == []
    finally:
        sender.stop(10.0)
        hook.stop()
