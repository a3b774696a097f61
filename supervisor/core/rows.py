"""What goes into the history as it comes in: figures that are kept for the record and need no judgement.

Samples, room air and state changes write their own rows where they are judged (`readings`, `entry`, `transitions`).
"""

from supervisor.core.desk import Desk
from supervisor.messages import Bag, DoseReport, Inbound, PulpTemperature, RoomClimate, SourceStatus
from supervisor.values import Row

# measurement, the tags for the names in the topic, the fields; a figure that a message leaves out is left out of the row
_ROWS: dict[type[Inbound], tuple[str, tuple[str, ...], tuple[str, ...]]] = {
    RoomClimate: ("room_climate", ("room",), ("temperature_c", "rh_pct", "barometer_pa", "ventilation_m3_h")),
    PulpTemperature: ("pulp", ("enclosure",), ("temperature_c",)),
    Bag: ("bag", ("enclosure",), ("pressure_pa", "fill_pct")),
    SourceStatus: ("source", ("source",), ("available", "capacity_nl_min", "o2_pct", "pressure_kpa", "stock_kg")),
    DoseReport: ("dose", ("enclosure", "gas"), ("delivered_nl", "outcome", "request_id", "metered")),
}
_DONE = ("delivered", "refused", "aborted")


def record(desk: Desk, names: tuple[str, ...], body: Inbound) -> None:
    """Writes a message's row, where it has one; a dose's when it is over."""
    row = _ROWS.get(type(body))
    if row is None or (isinstance(body, DoseReport) and body.outcome not in _DONE):
        return
    measurement, tags, fields = row
    figures = tuple((name, value) for name in fields if (value := getattr(body, name)) is not None)
    if figures:
        desk.effects.append(Row(measurement, tuple(zip(tags, names, strict=True)), figures, desk.now.wall_s))
