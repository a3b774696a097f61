"""The way out: e-mail, web hooks and whatever else the apprise library reaches. Who, when and what is decided elsewhere.

Every attempt carries the message's number in the header `X-Stillhold-Message`, where there are headers, and at the end of
its text, so that a receiver can drop a repeat. (The library gives each e-mail a Message-ID of its own.)
"""

import logging
import os
import threading
import warnings
from collections.abc import Callable
from functools import cache

from supervisor.shell.notify.store import Message
from supervisor.shell.notify.words import REPEAT

HEADER = "X-Stillhold-Message"
LIBRARY = "apprise"
UNTRUSTED = "its certificate is not trusted: an unknown authority, another name, or out of date"
TIMEOUT_S = 8.0
_TYPES = {"critical": "failure", "high": "failure", "medium": "warning", "low": "info"}

Transport = Callable[[str, Message, bool], str | None]
"""Address, message, whether it may be a repeat; None when a server took it, else why not, without the address in it."""


class _Ears(logging.Filter):
    """Hears in the library's log lines whether a certificate was the reason. They hold addresses, so none gets any further."""

    def __init__(self) -> None:
        super().__init__()
        self.heard = threading.local()

    def filter(self, record: logging.LogRecord) -> bool:
        self.heard.untrusted = getattr(self.heard, "untrusted", False) or "CERTIFICATE_VERIFY_FAILED" in record.getMessage()
        return False


_EARS = _Ears()


@cache
def ready() -> None:
    """Load the library, which takes half a second, and keep its log lines to itself: they hold addresses."""
    logger = logging.getLogger(LIBRARY)
    logger.addFilter(_EARS)
    logger.setLevel(logging.DEBUG)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of modules that it still uses and Python wants to retire
        import apprise

        apprise.Apprise.instantiate("mailto://localhost/?from=a@example.org&to=b@example.org")


def send(address: str, message: Message, again: bool) -> str | None:
    """One attempt, at most some ten seconds long."""
    ready()
    import apprise

    _EARS.heard.untrusted = False
    _trust()
    asset = apprise.AppriseAsset(app_id="Stillhold", app_desc="Stillhold", app_url="", async_mode=False, storage_mode="memory")
    try:
        # It reads an address like a web page's: what it does not know it gives back as None.
        plugin = apprise.Apprise.instantiate(address, asset=asset, suppress_exceptions=True)
        if plugin is None:
            return "not an address that can be used"
        _dress(plugin, message.number)
        body = f"{REPEAT}\n\n{message.body}" if again else message.body
        kind = apprise.NotifyType(_TYPES[message.priority])
        taken = plugin.notify(body=body, title=message.title, notify_type=kind, body_format=apprise.NotifyFormat.TEXT)
    except Exception as error:
        return f"the attempt failed ({type(error).__name__})"
    if taken:
        return None
    return UNTRUSTED if _EARS.heard.untrusted else "not reached, or not taken"


def _trust() -> None:
    """What SSL_CERT_FILE names counts for web hooks too, for which the library under it asks another variable."""
    if "SSL_CERT_FILE" in os.environ:
        os.environ["REQUESTS_CA_BUNDLE"] = os.environ["SSL_CERT_FILE"]


def _dress(plugin: object, number: str) -> None:
    """Our header, our patience, plain text; and no address can ask to trust any certificate."""
    plugin.verify_certificate = True  # type: ignore[attr-defined]
    headers = getattr(plugin, "headers", None)
    if isinstance(headers, dict):
        headers[HEADER] = number
    for name in ("socket_connect_timeout", "socket_read_timeout"):
        if hasattr(plugin, name):
            setattr(plugin, name, min(TIMEOUT_S, float(getattr(plugin, name))))
