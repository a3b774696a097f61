"""Memory: the supervisor process after hours of the example site, and the engine of a site a hundred times as large.

Resident set (VmRSS) as Linux tells it. The process runs as it does in life, over a broker beside the simulator, only
`SPEED` times as fast; it is looked at several times, so that growth shows. The engine of 1,200 enclosures is measured in a
process of its own: all held after doses, what the imports and the site file take is told apart.
"""

import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from deploy.brokers import Broker
from deploy.child import Child
from tests.benchmarks import sites
from tests.benchmarks.figures import TOP, Figure

SPEED = 120.0
REAL_S, REAL_S_QUICK = 180, 30
LOOKS = 6
COPIES = 100
BUILD_S_MAX = 300.0


def run(quick: bool) -> list[Figure]:
    return [*_process(REAL_S_QUICK if quick else REAL_S), *_engine()]


def _process(real_s: int) -> list[Figure]:
    seen: list[tuple[float, float]] = []
    with tempfile.TemporaryDirectory(prefix="stillhold-bench-") as text, Broker("nats", Path(text) / "broker") as broker:
        folder = Path(text)
        path = folder / "site.toml"
        path.write_text(sites.as_toml(sites.example()), encoding="utf-8")
        common = [str(path), "--speed", repr(SPEED), "--start", repr(time.time()), "--host", broker.host,
                  "--port", str(broker.port)]  # fmt: skip
        state = ["--state", str(folder / "state")]
        simulator = Child("simulator", [sys.executable, "-m", "simulator", *common], folder / "sim.log", cwd=TOP)
        run = [sys.executable, "-m", "supervisor", "run", *common, *state]
        supervisor = Child("supervisor", run, folder / "sup.log", cwd=TOP)
        simulator.start()
        supervisor.start()
        began_s = time.monotonic()
        try:
            for look in range(1, LOOKS + 1):
                time.sleep(max(0.0, began_s + real_s * look / LOOKS - time.monotonic()))
                if not supervisor.running:
                    raise RuntimeError(f"the supervisor ended: {supervisor.last_lines(3)}")
                seen.append(((time.monotonic() - began_s) * SPEED / 3600.0, _rss_mb(supervisor.pid)))
        finally:
            supervisor.stop()
            simulator.stop()
    hours, last_mb = seen[-1]
    each = ", ".join(f"{mb:.1f} after {h:.1f} h" for h, mb in seen)
    first_hours, first_mb = seen[len(seen) // 2 - 1]
    growth = (last_mb - first_mb) / (hours - first_hours)
    return [
        Figure("memory", f"supervisor process, 12 enclosures, after {hours:.1f} simulated hours", last_mb, "MB", note=each),
        Figure("memory", "its growth over the second half", growth, "MB/h", note="a snapshot being made counts while it lasts"),
    ]


def _engine() -> list[Figure]:
    done = subprocess.run([sys.executable, "-m", "tests.benchmarks.memory"], cwd=TOP, text=True, capture_output=True,
                          timeout=BUILD_S_MAX)  # fmt: skip
    if done.returncode != 0:
        raise RuntimeError(done.stderr[-800:])
    imports, site, held, dump = json.loads(done.stdout)
    count = 12 * COPIES
    return [
        Figure("memory", f"engine process, {count} enclosures, all held", held, "MB",
               note=f"imports {imports:.1f} MB, with the site file {site:.1f} MB"),
        Figure("memory", f"engine, {count} enclosures: per enclosure", (held - site) * 1024.0 / count, "kB",
               note=f"its state as a snapshot: {dump / 1024.0:.0f} kB in all"),
    ]  # fmt: skip


def _rss_mb(pid: int | None = None) -> float:
    for line in Path(f"/proc/{pid or 'self'}/status").read_text(encoding="ascii").splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) / 1024.0
    raise RuntimeError(f"the system does not tell the memory of process {pid}")


def _build() -> None:
    """In the child: megabytes after the imports, with the site, with everything held; bytes of a snapshot."""
    import gc

    from supervisor.settings import SiteFile
    from supervisor.shell.engine import Engine
    from tests.benchmarks.feed import Feed

    imports = _rss_mb()
    site = SiteFile.model_validate(sites.without_delay(sites.times(COPIES)))
    gc.collect()
    with_site = _rss_mb()
    engine = Engine(site)
    feed = Feed(site, engine.step)
    feed.begin()
    gc.collect()
    held = _rss_mb()
    print(json.dumps([imports, with_site, held, len(engine.dump())]))


if __name__ == "__main__":
    _build()
