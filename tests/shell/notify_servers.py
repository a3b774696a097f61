"""Real servers on loopback for the tests: one that takes e-mail, one that takes web hooks. Both can be told to refuse."""

import email
import email.policy
import http.server
import json
import ssl
import threading
from email.message import EmailMessage
from pathlib import Path

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session

from deploy.ports import free_port
from supervisor.shell.notify.store import Message

__all__ = ["Hook", "Mailbox", "free_port", "message", "write_addresses"]


class Mailbox:
    """An SMTP server, with TLS where `tls` is given: from the first byte, or begun by STARTTLS. `refuse` answers every message
    with a failure that may pass."""

    def __init__(self, tls: ssl.SSLContext | None = None, starttls: bool = False) -> None:
        self.got: list[EmailMessage] = []
        self.refuse = False
        self.port = free_port()
        how = {"tls_context": tls, "require_starttls": True} if starttls else {"ssl_context": tls}
        self._controller = Controller(self, hostname="127.0.0.1", port=self.port, **how)
        self._controller.start()

    async def handle_DATA(self, _server: SMTP, _session: Session, envelope: Envelope) -> str:
        if self.refuse:
            return "451 try again later"
        self.got.append(email.message_from_bytes(envelope.content, policy=email.policy.default))  # type: ignore[arg-type]
        return "250 taken"

    def address(self, name: str) -> str:
        return f"mailto://127.0.0.1:{self.port}/?from=stillhold@quillfen.example&to={name}@quillfen.example"

    def texts(self) -> list[str]:
        return [str(one.get_content()) for one in self.got]

    def stop(self) -> None:
        self._controller.stop()


class Hook(http.server.ThreadingHTTPServer):
    """A web server, with TLS where `tls` is given. `script` gives the statuses of its next answers, then 200; `hanging` lets
    it answer none until `go_on`, and then only if it does not hang any more."""

    daemon_threads = True

    def __init__(self, port: int = 0, tls: ssl.SSLContext | None = None) -> None:
        super().__init__(("127.0.0.1", port), _Handler)
        if tls is not None:
            self.socket = tls.wrap_socket(self.socket, server_side=True)
        self.script: list[int] = []
        self.got: list[tuple[str, dict]] = []
        self.tried = 0
        self.hanging = False
        self.go_on = threading.Event()
        self.port: int = self.server_address[1]
        threading.Thread(target=self.serve_forever, args=(0.01,), daemon=True).start()

    def address(self, path: str = "hook") -> str:
        return f"json://127.0.0.1:{self.port}/{path}"

    def numbers(self) -> list[str]:
        return [number for number, _ in self.got]

    def stop(self) -> None:
        self.go_on.set()
        self.shutdown()
        self.server_close()


class _Handler(http.server.BaseHTTPRequestHandler):
    server: Hook

    def do_POST(self) -> None:
        body = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
        self._answer((self.headers.get("X-Stillhold-Message", ""), body))

    def do_GET(self) -> None:
        self._answer((self.path, {}))

    def _answer(self, what: tuple[str, dict]) -> None:
        server = self.server
        server.tried += 1
        if server.hanging:
            server.go_on.wait(30)
            if server.hanging:
                return
        status = server.script.pop(0) if server.script else 200
        if status == 200:
            server.got.append(what)
        self.send_response(status)
        self.send_header("Content-Length", "0")
        self.end_headers()

    def log_message(self, *_: object) -> None:
        """Quiet."""


def message(number: int = 1, person: str = "ada", **changed: object) -> Message:
    fields: dict[str, object] = {
        "id": number, "number": f"inst-{number}", "person": person, "priority": "high", "title": f"title {number}",
        "body": f"body {number}\nsecond line", "mono_s": 1000.0, "wall_s": 1_788_000_000.0,
    }  # fmt: skip
    return Message(**(fields | changed))  # type: ignore[arg-type]


def write_addresses(path: Path, people: dict[str, dict[str, str]]) -> Path:
    """The file as its owner would keep it."""
    lines = []
    for person, ways in people.items():
        lines += [f"[{person}]", *(f'{way} = "{address}"' for way, address in ways.items())]
    fresh = path.with_suffix(".new")
    fresh.write_text("\n".join(lines) + "\n")
    fresh.chmod(0o600)
    fresh.replace(path)
    return path
