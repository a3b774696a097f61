"""The permit of a room and the clock of a unit: without both, valves stand shut (message contract)."""

from sim_plants import ready, small, small_site

from simulator.faults import Fault


def test_a_retained_permit_is_not_believed() -> None:
    hand = small()
    hand.permit(retained=True)
    hand.ask("x")
    assert hand.reports("x") == [("refused", 0.0, "no_permit")]
    assert hand.plant.dropped["permit: u: retained"] == 1


def test_an_expired_permit_is_not_believed() -> None:
    hand = small()
    hand.permit(0.0)
    assert hand.plant.dropped["permit: u: expired"] == 1
    hand.ask("x")
    assert hand.reports("x") == [("refused", 0.0, "no_permit")]


def test_a_permit_of_a_new_epoch_shuts_out_the_old_supervisor() -> None:
    hand = ready()
    hand.permit(epoch=2)
    hand.ask("x", epoch=1)
    assert hand.reports("x") == [("refused", 0.0, "old_epoch")]


def test_a_withdrawn_permit_shuts_the_valves_and_the_dose_is_not_taken_up_again() -> None:
    hand = ready()
    hand.ask("x", volume_nl=100.0)
    hand.ask("y", "b/co2", volume_nl=20.0)
    hand.ask("z", "a/air", volume_nl=30.0)
    hand.go(12.0)
    hand.permit(dosing=False, air=True)
    assert hand.reports("x")[-1] == ("aborted", 10.0, "no_permit")
    assert hand.reports("y", "b/co2")[-1] == ("aborted", 4.0, "no_permit")
    hand.permit()
    hand.go(50.0)
    assert hand.reports("x")[-1] == ("aborted", 10.0, "no_permit")
    assert hand.reports("z", "a/air")[-1] == ("delivered", 30.0, None)


def test_air_has_a_permission_of_its_own() -> None:
    hand = small()
    hand.permit(dosing=True, air=False)
    hand.ask("x", "a/air")
    hand.ask("y", "a/nitrogen")
    assert hand.reports("x", "a/air") == [("refused", 0.0, "no_permit")]
    assert hand.reports("y")[0][0] == "accepted"


def test_all_shut_when_the_last_permit_has_run_out() -> None:
    hand = small()
    hand.permit(30.0)
    hand.ask("x", volume_nl=100.0)
    hand.ask("y", "a/air", volume_nl=100.0)
    hand.go(29.999)
    assert hand.plant.valves["a/nitrogen"].open
    hand.go(0.001)
    assert hand.reports("x")[-1] == ("aborted", 25.0, "no_permit")
    assert hand.reports("y", "a/air")[-1][2] == "no_permit"


def test_a_renewed_permit_carries_a_dose_on() -> None:
    hand = small()
    hand.permit(30.0)
    hand.ask("x", volume_nl=50.0)
    hand.go(20.0)
    hand.permit(45.0)
    hand.go(41.0)
    assert hand.reports("x")[-1] == ("delivered", 50.0, None)


def test_no_permit_is_believed_for_more_than_a_minute_ahead() -> None:
    hand = small()
    hand.permit(3600.0)
    hand.ask("x", volume_nl=100.0, lease_s=600.0)
    hand.go(59.0)
    assert hand.reports("x")[-1][0] != "aborted"
    hand.go(2.0)
    assert hand.reports("x")[-1] == ("aborted", 50.0, "no_permit")


def test_a_permit_covers_its_own_room_only() -> None:
    site = small_site()
    site["room"].append({"id": "q", "volume_m3": 60, "sensor": []})
    site["enclosure"][1]["room"] = "q"
    hand = small(site=site)
    hand.permit(room="q")
    hand.ask("x", "a/nitrogen")
    hand.ask("y", "b/nitrogen")
    assert hand.reports("x") == [("refused", 0.0, "no_permit")]
    assert hand.reports("y", "b/nitrogen")[0][0] == "accepted"


def test_the_clock_of_the_unit_decides() -> None:
    ahead = small(faults=[Fault("clock_offset", "u", 0.0, size=90.0)])
    ahead.permit(60.0)
    ahead.ask("x", lease_s=60.0)
    assert ahead.reports("x") == [("refused", 0.0, "expired")]
    behind = small(faults=[Fault("clock_offset", "u", 0.0, size=-50.0)])
    behind.permit(5.0)
    behind.ask("x", volume_nl=40.0, lease_s=4.0)
    behind.go(48.0)
    assert behind.reports("x")[-1] == ("delivered", 40.0, None)
    assert behind.last("dosing/a/nitrogen/report")["observed_at"] < behind.at(-40.0)
