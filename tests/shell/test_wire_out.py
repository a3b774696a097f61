"""Encoding: the contract's topics, keys and retain flags, and no gas without the guard."""

import json
from datetime import UTC, datetime

import pytest
from shellkit import T0, cleared

from supervisor.messages import DoseRequest, DoseStop, Rejected, RoomEntry, RoomPermit, SelectLine, SupervisorStatus
from supervisor.shell.wire_out import Encoder, Unguarded
from supervisor.values import PermitRoom, Publish, RequestDose, SampleRef, StopDose

ENCODER = Encoder("stillhold/quillfen")
MOMENT = datetime(2026, 8, 29, 10, 40, tzinfo=UTC)
REQUEST = RequestDose(
    enclosure="n1", gas="nitrogen", source="generator", request_id="7-12", epoch=7, volume_nl=120.5,
    max_flow_nl_min=50.0, valid_until_wall_s=T0 + 120.0, clock_offset_s=-2.25, basis=SampleRef("analyser-1", "b1", 9),
    reason="pull-down",
)  # fmt: skip
STOP = StopDose(enclosure="n1", gas="co2", request_id=None, epoch=7, reason="stopped by ada")
PERMIT = PermitRoom(room="north", dosing_permitted=True, air_permitted=False, epoch=7, valid_until_wall_s=T0 + 45)


def test_a_cleared_request_goes_out_in_the_units_time() -> None:
    topic, payload, retain = ENCODER.encode(cleared(REQUEST))
    assert topic == "stillhold/quillfen/dosing/n1/nitrogen/request" and retain is False
    assert json.loads(payload) == {
        "request_id": "7-12", "epoch": 7, "volume_nl": 120.5, "max_flow_nl_min": 50.0,
        "valid_until": "2026-08-29T10:41:57.750Z",  # 120 s on, and the unit's clock stands 2.25 s back
        "reason": "pull-down", "source": "generator",
    }  # fmt: skip


def test_a_cleared_stop_of_whatever_runs_says_null() -> None:
    topic, payload, retain = ENCODER.encode(cleared(STOP))
    assert topic == "stillhold/quillfen/dosing/n1/co2/stop" and retain is False
    assert json.loads(payload) == {"request_id": None, "epoch": 7, "reason": "stopped by ada"}


def test_a_cleared_permit() -> None:
    topic, payload, retain = ENCODER.encode(cleared(PERMIT))
    assert topic == "stillhold/quillfen/room/north/permit" and retain is False
    assert json.loads(payload) == {
        "dosing_permitted": True, "air_permitted": False, "epoch": 7, "valid_until": "2026-08-29T10:40:45.000Z",
    }  # fmt: skip


@pytest.mark.parametrize("effect", [REQUEST, STOP, PERMIT])
def test_a_bare_effect_is_not_published(effect: RequestDose | StopDose | PermitRoom) -> None:
    with pytest.raises(Unguarded):
        ENCODER.encode(effect)


@pytest.mark.parametrize(
    ("names", "body"),
    [
        (("n1", "co2"), DoseRequest(request_id="1-1", epoch=1, volume_nl=1.0, max_flow_nl_min=1.0, valid_until=MOMENT,
                                    reason="", source=None)),
        (("n1", "co2"), DoseStop(request_id=None, epoch=1, reason="")),
        (("north",), RoomPermit(dosing_permitted=True, air_permitted=True, epoch=1, valid_until=MOMENT)),
    ],
)  # fmt: skip
def test_what_moves_gas_cannot_be_slipped_in_as_a_plain_message(names: tuple[str, ...], body: DoseRequest) -> None:
    with pytest.raises(Unguarded):
        ENCODER.encode(Publish(names, body))


@pytest.mark.parametrize(
    ("names", "body", "topic", "retain"),
    [
        (("analyser-1",), SelectLine(request_id="1", line="line-01", valid_until=MOMENT),
         "sampling/analyser-1/select", False),
        (("north",), RoomEntry(status="clear", since=MOMENT, reasons=[]), "room/north/entry", True),
        ((), SupervisorStatus(online=True, instance="i", epoch=1, started_at=MOMENT), "supervisor/status", True),
        ((), Rejected(topic="x", reason="y", sample="", count=1, rejected_at=MOMENT), "rejected", False),
    ],
)  # fmt: skip
def test_state_is_retained_and_events_are_not(names: tuple[str, ...], body: SelectLine, topic: str, retain: bool) -> None:
    encoded = ENCODER.encode(Publish(names, body))
    assert (encoded.topic, encoded.retain) == (f"stillhold/quillfen/{topic}", retain)


@pytest.mark.parametrize("name", ["", "a/b", "+", "#", "a b", "A", "ä", "a\x00", "x" * 129])
def test_a_name_that_is_no_topic_level_never_reaches_the_broker(name: str) -> None:
    with pytest.raises(ValueError, match="cannot be a level"):
        ENCODER.encode(Publish((name,), RoomEntry(status="clear", since=MOMENT, reasons=[])))


def test_too_few_names_never_make_a_topic() -> None:
    with pytest.raises(ValueError, match="takes 1 names"):
        ENCODER.encode(Publish((), RoomEntry(status="clear", since=MOMENT, reasons=[])))
