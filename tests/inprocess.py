"""A whole site in one process, as the rehearsal couples it, with what tests ask of it: everything that left is kept."""

import json
import re
import tomllib
from pathlib import Path

from simulator.crew import Act, Schedule
from supervisor.guard import Cleared
from supervisor.rehearsal.coupled import START_S, Coupled
from supervisor.shell.engine import Outgoing
from supervisor.shell.wire import Refused
from supervisor.shell.wire_out import Encoded
from supervisor.values import Publish, Row, Say

__all__ = ["EXAMPLE", "START_S", "InProcess", "acts", "example"]

EXAMPLE = Path(__file__).resolve().parents[1] / "config" / "quillfen.toml"


def example(*names: str) -> str:
    """The example site's text with only these enclosures: what looks at one or two need not simulate a dozen."""
    head, *blocks = re.split(r"(?m)^(?=\[\[enclosure\]\]\n)", EXAMPLE.read_text(encoding="utf-8"))
    kept = [one for one in blocks if re.search(r'(?m)^id = "(\w+)"', one)[1] in names]  # type: ignore[index]
    if len(kept) != len(names):
        raise ValueError(f"the example site does not have all of {names}")
    return "".join([head, *kept])


class InProcess(Coupled):
    """Engine and plant, coupled, with everything that was said, written and requested."""

    def __init__(self, site_text: str | None = None, **options) -> None:
        """`options` go to `Coupled` and to the plant."""
        self.said: list[Say] = []
        self.rows: list[Row] = []
        self.retained: dict[str, dict] = {}
        self.requested_nl: dict[tuple[str, str], float] = {}
        self.requests: list[tuple[float, object]] = []
        self.refused: list[Refused] = []
        super().__init__(tomllib.loads(site_text if site_text is not None else EXAMPLE.read_text(encoding="utf-8")), **options)

    def on_say(self, said: Say) -> None:
        self.said.append(said)

    def on_row(self, row: Row) -> None:
        self.rows.append(row)

    def on_sent(self, one: Outgoing, sent: Encoded) -> None:
        if sent.retain and isinstance(one, Publish):
            self.retained[sent.topic.removeprefix(self.site.root + "/")] = json.loads(sent.payload)
        if isinstance(one, Cleared) and hasattr(one.effect, "volume_nl"):
            key = (one.effect.enclosure, one.effect.gas)
            self.requested_nl[key] = self.requested_nl.get(key, 0.0) + one.effect.volume_nl
            self.requests.append((self.mono_s, one.effect))

    def on_refused(self, refused: Refused) -> None:
        self.refused.append(refused)

    def state(self, enclosure: str) -> dict:
        """The enclosure's retained state message."""
        return self.retained[f"enclosure/{enclosure}/state"]

    def events(self, name: str) -> list[Say]:
        return [one for one in self.said if one.event == name]

    def alarms(self) -> dict[str, dict]:
        """Alarm messages by alarm, those in the normal state left out."""
        return {
            topic.removeprefix("alarm/"): body
            for topic, body in self.retained.items()
            if topic.startswith("alarm/") and body["state"] != "normal"
        }


def acts(*rows: tuple[float, str, str]) -> Schedule:
    """A crew that does these things: (seconds after the start, action, target)."""
    return Schedule(tuple(Act(*row) for row in rows))
