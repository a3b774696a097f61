"""Fixtures that every test may use, and the order of the tests."""

from pathlib import Path

import pytest
from brokers import broker, make_broker

__all__ = ["broker", "make_broker"]

_START_PROCESSES = ("shell", "deploy", "system")
_LONG = (
    "test_simulation.py",
    "test_main_job.py",
    "test_trouble_day.py",
    "test_faults.py",
    "test_run.py",
    "test_bus.py",
    "test_demo.py",
)
_HERE = Path(__file__).parent


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """One after the other: what is wrong in the arithmetic should show before anything that starts processes. Side by side
    (a file is one worker's): the longest files first, so that no worker is left alone with one at the end."""
    if hasattr(config, "workerinput"):
        items.sort(key=lambda item: _LONG.index(item.path.name) if item.path.name in _LONG else len(_LONG))
    else:
        items.sort(key=lambda item: item.path.relative_to(_HERE).parts[0] in _START_PROCESSES)
