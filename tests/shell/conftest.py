"""The servers as fixtures; each test has its own, and they end with it."""

from collections.abc import Iterator

import pytest
from notify_servers import Hook, Mailbox


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
