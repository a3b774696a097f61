"""Plant, network, broker, disk and supervisor in one thread and one time: a run of a plan, in two phases.

First faults on, until `QUIET_S`; then none any more, and the site must be back within `BOUND_S`.
"""

import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

from simulator.crew import Act, Schedule
from simulator.kinds import Fault
from simulator.library import LIBRARY
from simulator.network import NOTICED_S, Message, Network
from simulator.network_faults import ALL, NETWORK
from simulator.network_links import Links
from simulator.signing import CrewKey
from simulator.site import Plant
from supervisor.messages import at
from supervisor.shell.audit.file import reading, told, verify
from supervisor.shell.authority.operators import Operator, Operators
from supervisor.shell.engine import Engine
from supervisor.shell.replay import restore
from supervisor.shell.wire import Decoder
from tests.simulation.broker import Broker, Wires
from tests.simulation.host import Host, Quiet, SimMachine, steps
from tests.simulation.host_faults import HOST
from tests.simulation.persons import LOOK_EVERY_S, Persons
from tests.simulation.plan import QUIET_S, SEAL_S, Plan
from tests.simulation.rules import Broken, Rules
from tests.simulation.site import CADENCE, ENCLOSURES, site

START_S = 1_772_323_200.0
STEP_S = 8.0
BOUND_S = 7200.0
DUMP_BYTES_MAX = 400_000
Trace = Callable[[float, str, str], None]


class Result(NamedTuple):
    """How a run went: how long after the last fault the site was back, and some counts."""

    seed: int
    back_after_s: float
    requests: int
    starts: int


class World:
    """One run. `trace` is told (seconds, what, words) of everything."""

    def __init__(self, plan: Plan, folder: Path, trace: Trace | None = None) -> None:
        made = site()
        self.plan, self.folder, self.site, self.now_s, self._trace = plan, folder, made.file, 0.0, trace
        self.wires = Wires()
        plant_faults = [one for one in plan.of(LIBRARY) if one.name not in NETWORK]
        network = Network(made.spec.units, plan.of(NETWORK), plan.seed)
        operators = folder / "operators.json"
        folder.mkdir(parents=True, exist_ok=True)
        key = _crew_key(operators, made.file.site.id)
        seals = [Act(SEAL_S + 60.0 * number, "seal", name) for number, name in enumerate(ENCLOSURES)]
        self.plant = Plant(
            made.raw, plan.seed, start_s=START_S, crew=Schedule((*seals, *plan.acts)), crew_key=key, faults=plant_faults,
            cadence=CADENCE,
        )  # fmt: skip
        self.rules = Rules(made.file, self.plant, list(plan.faults), STEP_S)
        filters = [one.removeprefix(made.file.root + "/").split("/") for one in Decoder(made.file).filters]
        inbound: dict[str, bool] = {}

        def is_inbound(topic: str) -> bool:
            if topic not in inbound:
                levels = topic.split("/")
                inbound[topic] = any(_fits(one, levels) for one in filters)
            return inbound[topic]

        self.broker = Broker(network, Links(made.spec), self.wires, lambda: self.now_s, made.file.root, self._to_hardware,
                             self._heard, is_inbound)  # fmt: skip
        self._clock_faults = [one for one in plan.faults if one.name == "clock_stepped"]
        self._history_faults = [one for one in plan.faults if one.name == "history_away"]
        self.hosts = [self._host("first", folder / "first", operators)]
        self.persons = Persons(self.plant.crew, self._shown, self._restart_first, self.plant.open_bag, self._power_cycle)
        self._operators = operators
        self._plan_host_faults()
        self._plan_network_ends(network, made.spec.units)

    # ---- running

    def run(self, until_s: float = math.inf) -> Result:
        """The whole run. Raises Broken."""
        look_s, back_s = LOOK_EVERY_S, None
        while back_s is None and self.now_s < until_s:
            self.pass_to(self.now_s + STEP_S)
            for host in list(self.hosts):
                host.turn()
            self.rules.step(self.now_s)
            if self.now_s >= look_s:
                look_s = self.now_s + LOOK_EVERY_S
                self.persons.look(self.now_s, self.now_s >= QUIET_S)
                back_s = self.now_s if self.now_s >= QUIET_S + LOOK_EVERY_S and not self.astray() else None
            if self.now_s > QUIET_S + BOUND_S and back_s is None:
                raise Broken("back in band", f"not within {BOUND_S:g} s after the last fault: {'; '.join(self.astray())}")
        if back_s is not None:
            self._at_the_end()
        self.close()
        return Result(self.plan.seed, self.now_s - QUIET_S, self.rules.requests, sum(one.starts for one in self.hosts))

    def close(self) -> None:
        for host in self.hosts:
            if host.running:
                host._forget(math.inf, goodbye=True)
            host._close()

    def pass_to(self, to_s: float) -> None:
        """Time passes, and messages come to where they go."""
        while (due_s := self.wires.due_s(to_s)) is not None:
            self._advance(max(due_s, self.now_s))
            self.wires.pop()()
        self._advance(to_s)

    def _advance(self, to_s: float) -> None:
        self.plant.advance(START_S + to_s)
        self.now_s = to_s
        while self.plant.outbox:
            for topic, body, retain in self.plant.take():
                self.rules.hardware_says(to_s, topic, body)
                if topic == "operator/command":
                    self.rules.crew_says(body)
                self.broker.from_hardware(Message(topic, json.dumps(body).encode(), retain))

    def _to_hardware(self, topic: str, payload: bytes) -> None:
        if topic == "operator/outcome":
            try:
                self.rules.crew_hears(self.now_s, json.loads(payload))
            except ValueError:
                pass
        self.plant.deliver(topic, payload)

    def _heard(self, message: Message) -> None:
        if self._trace is not None:
            self._trace(self.now_s, message.topic, message.payload.decode("utf-8", "replace"))

    def _told(self, name: str) -> Callable[[str, dict[str, Any]], None] | None:
        if self._trace is None:
            return None
        trace = self._trace
        return lambda event, figures: trace(self.now_s, f"log of {name}", f"{event} {figures}")

    # ---- the supervisor's machine

    def _host(self, name: str, folder: Path, operators: Path) -> Host:
        machine = SimMachine(lambda: self.now_s, START_S, lambda: steps(self._clock_faults, self.now_s))

        def away() -> bool:
            return any(one.start_s <= self.now_s < one.end_s for one in self._history_faults)

        return Host(name, folder, self.site, self.broker, machine, self.rules, operators,
                    lambda seconds: self.pass_to(self.now_s + seconds), self._told(name),
                    away if self._history_faults else None)  # fmt: skip

    def _plan_host_faults(self) -> None:
        first, at = self.hosts[0], self.wires.at
        for fault in self.plan.of(HOST):
            match fault.name:
                case "supervisor_killed":
                    at(fault.start_s, lambda f=fault: first.running and first.kill_at(int(f.size), f.end_s))
                case "machine_rebooted":
                    at(fault.start_s, lambda f=fault: self._reboot(first, f.end_s))
                case "disk_full":
                    at(fault.start_s, lambda: first.set_full(True))
                    at(fault.end_s, lambda: first.set_full(False))
                case "disk_slow":
                    at(fault.start_s, lambda f=fault: setattr(first, "commit_s", f.size))
                    at(fault.end_s, lambda: setattr(first, "commit_s", 0.0))
                case "second_supervisor":
                    at(fault.start_s, lambda f=fault: self._second(f))

    def _reboot(self, host: Host, until_s: float) -> None:
        if host.running:
            host.die(until_s)
        host.machine.reboot()

    def _second(self, fault: Fault) -> None:
        if len(self.hosts) > 1:
            return
        first, name = self.hosts[0], "copy" if fault.size else "second"
        folder = self.folder / name
        if fault.size:
            if not (first.folder / "journal.sqlite").exists():
                return
            first.copied_to(folder)
        second = self._host(name, folder, self._operators)
        if fault.size:
            self.rules.witness(name).books = first.witness_copy()
        self.hosts.append(second)
        self.wires.at(fault.end_s, lambda: second.end_in_order(math.inf))

    def _restart_first(self) -> None:
        self.hosts[0].end_in_order(self.now_s + 5.0)

    def _power_cycle(self, analyser: str) -> None:
        unit = self.site.analysers[analyser].unit
        self.plant.faults.add(Fault("unit_off", unit, self.now_s, self.now_s + 5.0))

    # ---- the network's ends

    def _plan_network_ends(self, network: Network, units: tuple[str, ...]) -> None:
        """A unit that was cut off leaves its will and greets when it is back, as after the broker was away."""
        for fault in self.plan.of(("network_split", "broker_down", "broker_forgets")):
            cut = units if fault.target in (ALL, "broker") else [one for one in units if one == fault.target]
            if fault.name == "broker_forgets":
                self.wires.at(fault.end_s, self.broker.forget)
            for unit in cut:
                if fault.name == "network_split" and fault.end_s - fault.start_s >= NOTICED_S:
                    self.wires.at(fault.start_s + NOTICED_S, lambda unit=unit: self._will(unit))
                self.wires.at(fault.end_s + 1.0, lambda unit=unit: self._greet(unit))

    def _will(self, unit: str) -> None:
        one = self.plant.units[unit]
        if self.broker.network.cut(unit, self.now_s) is not None:
            self.broker.take(Message(f"hardware/{unit}/status", json.dumps(one.status(online=False)).encode(), True))

    def _greet(self, unit: str) -> None:
        if not self.plant.units[unit].off:
            self.plant.units[unit].heartbeat()

    # ---- what a console shows, and whether all is well

    def _shown(self) -> dict[str, dict[str, Any]]:
        shown = {}
        for topic, payload in self.broker.retained.items():
            try:
                shown[topic] = json.loads(payload)
            except ValueError:
                continue  # cut or garbled on its way: a console shows nothing of it
        return shown

    def astray(self) -> list[str]:
        """What is not as it should be when all is over; nothing: the site is back."""
        shown, found = self._shown(), []
        if not shown.get("supervisor/status", {}).get("online"):
            found.append("no supervisor is online")
        first = self.hosts[0]
        for topic, payload in first.bus.kept.items() if first.running else ():
            if self.broker.retained.get(topic) != payload:
                found.append(f"the broker keeps {topic} as {self.broker.retained.get(topic)!r}, not {payload!r}")
        standing = first.seen.engine._core.state.alarms if first.running else {}
        for topic in [one for one in shown if one.startswith("alarm/")]:
            mine, told = standing.get(topic.removeprefix("alarm/")), shown[topic].get("state")
            if told != ("normal" if mine is None else mine.state):
                found.append(f"the broker shows {topic} as {told}, which it is not")
        for room in self.site.rooms:
            entry = shown.get(f"room/{room}/entry", {})
            if entry.get("status") != "clear":
                found.append(f"room {room} is {entry.get('status')}: {entry.get('reasons')}")
        for name in ENCLOSURES:
            state = shown.get(f"enclosure/{name}/state", {})
            recipe, (o2_pct, co2_pct) = self.site.recipe_of(name), self.plant.gas(name)
            off = abs(o2_pct - recipe.o2_pct) > recipe.o2_band_pct or abs(co2_pct - recipe.co2_pct) > recipe.co2_band_pct
            vented = state.get("state") == "venting" and o2_pct > 19.5 and co2_pct < 0.5  # by a person who saw no other way
            if (state.get("state") != "holding" or off) and not vented:
                told = f"{o2_pct:.2f} % O2, {co2_pct:.2f} % CO2"
                found.append(f"{name} is {state.get('state')} at {told}: {state.get('problems')}")
        return found

    def _at_the_end(self) -> None:
        first = self.hosts[0]
        if not first.running:
            raise Broken("back in band", "the supervisor does not run")
        for topic in () if len(self.hosts) > 1 else self.broker.retained:  # a second one leaves alarms that nobody ends
            if topic.split("/")[0] in ("alarm", "enclosure", "room") and topic not in first.bus.kept:
                raise Broken("retained", f"{topic} is kept by the broker and nobody's: {self.broker.retained[topic]!r}")
        dump = first.seen.dump()
        if len(dump) > DUMP_BYTES_MAX:
            raise Broken("bounded memory", f"the engine's state takes {len(dump)} bytes, at most {DUMP_BYTES_MAX}")
        if self.plan.seed % 4 == 0:  # from the very first input; else from the newest snapshot
            first.journal._db.execute("DELETE FROM snapshots")
        again = restore(Engine, self.site, first.journal, Decoder(self.site), Quiet(None))  # type: ignore[arg-type]
        if again.dump() != dump:
            raise Broken("replay", "the journal does not lead to the state of the engine that wrote it")
        if self._history_faults and first.journal.history_waiting > 2000:
            raise Broken("history", f"{first.journal.history_waiting} rows still wait for the database")
        recorded: set[tuple[object, object]] = set()
        for host in self.hosts:
            if (host.folder / "journal.sqlite").exists():
                with reading(host.folder) as db:
                    verdict = verify(db)
                    seen = (one.figures for one in told(db) if one.event == "alarm_acknowledged")
                    recorded |= {(one["alarm"], one["occurrence"]) for one in seen}
                if verdict.problem is not None:
                    raise Broken("audit", f"of {host.name}: {verdict.problem}")
        if not self.rules.acknowledged <= recorded:
            raise Broken("rule 8", f"acknowledged and not on record: {sorted(self.rules.acknowledged - recorded)}")


def _fits(one: list[str], levels: list[str]) -> bool:
    return len(one) == len(levels) and all(a in ("+", b) for a, b in zip(one, levels, strict=True))


def _crew_key(operators: Path, site_id: str) -> CrewKey:
    """An operators file with one who may do everything, and whose key is the same each time."""
    crew = Operator(name="crew", role="engineer", key="5e" * 32, added_at=at(START_S))
    operators.write_text(Operators(site=site_id, operator=[crew]).model_dump_json(), encoding="utf-8")
    operators.chmod(0o600)
    return CrewKey(crew.name, bytes.fromhex(crew.key))
