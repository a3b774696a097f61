"""The servers as fixtures; each test has its own, and they end with it."""

from collections.abc import Iterator

import pytest
from notify_servers import Hook, Mailbox

from supervisor.shell.notify import sender, transport


@pytest.fixture
def mailbox() -> Iterator[Mailbox]:
    made = Mailbox()
    yield made
    made.stop()


@pytest.fixture
def hook() -> Iterator[Hook]:
    made = Hook()
    yield made
    made.stop()


@pytest.fixture
def quick_sender(monkeypatch: pytest.MonkeyPatch) -> None:
    """The sending threads with the same logic on a shorter scale."""
    transport.ready()
    monkeypatch.setattr(sender, "BACKOFF_S_MIN", 0.0)
    monkeypatch.setattr(sender, "BACKOFF_S_MAX", 0.0)
    monkeypatch.setattr(sender, "LOOK_S", 0.01)
