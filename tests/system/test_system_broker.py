"""`kill -9` of the broker in the middle of a pull-down, its data kept or gone: the hardware shuts its valves by itself,
everything finds together again, and the pull-down ends in the same held enclosure."""

import shutil
from collections.abc import Callable

import pytest
from pytest import approx
from system_books import ask, delivered_nl, doses, hold_no_dose_doubled, hold_nothing_is_asked_twice, running, seconds
from system_drill import Drill
from system_killed import PATIENT, SPEED
from system_recorder import Recorder
from system_site import ROOT, crew, small_site
from system_undisturbed import CO2_SHARE, NITROGEN_SHARE, undisturbed_nl

pytestmark = pytest.mark.timeout(240)

# The room has to be clear for longer than a valve takes to say how it stands (each minute), so that the first word after a
# crash comes before the next dose.
SITE = small_site("n1", "s1", **{**PATIENT, "clear_after_s": 90})


def crash(drill: Drill, wiped: bool) -> tuple[float, int]:
    """Kill the broker while nitrogen flows, leave it dead until the permits have lapsed, bring it back on its port.

    When it died, simulated UTC seconds, and how many messages had been recorded."""

    def flowing() -> bool:
        return any(one.delivered_nl > 0.0 for one in running(drill.recorder.heard, "n1", "nitrogen"))

    drill.await_("nitrogen to flow", flowing)
    drill.broker.kill()
    died_s, heard = drill.sim_s(), len(drill.recorder.heard)
    lapsed_s = died_s + drill.site.timing.permit_valid_s
    drill.await_("the permits to lapse", lambda: drill.sim_s() > lapsed_s + 10.0)
    if wiped:
        shutil.rmtree(drill.broker_data)
    drill.broker.start()
    return died_s, heard


def hold_shut_by_itself(drill: Drill, died_s: float, heard: int) -> None:
    """The first word on the valve since the permits lapsed: it is shut, before anybody could have told it to."""
    lapsed_s = died_s + drill.site.timing.permit_valid_s + 1.0  # in the simulator's own time: no message delays it

    def flows() -> list[dict]:
        words = [one.body for one in drill.recorder.of("dosing/n1/nitrogen/flow", heard)]
        return [one for one in words if seconds(one["observed_at"]) > lapsed_s]  # an older word may have waited in the broker

    drill.await_("a word on the valve", lambda: bool(flows()))
    assert (flows()[0]["valve_open"], flows()[0]["flow_nl_min"]) == (False, 0.0)
    told = doses(drill.recorder.heard).values()
    cut = [one for one in told if one.ended_s and one.ended_s >= died_s and (one.accepted_s or 0.0) <= died_s]
    if cut:  # a broker that lost its data may have lost this report too: then the ledger counts the dose as given
        assert (cut[0].outcome, cut[0].code) in (("aborted", "no_permit"), ("delivered", None))
        assert cut[0].ended_s <= lapsed_s


def hold_link_lost(drill: Drill, occurrence: int, heard: int) -> None:
    """The loss is an alarm that waits for a person, also now that the link is back."""

    def told() -> bool:
        alarms = [one.body for one in drill.recorder.of("alarm/link_lost-site", heard)]
        return bool(alarms) and (alarms[-1]["occurrence"], alarms[-1]["condition"]) == (occurrence, False)

    drill.await_("the alarm of the lost link", told)
    assert drill.last("alarm/link_lost-site")["state"] == "returned_unacknowledged"


@pytest.mark.parametrize("kind", ["nats", "mosquitto"])
def test_the_broker_dies_twice_and_the_second_time_forgets_everything(make_drill: Callable[..., Drill], kind: str) -> None:
    drill = make_drill(SITE, kind=kind, speed=SPEED, crew=crew((60, "seal", "n1")))
    drill.start()
    supervisor = drill.start_supervisor()
    deaths_s = []
    for occurrence, wiped in ((1, False), (2, True)):
        died_s, heard = crash(drill, wiped)
        deaths_s.append(died_s)
        hold_shut_by_itself(drill, died_s, heard)
        hold_link_lost(drill, occurrence, heard)
    hold_retained_again(drill)
    drill.await_("holding", lambda: drill.state("n1") == "holding")
    supervisor.stop()
    assert supervisor.exit_code == 0
    o2_pct, co2_pct = drill.measure("n1")
    recipe = drill.site.recipe_of("n1")
    assert o2_pct == approx(recipe.o2_pct, abs=recipe.o2_band_pct + 0.1)
    assert co2_pct == approx(recipe.co2_pct, abs=recipe.co2_band_pct + 0.1)
    hold_no_dose_doubled(drill.recorder.heard, deaths_s)
    hold_nothing_is_asked_twice(drill.recorder.heard, drill.folder / "state")
    usual = undisturbed_nl(drill, "n1")
    for gas, share in (("nitrogen", NITROGEN_SHARE), ("co2", CO2_SHARE)):
        assert delivered_nl(drill.recorder.heard, "n1", gas) <= (1.0 + share) * usual["n1", gas], gas
    raised = ask(drill.folder / "state", "SELECT what FROM decisions WHERE what LIKE '%alarm_raised%link_lost-site%'")
    assert len(raised) == 2, "raised while nobody could hear it, and on disk"


def hold_retained_again(drill: Drill) -> None:
    """What the broker lost is there again for whoever comes new."""
    wanted = {
        "supervisor/status", "enclosure/n1/state", "enclosure/s1/state", "room/north/entry", "room/south/entry",
        "room/north/sounder", "alarm/link_lost-site", "hardware/gateway-north/status", "hardware/gateway-plant/status",
    }  # fmt: skip
    newcomer = Recorder(drill.broker.host, drill.broker.port, ROOT, name="newcomer")
    try:
        drill.await_("the retained messages", lambda: wanted <= {one.topic for one in newcomer.heard if one.retained})
    finally:
        newcomer.close()
    assert newcomer.last("supervisor/status")["online"] is True
