"""The demo's processes: broker, simulator and supervisor, started in that order, tended, ended in the other order."""

import shlex
import sys
import time
from pathlib import Path

from deploy.brokers import Broker
from deploy.child import Child
from supervisor.shell.authority.operators import add, write_key
from supervisor.sitefile import load

TOP = Path(__file__).resolve().parents[1]

# A supervisor that ends this often within this time will not come up: better to show its log than to go on.
_GIVE_UP_AFTER, _GIVE_UP_WITHIN_S = 5, 30.0

# Who may command the demo: the simulated crew, and whoever watches (README: `stillhold ... --key`).
_CREW, _WATCHER = "simulated crew", "demo"


class Died(Exception):
    """A process ended that the demo cannot go on without. The message has the end of its log."""


class Processes:
    """All of them, speaking MQTT on loopback. `folder` takes their data and logs, and keys that are made anew."""

    def __init__(self, site: Path, folder: Path, speed: float, start_s: float, seed: int) -> None:
        self.broker = Broker("nats", folder / "broker")
        self._site, self._folder = site, folder
        self._pace = ["--speed", repr(speed), "--start", repr(start_s)]
        self._seed = seed
        self._simulator: Child | None = None
        self._supervisor: Child | None = None
        self._supervisor_ends: list[float] = []
        self.restarts = {"broker": 0, "supervisor": 0}

    def start(self) -> None:
        """Raises BrokerError, OperatorsError or OSError when one cannot be started."""
        operators, crew_key = self._keys()
        self.broker.start()
        address = ["--host", self.broker.host, "--port", str(self.broker.port)]
        plant = [str(self._site), *self._pace, "--seed", str(self._seed), "--keys", str(crew_key)]
        self._simulator = self._child("simulator", [*plant, *address])
        state = ["--state", str(self._folder / "state"), "--operators", str(operators)]
        self._supervisor = self._child("supervisor", ["run", str(self._site), *state, *self._pace, *address])
        self._simulator.start()
        self._supervisor.start()

    def console(self, action: str, target: str) -> str:
        """What a person types at another terminal to command the site, by the demo's own key, pace and broker."""
        place = ["--host", self.broker.host, "--port", str(self.broker.port), *self._pace]
        return shlex.join(["stillhold", action, str(self._site), target, *place, "--key", str(self._folder / "demo.key")])

    def tend(self) -> list[str]:
        """Starts broker and supervisor again when they died, as a service manager would; what it did, in words.

        Raises Died when the simulator ended or the supervisor ends again and again, BrokerError when the broker stays down.
        """
        done = []
        ended = self.broker.child.how_it_ended()
        if self.broker.tend():
            self.restarts["broker"] += 1
            done.append(f"the broker died ({ended}) and was started again on port {self.broker.port}")
        if not self._simulator.running:
            raise Died(_obituary(self._simulator))
        if not self._supervisor.running:
            now_s = time.monotonic()
            self._supervisor_ends = [t for t in self._supervisor_ends if now_s - t < _GIVE_UP_WITHIN_S] + [now_s]
            if len(self._supervisor_ends) >= _GIVE_UP_AFTER:
                raise Died(f"{_obituary(self._supervisor)}\n(it ended {_GIVE_UP_AFTER} times in a short time)")
            done.append(f"the supervisor ended ({self._supervisor.how_it_ended()}) and was started again")
            self.restarts["supervisor"] += 1
            self._supervisor.start()
        return done

    def stop(self) -> None:
        """End them: the supervisor first, so that it can withdraw its permits and save its state."""
        for child in (self._supervisor, self._simulator):
            if child is not None:
                child.stop()
        self.broker.stop()

    def _keys(self) -> tuple[Path, Path]:
        """The operators file and the crew's key file, made for this demo alone and gone with its folder."""
        site_id, file, crew_key = load(self._site).site.id, self._folder / "operators.json", self._folder / "crew.key"
        write_key(crew_key, add(file, site_id, _CREW, "operate", time.time()))
        write_key(self._folder / "demo.key", add(file, site_id, _WATCHER, "engineer", time.time()))
        return file, crew_key

    def _child(self, name: str, arguments: list[str]) -> Child:
        return Child(name, [sys.executable, "-m", name, *arguments], self._folder / f"{name}.log", cwd=TOP)


def _obituary(child: Child) -> str:
    log = "".join(f"\n  {line}" for line in child.last_lines())
    return f"the {child.name} ended unexpectedly ({child.how_it_ended()}); the end of its log:{log}"
