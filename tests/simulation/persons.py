"""What people do who look at a console: acknowledge, reset, resume, sign out, start again. Through the crew, so signed."""

from collections.abc import Callable
from typing import Any

from simulator.crew import Act, Crew

LOOK_EVERY_S = 60.0
AGAIN_S = 180.0  # what was said and did not help is said again after so long
UNSEEN = ("unacknowledged", "returned_unacknowledged", "latched_unacknowledged")
VENT_AFTER_S = 1800.0
CALIBRATE_AFTER_S = STANDS_LONG_S = 600.0


class Persons:
    """`shown` gives what the broker keeps for a console, by topic; `restart`, `open_bag` and
    `power_cycle` are what their hands do."""

    def __init__(self, crew: Crew, shown: Callable[[], dict[str, dict[str, Any]]], restart: Callable[[], None],
                 open_bag: Callable[[str], None], power_cycle: Callable[[str], None]) -> None:  # fmt: skip
        self._crew, self._shown, self._restart, self._open_bag = crew, shown, restart, open_bag
        self._power_cycle = power_cycle
        self._said_s: dict[tuple, float] = {}
        self._stands_s: dict[str, float] = {}

    def look(self, now_s: float, quiet: bool) -> None:
        """A glance at the console. While things still go wrong (not `quiet`) nobody calibrates or starts anything again."""
        shown = self._shown()
        if not shown.get("supervisor/status", {}).get("online"):
            return
        for topic, body in shown.items():
            try:
                self._see(now_s, topic, body, quiet)
            except (KeyError, TypeError, AttributeError):
                continue  # garbled on its way: nobody can read it

    def _see(self, now_s: float, topic: str, body: dict[str, Any], quiet: bool) -> None:
        kind, _, rest = topic.partition("/")
        if kind == "alarm":
            self._alarm(now_s, body, quiet)
        elif kind == "enclosure" and body["state"] == "faulted":
            self._say(now_s, "resume", rest.split("/")[0])
        elif kind == "enclosure" and self._hopeless(now_s, topic, body, quiet):
            name = rest.split("/")[0]
            if body["state"] == "venting":  # whose gas the analyser cannot read: by hand, from outside, with a detector
                self._open_bag(name)
            else:
                self._say(now_s, "vent", name)
        elif kind == "enclosure" and body["state"] == "filling" and quiet:
            self._say(now_s, "seal", rest.split("/")[0])  # its bag was closed long ago
        elif kind == "room" and rest.endswith("/entry") and quiet:
            for why in body["reasons"]:
                self._sign_out(now_s, rest.split("/")[0], why)

    def _alarm(self, now_s: float, body: dict[str, Any], quiet: bool) -> None:
        alarm, state = body["alarm"], body["state"]
        if state in UNSEEN or (state == "latched_acknowledged" and not body["condition"]):
            self._say(now_s, "acknowledge", alarm, state, occurrence=body["occurrence"], note="seen")
        if state == "normal" or not body["condition"]:
            self._stands_s.pop(alarm, None)
            return
        since_s = self._stands_s.setdefault(alarm, now_s)
        if not quiet:
            return
        if now_s - since_s > STANDS_LONG_S:  # perhaps it does not stand at all, and only the broker says so
            self._say(now_s, "acknowledge", alarm, now_s // STANDS_LONG_S, occurrence=body["occurrence"], note="does it stand?")
        name, _, subject = alarm.partition("-")
        if name == "analyser_silent" and now_s - since_s > CALIBRATE_AFTER_S:
            self._stands_s.pop(alarm)
            self._power_cycle(subject)
        if name == "epoch_overtaken" and now_s - since_s > LOOK_EVERY_S and (alarm, body["raised_at"]) not in self._said_s:
            self._said_s[alarm, body["raised_at"]] = now_s  # once: if it does not help, that was not it
            self._restart()
        if name in ("analyser_untrue", "analyser_drift") and now_s - since_s > CALIBRATE_AFTER_S:
            self._stands_s[alarm] = now_s
            accept = name == "analyser_drift" and (subject, "drawn") in self._said_s
            self._said_s[subject, "drawn"] = now_s
            self._say(now_s, "calibrate", subject, now_s, **({"decision": "accept"} if accept else {}))

    def _hopeless(self, now_s: float, topic: str, body: dict[str, Any], quiet: bool) -> bool:
        """An enclosure whose problems stand for so long that a person brings it back to air."""
        key = f"{topic} {body['state']}"
        if not quiet or body["state"] not in ("pulling_down", "holding", "venting") or not body["problems"]:
            self._stands_s.pop(key, None)
            return False
        return now_s - self._stands_s.setdefault(key, now_s) > VENT_AFTER_S

    def _sign_out(self, now_s: float, room: str, why: str) -> None:
        if why.startswith("entered by "):
            names = why.removeprefix("entered by ").split(";")[0]
        elif " wanted to go in" in why:
            names = why.split(" wanted to go in")[0]
        else:
            return
        self._say(now_s, "leave", room, names, people=names.split(", "))

    def _say(self, now_s: float, action: str, target: str, which: object = "", **more: Any) -> None:
        key = (action, target, which, more.get("occurrence"))
        if now_s - self._said_s.get(key, -AGAIN_S) >= AGAIN_S:
            self._said_s[key] = now_s
            self._crew.plan(Act(0.0, action, target, more))
