"""The audit of a whole process over a real broker: proved while it is written, after a kill, and after a start that replays."""

import json
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

from brokers import Broker, Peer, poll
from shellkit import TOP
from test_run import ROOT, Process, command, last, online, start

__all__ = ["start"]  # a fixture


def stillhold(*words: object) -> subprocess.CompletedProcess[str]:
    argv = [sys.executable, "-m", "supervisor", *map(str, words)]
    return subprocess.run(argv, cwd=TOP, capture_output=True, text=True, timeout=60)


def verified(state: Path, head: str) -> dict:
    said = stillhold("audit", "verify", state, "--head", head, "--json")
    assert said.returncode == 0, said.stdout + said.stderr
    return json.loads(said.stdout)


def shown(state: Path) -> list[dict]:
    return [json.loads(line) for line in stillhold("audit", "show", state, "--json").stdout.splitlines()]


def test_it_is_whole_while_it_grows_after_a_kill_and_after_a_replay(
    make_broker: Callable[..., Broker], start: Callable[..., Process], tmp_path: Path  # noqa: F811
) -> None:
    broker, state = make_broker("mosquitto"), tmp_path / "state"
    with Peer(broker) as peer:
        peer.subscribe(f"{ROOT}/#")
        first = start(broker.port)
        assert poll(lambda: online(peer, epoch=1), 30), first.text()
        heads = [f"{one['number']}:{one['hash']}" for one in first.events("audit_head")]
        peer.publish(f"{ROOT}/operator/command", command(1))
        assert poll(lambda: last(peer, f"{ROOT}/operator/outcome") is not None), first.text()
        live = verified(state, heads[0])
        assert first.end(signal.SIGKILL) == -signal.SIGKILL
        killed = verified(state, live["head"])  # with its log beside it, as the kill left it
        entries = shown(state)
        second = start(broker.port)
        assert poll(lambda: online(peer, epoch=2), 30), second.text()
        assert second.end() == 0, second.text()
    told = [f"{one['number']}:{one['hash']}" for one in second.events("audit_head")]
    ended = verified(state, killed["head"])
    assert told[-1] == ended["head"] and len(told) == 3  # on both starts, and on the one end
    assert shown(state)[: len(entries)] == entries
    names = [one["event"] for one in shown(state)]
    assert names.count("operator_command") == names.count("command_outcome") == 1
    assert names.count("started") == 2 and "stopping" in names and "transition" in names
    report = stillhold("alarms", "report", state)
    assert report.returncode == 0 and "Starts of the supervisor: 2" in report.stdout, report.stderr
