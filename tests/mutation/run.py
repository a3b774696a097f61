"""Mutation run: are the tests of guard, watch and the rules about people able to notice a mistake?

`python tests/mutation/run.py [MODULE...]`, a module being `guard` or `core/entry`.

Each mutant is a fork of this process with the mistaken module in place of the right one, in which the tests run until the
first fails. Prints every survivor and the score; exits 1 when one survives that `equivalents.py` does not list with a
reason, or when a listed one is killed after all. Not part of the quick suite.
"""

import argparse
import contextlib
import importlib
import os
import shutil
import signal
import sys
import tempfile
import time
import types
from collections import Counter, defaultdict
from pathlib import Path

import pytest

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
sys.path[:0] = [str(HERE), str(ROOT)]

from equivalents import EQUIVALENT  # noqa: E402
from mutants import Mutant, mutants  # noqa: E402

GUARD_NAMES = ("latches", "identity", "start", "clock", "basis", "room", "source", "volume", "unasked", "sensors", "people")
GUARD = [f"tests/guard/test_guard_{name}.py" for name in GUARD_NAMES]
WATCH_NAMES = ("valves", "late_words", "answer", "gases", "samples", "rest", "deliveries")
WATCH = [f"tests/watch/test_watch_{name}.py" for name in WATCH_NAMES]


def core(*names: str) -> list[str]:
    return [f"tests/core/test_{name}.py" for name in names]


ALARMS = core("alarms", "alarm_away", "alarm_rate", "alarm_asked", "alarm_words")
TESTS = {
    "guard": GUARD,
    "guard_memory": GUARD,
    "watch": WATCH,
    "watch_deliveries": WATCH,
    "watch_moves": WATCH,
    "core/alarm_life": [*core("alarm_life"), *ALARMS],
    "core/alarms": ALARMS,
    "core/alarm_words": ALARMS,
    "core/alarm_rate": ALARMS,
    "core/alarm_causes": ALARMS,
    "core/room_balance": core("entry_balance"),
    "core/exposure": core("entry_exposure"),
    "core/room_load": core("entry_moving"),
    "core/room_air": core("entry", "entry_air", "people_permits"),
    "core/calibration_sums": core("calibration_sums"),
    "core/calibration_judge": core("calibration", "calibration_gas", "calibration_time"),
    "core/calibration_plan": core("calibration", "calibration_gas", "calibration_time"),
    "core/people": core("people_permits", "people", "people_gone", "people_door"),
    "core/entry": core("entry", "entry_back", "entry_words", "entry_air", "people_permits", "people", "people_gone",
                       "entry_exposure", "entry_moving"),
}
# No rewriting of asserts: it costs more than most tests, and nobody reads why a mutant's test failed.
BARE = ["-x", "-q", "--noconftest", "--no-header", "--tb=no", "--assert=plain", "-W", "ignore", "-o", "addopts=",
        "-p", "no:cacheprovider", "-p", "no:hypothesispytest", "-p", "no:timeout"]  # fmt: skip
ONE_FILE = ("guard", "guard_memory", "watch", "watch_deliveries", "watch_moves")
FIRST_ASKED = 6
SECONDS_MAX = 120
NOTES = Path(tempfile.mkdtemp(prefix="mutation-"))
KILLED, SURVIVED = 1, 0


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("modules", nargs="*", default=list(TESTS), help="modules of supervisor/ (default: all)")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    given = parser.parse_args()
    os.chdir(ROOT)
    _import_once()
    failed = 0
    for module in given.modules:
        failed += _run(module, given.jobs)
    shutil.rmtree(NOTES)
    return 1 if failed else 0


def _import_once() -> None:
    """So that no fork has to: what the tests import, and what pytest does."""
    import scipy.integrate  # noqa: F401

    import supervisor.core.site
    import supervisor.guard
    import supervisor.sitefile
    import supervisor.watch  # noqa: F401


def _run(module: str, jobs: int) -> int:
    source = (ROOT / "supervisor" / f"{module}.py").read_text(encoding="utf-8")
    if _try(module, source) != SURVIVED:
        print(f"{module}: its tests fail without any mistake in it")
        return 1
    begun, verdicts = time.monotonic(), {}
    noticed: dict[str, Counter] = defaultdict(Counter)  # by function: which test noticed, so that it is asked first
    running: dict[int, Mutant] = {}
    todo = list(mutants(source))
    queue = iter(todo)
    while len(verdicts) < len(todo):
        while len(running) < jobs and (mutant := next(queue, None)) is not None:
            running[_fork(module, mutant.source, _rounds(module, noticed[mutant.where]))] = mutant
        pid, status = os.wait()
        mutant = running.pop(pid)
        verdicts[mutant] = os.waitstatus_to_exitcode(status)
        if told := _told(pid):
            noticed[mutant.where][told] += 1
    return _tell(module, verdicts, time.monotonic() - begun)


def _rounds(module: str, noticed: Counter) -> list[list[str]]:
    """The tests that noticed the last mistakes in this function, then the files, those of these tests first."""
    first = [test for test, _ in noticed.most_common(FIRST_ASKED)]
    files = Counter(test.split("::")[0] for test in noticed.elements())
    return [first, *([one] for one in sorted(TESTS[module], key=files.__getitem__, reverse=True))]


def _tell(module: str, verdicts: dict[Mutant, int], seconds: float) -> int:
    survivors = sorted((one for one, code in verdicts.items() if code == SURVIVED), key=lambda one: one.line)
    listed = {key[1:]: reason for key, reason in EQUIVALENT.items() if key[0] == module}
    unlisted = [one for one in survivors if one.key not in listed]
    stale = set(listed) - {one.key for one in survivors}
    for one in unlisted:
        print(f"supervisor/{module}.py:{one.line}: survived: {one.what}: {one.text}")
    for text, what in sorted(stale):
        print(f"{module}: listed as equivalent but killed or gone: {what}: {text}")
    meaningful = len(verdicts) - (len(survivors) - len(unlisted))
    killed = len(verdicts) - len(survivors)
    timed_out = sum(code == -signal.SIGALRM for code in verdicts.values())
    print(f"{module}: {killed} of {meaningful} mutants killed ({100 * killed / meaningful:.1f} %), {timed_out} by running for "
          f"{SECONDS_MAX} s; {len(survivors) - len(unlisted)} equivalent, {len(unlisted)} survived; {seconds:.0f} s")
    return len(unlisted) + len(stale)


def _try(module: str, source: str) -> int:
    _, status = os.waitpid(_fork(module, source, [TESTS[module]]), 0)
    return os.waitstatus_to_exitcode(status)


def _told(pid: int) -> str:
    """The test that failed in this process, if it said so."""
    path = NOTES / str(pid)
    told = path.read_text() if path.exists() else ""
    path.unlink(missing_ok=True)
    return told


def _fork(module: str, source: str, rounds: list[list[str]]) -> int:
    """The process that runs these rounds of tests against this source; its exit code is 0 when none failed."""
    sys.stdout.flush()
    pid = os.fork()
    if pid:
        return pid
    try:
        signal.alarm(SECONDS_MAX)
        quiet = os.open(os.devnull, os.O_WRONLY)
        os.dup2(quiet, 1)
        os.dup2(quiet, 2)
        code = SURVIVED if _install(module, source) and all(_passes(one) for one in rounds) else KILLED
    except BaseException:  # noqa: BLE001 whatever it was, this mistake was noticed
        code = KILLED
    os._exit(code)


def _install(module: str, source: str) -> bool:
    """Puts the mistaken module in place of the right one. False when it cannot even be imported."""
    package, _, name = f"supervisor.{module.replace('/', '.')}".rpartition(".")
    # Whatever may hold on to the right one is imported anew.
    holders = ("supervisor.core",) if package == "supervisor.core" else tuple(f"supervisor.{one}" for one in ONE_FILE)
    for loaded in [one for one in sys.modules if one in holders or one.startswith(f"{holders[0]}.")]:
        del sys.modules[loaded]
    made = types.ModuleType(f"{package}.{name}")
    made.__file__ = str(ROOT / "supervisor" / f"{module}.py")
    sys.modules[made.__name__] = made
    setattr(importlib.import_module(package), name, made)
    try:
        exec(compile(source, made.__file__, "exec"), made.__dict__)
    except Exception:  # noqa: BLE001
        return False
    if module == "guard_memory":
        with contextlib.suppress(KeyError):
            delattr(sys.modules["supervisor"], "guard")
    return True


def _passes(tests: list[str]) -> bool:
    return not tests or pytest.main([*BARE, *tests], plugins=[Telling()]) == 0


class Telling:
    """Writes down the test that failed, so that it is asked first about the next mistake in the same function."""

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            (NOTES / str(os.getpid())).write_text(report.nodeid)


if __name__ == "__main__":
    sys.exit(main())
