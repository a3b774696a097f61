"""A made-up site for the view's tests: says what a supervisor and its hardware would say, to a picture."""

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from deploy.view.levels import Level
from deploy.view.picture import Picture
from deploy.view.tables import Table, tables
from supervisor.sitefile import load

SITE = load(Path(__file__).resolve().parents[2] / "config" / "quillfen.toml")
T0 = datetime(2026, 8, 1, 6, 0, tzinfo=UTC).timestamp()


def stamp(after_s: float) -> str:
    return datetime.fromtimestamp(T0 + after_s, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


class Site:
    """A picture, and the voices that it hears."""

    def __init__(self) -> None:
        self.picture = Picture(SITE)
        self.news: list[str] = []

    def say(self, topic: str, **body: Any) -> list[str]:
        news = self.picture.take(f"{SITE.root}/{topic}", json.dumps(body).encode())
        self.news += [one.text for one in news]
        return [one.text for one in news]

    def enclosure(self, name: str, state: str, since_s: float = 0, **more: Any) -> list[str]:
        body = {
            "state": state, "since": stamp(since_s), "recipe": "blueberry", "o2_setpoint_pct": 5.0,
            "co2_setpoint_pct": 15.0, "o2_pct": 5.2, "co2_pct": 14.6, "sampled_at": stamp(since_s),
            "sample_age_s": 0.0, "verdict": "good", "problems": [],
        }  # fmt: skip
        return self.say(f"enclosure/{name}/state", **(body | more))

    def alarm(self, alarm: str, subject: str, priority: str = "high", state: str = "unacknowledged", **more: Any) -> list[str]:
        body = {
            "alarm": alarm, "subject": subject, "occurrence": 1, "state": state, "priority": priority,
            "condition": state in ("unacknowledged", "acknowledged"), "latched": False, "raised_at": stamp(0),
            "cleared_at": None, "acknowledged_at": None, "acknowledged_by": None, "shelved_until": None,
            "text": "Something is wrong", "advice": "Look at it",
        }  # fmt: skip
        return self.say(f"alarm/{alarm}", **(body | more))

    def report(self, request_id: str, delivered_nl: float, enclosure: str = "n1", gas: str = "nitrogen") -> None:
        self.say(f"dosing/{enclosure}/{gas}/report", observed_at=stamp(0), request_id=request_id, outcome="progress",
                 delivered_nl=delivered_nl, metered=True)  # fmt: skip

    def table(self, title: str, now_s: float = 0) -> Table:
        return next(one for one in tables(self.picture, T0 + now_s) if one.title == title)

    def row(self, title: str, name: str, now_s: float = 0) -> tuple[Level, dict[str, str]]:
        table = self.table(title, now_s)
        row = next(one for one in table.rows if name in one.cells)
        return row.level, dict(zip(table.columns, row.cells, strict=True))

    def all_well(self) -> None:
        self.picture.link(True)
        self.say("supervisor/status", online=True, instance="a", epoch=4, started_at=stamp(0))
        for name in SITE.enclosures:
            self.enclosure(name, "holding")
        for name in SITE.rooms:
            self.say(f"room/{name}/entry", status="clear", since=stamp(0), reasons=[])
        for name in SITE.gas_sources:
            self.say(f"source/{name}/status", observed_at=stamp(0), available=True, capacity_nl_min=200.0)
