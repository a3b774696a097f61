"""One mistake at a time, made in a copy of the worked example, with the key that must be named for it.

Limits are typed here by hand and not imported: a limit that moves in the program must fail a test.
"""

from collections.abc import Callable
from copy import deepcopy
from typing import Any, NamedTuple

Data = dict[str, Any]


class Mistake(NamedTuple):
    """`part` names what the mistake touches: two of different parts do not hide each other."""

    part: str
    key: str
    make: Callable[[Data], None]
    level: str = "error"


def put(path: str, value: Any) -> Callable[[Data], None]:
    """Sets the value at a dotted path; whole numbers count list entries from 0."""

    def make(data: Data) -> None:
        *above, last = path.split(".")
        here: Any = data
        for step in above:
            here = here[int(step)] if isinstance(here, list) else here.setdefault(step, {})
        here[int(last) if isinstance(here, list) else last] = deepcopy(value)

    return make


def drop(path: str) -> Callable[[Data], None]:
    def make(data: Data) -> None:
        *above, last = path.split(".")
        here: Any = data
        for step in above:
            here = here[int(step)] if isinstance(here, list) else here[step]
        del here[last]

    return make


def copied(table: str, index: int) -> Callable[[Data], None]:
    def make(data: Data) -> None:
        data[table].append(deepcopy(data[table][index]))

    return make


def both(*steps: Callable[[Data], None]) -> Callable[[Data], None]:
    def make(data: Data) -> None:
        for step in steps:
            step(data)

    return make


def analyser(lines: list[Data], idle: str = "idle") -> Data:
    return {"id": "second", "unit": "gateway-plant", "idle_line": idle, "lines": lines}


TUBE: Data = {"length_m": 40, "bore_mm": 4}
GAS: Data = {
    "id": "mix", "o2_pct": 3.0, "co2_pct": 18.0, "o2_uncertainty_pct": 0.03, "co2_uncertainty_pct": 0.2,
    "certificate": "invented 1", "expires": "2027-03-31",
}  # fmt: skip


def line(name: str = "extra", **keys: str) -> Callable[[Data], None]:
    """One more line of the example's analyser."""

    def make(data: Data) -> None:
        data["analyser"][0]["lines"].append({"id": name, "transport_s": 5, "settling_s": 61} | keys)

    return make


def hung(**keys: Any) -> Callable[[Data], None]:
    """A bottle of calibration gas with these keys, on a line of its own."""

    def make(data: Data) -> None:
        data.setdefault("calibration_gas", []).append(GAS | keys)
        line(gas="mix")(data)

    return make


def sheet(*points: tuple[float, float]) -> list[Data]:
    return [{"flow_nl_min": flow_nl_min, "o2_pct": o2_pct} for flow_nl_min, o2_pct in points]


def added(table: str, entry: Data) -> Callable[[Data], None]:
    def make(data: Data) -> None:
        data.setdefault(table, []).append(deepcopy(entry))

    return make


SHAPE = [
    Mistake("format", "format", put("format", 2)),
    Mistake("site", "site.id", put("site.id", "quill/fen")),
    Mistake("site", "site.id", put("site.id", "+")),
    Mistake("site", "site.id", put("site.id", "quillfen\n")),
    Mistake("site", "site.id", put("site.id", "")),
    Mistake("site", "site.topic_root", put("site.topic_root", "a/+/b")),
    Mistake("price", "site.currency", put("site.currency", "euro")),
    Mistake("enclosure 2", "enclosure[n3].lot", put("enclosure.2.lot", "L" * 65)),
    Mistake("price", "source[bank].price_per_kg", put("source.1.price_per_kg", -1)),
    Mistake("bank", "source[bank].order_lead_days", put("source.1.order_lead_days", 2.5)),
    Mistake("site", "site.topic_root", put("site.topic_root", "a b")),
    Mistake("site", "site.topic_root", put("site.topic_root", "a/#")),
    Mistake("site", "site.topic_root", put("site.topic_root", "$SYS/a")),
    Mistake("site", "site.topic_root", put("site.topic_root", "/a")),
    Mistake("broker", "broker.port", put("broker.port", 70000)),
    Mistake("broker", "broker.port", put("broker.port", "1883")),
    Mistake("broker", "broker.port", put("broker.port", 1883.5)),
    Mistake("broker", "broker.keepalive", put("broker.keepalive", 15)),
    Mistake("broker", "broker.username", put("broker.password_file", "secret")),
    Mistake("broker", "broker.identities", put("broker.identities", "")),
    Mistake("broker", "broker.identities", put("broker.host", "192.0.2.7"), "warning"),
    Mistake("history", "history.url", put("history", {"url": "localhost:8086", "org": "o", "bucket": "b"})),
    Mistake("history", "history.bucket", put("history", {"url": "http://127.0.0.1:8086", "org": "o"})),
    Mistake("permit", "timing.tick_s", put("timing.tick_s", 0.01)),
    Mistake("permit", "timing.permit_valid_s", put("timing.permit_valid_s", 60.1)),
    Mistake("lease", "timing.lease_s", put("timing.lease_s", 301)),
    Mistake("age", "timing.sample_age_s_max", put("timing.sample_age_s_max", 7201)),
    Mistake("air age", "timing.air_age_s_max", put("timing.air_age_s_max", 61)),
    Mistake("silence", "timing.unit_silence_s_max", put("timing.unit_silence_s_max", 121)),
    Mistake("offset", "timing.clock_offset_s_max", put("timing.clock_offset_s_max", 15.5)),
    Mistake("grace", "timing.start_grace_s", put("timing.start_grace_s", 601)),
    Mistake("air limit", "limits.air", drop("limits.air")),
    Mistake("air limit", "limits.air.per_request_nl", put("limits.air.per_request_nl", 2001)),
    Mistake("co2 limit", "limits.co2.per_hour_nl", put("limits.co2.per_hour_nl", 20001)),
    Mistake("co2 limit", "limits.co2.per_day_nl", put("limits.co2.per_day_nl", 200001)),
    Mistake("co2 limit", "limits.co2.per_day_nl", put("limits.co2.per_day_nl", float("inf"))),
    Mistake("recipe 0", "recipe[blueberry].source", drop("recipe.0.source")),
    Mistake("recipe 0", "recipe[blueberry].o2_pct", put("recipe.0.o2_pct", 21.5)),
    Mistake("recipe 0", "recipe[blueberry].co2_ceiling_pct", put("recipe.0.co2_ceiling_pct", 31)),
    Mistake("recipe 0", "recipe[blueberry].o2_floor_pct", put("recipe.0.o2_floor_pct", 0.4)),
    Mistake("recipe 0", "recipe[blueberry].o2_band_pct", put("recipe.0.o2_band_pct", 0)),
    Mistake("recipe 0", "recipe[blueberry].co2_pct", put("recipe.0.co2_pct", "15")),
    Mistake("recipe 0", "recipe[blueberry].co2_pct", put("recipe.0.co2_pct", "15,0")),
    Mistake("recipe 0", "recipe[blueberry].co2_pct", put("recipe.0.co2_pct", True)),
    Mistake("room 0", "room[north].volume_m3", put("room.0.volume_m3", 0)),
    Mistake("room 0", "room[north].sensor", put("room.0.sensor", [])),
    Mistake("room 0", "room[north].limits.o2_clear_min.pct", put("room.0.limits.o2_clear_min.pct", 19.4)),
    Mistake("room 0", "room[north].limits.o2_clear_max.pct", put("room.0.limits.o2_clear_max.pct", 23.6)),
    Mistake("room 0", "room[north].limits.o2_danger_min.pct", put("room.0.limits.o2_danger_min.pct", 16.9)),
    Mistake("room 0", "room[north].limits.co2_clear_max.pct", put("room.0.limits.co2_clear_max.pct", 0.51)),
    Mistake("room 0", "room[north].limits.co2_danger_max.pct", put("room.0.limits.co2_danger_max.pct", 3.1)),
    Mistake("room 0", "room[north].limits.co2_danger_max.source", drop("room.0.limits.co2_danger_max.source")),
    Mistake("room 0", "room[north].limits.co2_twa_max.pct", put("room.0.limits.co2_twa_max.pct", 0.51)),
    Mistake("room 0", "room[north].limits.co2_stel_max.pct", put("room.0.limits.co2_stel_max.pct", 3.01)),
    Mistake("room 0", "room[north].spread_o2_pct_max", put("room.0.spread_o2_pct_max", 2.1)),
    Mistake("room 0", "room[north].spread_co2_pct_max", put("room.0.spread_co2_pct_max", 0.51)),
    Mistake("room 0", "room[north].moving_o2_pct_max", put("room.0.moving_o2_pct_max", 0.51)),
    Mistake("room 0", "room[north].moving_co2_pct_max", put("room.0.moving_co2_pct_max", 0.11)),
    Mistake("room 0", "room[north].sensor[north-door].flat_line_s_max", put("room.0.sensor.0.flat_line_s_max", -1)),
    Mistake("missing", "timing.missing_after_s", put("timing.missing_after_s", 1801)),
    Mistake("source 2", "source[blower].gas", put("source.2.gas", "argon")),
    Mistake("source 2", "source[blower].capacity_nl_min", put("source.2.capacity_nl_min", -1)),
    Mistake("purity", "source[generator].o2_pct", put("source.0.o2_pct", -0.1)),
    Mistake("purity", "source[generator].o2_pct_max", put("source.0.o2_pct_max", 101)),
    Mistake("purity", "source[generator].purity", put("source.0.purity", 5)),
    Mistake("pressure", "source[generator].pressure_kpa_min", put("source.0.pressure_kpa_min", 0)),
    Mistake("valves", "source[generator].valves_at_once", put("source.0.valves_at_once", 0)),
    Mistake("valves", "source[generator].valves_at_once", put("source.0.valves_at_once", 2.5)),
    Mistake("lines", "analyser[analyser-1].lines[line-03].settling_s", put("analyser.0.lines.2.settling_s", -1)),
    Mistake("enclosure 2", "enclosure[n3].free_volume_nl", put("enclosure.2.free_volume_nl", 9)),
    Mistake("enclosure 2", "enclosure[n3].free_volume_nl", put("enclosure.2.free_volume_nl", 1_000_001)),
    Mistake("enclosure 2", "enclosure[n3].free_volume_nl", drop("enclosure.2.free_volume_nl")),
    Mistake("enclosure 2", "enclosure[#3].id", drop("enclosure.2.id")),
    Mistake("enclosure 2", "enclosure[N3].id", put("enclosure.2.id", "N3")),
    Mistake("enclosure 2", "enclosure[n3].pallet", put("enclosure.2.pallet", "P-1")),
    Mistake("enclosure 2", "enclosure[n3].sources.nitrogen", put("enclosure.2.sources.nitrogen", 7)),
    Mistake("enclosure 2", "enclosure[n3].flow_nl_min_max.air", put("enclosure.2.flow_nl_min_max.air", 0)),
    Mistake("enclosure 2", "enclosure[#3]", put("enclosure.2", "n3")),
]  # fmt: skip

ACROSS = [
    Mistake("recipe ids", "recipe[blueberry].id", copied("recipe", 0)),
    Mistake("room ids", "room[south].id", copied("room", 1)),
    Mistake("source ids", "source[bank].id", copied("source", 1)),
    Mistake("sensors", "room[south].sensor[south-door].id", put("room.1.sensor.1.id", "south-door")),
    Mistake("enclosure 3", "enclosure[n4].room", put("enclosure.3.room", "nroth")),
    Mistake("enclosure 3", "enclosure[n4].recipe", put("enclosure.3.recipe", "rasberry")),
    Mistake("enclosure 3", "enclosure[n4].line", put("enclosure.3.line", "line-44")),
    Mistake("enclosure 3", "enclosure[n5].line", put("enclosure.3.line", "line-05")),
    Mistake("enclosure 3", "enclosure[n4].sources.air", put("enclosure.3.sources.air", "blwer")),
    Mistake("enclosure 3", "enclosure[n4].sources.co2", put("enclosure.3.sources.co2", "generator")),
    Mistake("enclosure 3", "enclosure[n4].sources.nitrogen", drop("enclosure.3.sources.nitrogen")),
    Mistake("enclosure 3", "enclosure[n4].sources.co2", drop("enclosure.3.sources.co2")),
    Mistake("enclosure 3", "enclosure[n4].sources.air", drop("enclosure.3.sources.air"), "warning"),
    Mistake("enclosure 3", "enclosure[n4].unit", put("enclosure.3.unit", "gateway-nroth"), "warning"),
    Mistake("enclosure 3", "enclosure[n4].unit", put("enclosure.3.unit", "gateway-nort"), "warning"),
    Mistake("enclosure 3", "enclosure[n4].unit", put("enclosure.3.unit", "gateway-northh"), "warning"),
    Mistake("idle", "enclosure[s6].line", put("analyser.0.idle_line", "line-12")),
    Mistake("second", "analyser[second].lines[line-01].transport_s",
            added("analyser", analyser([{"id": "line-01", "transport_s": 23, "settling_s": 62}]))),
    Mistake("second", "analyser[second].lines[x].id",
            added("analyser", analyser([{"id": "x", "transport_s": 1, "settling_s": 1}] * 2))),
    Mistake("lines", "analyser[analyser-1].lines[line-03].settling_s", drop("analyser.0.lines.2.settling_s")),
    Mistake("lines", "analyser[analyser-1].lines[line-03].tube.bore_mm", put("analyser.0.lines.2.tube", {"length_m": 40})),
    Mistake("lines", "analyser[analyser-1].lines[line-03].tube.length_m",
            both(drop("analyser.0.lines.2.settling_s"), drop("analyser.0.lines.2.transport_s"),
                 put("analyser.0.lines.2.tube", {"length_m": 0, "bore_mm": 4}))),
    Mistake("lines", "analyser[analyser-1].lines[line-03].room", put("analyser.0.lines.2.room", "north")),
    Mistake("lines", "analyser[analyser-1].lines[line-03].gas",
            both(added("calibration_gas", GAS), put("analyser.0.lines.2.gas", "mix"))),
    Mistake("lines", "analyser[analyser-1].lines[extra].room", line(room="nroth")),
    Mistake("lines", "analyser[analyser-1].lines[extra].gas", line(gas="zero")),
    Mistake("lines", "analyser[analyser-1].lines[extra].gas", both(added("calibration_gas", GAS), line(gas="mxi"))),
    Mistake("lines", "analyser[analyser-1].lines[extra].gas",
            both(added("calibration_gas", GAS), line(gas="mix", room="north"))),
    Mistake("cell", "analyser[analyser-1].cell_ml", put("analyser.0.cell_ml", 0)),
    Mistake("drawn", "sampling.drawn_pct_max", put("sampling.drawn_pct_max", 0)),
    Mistake("drawn", "sampling.room_air_per_day", put("sampling.room_air_per_day", 0.5)),
    # s4: (30 + 62 + 10) s at 1 nl/min, 48 a day: 81.6 nl, 7.42 % of 1100
    Mistake("drawn", "enclosure[s4].free_volume_nl",
            both(put("sampling.drawn_pct_max", 7.41), put("enclosure.8.free_volume_nl", 2000)), "warning"),
    Mistake("gases", "calibration_gas[mix].id", both(added("calibration_gas", GAS), added("calibration_gas", GAS))),
    Mistake("gases", "calibration_gas[mix].expires", added("calibration_gas", GAS | {"expires": "31.3.2027"})),
    Mistake("gases", "calibration_gas[mix].o2_uncertainty_pct", added("calibration_gas", GAS | {"o2_uncertainty_pct": -1})),
    Mistake("gases", "calibration_gas[mix].expires", hung(expires="2027-02-31")),
    Mistake("gases", "calibration_gas[mix].expires", hung(expires="2027-2-3")),
    Mistake("gases", "calibration_gas[mix].certificate", hung(certificate="")),
    Mistake("gases", "calibration_gas[mix].use", hung(use="spam")),
    Mistake("gases", "calibration_gas[mix].co2_pct", hung(o2_pct=60.0, co2_pct=41.0)),
    Mistake("gases", "calibration_gas[mix].co2_pct", hung(o2_pct=0.0, use="zero")),
    Mistake("gases", "calibration_gas[mix].o2_pct", hung(o2_pct=0.0, use="span")),
    Mistake("gases", "calibration_gas[mix].co2_uncertainty_pct", hung(co2_uncertainty_pct=0.51), level="warning"),
    Mistake("plan", "analyser[analyser-1].calibration.o2.warn_pct",
            put("analyser.0.calibration.o2", {"warn_pct": 0.2, "action_pct": 0.2})),
    Mistake("plan", "analyser[analyser-1].calibration.zero_every_h", put("analyser.0.calibration.zero_every_h", -1)),
    Mistake("plan", "analyser[analyser-1].calibration.readings", put("analyser.0.calibration.readings", 2)),
    Mistake("second", "analyser[second].lines[hall].room",
            both(line("hall", room="north"),
                 added("analyser", analyser([{"id": "hall", "transport_s": 5, "settling_s": 61}])))),
    Mistake("permit", "timing.permit_valid_s", put("timing.permit_valid_s", 20)),
    Mistake("permit", "timing.permit_valid_s", put("timing.permit_interval_s", 22.5)),
    Mistake("permit", "timing.permit_valid_s",
            both(put("timing.permit_interval_s", 1), put("timing.tick_s", 5), put("timing.permit_valid_s", 10))),
    Mistake("age", "timing.sample_age_s_max", put("timing.sample_age_s_max", 2159), "warning"),
    Mistake("nitrogen limit", "limits.nitrogen.per_hour_nl", put("limits.nitrogen.per_hour_nl", 149)),
    Mistake("nitrogen limit", "limits.nitrogen.per_day_nl", put("limits.nitrogen.per_day_nl", 2999)),
    Mistake("nitrogen limit", "limits.nitrogen.per_day_nl",
            both(put("limits.nitrogen.per_hour_nl", 200), put("limits.nitrogen.per_day_nl", 4000)), "warning"),
    Mistake("co2 limit", "limits.co2.per_day_nl",
            both(put("limits.co2.per_hour_nl", 100), put("limits.co2.per_day_nl", 400)), "warning"),
    Mistake("room 1", "room[south].limits.o2_danger_min.pct", put("room.1.limits.o2_danger_min.pct", 19.6)),
    Mistake("room 1", "room[south].limits.co2_danger_max.pct", put("room.1.limits.co2_danger_max.pct", 0.4)),
    Mistake("room 1", "room[south].limits.o2_clear_min.pct", put("room.1.limits.o2_clear_min.pct", 20.95)),
    Mistake("room 1", "room[south].limits.o2_clear_max.pct", put("room.1.limits.o2_clear_max.pct", 20.95)),
    Mistake("room 1", "room[south].limits.co2_clear_max.pct", put("room.1.limits.co2_clear_max.pct", 0.04)),
    Mistake("room 1", "room[south].limits.co2_twa_max.pct", put("room.1.limits.co2_twa_max.pct", 0.04)),
    Mistake("room 1", "room[south].limits.co2_stel_max.pct", put("room.1.limits.co2_stel_max.pct", 0.49)),
    Mistake("recipe 1", "recipe[raspberry].o2_floor_pct", put("recipe.1.o2_floor_pct", 5.5)),
    Mistake("recipe 1", "recipe[raspberry].co2_ceiling_pct", put("recipe.1.co2_ceiling_pct", 16)),
    Mistake("recipe 1", "recipe[raspberry].o2_pct", put("recipe.1.o2_pct", 17.82)),
    Mistake("purity", "source[generator].o2_pct",  # black currant holds at 3 %
            both(put("source.0.o2_pct", 3.0), drop("source.0.o2_pct_max"))),
    Mistake("purity", "source[generator].o2_pct", both(put("source.0.o2_pct", 3.66), drop("source.0.o2_pct_max"))),
    Mistake("purity", "source[generator].o2_pct_max", put("source.0.o2_pct_max", 0.4)),
    Mistake("purity", "source[generator].o2_pct_max", put("source.0.o2_pct_max", 3.0), "warning"),
    Mistake("purity", "source[generator].purity[#2].flow_nl_min", put("source.0.purity", sheet((200, 0.1), (200, 0.5)))),
    Mistake("purity", "source[generator].purity[#2].o2_pct", put("source.0.purity", sheet((90, 0.6), (200, 0.5)))),
    Mistake("purity", "source[generator].purity[#2].flow_nl_min", put("source.0.purity", sheet((90, 0.1), (250, 0.5)))),
    Mistake("purity", "source[generator].purity[#2].o2_pct", put("source.0.purity", sheet((90, 0.1), (200, 0.9)))),
    Mistake("source 2", "source[blower].o2_pct_max", put("source.2.o2_pct_max", 21)),
    Mistake("source 2", "source[blower].purity", put("source.2.purity", sheet((400, 20.9))), "warning"),
    Mistake("bank", "source[bank].reserve_kg", put("source.1.reserve_kg", 300)),
    Mistake("bank", "source[bank].o2_pct", put("source.1.o2_pct", 0.1), "warning"),
    Mistake("price", "source[bank].price_per_1000_nl", put("source.1.price_per_1000_nl", 0.9)),
    Mistake("bank", "source[bank].order_lead_days", drop("source.1.stock_kg"), "warning"),
    Mistake("price", "site.currency", both(drop("site.currency"), drop("source.0.price_per_1000_nl")), "warning"),
]  # fmt: skip

UNSTATED = put("analyser.0.corrections", {"pressure_compensated": False})
INSTRUMENTS = [
    Mistake("corrections", "analyser[analyser-1].corrections.pressure_compensated", UNSTATED, "warning"),
    Mistake("corrections", "analyser[analyser-1].corrections.o2_spanned_in_co2_pct",
            put("analyser.0.corrections", {"o2_spanned_in_co2_pct": 18.0}), "warning"),
    Mistake("range", "analyser[analyser-1].belief.co2_range_pct", put("analyser.0.belief.co2_range_pct", 21.0)),
]  # fmt: skip

EVERY = SHAPE + ACROSS + INSTRUMENTS

FINE = {
    "permit just above twice the interval": put("timing.permit_valid_s", 20.1),
    "permit at the contract's 60 s": put("timing.permit_valid_s", 60),
    "sample age of two rotations": put("timing.sample_age_s_max", 2160),
    "an hour's volume in one request": put("limits.air.per_hour_nl", 150),
    "a day's volume in one hour": put("limits.air.per_day_nl", 6000),
    "danger at the clear limit, oxygen": put("room.0.limits.o2_danger_min.pct", 19.5),
    "danger at the clear limit, CO2": put("room.0.limits.co2_danger_max.pct", 0.5),
    "danger at the absolute limit, oxygen": put("room.0.limits.o2_danger_min.pct", 17.0),
    "danger at the absolute limit, CO2": put("room.0.limits.co2_danger_max.pct", 3.0),
    "CO2 over 15 minutes at the absolute limit": put("room.0.limits.co2_stel_max.pct", 3.0),
    "CO2 over 15 minutes as over 8 hours": put("room.0.limits.co2_stel_max.pct", 0.5),
    "a sensor that rounds coarsely": put("room.0.sensor.0.flat_line_s_max", 0),
    "a range that no ceiling reaches": put("analyser.0.belief.co2_range_pct", 21.1),
    "an uncompensated paramagnetic cell": put("analyser.0.corrections.pressure_compensated", False),
    "floor just below the band": put("recipe.1.o2_floor_pct", 5.49),
    "ceiling just above the band": put("recipe.1.co2_ceiling_pct", 16.01),
    # 20.95 (100 - 15) / 99.96 = 17.8146
    "as much oxygen as air leaves beside 15 % CO2": put("recipe.1.o2_pct", 17.81),
    "nitrogen just purer than black currant wants": both(put("source.0.o2_pct", 2.99), drop("source.0.o2_pct_max")),
    "off purity just under what black currant wants": put("source.0.o2_pct_max", 2.99),
    "off purity just at the rated residual oxygen": put("source.0.o2_pct_max", 0.5),
    "a data sheet that ends at the rated flow": put("source.0.purity", sheet((90, 0.1), (150, 0.1), (200, 0.52))),
    "one valve at once": put("source.0.valves_at_once", 1),
    "a source that feeds nobody may be as poor as it likes": added(
        "source", {"id": "old", "gas": "nitrogen", "unit": "gateway-plant", "capacity_nl_min": 9, "o2_pct": 9.0}
    ),
    "no CO2 and no source of it": both(
        put("recipe.0.co2_pct", 0), drop("enclosure.0.sources.co2"), drop("enclosure.1.sources.co2"),
        drop("enclosure.10.sources.co2"),
    ),
    "reserve just below the stock": put("source.1.reserve_kg", 299),
    "an empty bank with no reserve": both(put("source.1.stock_kg", 0), put("source.1.reserve_kg", 0)),
    "a reserve of a stock that only the source tells": both(drop("source.1.stock_kg"), drop("source.1.order_lead_days")),
    "no prices and no currency": both(drop("source.0.price_per_1000_nl"), drop("source.1.price_per_kg"), drop("site.currency")),
    "a broker on the network that is a gate": both(put("broker.host", "192.0.2.7"), put("broker.identities", "identities")),
    "a user name with its password": both(put("broker.username", "u"), put("broker.password_file", "p")),
    "a second unit with a number": put("enclosure.3.unit", "gateway-north2"),
    "a unit named twice": both(put("enclosure.3.unit", "gateway-nroth"), put("enclosure.4.unit", "gateway-nroth")),
    "two units named once each": both(put("enclosure.3.unit", "box-left"), put("enclosure.4.unit", "box-lfet")),
    "a unit of another name": put("enclosure.3.unit", "gateway-notch"),
    "two analysers that agree on a line": added(
        "analyser", analyser([{"id": "line-01", "transport_s": 22, "settling_s": 62}])
    ),
    "two analysers with the same tube": both(
        put("analyser.0.lines.0", {"id": "line-01", "tube": TUBE}),
        added("analyser", analyser([{"id": "line-01", "tube": TUBE}])),
    ),
    "a tube beside a measured time": put("analyser.0.lines.0", {"id": "line-01", "tube": TUBE, "transport_s": 33}),
    "samples that are just within their share of the gas": both(
        put("sampling.drawn_pct_max", 7.42), put("enclosure.8.free_volume_nl", 2000),
    ),
    "a line of room air": line(room="south"),
    "a line of calibration gas": both(added("calibration_gas", GAS), line(gas="mix")),
    "a bottle whose certificate ran out long ago": hung(expires="1999-12-31"),
    "a gas known to just the action limit": hung(co2_uncertainty_pct=0.5),
    "a mixed gas as a span": hung(use="span"),
    "a line that nothing is piped to yet": line(),
    "the same sensor id in two rooms": put("room.1.sensor.0.id", "north-door"),
    "a recipe that nobody uses": added("recipe", {
        "id": "spare", "crop": "spare", "o2_pct": 0.9, "co2_pct": 0, "o2_band_pct": 0.1, "co2_band_pct": 0.1,
        "o2_floor_pct": 0.5, "co2_ceiling_pct": 1, "source": "invented",
    }),
}  # fmt: skip
