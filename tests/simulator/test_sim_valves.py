"""The hardware rules of the message contract, each as a test."""

import json

import pytest
from sim_plants import ready, small

from simulator.assumed import AIR_O2_PCT
from simulator.faults import Fault


def test_a_dose_is_accepted_told_of_and_delivered() -> None:
    hand = ready()
    hand.ask("x", volume_nl=40.0, source="generator")
    assert hand.reports("x") == [("accepted", 0.0, None)]
    hand.go(60.0)
    assert hand.reports("x") == [("accepted", 0.0, None), ("progress", 25.0, None), ("delivered", 40.0, None)]
    report = hand.last("dosing/a/nitrogen/report")
    assert report["metered"] is True and report["source"] == "generator"
    flows = [(one["valve_open"], one["flow_nl_min"]) for one in hand.on("dosing/a/nitrogen/flow")]
    assert flows == [(False, 0.0), (True, 50.0), (False, 0.0), (False, 0.0)]
    o2_pct = 100.0 * (1200.0 * AIR_O2_PCT / 100.0 + 40.0 * 0.005) / 1240.0
    assert hand.plant.gas("a")[0] == pytest.approx(o2_pct, abs=1e-4)


def test_progress_every_thirty_seconds_and_flow_every_minute() -> None:
    hand = ready()
    hand.ask("x", volume_nl=1000.0, lease_s=130.0)
    hand.go(50.0)
    hand.permit()
    hand.go(50.0)
    hand.permit()
    hand.go(60.0)
    assert [one for one in hand.reports("x") if one[0] == "progress"] == [
        ("progress", 25.0, None),
        ("progress", 50.0, None),
        ("progress", 75.0, None),
        ("progress", 100.0, None),
    ]
    assert sum(one["valve_open"] for one in hand.on("dosing/a/nitrogen/flow")) == 3


def test_the_flow_is_the_lesser_of_asked_and_possible() -> None:
    hand = ready()
    hand.ask("x", flow=10.0)
    hand.ask("y", "a/co2", flow=500.0)
    assert hand.last("dosing/a/nitrogen/flow")["flow_nl_min"] == 10.0
    assert hand.last("dosing/a/co2/flow")["flow_nl_min"] == 20.0


def test_without_a_permit_nothing_opens() -> None:
    hand = small()
    hand.ask("x")
    assert hand.reports("x") == [("refused", 0.0, "no_permit")]
    assert not any(one["valve_open"] for one in hand.on("dosing/a/nitrogen/flow"))


def test_a_permit_from_before_a_withdrawal_delivered_once_more_allows_nothing() -> None:
    hand = small()
    hand.permit(45.0)
    hand.permit(46.0, dosing=False, air=False)
    hand.permit(20.0, dosing=False, air=False)
    hand.permit(45.0)
    hand.ask("x")
    assert hand.reports("x") == [("refused", 0.0, "no_permit")]
    assert hand.plant.dropped["permit: u: older"] == 1
    hand.permit(45.0, epoch=2)
    hand.ask("y", epoch=2)
    assert hand.reports("y")[0][0] == "accepted", "a new epoch counts anew"


def test_an_old_withdrawal_still_forbids_and_when_none_is_in_force_any_permit_is_taken() -> None:
    hand = small()
    hand.permit(45.0)
    hand.permit(30.0, dosing=False, air=False)
    hand.ask("x")
    assert hand.reports("x") == [("refused", 0.0, "no_permit")]
    hand.permit(45.0)
    hand.go(46.0)
    hand.permit(5.0)
    hand.ask("y")
    assert hand.reports("y")[0][0] == "accepted"


def test_a_retained_request_is_refused() -> None:
    hand = ready()
    hand.ask("x", retained=True)
    assert hand.reports("x") == [("refused", 0.0, "no_permit")]


@pytest.mark.parametrize("lease_s", [0.0, -0.001, -60.0])
def test_an_expired_request_is_refused(lease_s: float) -> None:
    hand = ready()
    hand.ask("x", lease_s=lease_s)
    assert hand.reports("x") == [("refused", 0.0, "expired")]


def test_an_epoch_below_the_highest_seen_is_refused_and_one_number_holds_for_the_site() -> None:
    hand = ready()
    hand.ask("x", "b/nitrogen", epoch=7)
    hand.ask("y", "a/nitrogen", epoch=6)
    hand.permit(epoch=6)
    assert hand.reports("y") == [("refused", 0.0, "old_epoch")]
    assert hand.plant.dropped["permit: u: old_epoch"] == 1
    hand.go(10.0)
    assert {hand.last(f"hardware/{unit}/status")["epoch_seen"] for unit in ("u", "u2", "p")} == {7}
    hand.ask("z", "a/nitrogen", epoch=7)
    assert hand.reports("z")[0][0] == "accepted"


@pytest.mark.parametrize("how", [{"retained": True}, {"lease_s": -1.0}])
def test_a_message_that_is_not_believed_raises_no_epoch(how: dict[str, object]) -> None:
    hand = ready()
    hand.ask("x", epoch=99, **how)  # type: ignore[arg-type]
    hand.ask("y", epoch=1)
    assert hand.reports("y")[0][0] == "accepted"


def test_a_repeated_id_gets_its_own_outcome_again_and_no_gas() -> None:
    hand = ready()
    hand.ask("x", volume_nl=20.0)
    hand.go(40.0)
    amount_nl = hand.plant.enclosures["a"].amount_nl
    hand.ask("x")
    hand.ask("x", volume_nl=99.0, epoch=0, retained=True)
    hand.go(40.0)
    hand.plant.gas("a")
    delivered = ("delivered", 20.0, None)
    assert hand.reports("x") == [("accepted", 0.0, None), delivered, delivered, delivered]
    assert hand.plant.enclosures["a"].amount_nl == pytest.approx(amount_nl)


def test_a_repeated_id_of_a_running_dose_tells_how_far_it_is() -> None:
    hand = ready()
    hand.ask("x", volume_nl=20.0)
    hand.go(12.0)
    hand.ask("x", volume_nl=20.0)
    assert hand.reports("x")[-1] == ("progress", 10.0, None)
    hand.go(60.0)
    assert [one[0] for one in hand.reports("x")] == ["accepted", "progress", "delivered"]


def test_a_repeated_refusal_stays_a_refusal() -> None:
    hand = small()
    hand.ask("x")
    hand.permit()
    hand.ask("x")
    assert hand.reports("x") == [("refused", 0.0, "no_permit"), ("refused", 0.0, "no_permit")]


def test_one_request_per_valve_and_gases_side_by_side() -> None:
    hand = ready()
    hand.ask("x")
    hand.ask("y")
    hand.ask("z", "a/co2")
    assert hand.reports("y") == [("refused", 0.0, "busy")]
    assert hand.reports("z", "a/co2") == [("accepted", 0.0, None)]
    hand.go(40.0)
    assert hand.reports("x")[-1] == ("delivered", 25.0, None)


def test_the_lease_ends_the_dose() -> None:
    hand = ready()
    hand.ask("x", volume_nl=100.0, lease_s=24.0)
    hand.go(24.0)
    assert hand.reports("x")[-1] == ("aborted", 20.0, "expired")
    assert hand.last("dosing/a/nitrogen/flow")["valve_open"] is False
    hand.go(30.0)
    assert hand.plant.enclosures["a"].amount_nl == pytest.approx(1220.0)


def test_a_dose_that_is_full_at_the_very_end_of_its_lease_is_delivered() -> None:
    hand = ready()
    hand.ask("x", volume_nl=25.0, lease_s=30.0)
    hand.go(31.0)
    assert hand.reports("x")[-1] == ("delivered", 25.0, None)


@pytest.mark.parametrize(("named", "stops"), [("x", True), (None, True), ("other", False)])
def test_a_stop_ends_what_it_names(named: str | None, stops: bool) -> None:
    hand = ready()
    hand.ask("x", volume_nl=40.0)
    hand.go(12.0)
    hand.stop(named)
    assert (hand.reports("x")[-1] == ("aborted", 10.0, "stopped")) is stops


def test_a_stop_passes_whatever_its_epoch_or_shape() -> None:
    for body in ({"request_id": "x", "epoch": 0, "reason": "old"}, {}, {"request_id": 5, "epoch": "?"}):
        hand = ready()
        hand.ask("x", epoch=5)
        hand.plant.deliver("dosing/a/nitrogen/stop", json.dumps(body))
        hand.go(0.0)
        assert hand.reports("x")[-1][2] == "stopped"


@pytest.mark.parametrize(("retained", "outcome"), [(False, "refused"), (True, "accepted")])
def test_a_live_stop_of_a_new_epoch_shuts_out_the_old_supervisor(retained: bool, outcome: str) -> None:
    hand = ready()
    hand.stop(None, epoch=9, retained=retained)
    hand.ask("x", epoch=8)
    assert hand.reports("x")[0][0] == outcome


def test_a_stop_that_overtakes_its_request_still_stops_it() -> None:
    hand = ready()
    hand.stop("x")
    hand.ask("x")
    assert hand.reports("x") == [("refused", 0.0, "stopped")]


def test_a_source_that_cannot_give_or_is_not_piped_is_no_source() -> None:
    hand = ready(faults=[Fault("source_off", "generator", 10.0, 20.0)])
    hand.ask("w", source="blower")
    hand.go(15.0)
    hand.ask("x")
    hand.go(10.0)
    hand.ask("y")
    assert hand.reports("w") == [("refused", 0.0, "no_source")]
    assert hand.reports("x") == [("refused", 0.0, "no_source")]
    assert hand.reports("y")[0][0] == "accepted"


def test_no_flow_ends_a_dose() -> None:
    faults = [
        Fault("source_off", "generator", 12.0),
        Fault("valve_stuck_shut", "a/co2", 0.0),
        Fault("valve_stuck_open", "b/nitrogen", 16.0),
    ]
    hand = ready(faults=faults)
    hand.ask("x", volume_nl=40.0)
    hand.ask("y", "a/co2")
    hand.go(9.999)
    assert hand.reports("y", "a/co2") == [("accepted", 0.0, None)]
    hand.go(0.001)
    assert hand.reports("y", "a/co2")[-1] == ("aborted", 0.0, "no_flow")
    # Another valve that moves on the same source meanwhile does not put it off.
    hand.go(11.999)
    assert hand.reports("x")[-1] == ("accepted", 0.0, None)
    hand.go(0.001)
    assert hand.reports("x")[-1] == ("aborted", 10.0, "no_flow")


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"nonsense",
        b"[]",
        b"\xff\xfe",
        b'{"request_id":"x"}',
        b'{"request_id":"x","epoch":1,"volume_nl":NaN,"max_flow_nl_min":5,"valid_until":"2030-01-01T00:00:00Z"}',
        b'{"request_id":"x","epoch":1,"volume_nl":-1,"max_flow_nl_min":5,"valid_until":"2030-01-01T00:00:00Z"}',
        b'{"request_id":"x","epoch":true,"volume_nl":1,"max_flow_nl_min":5,"valid_until":"2030-01-01T00:00:00Z"}',
        b'{"request_id":"x","epoch":1,"volume_nl":1,"max_flow_nl_min":5,"valid_until":"2030-01-01T00:00:00"}',
        b'{"request_id":"x","epoch":1,"volume_nl":1,"max_flow_nl_min":5,"valid_until":1893456000}',
    ],
)
@pytest.mark.parametrize("topic", ["dosing/a/nitrogen/request", "room/r/permit", "sampling/an/select"])
def test_what_cannot_be_read_is_counted_and_changes_nothing(topic: str, payload: bytes) -> None:
    hand = ready()
    hand.plant.deliver(topic, payload)
    hand.go(20.0)
    assert sum(hand.plant.dropped.values()) == 1
    assert not any(one["valve_open"] for one in hand.on("dosing/a/nitrogen/flow"))


@pytest.mark.parametrize("topic", ["dosing/zz/nitrogen/request", "dosing/a/argon/stop", "elsewhere", "room/zz/permit"])
def test_topics_of_other_hardware_do_no_harm(topic: str) -> None:
    hand = ready()
    hand.give(
        topic,
        request_id="x",
        epoch=1,
        volume_nl=1,
        max_flow_nl_min=1,
        valid_until=hand.at(60.0),
        dosing_permitted=True,
        air_permitted=True,
    )
    hand.go(5.0)
    assert hand.on("dosing/a/nitrogen/report") == []
