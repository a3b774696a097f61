"""A pull-down whose supervisor is killed again and again (SIGKILL: what a power cut looks like to a process)."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from system_books import running
from system_drill import Drill
from system_recorder import Heard
from system_site import crew, fault, small_site

# At this speed a real delay of 0.25 s looks like a unit's clock that is 15 s off, and like air that is 15 s old. The ceilings
# of what a site may allow leave room for two loaded cores; what they are does not matter to what is tested here.
# Shorter waits after a start save real time.
PATIENT = {
    "clock_offset_s_max": 15, "unit_silence_s_max": 120, "air_age_s_max": 60, "permit_valid_s": 60, "clear_after_s": 20,
    "start_grace_s": 60,
}  # fmt: skip
SPEED = 75.0
SITE = small_site("n1", "n2", "s1", **PATIENT)
SEAL_S = 330  # after the alarms that stand, their acknowledgement, and a clear room
FAULTS = fault("unit_off", "gateway-south", 0)  # two alarms that stand for the whole time
SILENT, UNKNOWN = "alarm/unit_silent-gateway-south", "alarm/room_air_unknown-south"


@dataclass
class Kill:
    """One kill: when, what stood on the broker then, what ran in n1, and how many messages had been recorded."""

    moment: str
    heard: int
    alarms: dict[str, dict[str, Any]]
    running: list[str]


@dataclass
class Killed:
    """What a run left behind."""

    drill: Drill
    names: tuple[str, ...]  # of the enclosures that are sealed
    kills: list[Kill] = field(default_factory=list)
    starts: list[int] = field(default_factory=list)  # how many messages had been recorded at each start
    exit_code: int | None = None
    gas_pct: dict[str, tuple[float, float]] = field(default_factory=dict)  # at the end, oxygen and CO2

    @property
    def heard(self) -> list[Heard]:
        return self.drill.recorder.heard


def sealing(*names: str) -> str:
    """The crew's schedule: these are sealed, one after another."""
    return crew(*((SEAL_S + 30 * number, "seal", name) for number, name in enumerate(names)))


def begin(run: Killed) -> None:
    """Start everything; the two alarms are raised, one is acknowledged, the other is not."""
    drill = run.drill
    drill.start()
    start(run)
    drill.await_("the two alarms", lambda: bool(drill.last(SILENT)) and bool(drill.last(UNKNOWN)))
    occurrence = drill.last(SILENT)["occurrence"]
    answer = drill.command("acknowledge", "unit_silent-gateway-south", occurrence=occurrence, note="the south is off today")
    assert answer["accepted"], answer
    drill.await_("the acknowledgement", lambda: drill.last(SILENT)["state"] == "acknowledged")


def start(run: Killed) -> None:
    run.starts.append(len(run.heard))
    run.drill.supervisor = run.drill.start_supervisor()


def kill(run: Killed, moment: str) -> None:
    """SIGKILL, and remember what was so at that moment."""
    run.drill.supervisor.kill()
    heard = list(run.heard)
    alarms = {one.topic: one.body for one in heard if one.topic.startswith("alarm/")}
    run.kills.append(Kill(moment, len(heard), alarms, [one.request_id for one in running(heard, "n1")]))


def finish(run: Killed) -> None:
    """Let it come to its end: all are held. The supervisor ends, and the gas is measured once more."""
    drill = run.drill
    drill.await_("the last start", lambda: any(one.topic == "supervisor/status" for one in run.heard[run.starts[-1] :]))
    drill.await_("its alarms", lambda: any(one.topic == UNKNOWN for one in run.heard[run.starts[-1] :]))
    drill.await_("holding", lambda: all(drill.state(name) == "holding" for name in run.names))
    drill.supervisor.stop()
    run.exit_code = drill.supervisor.exit_code
    run.gas_pct = {name: drill.measure(name) for name in run.names}


def moments(run: Killed) -> list[tuple[str, Callable[[], bool]]]:
    """The moments of a pull-down that might matter, in its order. Each looks only at what came since the last start."""
    drill = run.drill

    def new(topic: str) -> list[Heard]:
        return [one for one in run.heard[run.starts[-1] :] if one.topic == topic and not one.retained]

    def visiting() -> bool:
        selects = new("sampling/analyser-1/select")
        if not selects or selects[-1].body["line"] != "line-01":
            return False
        readings = [one for one in new("analyser/analyser-1/reading") if one.real_s > selects[-1].real_s]
        return not any(one.body["settled"] and one.body["line"] == "line-01" for one in readings)

    def part_given(gas: str) -> bool:
        return any(0.0 < one.delivered_nl for one in running(run.heard, "n1", gas)) and bool(new(f"dosing/n1/{gas}/request"))

    def between() -> bool:
        ended = [one for one in new("dosing/n1/nitrogen/report") if one.body["outcome"] == "delivered"]
        return bool(ended) and not running(run.heard, "n1") and drill.state("n1") == "pulling_down"

    def online() -> bool:
        return any(one.body["online"] for one in new("supervisor/status"))

    return [
        ("sealed, on its first sample", lambda: drill.state("n1") == "pulling_down" and visiting()),
        ("a nitrogen request has just left", lambda: bool(new("dosing/n1/nitrogen/request"))),
        ("a nitrogen lease is running", lambda: part_given("nitrogen")),
        ("just started again", online),
        ("between two leases", between),
        ("during a sample visit", visiting),
        ("a CO2 lease is running", lambda: part_given("co2")),
        ("held this instant", lambda: bool(new("enclosure/n1/state")) and drill.state("n1") == "holding"),
    ]
