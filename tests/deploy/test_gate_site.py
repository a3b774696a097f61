"""A whole small site behind the gate, with real processes over TLS: supervisor, hardware, a person at a console."""

import datetime
import json
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from brokers import KINDS, Broker, poll
from inprocess import example

from deploy.child import Child
from deploy.gate import certificates
from deploy.gate.gated import gated
from deploy.gate.rules import rules
from supervisor.sitefile import load

TOP = Path(__file__).resolve().parents[2]
SPEED = 30.0
WITHIN_S = 60.0


class Site:
    def __init__(self, kind: str, home: Path) -> None:
        self.home, self.file = home, home / "site.toml"
        text = example("n1", "s1").replace('host = "127.0.0.1"', 'host = "127.0.0.1"\nidentities = "identities"')
        self.file.write_text(text.replace('[operators]\nfile = "quillfen.operators.json"', ""), encoding="utf-8")
        site = load(self.file)
        certificates.make(home / "identities", "quillfen", [], rules(site), datetime.datetime.now(datetime.UTC))
        self.broker = Broker(kind, home / "broker", gated=gated(site, home / "identities"))  # type: ignore[arg-type]
        self.broker.start()
        self.pace = ["--speed", str(SPEED), "--start", repr(time.time()), "--port", str(self.broker.port)]
        self.children = [
            self._child("simulator", [str(self.file), *self.pace]),
            self._child("supervisor", ["run", str(self.file), "--state", str(home / "state"), *self.pace]),
        ]

    def _child(self, name: str, arguments: list[str]) -> Child:
        child = Child(name, [sys.executable, "-m", name, *arguments], self.home / f"{name}.log", cwd=TOP)
        child.start()
        return child

    def console(self, *words: str) -> dict:
        command = [sys.executable, "-m", "supervisor", words[0], str(self.file), *words[1:], *self.pace, "--json"]
        done = subprocess.run(command, capture_output=True, text=True, timeout=60, cwd=TOP)
        return json.loads(done.stdout) if done.stdout else {"status": done.returncode, "said": done.stderr}

    def pulls_down(self) -> bool:
        shown = self.console("status")
        return any(one.get("state") == "pulling_down" for one in shown.get("enclosures", ()))

    def stop(self) -> None:
        for child in reversed(self.children):
            child.stop()
        self.broker.stop()


@pytest.fixture(params=KINDS)
def site(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Site]:
    made = Site(request.param, tmp_path)
    yield made
    made.stop()


@pytest.mark.timeout(240)
def test_a_site_works_behind_the_gate_and_a_person_commands_it(site: Site) -> None:
    assert poll(site.pulls_down, WITHIN_S, 0.5), (site.console("status"), site.children[1].last_lines(5))
    answer = site.console("stop", "n1")
    assert answer["accepted"] is True, answer
    log = (site.home / "supervisor.log").read_text() + (site.home / "simulator.log").read_text()
    assert "refuse" not in log.replace("commands_refused", ""), log[-2000:]
    assert site.children[1].running
