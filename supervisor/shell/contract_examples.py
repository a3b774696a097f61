"""One example message for each topic of the contract, as it goes over the wire. All names are invented.

They stand in the AsyncAPI document; a test reads each with its model and with the schema that the document gives.
"""

from typing import Any

from supervisor import messages as m

_AT = "2026-07-01T05:00:00.000Z"
_LATER = "2026-07-01T05:02:00.000Z"

EXAMPLES: dict[type[m.Inbound] | type[m.Outbound], dict[str, Any]] = {
    m.UnitStatus: {"observed_at": _AT, "online": True, "boot": "b7f2", "epoch_seen": 41},
    m.AnalyserReading: {
        "observed_at": _AT, "boot": "c01d", "seq": 1842, "line": "line-03", "o2_pct": 6.21, "co2_pct": 14.87,
        "settled": True, "status": "ok", "line_confirmed": True, "sample_flow_nl_min": 1.0,
    },
    m.RoomAir: {"observed_at": _AT, "seq": 90211, "o2_pct": 20.8, "co2_pct": 0.09, "status": "ok"},
    m.RoomClimate: {
        "observed_at": _AT, "temperature_c": 1.2, "rh_pct": 93.0, "barometer_pa": 100900.0, "ventilation_m3_h": 120.0,
    },
    m.RoomDoor: {"observed_at": _AT, "open": False},
    m.Closure: {"observed_at": _AT, "open": False},
    m.PulpTemperature: {"observed_at": _AT, "temperature_c": 0.8},
    m.Bag: {"observed_at": _AT, "pressure_pa": 35.0, "fill_pct": 80.0},
    m.SourceStatus: {"observed_at": _AT, "available": True, "capacity_nl_min": 200.0, "o2_pct": 0.52},
    m.DoseReport: {
        "observed_at": _AT, "request_id": "41-n3-nitrogen-7", "outcome": "aborted", "delivered_nl": 61.4,
        "metered": True, "code": "expired", "source": "generator",
    },
    m.DoseFlow: {"observed_at": _AT, "valve_open": True, "flow_nl_min": 49.6},
    m.OperatorCommand: {
        "command_id": "desk-118", "issued_at": _AT, "operator": "B. Example", "action": "enter", "target": "north",
        "people": ["B. Example", "C. Example"], "standby": "D. Example", "minutes": 20,
        "signature": "01f545867b9935f8879b00764f23ea8f1bf671c744cca4af2f88afc12178fa11",
    },
    m.SelectLine: {"request_id": "41-select-501", "line": "line-03", "valid_until": _LATER},
    m.DoseRequest: {
        "request_id": "41-n3-nitrogen-7", "epoch": 41, "volume_nl": 100.0, "max_flow_nl_min": 50.0,
        "valid_until": _LATER, "reason": "oxygen above its band", "source": "generator",
    },
    m.DoseStop: {"request_id": None, "epoch": 41, "reason": "room no longer clear"},
    m.RoomPermit: {"dosing_permitted": True, "air_permitted": True, "epoch": 41, "valid_until": _LATER},
    m.RoomEntry: {
        "status": "forbidden", "since": _AT, "reasons": ["north-door: no reading for 30 s"], "judged_at": _AT,
        "people": [], "venting": [], "forecast_o2_pct": None, "forecast_co2_pct": None,
    },
    m.RoomSounder: {"on": True, "reason": "CO2 above the danger limit"},
    m.EnclosureState: {
        "state": "holding", "since": _AT, "recipe": "raspberry", "o2_setpoint_pct": 6.0, "co2_setpoint_pct": 15.0,
        "o2_pct": 6.21, "co2_pct": 14.87, "sampled_at": _AT, "sample_age_s": 95.0, "verdict": "good", "problems": [],
    },
    m.AlarmStatus: {
        "alarm": "room-north-air-lost", "subject": "north", "occurrence": 3, "state": "unacknowledged",
        "priority": "critical", "condition": True, "latched": True, "raised_at": _AT, "cleared_at": None,
        "acknowledged_at": None, "acknowledged_by": None, "shelved_until": None,
        "text": "North cold room: no air reading from north-door", "advice": "Keep out. Test the air by hand.",
    },
    m.CommandOutcome: {"command_id": "desk-118", "accepted": False, "reason": "room north is not clear"},
    m.SupervisorStatus: {"online": True, "instance": "quillfen-a", "epoch": 41, "started_at": _AT},
    m.Rejected: {
        "topic": "room/north/air/north-door", "reason": "o2_pct: Input should be a valid number",
        "sample": "{\"o2_pct\": \"20.8\"}", "count": 12, "rejected_at": _AT,
    },
}  # fmt: skip
