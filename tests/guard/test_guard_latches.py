"""Rule 1: what people command and what the core announces must both allow the gas. Written out as a full matrix."""

import itertools

import pytest
from guard_world import ready, verdict

from supervisor.guard import Cleared
from supervisor.values import PermitRoom, StopDose

STATES = ("filling", "pulling_down", "holding", "venting", "faulted")
READY = ready()

# announced state -> gases that a sealed, not stopped enclosure may get
SEALED = {
    None: (), "filling": (), "pulling_down": ("nitrogen", "co2", "air"), "holding": ("nitrogen", "co2", "air"),
    "venting": ("air",), "faulted": (),
}  # fmt: skip
UNSEALED = {None: (), "filling": (), "pulling_down": (), "holding": (), "venting": ("air",), "faulted": ()}


@pytest.mark.parametrize("gas", ["nitrogen", "co2", "air"])
@pytest.mark.parametrize("stopped", [False, True])
@pytest.mark.parametrize("sealed", [False, True])
@pytest.mark.parametrize("state", STATES)
def test_every_state_with_every_latch_and_gas(state, sealed, stopped, gas):
    world = READY.fork()
    world.announce(state)
    if not sealed:
        world.command("open")
    if stopped:
        world.command("stop")
    allowed = not stopped and gas in (SEALED if sealed else UNSEALED)[state]
    assert isinstance(world.ask(gas=gas), Cleared) is allowed


@pytest.mark.parametrize("gas", ["nitrogen", "co2", "air"])
def test_nothing_before_a_state_was_announced(gas):
    world = READY.fork()
    world.start()
    world.link()
    world.live(120)
    assert verdict(world.ask(gas=gas)) == "state"
    world.announce("holding")
    assert verdict(world.ask(gas=gas)) == "cleared"


def test_a_seal_that_the_core_did_not_take_opens_nothing():
    world = READY.fork()
    world.announce("filling")
    world.command("seal")
    assert verdict(world.ask()) == "state"


def test_an_announcement_without_a_seal_command_opens_nothing():
    world = READY.fork()
    world.command("vent")
    world.announce("pulling_down")
    assert verdict(world.ask()) == "sealed"
    world.announce("holding")
    assert verdict(world.ask(gas="co2")) == "sealed"


@pytest.mark.parametrize("closing, rule", [("vent", "sealed"), ("open", "sealed"), ("stop", "stopped")])
def test_each_closing_command_closes_by_itself(closing, rule):
    world = READY.fork()
    assert verdict(world.fork().ask()) == "cleared"
    world.command(closing)
    assert verdict(world.ask()) == rule


@pytest.mark.parametrize("command", ["acknowledge", "shelve", "unshelve", "calibrate", "test", "resume", "seal"])
def test_other_commands_neither_open_nor_close(command):
    world = READY.fork()
    world.command(command)
    assert verdict(world.ask()) == "cleared"
    world = READY.fork()
    world.command("open")
    if command != "seal":
        world.command(command)
        assert verdict(world.ask()) == "sealed"


def test_commands_to_another_enclosure_change_nothing_here():
    for action in ("vent", "open", "stop"):
        world = READY.fork()
        world.command(action, "n2")
        assert verdict(world.ask()) == "cleared"
    for action in ("seal", "resume"):
        world = READY.fork()
        world.command("vent")
        world.command("stop")
        world.command(action, "n2")
        assert verdict(world.ask()) == "stopped"


@pytest.mark.parametrize("opening", ["resume", "vent"])
def test_stopped_ends_by_resume_and_by_vent_only(opening):
    for other in ("seal", "open", "acknowledge"):
        world = READY.fork()
        world.command("stop")
        world.command(other)
        world.command("seal")
        assert verdict(world.ask()) == "stopped"
    world = READY.fork()
    world.command("stop")
    world.command(opening)
    world.announce("venting")
    assert verdict(world.ask(gas="air")) == "cleared"
    assert verdict(world.ask()) == "state"


def test_resume_does_not_seal_and_seal_does_not_resume():
    world = READY.fork()
    world.command("stop")
    world.command("vent")
    world.command("resume")
    assert verdict(world.ask()) == "sealed"
    world.command("stop")
    world.command("seal")
    assert verdict(world.ask()) == "stopped"
    world.command("resume")
    assert verdict(world.ask()) == "cleared"


@pytest.mark.parametrize("first, second, rule", [
    ("seal", "vent", "sealed"), ("seal", "open", "sealed"), ("resume", "stop", "stopped"), ("vent", "stop", "stopped"),
])  # fmt: skip
def test_a_command_that_comes_twice_counts_once(first, second, rule):
    """QoS 1 may bring the first again after the second."""
    world = READY.fork()
    name = world.command(first)
    world.command(second)
    world.command(first, command_id=name)
    if first == "vent":
        world.announce("venting")
    assert verdict(world.ask(gas="air" if first == "vent" else "nitrogen")) == rule


@pytest.mark.parametrize("late_s", [0, 1800, 3599, 3600, 3601, 7199, 7200])
def test_a_command_is_known_again_for_as_long_as_it_could_count(late_s):
    """An hour ahead of our clock at first, so that it is young for two hours; it must be known for as long."""
    world = READY.fork()
    world.command("vent")
    name = world.command("seal", age_s=-3600)
    world.command("vent")
    world.live(late_s, without=("readings",), step_s=600)
    world.live(120)
    world.command("seal", command_id=name, age_s=late_s + 120 - 3600)
    assert verdict(world.ask()) == "sealed"


def test_commands_are_forgotten_once_they_could_not_count_any_more():
    world = READY.fork()
    before = len(world.guard.dump())
    for number in range(50):
        world.command("test", command_id=f"a-rather-long-name-of-a-command-{number}")
    world.live(7200, step_s=600)
    world.command("test", command_id="x")
    assert len(world.guard.dump()) > before + 1000
    world.t += 0.25
    world.command("test", command_id="y")
    assert len(world.guard.dump()) < before + 300


@pytest.mark.parametrize("age_s, taken", [
    (-3600.25, False), (-3600, True), (-1, True), (0, True), (3599.75, True), (3600, True), (3600.25, False), (1e6, False),
])  # fmt: skip
def test_only_a_command_of_the_last_hour_opens(age_s, taken):
    world = READY.fork()
    world.command("vent")
    world.command("seal", age_s=age_s)
    assert verdict(world.ask()) == ("cleared" if taken else "sealed")
    world = READY.fork()
    world.command("stop")
    world.command("resume", age_s=age_s)
    assert verdict(world.ask()) == ("cleared" if taken else "stopped")


@pytest.mark.parametrize("closing, rule", [("vent", "sealed"), ("open", "sealed"), ("stop", "stopped")])
def test_a_closing_command_counts_however_old(closing, rule):
    world = READY.fork()
    world.command(closing, age_s=1e6)
    assert verdict(world.ask()) == rule


def test_an_old_vent_unseals_but_does_not_end_a_stop():
    world = READY.fork()
    world.command("stop")
    world.command("vent", age_s=4000)
    world.announce("venting")
    assert verdict(world.ask(gas="air")) == "stopped"


def test_latches_outlive_a_crash():
    for commands, rule in (((), "cleared"), (("vent",), "sealed"), (("stop",), "stopped")):
        world = READY.fork()
        for command in commands:
            world.command(command)
        world = world.fork()
        world.start(8)
        world.link()
        world.live(120)
        world.announce("holding")
        assert verdict(world.ask(epoch=8)) == rule


def test_a_stop_passes_whatever_else_is_wrong():
    for enclosure, gas, epoch in itertools.product(("n1", "nowhere"), ("nitrogen", "helium"), (-1, 0, 7, 10**9)):
        world = READY.fork()
        world.link(False)
        world.command("stop")
        assert isinstance(world.guard.judge(StopDose(enclosure, gas, None, epoch, "x"), world.now), Cleared)


def test_a_withdrawal_passes_whatever_else_is_wrong():
    for room, epoch, until_s in itertools.product(("north", "nowhere"), (-1, 0, 7), (0.0, float("nan"), float("inf"))):
        world = READY.fork()
        world.link(False)
        world.command("enter", "north", people=["bo"])
        assert isinstance(world.guard.judge(PermitRoom(room, False, False, epoch, until_s), world.now), Cleared)
