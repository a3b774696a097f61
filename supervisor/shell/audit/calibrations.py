"""What the audit knows of calibration: every gas that was drawn and what came of it, and what was marked doubtful."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from supervisor.shell.audit.file import Told


@dataclass(frozen=True, slots=True)
class Drawn:
    """One gas that was drawn. `figures` are the audit's own."""

    at_s: float
    analyser: str
    gas: str
    use: str
    outcome: str
    figures: dict[str, Any]

    def shows(self, which: str) -> bool:
        """Whether this gas says something about how `o2` or `co2` is read."""
        return self.use != {"o2": "span_co2", "co2": "span_o2"}[which]


@dataclass(frozen=True, slots=True)
class Doubtful:
    """Between two instants nothing that an analyser read was right, as a gas showed afterwards."""

    begin_s: float
    end_s: float
    analyser: str
    gas: str


@dataclass(frozen=True, slots=True)
class Decided:
    at_s: float
    analyser: str
    gas: str
    accepted: bool
    operator: str


@dataclass(frozen=True, slots=True)
class Log:
    """Oldest first."""

    drawn: list[Drawn]
    doubtful: list[Doubtful]
    decided: list[Decided]

    @property
    def analysers(self) -> list[str]:
        return sorted({one.analyser for one in self.drawn})


def log_of(entries: Iterable[Told], analyser: str | None = None) -> Log:
    """The log of one analyser, or of all."""
    log = Log([], [], [])
    for one in entries:
        said = one.figures
        if analyser is not None and said.get("analyser") != analyser:
            continue
        if one.event == "calibration_result":
            name, gas, use, outcome = (str(said[key]) for key in ("analyser", "gas", "use", "outcome"))
            log.drawn.append(Drawn(_seconds(said["taken_at"]), name, gas, use, outcome, dict(said)))
        elif one.event == "readings_doubtful":
            begin_s, end_s = _seconds(said["since"]), _seconds(said["until"])
            log.doubtful.append(Doubtful(begin_s, end_s, str(said["analyser"]), str(said["gas"])))
        elif one.event == "calibration_decided":
            accepted, who = said["accepted"] is True, str(said["operator"])
            log.decided.append(Decided(_seconds(one.at), str(said["analyser"]), str(said["gas"]), accepted, who))
    return log


def _seconds(text: Any) -> float:
    return datetime.fromisoformat(str(text)).timestamp()
