"""Fixtures that every test may use."""

from brokers import broker, make_broker

__all__ = ["broker", "make_broker"]
