"""The message contract, version 1, typed by hand from the design and from nothing else.

Do not make this table from the models: it is what they are held against. A change here is a change of the contract.
"""

from typing import NamedTuple

RETAINED = True


class Topic(NamedTuple):
    topic: str
    retained: bool
    required: str
    optional: str = ""


TO_THE_SUPERVISOR = [
    Topic("hardware/{unit}/status", RETAINED, "observed_at online boot epoch_seen"),
    Topic("analyser/{analyser}/reading", False, "observed_at boot seq line o2_pct co2_pct settled status",
          "line_confirmed corrected sample_flow_nl_min"),
    Topic("room/{room}/air/{sensor}", False, "observed_at seq o2_pct co2_pct status"),
    Topic("room/{room}/climate", False, "observed_at temperature_c rh_pct", "barometer_pa ventilation_m3_h"),
    Topic("room/{room}/door", False, "observed_at open"),
    Topic("enclosure/{enclosure}/closure", False, "observed_at open"),
    Topic("enclosure/{enclosure}/pulp", False, "observed_at temperature_c"),
    # The topic as a whole is optional; a unit may have either sensor, so each of its keys is too.
    Topic("enclosure/{enclosure}/bag", False, "observed_at", "pressure_pa fill_pct"),
    Topic("source/{source}/status", False, "observed_at available",
          "capacity_nl_min o2_pct pressure_kpa stock_kg"),
    # `code` says why a request was refused or aborted; the other outcomes have none.
    Topic("dosing/{enclosure}/{gas}/report", False, "observed_at request_id outcome delivered_nl metered",
          "code source"),
    Topic("dosing/{enclosure}/{gas}/flow", False, "observed_at valve_open flow_nl_min"),
    # What an action needs beyond these is checked where it is carried out.
    Topic("operator/command", False, "command_id issued_at operator action target",
          "occurrence note until people standby minutes lot gas decision signature"),
]  # fmt: skip

FROM_THE_SUPERVISOR = [
    Topic("sampling/{analyser}/select", False, "request_id line valid_until"),
    Topic("dosing/{enclosure}/{gas}/request", False,
          "request_id epoch volume_nl max_flow_nl_min valid_until reason", "source"),
    Topic("dosing/{enclosure}/{gas}/stop", False, "request_id epoch reason"),
    Topic("room/{room}/permit", False, "dosing_permitted air_permitted epoch valid_until"),
    Topic("room/{room}/entry", RETAINED, "status since reasons",
          "judged_at people venting forecast_o2_pct forecast_co2_pct"),
    Topic("room/{room}/sounder", RETAINED, "on reason"),
    Topic("enclosure/{enclosure}/state", RETAINED,
          "state since recipe o2_setpoint_pct co2_setpoint_pct o2_pct co2_pct sampled_at sample_age_s verdict "
          "problems"),
    Topic("alarm/{alarm}", RETAINED,
          "alarm subject occurrence state priority condition latched raised_at cleared_at acknowledged_at "
          "acknowledged_by shelved_until text advice",
          "note first trips cause holds_back"),
    Topic("operator/outcome", False, "command_id accepted reason"),
    Topic("supervisor/status", RETAINED, "online instance epoch started_at"),
    # The design names the topic and that it carries the reason; the other keys are this program's.
    Topic("rejected", False, "topic reason sample count rejected_at"),
]  # fmt: skip

SENSOR_STATUS = "ok warming_up calibrating fault"

WORDS = {
    ("analyser/{analyser}/reading", "status"): SENSOR_STATUS,
    ("room/{room}/air/{sensor}", "status"): SENSOR_STATUS,
    ("dosing/{enclosure}/{gas}/report", "outcome"): "accepted progress delivered refused aborted",
    ("dosing/{enclosure}/{gas}/report", "code"):
        "expired repeated old_epoch no_permit busy no_source no_flow stopped",
    ("operator/command", "action"):
        "seal vent open resume stop acknowledge shelve unshelve enter leave calibrate test",
    ("operator/command", "decision"): "accept refuse",
    ("room/{room}/entry", "status"): "clear restricted forbidden",
    ("enclosure/{enclosure}/state", "state"): "filling pulling_down holding venting faulted",
    # The next two sets of words are this program's choice; the alarm states are those of ISA-18.2 / IEC 62682 (from
    # memory of the standard).
    ("enclosure/{enclosure}/state", "verdict"): "good uncertain bad none",
    ("alarm/{alarm}", "priority"): "low medium high critical",
    ("alarm/{alarm}", "state"):
        "normal unacknowledged acknowledged returned_unacknowledged latched_unacknowledged latched_acknowledged "
        "shelved suppressed_by_design out_of_service",
}  # fmt: skip

MAY_BE_NULL = {
    "dosing/{enclosure}/{gas}/stop": "request_id",
    "enclosure/{enclosure}/state": "o2_pct co2_pct sampled_at sample_age_s",
    "alarm/{alarm}": "raised_at cleared_at acknowledged_at acknowledged_by shelved_until",
}
"""Keys that are always there and may hold null."""
