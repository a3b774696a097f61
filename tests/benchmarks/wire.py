"""The supervisor over a real broker beside a bare paho echo on the same broker, in the same run.

Readings per second: analyser readings of held enclosures at QoS 1, each of which becomes a sample; a reading is done when
the supervisor's `enclosure/<enclosure>/state` that shows it, or a later one of the same enclosure, is back at the load
generator. By then it has been decided on and is in the journal (SQLite, WAL, FULL sync). The echo answers each reading with
itself. Latency at 500 readings a second: from handing the reading to the socket to the arrival of (a) that state,
(b) the dosing request, for the readings that lead to one: first samples of enclosures just sealed.

A reading leads to at most one request per enclosure and half a minute, so (b) is measured on some of the readings, (a) on
all the others. Broker, load generator and the one measured are three processes; TCP_NODELAY is set everywhere.

nats-server with `sync_interval: always` puts every message on disk, so the disk decides what it carries. Where the bare echo
does not carry twice 500 readings a second, latency is measured at half of what it carries, and the figure says so: a
saturated queue has no latency but its length.
"""

import json
import os
import sqlite3
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import quantiles
from typing import Any

from deploy.brokers import KINDS, Broker, BrokerError, Kind, program
from deploy.child import Child
from tests.benchmarks import sites
from tests.benchmarks.figures import TOP, Aim, Figure

FLOOD, FLOOD_QUICK = 20_000, 4_000
PACED_S, PACED_S_QUICK = 10, 5  # each round
PER_S = 500
LOAD_S_MAX = 180.0
TARGETS = ("echo", "supervisor")
ROUNDS = 3
COMMITS = 500


def run(quick: bool) -> list[Figure]:
    figures: list[Figure] = []
    for kind in KINDS:
        try:
            program(kind)
        except BrokerError as why:
            figures.append(Figure("wire", f"{kind}: not measured", None, "", note=str(why)))
            continue
        with tempfile.TemporaryDirectory(prefix="stillhold-bench-") as folder:
            figures += [*_measure(kind, Path(folder), quick), _commit(kind, Path(folder))]
    return figures


def _commit(kind: Kind, folder: Path) -> Figure:
    """What "journal, then act" costs on this disk at the least, measured right after: one row, WAL, FULL sync."""
    db = sqlite3.connect(folder / "commit.sqlite", isolation_level=None)
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("PRAGMA synchronous = FULL")
    db.execute("CREATE TABLE inputs (seq INTEGER PRIMARY KEY, payload BLOB)")
    took_ms = []
    for _ in range(COMMITS):
        began_s = time.perf_counter()
        db.execute("INSERT INTO inputs (payload) VALUES (?)", (b"x" * 200,))
        took_ms.append((time.perf_counter() - began_s) * 1000.0)
    db.close()
    p50, p99 = _p50_p99(took_ms)
    return Figure("wire", f"{kind}: one commit to this disk, p50", p50, "ms", note=f"p99 {p99:.2f} ms; not in the bare echo")


def _measure(kind: Kind, folder: Path, quick: bool) -> list[Figure]:
    rounds, seconds = (1, PACED_S_QUICK) if quick else (ROUNDS, PACED_S)
    flood = {"mode": "flood", "count": FLOOD_QUICK if quick else FLOOD, "seconds": seconds, "held": 12, "fresh": 0}
    small, large = sites.without_delay(sites.example()), sites.without_delay(sites.times(10))
    results: dict[str, list[dict[str, Any]]] = {"echo": [], "supervisor": [], "echo paced": [], "supervisor paced": []}
    per_s = 0
    with Broker(kind, folder / "broker") as broker:
        for turn in range(rounds):  # in turns, so that a slow minute of the machine meets both
            for target in TARGETS:
                results[target].append(_load(broker, folder / f"{target}-{turn}", small, target, flood))
            per_s = per_s or min(PER_S, int(results["echo"][0]["per_s"] / 2))
            paced = {"mode": "paced", "count": per_s * seconds, "per_s": per_s, "held": 20, "fresh": 25 if quick else 100}
            for target in TARGETS:
                results[f"{target} paced"].append(_load(broker, folder / f"{target}-paced-{turn}", large, target, paced))
    return [*_floods(kind, results), *_latencies(kind, results, per_s)]


def _load(broker: Broker, folder: Path, site: sites.Site, target: str, asked: dict[str, Any]) -> dict[str, Any]:
    """Starts what is measured, loads it, ends it. Raises RuntimeError when the load generator fails."""
    folder.mkdir()
    site = {**site, "site": {**site["site"], "id": folder.name}}  # a site of its own: nothing of the last run is retained
    path = folder / "site.toml"
    path.write_text(sites.as_toml(site), encoding="utf-8")
    measured = Child(target, _argv(broker, path, folder, target, site), folder / "log", cwd=TOP)
    measured.start()
    try:
        words = {**asked, "host": broker.host, "port": broker.port, "site": str(path), "target": target}
        done = subprocess.run([sys.executable, "-m", "tests.benchmarks.load", json.dumps(words)], cwd=TOP, text=True,
                              capture_output=True, timeout=LOAD_S_MAX)  # fmt: skip
        if done.returncode != 0:
            raise RuntimeError(f"{target} on {broker.kind}: {done.stderr[-800:]} {measured.last_lines(3)}")
        return {**json.loads(done.stdout), "cpu_s": _cpu_s(measured.pid)}
    finally:
        measured.stop()


def _argv(broker: Broker, path: Path, folder: Path, target: str, site: sites.Site) -> list[str]:
    if target == "echo":
        root = f"stillhold/{site['site']['id']}"
        return [sys.executable, "-m", "tests.benchmarks.echo", broker.host, str(broker.port),
                f"{root}/analyser/+/reading", f"{root}/echo"]  # fmt: skip
    return [sys.executable, "-m", "supervisor", "run", str(path), "--state", str(folder / "state"), "--host", broker.host,
            "--port", str(broker.port)]  # fmt: skip


def _cpu_s(pid: int | None) -> float:
    """What a process has had of the processors, seconds (Linux)."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _floods(kind: Kind, results: dict[str, list[dict[str, Any]]]) -> list[Figure]:
    best = {target: max(one["per_s"] for one in results[target]) for target in TARGETS}
    each = {target: ", ".join(f"{one['per_s']:.0f}" for one in results[target]) for target in best}
    cpu_ms = {target: min(1000.0 * one["cpu_s"] / len(one["state_ms"]) for one in results[target]) for target in best}
    notes = {target: f"best of {each[target]}; processor {cpu_ms[target]:.2f} ms each, start included" for target in best}
    return [
        Figure("wire", f"{kind}: supervisor, readings per second", best["supervisor"], "/s",
               note=f"12 held enclosures; {notes['supervisor']}"),
        Figure("wire", f"{kind}: bare echo, readings per second", best["echo"], "/s", note=notes["echo"]),
        Figure("wire", f"{kind}: throughput, supervisor over bare echo", best["supervisor"] / best["echo"], "",
               Aim(">=", 0.75)),
    ]  # fmt: skip


def _latencies(kind: Kind, results: dict[str, list[dict[str, Any]]], per_s: int) -> list[Figure]:
    echo, ours = (results[f"{target} paced"] for target in TARGETS)
    unanswered = sum(one["unanswered"] for one in ours)
    figures = []
    base = _p50_p99(_pooled(echo, "state_ms"))
    for what, ms in (("bare echo", _pooled(echo, "state_ms")), ("reading to state", _pooled(ours, "state_ms")),
                     ("reading to dosing request", _pooled(ours, "request_ms"))):  # fmt: skip
        p50, p99 = _p50_p99(ms)
        aimed = what != "bare echo"
        figures += [
            Figure("wire", f"{kind}: {what} at {per_s}/s, p50", p50, "ms", note=f"{len(ms)} readings"),
            Figure("wire", f"{kind}: {what} at {per_s}/s, p99", p99, "ms", note=f"max {max(ms):.1f} ms"),
        ]
        if aimed:
            figures.append(Figure("wire", f"{kind}: {what} at {per_s}/s, p99 over bare echo", p99 / base[1], "", Aim("<=", 2.0),
                                  f"p50 over bare echo {p50 / base[0]:.2f}; 120 enclosures; unanswered {unanswered}"
                                  + ("" if per_s == PER_S else f"; {PER_S}/s is more than the echo carries")))  # fmt: skip
    return figures


def _pooled(runs: list[dict[str, Any]], what: str) -> list[float]:
    return [ms for one in runs for ms in one[what]]


def _p50_p99(ms: list[float]) -> tuple[float, float]:
    cuts = quantiles(ms, n=100, method="inclusive")
    return cuts[49], cuts[98]
