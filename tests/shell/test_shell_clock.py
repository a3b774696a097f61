"""The clock resumes over restarts and reboots, never goes back, and runs at a pace that all processes share."""

import ast
import time

import pytest
from shellkit import TOP

from supervisor.shell import clock as clock_module
from supervisor.shell.clock import Mark, Pace, SystemClock


class Machine:
    """What the clock reads from the system."""

    CLOCK_BOOTTIME = time.CLOCK_BOOTTIME

    def __init__(self, boot_s: float, wall_s: float) -> None:
        self.boot_s = boot_s
        self.wall_s = wall_s

    def clock_gettime(self, which: int) -> float:
        assert which == time.CLOCK_BOOTTIME
        return self.boot_s

    def time(self) -> float:
        return self.wall_s

    def pass_s(self, seconds: float) -> None:
        self.boot_s += seconds
        self.wall_s += seconds


@pytest.fixture
def machine(monkeypatch: pytest.MonkeyPatch) -> Machine:
    made = Machine(5000.0, 1_788_000_000.0)
    monkeypatch.setattr(clock_module, "time", made)
    monkeypatch.setattr(clock_module, "boot_id", lambda: "this boot")
    return made


def test_a_first_start_begins_at_nought(machine: Machine) -> None:
    clock = SystemClock()
    machine.pass_s(12.5)
    assert clock.now() == (12.5, 1_788_000_012.5)


@pytest.mark.parametrize("step_s", [-86_400.0, 86_400.0 * 365])
def test_a_step_of_the_wall_clock_does_not_move_the_intervals(machine: Machine, step_s: float) -> None:
    clock = SystemClock()
    machine.pass_s(10.0)
    machine.wall_s += step_s
    machine.pass_s(1.0)
    assert clock.now() == (11.0, 1_788_000_011.0 + step_s)


def test_after_a_restart_it_goes_on_by_the_time_since_boot(machine: Machine) -> None:
    last = SystemClock().mark(SystemClock().now())
    machine.pass_s(300.0)
    machine.wall_s -= 5000.0  # the wall clock was set back meanwhile: no matter
    assert SystemClock(last).now().mono_s == 300.0


def test_after_a_reboot_it_goes_on_by_the_wall_clock(machine: Machine) -> None:
    assert SystemClock(Mark(777.0, machine.wall_s - 600.0, 9e6, "another boot")).now().mono_s == 777.0 + 600.0


def test_after_a_reboot_without_a_clock_it_stands_rather_than_going_back(machine: Machine) -> None:
    assert SystemClock(Mark(777.0, machine.wall_s + 1e8, 9e6, "another boot")).now().mono_s == 777.0


def test_a_pace_scales_both_times_and_all_processes_agree(machine: Machine) -> None:
    pace = Pace(1_788_000_000.0, 60.0)
    early = SystemClock(pace=pace)
    machine.pass_s(10.0)
    late = SystemClock(pace=pace)  # another process, started later
    machine.pass_s(2.0)
    assert early.now() == (720.0, 1_788_000_720.0)
    assert late.now() == (120.0, 1_788_000_720.0)


def test_at_a_pace_a_step_of_the_wall_clock_moves_nothing(machine: Machine) -> None:
    clock = SystemClock(pace=Pace(1_788_000_000.0, 60.0))
    machine.wall_s += 3600.0
    machine.pass_s(1.0)
    assert clock.now() == (60.0, 1_788_000_060.0)


def test_at_a_pace_a_restart_goes_on_in_scaled_time(machine: Machine) -> None:
    pace = Pace(1_788_000_000.0, 60.0)
    clock = SystemClock(pace=pace)
    last = clock.mark(clock.now())
    machine.pass_s(5.0)
    assert SystemClock(last, pace).now().mono_s == 300.0


@pytest.mark.parametrize("speed", [0.0, -1.0, float("nan"), float("inf"), 1e7])
def test_a_senseless_speed_is_refused(speed: float) -> None:
    with pytest.raises(ValueError, match="speed"):
        SystemClock(pace=Pace(0.0, speed))


def test_the_real_clock_moves() -> None:
    clock = SystemClock()
    one = clock.now()
    while clock.now() == one:
        pass
    assert clock.now().mono_s > one.mono_s and abs(clock.now().wall_s - time.time()) < 60
    assert clock.mark(one).boot_id


# ------------------------------------------------------------------------------------------------ nobody else asks

ASKS = {
    ("datetime", "now"), ("datetime", "utcnow"), ("datetime", "today"), ("date", "today"),
}  # fmt: skip


def asks_the_time(source: str) -> list[int]:
    """The lines of `source` that import `time` or ask `datetime` for now."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import) and any(one.name.split(".")[0] == "time" for one in node.names):
            found.append(node.lineno)
        if isinstance(node, ast.ImportFrom) and node.module == "time":
            found.append(node.lineno)
        if isinstance(node, ast.Attribute):
            owner = node.value.attr if isinstance(node.value, ast.Attribute) else getattr(node.value, "id", "")
            if (owner, node.attr) in ASKS:
                found.append(node.lineno)
    return found


@pytest.mark.parametrize(
    "source",
    ["import time", "import time as t", "from time import monotonic", "import os, time",
     "x = datetime.now()", "x = datetime.datetime.now(UTC)", "datetime.utcnow()", "date.today()", "datetime.today()"],
)  # fmt: skip
def test_the_ban_sees_what_it_bans(source: str) -> None:
    assert asks_the_time(source) == [1]


# What looks at the machine itself, and the date on a report: neither is part of what runs a site.
MAY_ASK = ("shell/clock.py", "shell/machine.py", "rehearsal/command.py")


def test_only_the_clock_asks_the_time() -> None:
    top = TOP / "supervisor"
    files = [one for one in top.rglob("*.py") if one.relative_to(top).as_posix() not in MAY_ASK]
    assert len(files) > 10
    guilty = {str(one.relative_to(TOP)): lines for one in files if (lines := asks_the_time(one.read_text("utf-8")))}
    assert guilty == {}
