"""What was recorded, put in order: doses as the hardware told them, requests as they were sent, epochs, gas in the bag."""

import json
import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from system_recorder import Heard

FINAL = ("delivered", "refused", "aborted")


def seconds(stamp: str) -> float:
    """An instant on the wire as UTC seconds since 1970."""
    return datetime.fromisoformat(stamp).timestamp()


@dataclass
class Dose:
    """One request id on one valve, by the hardware's reports. Times are simulated seconds; None: not told."""

    request_id: str
    valve: str
    accepted_s: float | None = None
    ended_s: float | None = None
    outcome: str = ""
    code: str | None = None
    delivered_nl: float = 0.0


def doses(heard: Iterable[Heard]) -> dict[str, Dose]:
    """By request id, in the order in which they were first reported. Raises AssertionError for a report that cannot be.

    The very same report again is the broker's doing: it may hand a message on twice.
    """
    told: dict[str, Dose] = {}
    seen: list[tuple[str, dict[str, Any]]] = []
    for one in heard:
        parts = one.topic.split("/")
        if parts[0] != "dosing" or parts[-1] != "report":
            continue
        if (one.topic, one.body) in seen:
            continue
        seen.append((one.topic, one.body))
        body, valve = one.body, f"{parts[1]}/{parts[2]}"
        dose = told.setdefault(body["request_id"], Dose(body["request_id"], valve))
        assert dose.valve == valve, f"{dose.request_id} on {dose.valve} and on {valve}"
        if body["outcome"] == "accepted":
            assert dose.accepted_s is None, f"{dose.request_id} was accepted twice"
            dose.accepted_s = seconds(body["observed_at"])
        elif body["outcome"] in FINAL:
            assert dose.ended_s is None, f"{dose.request_id} ended twice"
            dose.ended_s, dose.code = seconds(body["observed_at"]), body.get("code")
        dose.outcome = body["outcome"]
        dose.delivered_nl = max(dose.delivered_nl, body["delivered_nl"])
    return told


def running(heard: Iterable[Heard], enclosure: str, gas: str | None = None) -> list[Dose]:
    """What the hardware carries out now for an enclosure, of one gas or of any."""
    wanted = f"{enclosure}/{gas}" if gas else f"{enclosure}/"
    return [one for one in doses(heard).values() if one.valve.startswith(wanted) and one.ended_s is None and one.accepted_s]


def delivered_nl(heard: Iterable[Heard], enclosure: str, gas: str) -> float:
    """What the hardware says went into an enclosure."""
    return sum(one.delivered_nl for one in doses(heard).values() if one.valve == f"{enclosure}/{gas}")


def requests(heard: Iterable[Heard]) -> list[tuple[str, dict[str, Any]]]:
    """Every dosing request as sent: valve and body."""
    return [
        ("/".join(one.topic.split("/")[1:3]), one.body) for one in heard
        if one.topic.startswith("dosing/") and one.topic.endswith("/request")
    ]  # fmt: skip


def hold_no_dose_doubled(heard: list[Heard], died_s: Iterable[float] = ()) -> None:
    """No valve ran twice at a time, and nothing was refused for being in each other's way.

    `died_s`: when a broker died (simulated UTC seconds). It may take with it the last report of the dose that ran then;
    that dose must be shown ended by the valve's own word instead.
    """
    told = doses(heard)
    by_valve: dict[str, list[Dose]] = {}
    for one in told.values():
        assert one.code not in ("busy", "old_epoch"), one
        if one.accepted_s is not None:
            by_valve.setdefault(one.valve, []).append(one)
    for valve, given in by_valve.items():
        given.sort(key=lambda one: one.accepted_s or 0.0)
        for before, after in zip(given, given[1:], strict=False):
            next_s = after.accepted_s or 0.0
            ended_s = before.ended_s if before.ended_s is not None else _shut_s(heard, before, next_s, died_s)
            assert ended_s is not None and ended_s <= next_s, f"{valve}: {before}, {after}"


def _shut_s(heard: list[Heard], dose: Dose, next_s: float, died_s: Iterable[float]) -> float | None:
    """When the valve itself said that it was shut, after the broker died on this dose and before the next; None: never."""
    for broker_s in died_s:
        if (dose.accepted_s or 0.0) <= broker_s < next_s:
            words = [(seconds(one.body["observed_at"]), one.body) for one in heard if one.topic == f"dosing/{dose.valve}/flow"]
            return next((at_s for at_s, word in words if broker_s < at_s <= next_s and not word["valve_open"]), None)
    return None


def hold_nothing_is_asked_twice(heard: list[Heard], state: Path) -> None:
    """Every request has an id of its own, an epoch never goes down, and nothing was sent that was not on disk first.

    By the journal in the folder `state`, which has everything that was decided, whether it left before a crash or not.
    """
    epochs = ask(state, "SELECT json_extract(payload, '$.epoch') FROM inputs WHERE kind = 'started' ORDER BY seq")
    assert all(before < after for before, after in zip(epochs, epochs[1:], strict=False)), epochs
    decided = [json.loads(one) for one in ask(state, "SELECT what FROM decisions WHERE what LIKE '{\"topic%' ORDER BY id")]
    asked = [one["message"] for one in decided if one["topic"].endswith("/request")]
    ids = [one["request_id"] for one in asked]
    assert len(ids) == len(set(ids)), f"asked twice: {sorted(one for one in ids if ids.count(one) > 1)}"
    used = [one["epoch"] for one in asked]
    assert used == sorted(used), "an epoch never goes down"
    assert {body["request_id"] for _, body in requests(heard)} <= set(ids), "nothing is sent that is not on disk"


def ask(state: Path, query: str) -> list[Any]:
    """The first column of what the journal in the folder `state` answers. Only while no supervisor uses it."""
    db = sqlite3.connect(state / "journal.sqlite")
    try:
        return [row[0] for row in db.execute(query)]
    finally:
        db.close()
