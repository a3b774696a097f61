"""The watch beside the simulated plant, which has physics of its own: a healthy season says nothing, each fault its own.

The core has no part in this: a plain on/off hand looks at each sample and doses, so that what is tested is the watch.
"""

import json
import tomllib
from pathlib import Path

import pytest

from simulator.assumed import Cadence
from simulator.crew import Schedule
from simulator.faults import Fault
from simulator.site import Plant
from supervisor import messages, sitefile
from supervisor.values import Arrived, LinkChanged, Now, RequestDose, SampleRef, Started, Ticked
from supervisor.watch import Watch

CONFIG = Path(__file__).resolve().parents[2] / "config" / "quillfen.toml"
START_S, MONO_S = 1_772_323_200.0, 1000.0
KINDS = (messages.AnalyserReading, messages.DoseReport, messages.DoseFlow)
LINES = {"n1": "line-01", "n3": "line-03", "n5": "line-05"}
TARGETS = {"n1": (5.0, 15.0), "n3": (6.0, 15.0), "n5": (3.0, 18.0)}
FLOWS = {"nitrogen": 40.0, "co2": 15.0, "air": 40.0}
SLOT_S = 120.0
QUIET = Cadence(air_s=600.0, climate_s=3600.0, pulp_s=3600.0, bag_s=3600.0)


class Hand:
    """Three enclosures sealed, sampled in turn and dosed after each of their samples, without any cleverness."""

    def __init__(self, *faults: Fault, seed=1, dosing=True) -> None:
        self.site = sitefile.load(CONFIG)
        self.plant = Plant(tomllib.loads(CONFIG.read_text()), seed, start_s=START_S, crew=Schedule(), faults=faults,
                           cadence=QUIET)  # fmt: skip
        self.watch, self.found, self.ids, self.dosing = Watch(self.site), [], 0, dosing
        self.busy: dict[str, float] = {}
        self.t = 0.0
        self.watch.observe(Started(self.now, 1, "test"))
        self.watch.observe(LinkChanged(self.now, True))
        for enclosure in LINES:
            self.plant.close_bag(enclosure)
            command = messages.OperatorCommand(command_id=enclosure, issued_at=messages.at(self.now.wall_s), operator="ada",
                                               action="seal", target=enclosure)  # fmt: skip
            self.watch.observe(Arrived(self.now, messages.OperatorCommand.TOPIC, (), command))

    @property
    def now(self) -> Now:
        return Now(MONO_S + self.t, START_S + self.t)

    def deliver(self, topic: str, **body) -> None:
        self.plant.deliver(topic, json.dumps(body))

    def later(self, seconds: float) -> str:
        return messages.rfc3339(messages.at(self.now.wall_s + seconds))

    def run(self, hours: float) -> list[tuple[float, str, str, str | None]]:
        """(hour, finding, enclosure, gas) of everything that was found."""
        slots, end = 0, self.t + hours * 3600
        while self.t < end:
            if self.t % SLOT_S == 0:
                line = list(LINES.values())[slots % 3] if slots % 4 < 3 else "idle"
                self.deliver("sampling/analyser-1/select", request_id=f"s{slots}", line=line, valid_until=self.later(SLOT_S))
                slots += 1
            if self.t % 15 == 0:
                self.deliver("room/north/permit", dosing_permitted=True, air_permitted=True, epoch=1,
                             valid_until=self.later(45))  # fmt: skip
            if self.dosing and self.t % SLOT_S == 115:
                self.dose(list(LINES)[(slots - 1) % 3] if (slots - 1) % 4 < 3 else None)
            self.t += 5
            self.plant.advance(self.now.wall_s)
            self.hear()
        return [((one.now.mono_s - MONO_S) / 3600, one.finding, one.enclosure, one.gas) for one in self.found]

    def hear(self) -> None:
        for topic, payload, _ in self.plant.take():
            levels = topic.split("/")
            for kind in KINDS:
                pattern = kind.TOPIC.split("/")
                if len(pattern) == len(levels) and (pattern[0], pattern[-1]) == (levels[0], levels[-1]):
                    names = tuple(got for got, want in zip(levels, pattern, strict=True) if want.startswith("{"))
                    body = kind.model_validate_json(json.dumps(payload))
                    self.found += self.watch.observe(Arrived(self.now, kind.TOPIC, names, body))
        self.found += self.watch.observe(Ticked(self.now))

    def dose(self, enclosure: str | None) -> None:
        """By the truth, coarsely: nitrogen until oxygen is right, then CO2, air when oxygen is short."""
        if enclosure is None or self.busy.get(enclosure, 0.0) > self.t:
            return
        o2, co2 = self.plant.gas(enclosure)
        o2_target, co2_target = TARGETS[enclosure]
        if o2 < o2_target - 0.2:
            self.request(enclosure, "air", 20.0)
        elif co2 < co2_target - 0.5 and o2 < o2_target + 2.0:
            self.request(enclosure, "co2", min(30.0, (co2_target - co2) * 15.0))
        elif o2 > o2_target + 0.2:
            self.request(enclosure, "nitrogen", min(80.0, (o2 - o2_target) * 200.0))

    def request(self, enclosure: str, gas: str, volume: float) -> None:
        self.ids += 1
        source = {"nitrogen": "generator", "co2": "bank", "air": "blower"}[gas]
        until_s = self.now.wall_s + 125
        asked = RequestDose(enclosure, gas, source, f"1-{self.ids}", 1, volume, FLOWS[gas], until_s, 0.0,
                            SampleRef("analyser-1", "b", 1), "test")  # fmt: skip
        self.watch.observe_request(asked, self.now)
        self.busy[enclosure] = self.t + 125
        self.deliver(f"dosing/{enclosure}/{gas}/request", request_id=asked.request_id, epoch=1, volume_nl=volume,
                     max_flow_nl_min=FLOWS[gas], valid_until=self.later(125), reason="test")  # fmt: skip


def test_a_healthy_plant_gives_no_finding():
    hand = Hand(seed=2)
    assert hand.run(12) == []
    for enclosure, (o2, co2) in TARGETS.items():
        held_o2, held_co2 = hand.plant.gas(enclosure)
        assert abs(held_o2 - o2) < 1.0 and abs(held_co2 - co2) < 2.5, "the hand must have brought it there"
    assert hand.ids > 100


def test_a_healthy_plant_at_rest_gives_no_finding():
    """Filled and left alone, the fruit breathing and dissolving: sealed in air first, then after its first CO2."""
    hand = Hand(dosing=False)
    assert hand.run(2) == []
    hand = Hand()
    assert hand.run(5) == []
    hand.dosing = False
    assert hand.run(4) == []


@pytest.mark.parametrize("gas, begin_h", [("nitrogen", 0.5), ("nitrogen", 0.0), ("co2", 1.0)])
def test_a_hose_that_came_off(gas, begin_h):
    """Metered at the source, gone into the room: found within two visits of the first gas that went astray."""
    hand = Hand(Fault("hose_off", f"n1/{gas}", start_s=begin_h * 3600))
    found = hand.run(begin_h + 2.5)
    assert {one[1:] for one in found if one[1] == "no_response"} == {("no_response", "n1", gas)}


def test_a_valve_that_is_stuck_open():
    hand = Hand(Fault("valve_stuck_open", "n3/co2", start_s=3600.0, size=5.0))
    found = hand.run(1.2)
    assert [one[1:] for one in found] == [("unrequested_flow", "n3", "co2")]
    assert 1.0 <= found[0][0] < 1.02


def test_a_bag_that_tore_while_nothing_was_given():
    """Three times its volume a day: 12.5 % an hour, so at 5 % oxygen 2 % an hour of it come in."""
    hand = Hand(Fault("leak", "n1", start_s=4 * 3600.0, size=3.0))
    assert hand.run(4) == []
    hand.dosing = False
    found = hand.run(1.5)
    assert {one[1:3] for one in found} == {("unexplained_move", "n1")}


def test_a_unit_that_is_dead():
    hand = Hand(Fault("unit_off", "gateway-north", start_s=600.0))
    found = hand.run(1)
    assert {one[1] for one in found} == {"late_report"}
    assert len({one[2:] for one in found}) == len(found), "said once for each valve"


def test_a_sample_line_that_hangs_on_the_wrong_enclosure():
    """n1's line draws from n3, which gets nothing: what n1 is given shows nowhere."""
    hand = Hand(Fault("analyser_wrong_line", "analyser-1/line-03", start_s=0.0))
    hand.busy = {"n3": 1e9, "n5": 1e9}
    found = hand.run(1.5)
    assert ("no_response", "n1", "nitrogen") in {one[1:] for one in found}
