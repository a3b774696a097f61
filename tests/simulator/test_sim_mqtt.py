"""The plant on real brokers: requests and reports over the wire, wills, reconnecting, and the command itself."""

import json
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from brokers import Broker, Peer, poll
from sim_plants import IDLE, STILL, small_site

from simulator.mqtt import PlantOnMqtt
from simulator.site import Plant
from simulator.stamp import to_text

TOP = Path(__file__).resolve().parents[2]
ROOT = "stillhold/small/"


class Bench:
    """A plant on a broker, moved on by hand, and a peer that hears everything below its root."""

    def __init__(self, broker: Broker) -> None:
        self.plant = Plant(small_site(), 1, crew=IDLE, assumptions=STILL)
        self.start_s = self.plant.now_s
        self.bus = PlantOnMqtt(self.plant, broker.host, broker.port)
        self.peer = Peer(broker)
        self.peer.subscribe(f"{ROOT}#")
        self.bus.start()

    def until(self, topic: str, key: str, value: Any, seconds: float = 0.0) -> bool:
        """Move on once by so much simulated time, then serve until such a message has come back over the broker."""
        self.bus.step(self.plant.now_s + seconds)
        return poll(lambda: self.served(topic, key, value), within_s=10.0)

    def give(self, topic: str, retain: bool = False, **body: Any) -> None:
        until = to_text(round((self.plant.now_s + 60.0) * 1000))
        self.peer.publish(ROOT + topic, json.dumps({"epoch": 1, "valid_until": until, "reason": "test", **body}), retain)

    def heard(self, topic: str) -> list[dict[str, Any]]:
        return [json.loads(payload) for on, payload, _ in list(self.peer.heard) if on == ROOT + topic]

    def served(self, topic: str, key: str, value: Any) -> bool:
        self.bus.wait(0.01)
        self.bus.step(self.plant.now_s)
        return any(one.get(key) == value for one in self.heard(topic))


@pytest.fixture
def bench(broker: Broker) -> Iterator[Bench]:
    bench = Bench(broker)
    yield bench
    bench.bus.close()
    bench.peer.close()


def test_a_dose_over_a_real_broker(bench: Bench) -> None:
    assert all(bench.until(f"hardware/{unit}/status", "online", True) for unit in ("u", "u2", "p"))
    bench.give("room/r/permit", dosing_permitted=True, air_permitted=True)
    bench.give("dosing/a/nitrogen/request", request_id="x", volume_nl=20.0, max_flow_nl_min=50.0)
    assert bench.until("dosing/a/nitrogen/report", "outcome", "accepted")
    assert bench.until("dosing/a/nitrogen/report", "outcome", "delivered", seconds=24.0)
    report = bench.heard("dosing/a/nitrogen/report")[-1]
    assert report["delivered_nl"] == 20.0
    assert bench.until("analyser/an/reading", "line", "idle", seconds=5.0)
    assert bench.until("room/r/air/floor", "status", "ok")
    assert bench.plant.dropped == {}


def test_a_retained_request_that_waited_in_the_broker_opens_nothing(broker: Broker) -> None:
    with Peer(broker) as peer:
        body = {
            "request_id": "x",
            "epoch": 1,
            "volume_nl": 5.0,
            "max_flow_nl_min": 5.0,
            "reason": "r",
            "valid_until": "2099-01-01T00:00:00Z",
        }
        permit = {"dosing_permitted": True, "air_permitted": True, "epoch": 1, "valid_until": "2099-01-01T00:00:00Z"}
        peer.publish(f"{ROOT}room/r/permit", json.dumps(permit), retain=True)
        peer.publish(f"{ROOT}dosing/a/nitrogen/request", json.dumps(body), retain=True)
    bench = Bench(broker)
    try:
        assert bench.until("dosing/a/nitrogen/report", "outcome", "refused")
        assert bench.plant.enclosures["a"].inflow_nl_min == 0.0
        assert poll(lambda: bench.served("none", "", "") or bench.plant.dropped["permit: u: retained"] == 1)
    finally:
        bench.bus.close()
        bench.peer.close()


def test_units_say_that_they_go(bench: Bench) -> None:
    topics = [f"hardware/{unit}/status" for unit in ("u", "u2", "p")]
    assert all(bench.until(topic, "online", True) for topic in topics)
    bench.bus.close()
    assert poll(lambda: all(bench.heard(topic)[-1]["online"] is False for topic in topics))


def test_after_the_brokers_crash_the_plant_is_back_and_hears(bench: Bench, broker: Broker) -> None:
    assert bench.until("hardware/u/status", "online", True)
    broker.kill()
    bench.bus.step(bench.plant.now_s + 60.0)
    broker.start()

    def answers() -> bool:
        """A request gets an answer, if only a refusal: the unit has connected and subscribed again."""
        bench.give("dosing/a/nitrogen/request", request_id="x", volume_nl=5.0, max_flow_nl_min=5.0)
        return bench.served("dosing/a/nitrogen/report", "code", "no_permit")

    bench.peer.close()
    with Peer(broker) as bench.peer:
        bench.peer.subscribe(f"{ROOT}#")
        assert poll(answers, within_s=15.0, every_s=0.1)


def simulate(broker: Broker, *more: str) -> subprocess.Popen[bytes]:
    argv = [
        sys.executable,
        "-m",
        "simulator",
        str(TOP / "config" / "quillfen.toml"),
        "--host",
        broker.host,
        "--port",
        str(broker.port),
        *more,
    ]
    return subprocess.Popen(argv, cwd=TOP, stderr=subprocess.PIPE)


def test_the_command_runs_in_scaled_time_and_its_wills_fire_when_it_is_killed(broker: Broker) -> None:
    root = "stillhold/quillfen/"
    with Peer(broker) as peer:
        peer.subscribe(f"{root}#")
        start_s = time.time()
        process = simulate(broker, "--speed", "60", "--start", str(start_s))
        try:
            heard = lambda end: [json.loads(p) for topic, p, _ in list(peer.heard) if topic == root + end]  # noqa: E731
            assert poll(lambda: len(heard("room/north/air/north-door")) > 20, within_s=20.0)
            # A seal three simulated minutes after the plant's own start: the crew is at work.
            assert poll(lambda: bool(heard("operator/command")), within_s=20.0)
            seen_s = [one["observed_at"] for one in heard("analyser/analyser-1/reading")]
            assert seen_s == sorted(seen_s) and seen_s[0] >= to_text(round(start_s * 1000))
            process.kill()
            units = ("gateway-north", "gateway-south", "gateway-plant")
            assert poll(lambda: all(heard(f"hardware/{u}/status")[-1]["online"] is False for u in units), within_s=30.0)
        finally:
            process.kill()
            process.communicate()


def test_the_command_ends_by_itself_and_on_a_signal(make_broker: Any) -> None:
    broker = make_broker("mosquitto")
    by_itself = simulate(broker, "--for", "0.5", "--crew", "none")
    by_itself.communicate(timeout=20.0)
    with Peer(broker) as peer:
        peer.subscribe("stillhold/quillfen/room/#")
        by_signal = simulate(broker)
        assert poll(lambda: bool(peer.heard), within_s=20.0)
        by_signal.send_signal(signal.SIGTERM)
        by_signal.communicate(timeout=20.0)
    assert (by_itself.returncode, by_signal.returncode) == (0, 0)


def test_what_cannot_be_is_told_and_ends_with_two(tmp_path: Path) -> None:
    faults = tmp_path / "faults.toml"
    faults.write_text('[[fault]]\nname = "gremlin"\ntarget = "n1"\n')
    for more, named in (
        (["nowhere.toml"], b"nowhere.toml"),
        ([str(TOP / "config/quillfen.toml"), "--speed", "0"], b"--speed"),
        ([str(TOP / "config/quillfen.toml"), "--faults", str(faults)], b"gremlin"),
        ([str(TOP / "config/quillfen.toml"), "--crew", "gone.toml"], b"gone.toml"),
    ):
        done = subprocess.run([sys.executable, "-m", "simulator", *more], cwd=TOP, capture_output=True, timeout=30)
        assert done.returncode == 2 and named in done.stderr
