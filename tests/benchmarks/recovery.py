"""Recovery: seconds from `kill -9` of the supervisor to controlling again. Real broker, simulator and supervisor, speed 1.

The kill falls into a pull-down, while a dose runs. The process is started again at once, as a service manager would with no
pause; the time counts from the kill, so the start of Python and the replay of the journal are in it.

controlling again: journal replayed, link proved by our own echo, every valve told to stop, `supervisor/status` online with
the new epoch, every room's entry status and every enclosure's state out again. From here on messages are decided on; that
is what the program itself needs. First line selected, first permit that allows dosing and first dose request are given
besides: they wait for the plant. A heartbeat counts only from its second coming (each
10 s), room air must be good for `clear_after_s`, and no gas flows before a sample that was taken after the start. The
example's `clear_after_s` 60 s and lines of about 90 s are cut to 2 s and 5 s here, so that the program's own share shows.

Replay: as many inputs as since the last snapshot (each 5,000 inputs or 300 s), given in the note; the last kill is made
with `TAIL` of them waiting.
"""

import json
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

from deploy.brokers import Broker
from deploy.child import Child
from simulator.stamp import to_text
from tests.benchmarks import sites
from tests.benchmarks.figures import TOP, Aim, Figure
from tests.benchmarks.raw_mqtt import RawClient

KILLS, KILLS_QUICK = 5, 1
TAIL = 3_000
AIM_S = 2.0
FIRST_DOSE_S_MAX = 90.0
SEALED = ("n1", "n2", "s1", "s2", "n3", "s3")
_MARKS = ("online", "controlling", "line selected", "dosing permitted", "first dose")


def run(quick: bool) -> list[Figure]:
    with tempfile.TemporaryDirectory(prefix="stillhold-bench-") as folder, Broker("nats", Path(folder) / "broker") as broker:
        drill = Drill(Path(folder), broker)
        try:
            drill.begin()
            took = [drill.kill() for _ in range(KILLS_QUICK if quick else KILLS)]
            drill.fill_tail()
            return _figures(took, drill.kill(), drill.replayed)
        finally:
            drill.end()


class Drill:
    """The site, and a listener to everything that the supervisor says."""

    def __init__(self, folder: Path, broker: Broker) -> None:
        site = _quick_lines(sites.example())
        path = folder / "site.toml"
        path.write_text(sites.as_toml(site), encoding="utf-8")
        crew = folder / "crew.toml"
        crew.write_text("".join(f'[[act]]\nat_s = 20\naction = "seal"\ntarget = "{one}"\n' for one in SEALED), encoding="utf-8")
        address = ["--host", broker.host, "--port", str(broker.port)]
        self._root = f"stillhold/{site['site']['id']}"
        self._rooms = {room["id"] for room in site["room"]}
        self._enclosures = {one["id"] for one in site["enclosure"]}
        python = [sys.executable, "-m"]
        supervise = [*python, "supervisor", "run", str(path), "--state", str(folder / "state"), *address]
        simulate = [*python, "simulator", str(path), "--crew", str(crew), *address]
        self._supervisor = Child("supervisor", supervise, folder / "supervisor.log", cwd=TOP)
        self._simulator = Child("simulator", simulate, folder / "simulator.log", cwd=TOP)
        heard = ["supervisor/status", "room/+/permit", "room/+/entry", "sampling/+/select", "dosing/+/+/request",
                 "enclosure/+/state", "dosing/+/+/report"]  # fmt: skip
        self._client = RawClient(broker.host, broker.port, "drill", [f"{self._root}/{one}" for one in heard])
        self._epoch = 0
        self._running: set[str] = set()
        self.replayed: list[int] = []

    def begin(self) -> None:
        self._simulator.start()
        self._supervisor.start()
        self._marks(time.monotonic())

    def end(self) -> None:
        self._client.close()
        self._supervisor.stop()
        self._simulator.stop()

    def kill(self) -> dict[str, float]:
        """Kills it while a dose runs, starts it again, and gives the seconds from the kill to each mark."""
        deadline_s = time.monotonic() + FIRST_DOSE_S_MAX
        while not self._running:
            self._hear(0.05)
            if time.monotonic() > deadline_s:
                raise TimeoutError("no dose runs, so there is nothing to interrupt")
        killed_s = time.monotonic()
        self._supervisor.kill()
        self._hear(0.0)
        self._running.clear()
        self._supervisor.start()
        return self._marks(killed_s)

    def fill_tail(self) -> None:
        """Puts so many inputs into the journal that the next start has a long replay."""
        for number in range(TAIL):
            body = {"observed_at": to_text(time.time_ns() // 1_000_000), "temperature_c": 2.0}
            self._client.publish(f"{self._root}/enclosure/n6/pulp", json.dumps(body).encode())
            if number % 50 == 0:
                self._hear(0.02)
        self._hear(3.0)

    def _marks(self, from_s: float) -> dict[str, float]:
        marks: dict[str, float] = {}
        missing = {f"room/{one}/entry" for one in self._rooms}
        missing |= {f"enclosure/{one}/state" for one in self._enclosures}
        online = False
        while "first dose" not in marks:
            if time.monotonic() - from_s > FIRST_DOSE_S_MAX:
                raise TimeoutError(f"after {FIRST_DOSE_S_MAX:g} s there was no dose: {marks}; {self._supervisor.last_lines(5)}")
            for topic, body in self._hear(0.05):
                levels, at_s = topic.split("/"), time.monotonic() - from_s
                if topic == "supervisor/status" and body["online"] and body["epoch"] > self._epoch:
                    self._epoch, online = body["epoch"], True
                    marks.setdefault("online", at_s)
                missing.discard(topic)  # `kill` has read whatever the one that was killed had said
                if not online:
                    continue
                if not missing:
                    marks.setdefault("controlling", at_s)
                if levels[0] == "sampling":
                    marks.setdefault("line selected", at_s)
                elif levels[-1] == "permit" and body["dosing_permitted"]:
                    marks.setdefault("dosing permitted", at_s)
                elif levels[-1] == "request":
                    marks.setdefault("first dose", at_s)
        self.replayed.append(_replayed(self._supervisor))
        return marks

    def _hear(self, wait_s: float) -> list[tuple[str, dict]]:
        """What came within `wait_s`; keeps in mind which doses run."""
        heard = []
        until_s = time.monotonic() + wait_s
        while True:
            for topic, payload in self._client.take(until_s - time.monotonic()):
                tail, body = topic.removeprefix(f"{self._root}/"), json.loads(payload)
                if tail.endswith("/report"):
                    running = body["outcome"] in ("accepted", "progress")
                    (self._running.add if running else self._running.discard)(body["request_id"])
                heard.append((tail, body))
            self._client.flush()
            if time.monotonic() >= until_s:
                return heard


def _quick_lines(site: sites.Site) -> sites.Site:
    for analyser in site["analyser"]:
        for line in analyser["lines"]:
            line["transport_s"], line["settling_s"] = 1, 4
    site["timing"]["clear_after_s"] = 2
    return site


def _replayed(supervisor: Child) -> int:
    """The inputs that the last start replayed, from its log."""
    lines = [line for line in supervisor.last_lines(400) if "restored" in line and "inputs_replayed" in line]
    return json.loads(lines[-1][lines[-1].index("{") :])["inputs_replayed"] if lines else -1


def _figures(took: list[dict[str, float]], long: dict[str, float], replayed: list[int]) -> list[Figure]:
    figures = []
    for mark in _MARKS:
        seconds = [one[mark] for one in took if mark in one]
        each = ", ".join(f"{one:.2f}" for one in seconds)
        worst = max(seconds)
        aim = Aim("<=", AIM_S) if mark == "controlling" else None
        counts = ", ".join(map(str, replayed[1:-1]))
        note = f"median {median(seconds):.2f}; {each}; replayed {counts} inputs"
        figures.append(Figure("recovery", f"kill -9 to {mark}, worst", worst, "s", aim, note))
    figures.append(Figure("recovery", "kill -9 to controlling, long replay", long["controlling"], "s", Aim("<=", AIM_S),
                          f"replayed {replayed[-1]} inputs; a snapshot is taken each 5,000 inputs or 300 s"))  # fmt: skip
    return figures
