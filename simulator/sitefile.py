"""The few keys of a site file that the hardware stands on. The supervisor judges the file; this only picks from it."""

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

MEND = "run `stillhold check` on the file"


class SiteFileError(ValueError):
    """The site file lacks what a plant needs; the text names the place and the mend."""


@dataclass(frozen=True)
class SensorSpec:
    id: str
    unit: str


@dataclass(frozen=True)
class RoomSpec:
    id: str
    volume_m3: float
    ventilation_m3_h: float
    sensors: tuple[SensorSpec, ...]


@dataclass(frozen=True)
class SourceSpec:
    id: str
    gas: str
    unit: str
    capacity_nl_min: float
    o2_pct: float
    stock_kg: float | None
    pressure_kpa_min: float | None = None
    purity: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class GasSpec:
    """A cylinder of calibration gas, as its certificate has it."""

    id: str
    o2_pct: float
    co2_pct: float


@dataclass(frozen=True)
class LineSpec:
    """A sample line. Where `gas` is given it carries that calibration gas, where `room` is given that room's air."""

    id: str
    transport_s: float
    settling_s: float
    room: str | None
    gas: GasSpec | None


@dataclass(frozen=True)
class AnalyserSpec:
    id: str
    unit: str
    idle_line: str
    sample_flow_nl_min: float
    cell_s: float
    lines: Mapping[str, LineSpec]


@dataclass(frozen=True)
class EnclosureSpec:
    id: str
    room: str
    line: str | None
    unit: str
    crop: str
    free_volume_nl: float
    fruit_kg: float
    sources: Mapping[str, str]
    flow_nl_min_max: Mapping[str, float]


@dataclass(frozen=True)
class SiteSpec:
    id: str
    root: str
    host: str
    port: int
    rooms: tuple[RoomSpec, ...]
    sources: tuple[SourceSpec, ...]
    analysers: tuple[AnalyserSpec, ...]
    enclosures: tuple[EnclosureSpec, ...]

    @property
    def units(self) -> tuple[str, ...]:
        """Every hardware unit named anywhere, in order of first mention."""
        named = [sensor.unit for room in self.rooms for sensor in room.sensors]
        named += [one.unit for one in (*self.sources, *self.analysers, *self.enclosures)]
        return tuple(dict.fromkeys(named))


def load_site(path: Path) -> dict[str, Any]:
    """The site file as a dict. Raises SiteFileError where it cannot be read or is no TOML."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as why:
        raise SiteFileError(f"{path}: cannot be read as a site file: {why}") from why


def read_site(site: Mapping[str, Any]) -> SiteSpec:
    """Pick what the hardware needs. Raises SiteFileError naming the table and key that is missing or wrong."""
    head = _Table(site, "site file").table("site")
    broker = _Table(site, "site file").table("broker", optional=True)
    crops = {one.text("id"): one.text("crop") for one in _Table(site, "site file").tables("recipe")}
    top = _Table(site, "site file")
    gases = {one.text("id"): _gas(one) for one in top.tables("calibration_gas")}
    site_id = head.text("id")
    return SiteSpec(
        id=site_id,
        root=head.get("topic_root") or f"stillhold/{site_id}",
        host=broker.get("host") or "127.0.0.1",
        port=broker.get("port") or 1883,
        rooms=tuple(_room(one) for one in top.tables("room")),
        sources=tuple(_source(one) for one in top.tables("source")),
        analysers=tuple(_analyser(one, gases) for one in top.tables("analyser")),
        enclosures=tuple(_enclosure(one, crops) for one in top.tables("enclosure")),
    )


class _Table:
    """A TOML table that knows its place, so that an error can name it."""

    def __init__(self, keys: Mapping[str, Any], place: str) -> None:
        self.keys, self.place = keys, place

    def get(self, key: str) -> Any:
        return self.keys.get(key)

    def text(self, key: str) -> str:
        value = self.keys.get(key)
        if not isinstance(value, str) or not value:
            raise SiteFileError(f"{self.place}: {key} must be text, found {value!r}; {MEND}")
        return value

    def number(self, key: str, default: float | None = None) -> float:
        value = self.keys.get(key, default)
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise SiteFileError(f"{self.place}: {key} must be a number, found {value!r}; {MEND}")
        return float(value)

    def table(self, key: str, *, optional: bool = False) -> "_Table":
        value = self.keys.get(key, {} if optional else None)
        if not isinstance(value, Mapping):
            raise SiteFileError(f"{self.place}: a table [{key}] is needed; {MEND}")
        return _Table(value, f"{self.place} [{key}]")

    def tables(self, key: str) -> list["_Table"]:
        value = self.keys.get(key, [])
        if not isinstance(value, list) or not all(isinstance(one, Mapping) for one in value):
            raise SiteFileError(f"{self.place}: {key} must be a list of tables; {MEND}")
        return [_Table(one, f"{self.place} [[{key}]] {one.get('id', i)}") for i, one in enumerate(value)]


def _room(one: _Table) -> RoomSpec:
    sensors = tuple(SensorSpec(s.text("id"), s.text("unit")) for s in one.tables("sensor"))
    return RoomSpec(one.text("id"), one.number("volume_m3"), one.number("ventilation_m3_h", 0.0), sensors)


def _source(one: _Table) -> SourceSpec:
    stock = one.number("stock_kg") if one.get("stock_kg") is not None else None
    pressure = one.number("pressure_kpa_min") if one.get("pressure_kpa_min") is not None else None
    purity = tuple((point.number("flow_nl_min"), point.number("o2_pct")) for point in one.tables("purity"))
    return SourceSpec(
        one.text("id"), one.text("gas"), one.text("unit"), one.number("capacity_nl_min"), one.number("o2_pct", 0.0), stock,
        pressure, purity,
    )  # fmt: skip


def _gas(one: _Table) -> GasSpec:
    return GasSpec(one.text("id"), one.number("o2_pct"), one.number("co2_pct"))


def _analyser(one: _Table, gases: Mapping[str, GasSpec]) -> AnalyserSpec:
    """`cell_s` is the time constant of its cell: 150 ml at 1 l/min is 9 s."""
    flow_nl_min = one.number("sample_flow_nl_min", 1.0)
    cell_s = one.number("cell_ml", 150.0) * 0.06 / flow_nl_min
    lines = {line.text("id"): _line(line, flow_nl_min, cell_s, gases) for line in one.tables("lines")}
    return AnalyserSpec(one.text("id"), one.text("unit"), one.text("idle_line"), flow_nl_min, cell_s, lines)


def _line(one: _Table, flow_nl_min: float, cell_s: float, gases: Mapping[str, GasSpec]) -> LineSpec:
    """Times that are not given follow from the tube and the cell: a 17.95 % step has 0.02 % left when it has settled."""
    transport_s = settling_s = None
    if one.get("tube") is not None:
        tube = one.table("tube")
        holds_ml = math.pi * (tube.number("bore_mm") / 2.0) ** 2 * tube.number("length_m")
        transport_s, settling_s = holds_ml * 0.06 / flow_nl_min, cell_s * math.log(17.95 / 0.02)
    gas = one.get("gas")
    if gas is not None and gas not in gases:
        raise SiteFileError(f"{one.place}: gas {gas!r} is no [[calibration_gas]]; {MEND}")
    return LineSpec(
        one.text("id"), one.number("transport_s", transport_s), one.number("settling_s", settling_s), one.get("room"),
        gases.get(gas) if gas else None,
    )  # fmt: skip


def _enclosure(one: _Table, crops: Mapping[str, str]) -> EnclosureSpec:
    sources = one.table("sources", optional=True)
    limits = one.table("flow_nl_min_max", optional=True)
    return EnclosureSpec(
        one.text("id"),
        one.text("room"),
        one.get("line"),
        one.text("unit"),
        crops.get(one.text("recipe"), ""),
        one.number("free_volume_nl"),
        one.number("fruit_kg", 0.0),
        {gas: sources.text(gas) for gas in sources.keys},
        {gas: limits.number(gas) for gas in limits.keys},
    )
