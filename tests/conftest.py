"""Fixtures that every test may use, and the order of the folders."""

from pathlib import Path

import pytest
from brokers import broker, make_broker

__all__ = ["broker", "make_broker"]

_START_PROCESSES = ("shell", "deploy", "system")
_HERE = Path(__file__).parent


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The tests that start real processes come last: what is wrong in the arithmetic should show first."""
    items.sort(key=lambda item: item.path.relative_to(_HERE).parts[0] in _START_PROCESSES)
