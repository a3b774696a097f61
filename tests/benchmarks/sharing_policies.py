"""The two plain ways to share that the supervisor is compared with: lines in turn, and first come first served.

Each takes the place of one function of the core and leaves everything else as it is. Both are as good as they can be said in
a sentence: the rotation never rests and passes over enclosures that stand open; the queue goes by the time since which an
enclosure has wanted gas, and a pull-down that waits for a sample wants none.
"""

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from unittest.mock import patch

from supervisor.core import sampling, supply
from supervisor.core.desk import Desk

POLICIES = ("supervisor", "rotation", "first come", "rotation and first come")
BEFORE = POLICIES[0]  # until the day begins, whatever it is that is measured


class Rotation:
    """The next line in the site file's order whose enclosure is sealed; after the last comes the first."""

    def __init__(self) -> None:
        self._last: dict[str, int] = {}

    def choose(self, desk: Desk, analyser: str) -> str | None:
        lines = desk.site.analysers[analyser].lines
        last = self._last.get(analyser, -1)
        for step in range(1, len(lines) + 1):
            at = (last + step) % len(lines)
            name = desk.site.enclosure_of_line.get(lines[at].id)
            if name is not None and desk.state.enclosures[name].state != "filling":
                self._last[analyser] = at
                return lines[at].id
        return None


class FirstCome:
    """The valve that has wanted gas for longest is first."""

    def __init__(self) -> None:
        self.since_s: dict[str, float] = {}

    def in_order(self, desk: Desk, names: list[str]) -> list[str]:
        for valve in [valve for valve in self.since_s if valve not in desk.state.waits]:
            del self.since_s[valve]
        for valve in desk.state.waits:
            self.since_s.setdefault(valve, desk.now.mono_s)
        return sorted(names, key=lambda valve: (self.since_s[valve], valve))


@contextmanager
def sharing(policy: str) -> Iterator[None]:
    """While this stands every core in the process shares by this policy."""
    with ExitStack() as stack:
        if "rotation" in policy:
            stack.enter_context(patch.object(sampling, "choose", Rotation().choose))
        if "first come" in policy:
            stack.enter_context(patch.object(supply, "in_order", FirstCome().in_order))
        yield
