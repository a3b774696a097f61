"""Whole sites in one process. Each test runs hours of a season in seconds; every one is watched by the nine rules."""

from collections.abc import Callable

import pytest
from inprocess import InProcess

from supervisor.rehearsal.witness import Witness
from supervisor.values import LinkChanged, Started


@pytest.fixture
def run_site() -> Callable[..., InProcess]:
    """Makes a coupled engine and plant under the eyes of the nine rules, as `.witness`."""

    def make(**options) -> InProcess:
        site = InProcess(**options)
        site.witness = Witness(site.site)  # type: ignore[attr-defined]
        site.witness.see(Started(site.now, site.epoch, "in-process"), [])  # type: ignore[attr-defined]
        site.witness.see(LinkChanged(site.now, True), [])  # type: ignore[attr-defined]
        site.tap = site.witness.see  # type: ignore[attr-defined]
        return site

    return make
