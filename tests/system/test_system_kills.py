"""`kill -9` of the supervisor at any moment of a pull-down ends in the same held enclosures, no dose doubled, no alarm lost."""

import random
import time
from collections.abc import Callable

import pytest
from pytest import approx
from system_books import delivered_nl, doses, hold_no_dose_doubled, hold_nothing_is_asked_twice, requests
from system_drill import Drill
from system_killed import FAULTS, SILENT, SITE, SPEED, UNKNOWN, Killed, begin, finish, kill, sealing, start
from system_undisturbed import hold_gas, undisturbed_nl

pytestmark = pytest.mark.timeout(240)

NOISE_PCT = 0.1


@pytest.fixture(scope="session")
def undisturbed(killed: Killed) -> dict[tuple[str, str], float]:
    """Normal litres by enclosure and gas in the same scenario without kills."""
    return undisturbed_nl(killed.drill, "n1")


def test_the_kills_hit_what_they_were_meant_to(killed: Killed) -> None:
    """Otherwise the tests below would say nothing about these moments."""
    running = {one.moment: one.running for one in killed.kills}
    assert len(running) == 8
    for moment in ("a nitrogen lease is running", "a CO2 lease is running"):
        assert running[moment] != [], moment
    assert running["sealed, on its first sample"] == []
    # The next lease leaves as soon as the last is reported, so it may have begun by then; the last must have been whole.
    number = next(index for index, one in enumerate(killed.kills) if one.moment == "between two leases")
    since = killed.heard[killed.starts[number] : killed.kills[number].heard]
    assert "delivered" in [one.body["outcome"] for one in since if one.topic == "dosing/n1/nitrogen/report"]


def test_it_ends_in_holding_with_the_gas_within_its_band(killed: Killed) -> None:
    hold_in_band(killed)


def test_no_dose_is_doubled(killed: Killed, undisturbed: dict[tuple[str, str], float]) -> None:
    hold_no_dose_doubled(killed.heard)
    hold_nothing_is_asked_twice(killed.heard, killed.drill.folder / "state")
    ids = [body["request_id"] for _, body in requests(killed.heard)]
    assert len(ids) == len(set(ids))
    for gas in ("nitrogen", "co2"):
        hold_gas(delivered_nl(killed.heard, "n1", gas), undisturbed["n1", gas], gas, "n1")


def test_a_dose_that_a_kill_cut_was_ended_by_the_hardware_alone(killed: Killed) -> None:
    """The permits lapse while nobody renews them: a valve is open for no longer than a permit after its supervisor died. One
    that is back before that tells every valve to stop first."""
    told = doses(killed.heard)
    cut = [one for kill in killed.kills for one in kill.running]
    assert cut
    for request_id in cut:
        assert told[request_id].ended_s is not None
        ends = (("aborted", "no_permit"), ("aborted", "stopped"), ("delivered", None))
        assert (told[request_id].outcome, told[request_id].code) in ends
    assert [one for one in cut if told[one].code == "no_permit"], "some valve must have shut by itself"


def test_no_alarm_and_no_acknowledgement_is_lost(killed: Killed) -> None:
    """Through every kill: the same occurrence, raised at the same time, in the same state, by the same person."""
    for topic, state, by in ((SILENT, "acknowledged", "dana"), (UNKNOWN, "unacknowledged", None)):
        first = killed.kills[0].alarms[topic]
        assert (first["state"], first["acknowledged_by"]) == (state, by)
        told = [one.body for one in killed.heard[killed.kills[0].heard :] if one.topic == topic]
        assert len(told) >= len(killed.kills), f"{topic} is told again at each start"
        same = ("occurrence", "raised_at", "state", "condition", "acknowledged_at", "acknowledged_by")
        for body in told:
            assert {key: body[key] for key in same} == {key: first[key] for key in same}, topic
    for before in killed.kills:
        for topic, body in before.alarms.items():
            assert killed.drill.last(topic)["occurrence"] >= body["occurrence"], topic


def test_kills_at_random_moments_end_in_the_same_held_enclosures(make_drill: Callable[..., Drill]) -> None:
    """Anywhere in a run, its own start included; from a fixed seed, over the other broker."""
    chance = random.Random(1912)
    drill = make_drill(SITE, kind="mosquitto", speed=SPEED, crew=sealing("n1", "n2"), faults=FAULTS)
    run = Killed(drill, ("n1", "n2"))
    begin(run)
    for number in range(6):
        time.sleep(chance.uniform(0.2, 5.0))
        kill(run, f"random {number}")
        start(run)
    finish(run)
    hold_in_band(run)
    hold_no_dose_doubled(run.heard)
    hold_nothing_is_asked_twice(run.heard, run.drill.folder / "state")
    usual = undisturbed_nl(drill, "n1", "n2")
    for name in ("n1", "n2"):
        for gas in ("nitrogen", "co2"):
            hold_gas(delivered_nl(run.heard, name, gas), usual[name, gas], gas, name)
    for topic in (SILENT, UNKNOWN):
        first = run.kills[0].alarms[topic]
        last = drill.last(topic)
        assert (last["occurrence"], last["state"], last["raised_at"]) == (1, first["state"], first["raised_at"])


# ---------------------------------------------------------------------------------------------------- what must hold


def hold_in_band(run: Killed) -> None:
    assert run.exit_code == 0
    for name, (o2_pct, co2_pct) in run.gas_pct.items():
        recipe = run.drill.site.recipe_of(name)
        assert run.drill.state(name) == "holding"
        assert o2_pct == approx(recipe.o2_pct, abs=recipe.o2_band_pct + NOISE_PCT), f"oxygen in {name}"
        assert co2_pct == approx(recipe.co2_pct, abs=recipe.co2_band_pct + NOISE_PCT), f"CO2 in {name}"
