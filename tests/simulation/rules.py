"""What must hold at every step of a simulated run, whatever goes wrong. Raises Broken.

The nine rules are the witness's, over everything that is committed and leaves. Here is what takes a disk, a broker and a
plant to be seen: nothing leaves that is not on disk, no request is carried out twice, no valve gives more in an hour than it
may however often the process died, nobody stands in gas that flows.
"""

import json
from collections import deque

from simulator.kinds import Fault
from simulator.site import Plant
from supervisor.messages import Rejected
from supervisor.rehearsal.witness import RuleBroken, Witness
from supervisor.settings import SiteFile
from supervisor.shell.batch import Outgoing
from supervisor.shell.bus import Received
from supervisor.shell.journal import Batch
from supervisor.shell.wire import Decoder, Refused
from supervisor.values import Event

FINAL = ("delivered", "refused", "aborted")
# A permit is believed for so long (message contract); whoever is inside may meet gas no longer than that.
PERMIT_S = 60.0
REMEMBERED = 2000


class Broken(AssertionError):
    """A rule was broken: which, and how."""

    def __init__(self, rule: str, words: str) -> None:
        super().__init__(f"{rule}: {words}")
        self.rule = rule


class Rules:
    """Is told of everything, and objects. `garbled`: requests may reach the hardware with other figures than were sent."""

    def __init__(self, site: SiteFile, plant: Plant, faults: list[Fault], step_s: float) -> None:
        names = {one.name for one in faults}
        self._site, self._plant, self._step_s = site, plant, step_s
        self._volumes_hold = not names & {"messages_garbled", "second_supervisor"}
        self._reports_once = not names & {"report_doubled", "report_false"}
        self._stuck = {one.target for one in faults if one.name == "valve_stuck_open"}
        self._two = "second_supervisor" in names
        self._witnesses: dict[str, Witness] = {}
        self._decided: dict[str, deque[str]] = {}
        self._known: dict[str, set[str]] = {}
        self._inputs: dict[str, set[tuple[str, bytes]]] = {}
        self._decoder = Decoder(site)
        self._acknowledging: dict[str, tuple[str, int]] = {}
        self.acknowledged: set[tuple[str, int]] = set()
        """The alarms of which the crew has heard that their acknowledgement was taken."""
        self._latest: dict[str, dict[str, str]] = {}
        self._sent: dict[str, bytes] = {}
        self._accepted: set[str] = set()
        self._given: dict[str, deque[tuple[float, float]]] = {}
        self._ended: set[str] = set()
        self._inside_s: dict[str, dict[str, float]] = {}
        self._asked: dict[str, tuple[str, list[str]]] = {}
        self.requests = 0

    def witness(self, host: str) -> Witness:
        if host not in self._witnesses:
            self._witnesses[host] = Witness(self._site)
            self._decided[host], self._known[host] = deque(), set()
        return self._witnesses[host]

    # ---- of the supervisor

    def on_disk(self, host: str, pending: list[tuple[Event, list[Outgoing]]], batch: Batch) -> None:
        """A batch was committed, with all that the engine made of its events."""
        witness = self.witness(host)
        decided, known = self._decided[host], self._known[host]
        self._inputs[host] = {(one.topic, one.payload) for one in batch.inputs}
        for _, what in batch.decisions:
            decided.append(what)
            known.add(what)
        while len(decided) > REMEMBERED:
            known.discard(decided.popleft())
        try:
            for event, outgoing in pending:
                witness.see(event, outgoing)
        except RuleBroken as broken:
            raise Broken(f"rule {broken.rule}", str(broken)) from broken

    def acknowledges(self, host: str, handed: list[Received]) -> None:
        """The loop tells the broker that it has these: they are on disk, or were refused."""
        for one in handed:
            if (one.topic, one.payload) in self._inputs.get(host, ()) or one.topic.endswith("operator/command"):
                continue
            if not isinstance(self._decoder.decode(*one), Refused):
                raise Broken("journal, then act", f"{one.topic} was acknowledged to the broker and is not on disk")

    def leaves(self, host: str, topic: str, payload: bytes) -> None:
        """The loop hands a message to its bus."""
        tail = topic.removeprefix(self._site.root + "/")
        if tail == Rejected.TOPIC:
            return  # what was refused is not in the journal, and neither is its answer
        told = f'{{"topic": "{topic}", "message": {payload.decode()}}}'
        self._latest.setdefault(host, {})
        if told in self._known.get(host, ()):
            self._latest[host][topic] = told  # retained messages are said again now and then
        elif self._latest[host].get(topic) == told and not tail.startswith(("dosing", "sampling")) and "/permit" not in tail:
            return
        if told not in self._known.get(host, ()) and not tail.startswith("operator/outcome"):
            raise Broken("journal, then act", f"{told[:300]} left without being on disk")
        if tail.endswith("/request"):
            request_id = json.loads(payload)["request_id"]
            if request_id in self._sent:
                raise Broken("rule 6", f"{request_id} was sent before: {self._sent[request_id]!r}, now {payload!r}")
            self._sent[request_id] = payload
            self.requests += 1

    # ---- of the plant

    def hardware_says(self, now_s: float, topic: str, body: dict) -> None:
        if topic.endswith("/report"):
            self._report(now_s, topic, body)

    def crew_says(self, body: dict) -> None:
        if body["action"] == "enter":
            self._asked[body["command_id"]] = body["target"], list(body["people"])
        elif body["action"] == "acknowledge":
            self._acknowledging[body["command_id"]] = body["target"], body["occurrence"]
        elif body["action"] == "leave":
            for person in body["people"]:
                self._inside_s.get(body["target"], {}).pop(person, None)
            for room, asking in self._asked.values():  # whoever was still at the door has gone away
                asking[:] = [one for one in asking if room != body["target"] or one not in body["people"]]

    def crew_hears(self, now_s: float, outcome: dict) -> None:
        """They go in when they hear that they may."""
        alarm = self._acknowledging.pop(str(outcome.get("command_id")), None)
        if alarm is not None and outcome.get("accepted") is True:
            self.acknowledged.add(alarm)
        room, people = self._asked.pop(str(outcome.get("command_id")), ("", []))
        if outcome.get("accepted") is True and room:
            self._inside_s.setdefault(room, {}).update(dict.fromkeys(people, now_s))

    def _report(self, now_s: float, topic: str, body: dict) -> None:
        request_id = body["request_id"]
        if body["outcome"] == "accepted":
            if request_id in self._accepted and self._reports_once:
                raise Broken("rule 6", f"the plant was given {request_id} a second time")
            self._accepted.add(request_id)
        if body["outcome"] not in FINAL or request_id in self._ended:
            return
        self._ended.add(request_id)
        gas = topic.split("/")[2]
        given = self._given.setdefault(topic, deque())
        given.append((now_s, body["delivered_nl"]))
        while given[0][0] < now_s - 3600.0:
            given.popleft()
        most_nl, sum_nl = self._site.limits.of(gas).per_hour_nl, sum(nl for _, nl in given)  # type: ignore[arg-type]
        if self._volumes_hold and sum_nl > most_nl + 1.0:
            raise Broken("rule 4", f"{topic} gave {sum_nl:.1f} nl within an hour, at most {most_nl:g}")

    def step(self, now_s: float) -> None:
        """Everything that can be seen of the plant itself."""
        for room, inside in self._inside_s.items():
            if not inside or now_s - max(inside.values()) <= PERMIT_S + self._step_s:
                continue
            for valve in self._plant.valves.values():
                of_room = self._site.enclosures[valve.enclosure].room == room
                flows = valve.flow_nl_min > 0.0 and valve.gas != "air" and valve.dose is not None
                if of_room and flows and valve.name not in self._stuck:
                    raise Broken("rule 2", f"{valve.name} gives {valve.flow_nl_min:g} nl/min into {room}, where {inside} are")
