"""A whole site as processes: a real broker, the simulator, the supervisor, and a recorder, in scaled time on loopback.

Everything is started here by its own id in a session of its own, and ended here, last started first.
"""

import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from brokers import Broker, Kind, poll
from system_recorder import Recorder
from system_site import ROOT

from deploy.child import Child
from supervisor.settings import SiteFile
from supervisor.shell.authority.operators import UserKey, add, write_key
from supervisor.shell.authority.signing import sign
from supervisor.sitefile import load

TOP = Path(__file__).resolve().parents[2]


class Drill:
    """`start` brings up broker, recorder and simulator; supervisors are started by the test, each with its state folder."""

    def __init__(
        self, folder: Path, site_text: str, *, kind: Kind = "nats", speed: float = 100.0, crew: str = "", faults: str = "",
    ) -> None:  # fmt: skip
        folder.mkdir(parents=True, exist_ok=True)
        self.folder, self.speed, self.start_s = folder, speed, time.time()
        self.site_path = folder / "site.toml"
        self.site_path.write_text(site_text, encoding="utf-8")
        (folder / "crew.toml").write_text(crew, encoding="utf-8")
        (folder / "faults.toml").write_text(faults, encoding="utf-8")
        self.site: SiteFile = load(self.site_path)
        self.keys = self._let_in("dana", "crew") if self.site.operators is not None else {}
        self.broker = Broker(kind, folder / "broker")
        self.broker_data = folder / "broker" / "data"
        self.children: list[Child] = []
        self.supervisor: Child
        self._command_number = 0

    def _let_in(self, *names: str) -> dict[str, UserKey]:
        """Operators who may do anything, with their key files in the folder."""
        keys = {}
        for name in names:
            keys[name] = add(self.folder / self.site.operators.file, self.site.site.id, name, "engineer", self.sim_s())
            write_key(self.folder / f"{name}.key", keys[name])
        return keys

    # ---- processes

    def start(self, simulator: bool = True) -> None:
        self.broker.start()
        self.recorder = Recorder(self.broker.host, self.broker.port, ROOT)
        if simulator:
            self.start_simulator()

    def start_simulator(self) -> Child:
        files = ["--crew", str(self.folder / "crew.toml"), "--faults", str(self.folder / "faults.toml")]
        files += ["--keys", str(self.folder / "crew.key")] if self.keys else []
        self.simulator = self._child("simulator", "simulator", [str(self.site_path), "--seed", "1", *files])
        return self.simulator

    def start_supervisor(self, state: str = "state") -> Child:
        """A supervisor on the state folder `state`; its log is `<state>.log`."""
        arguments = ["run", str(self.site_path), "--state", str(self.folder / state)]
        self.supervisor = self._child(state, "supervisor", arguments)
        return self.supervisor

    def _child(self, name: str, module: str, arguments: list[str]) -> Child:
        pace = ["--speed", repr(self.speed), "--start", repr(self.start_s)]
        address = ["--host", self.broker.host, "--port", str(self.broker.port)]
        argv = [sys.executable, "-m", module, *arguments, *pace, *address]
        child = Child(name, argv, self.folder / f"{name}.log", cwd=TOP)
        child.start()
        self.children.append(child)
        return child

    def end(self) -> None:
        """Ends everything. Call it in any case."""
        for child in reversed(self.children):
            child.stop()
        if hasattr(self, "recorder"):
            self.recorder.close()
        self.broker.stop()

    # ---- time

    def sim_s(self, real_s: float | None = None) -> float:
        """Simulated UTC seconds at a real instant, now without one."""
        return self.start_s + ((time.time() if real_s is None else real_s) - self.start_s) * self.speed

    def stamp(self, ahead_s: float = 0.0) -> str:
        """Simulated now, or later, as it goes on the wire."""
        return datetime.fromtimestamp(self.sim_s() + ahead_s, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")

    # ---- looking and acting

    def last(self, topic: str) -> dict[str, Any]:
        return self.recorder.last(topic)

    def log(self, name: str) -> str:
        """Everything that a process has logged."""
        return (self.folder / f"{name}.log").read_text(encoding="utf-8")

    def state(self, enclosure: str) -> str:
        return self.last(f"enclosure/{enclosure}/state").get("state", "")

    def await_(self, what: str, condition: Callable[[], bool], within_s: float = 90.0) -> None:
        """Wait for something, at most `within_s` real seconds. Raises AssertionError with the logs' ends."""
        if not poll(condition, within_s, every_s=0.003):
            latest = {child.name: child for child in self.children}
            logs = "\n".join(f"--- {name}\n" + "\n".join(child.last_lines(12)) for name, child in latest.items())
            raise AssertionError(f"not within {within_s:g} s: {what}\n{logs}")

    def measure(self, enclosure: str) -> tuple[float, float]:
        """Oxygen and CO2 of an enclosure, percent, by sending the analyser there ourselves. Only without a supervisor."""
        line = self.site.enclosures[enclosure].line
        since = len(self.recorder.heard)
        select = {"request_id": f"test-{enclosure}", "line": line, "valid_until": self.stamp(ahead_s=600.0)}
        self.recorder.publish("sampling/analyser-1/select", select)

        def settled() -> list[dict[str, Any]]:
            readings = [one.body for one in self.recorder.of("analyser/analyser-1/reading", since)]
            return [one for one in readings if one["line"] == line and one["settled"] and one["status"] == "ok"]

        self.await_(f"a settled reading of {enclosure}", lambda: len(settled()) >= 2)
        return settled()[-1]["o2_pct"], settled()[-1]["co2_pct"]

    def signed(self, body: dict[str, Any]) -> dict[str, Any]:
        """`body` as its operator signs it, where the site has operators."""
        return body | {"signature": sign(self.keys[body["operator"]].secret, body)} if self.keys else body

    def command(self, action: str, target: str, **more: Any) -> dict[str, Any]:
        """Send an operator's command and wait for its outcome. A command that grew old on its way is sent anew."""
        for _ in range(5):
            self._command_number += 1
            command_id = f"test-{self._command_number}"
            body = {"command_id": command_id, "issued_at": self.stamp(), "operator": "dana", "action": action, "target": target}
            since = len(self.recorder.heard)
            self.recorder.publish("operator/command", self.signed({**body, **more}))

            def answers(command_id: str = command_id, since: int = since) -> list[dict[str, Any]]:
                outcomes = self.recorder.of("operator/outcome", since)
                return [one.body for one in outcomes if one.body["command_id"] == command_id]

            self.await_(f"an answer to {action} {target}", lambda: bool(answers()))  # noqa: B023 - called before the next turn
            if "by its own time" not in answers()[0]["reason"]:
                return answers()[0]
        raise AssertionError(f"every {action} {target} came too late")
