"""Gateways that speak differently: what they send becomes the contract, or a refusal that says why."""

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from supervisor.messages import RoomAir, RoomClimate
from supervisor.settings import SiteFile
from supervisor.shell.mapping import Mapper, MappingError
from supervisor.sitefile import examine_data, load

CONFIG = Path(__file__).parents[2] / "config"
SITE = load(CONFIG / "thistlemere.toml")
MAPPER = Mapper(SITE)
QUILLFEN = (CONFIG / "quillfen.toml").read_text(encoding="utf-8")

# The example message of the site file's own comment.
AIR = {
    "ms": 1782882000000, "n": 57, "state": 0,
    "gas": [{"name": "oxygen", "part": 0.2081}, {"name": "carbon dioxide", "ppm": 840}],
}  # fmt: skip


def air(**changes: Any) -> bytes:
    return json.dumps(AIR | changes).encode()


def site_with(**mapping: Any) -> tuple[SiteFile | None, list[tuple[str, str]]]:
    data = tomllib.loads((CONFIG / "thistlemere.toml").read_text(encoding="utf-8"))
    data["mapping"] = [mapping]
    examined = examine_data(data, "site.toml")
    return examined.site, [(one.level, one.key) for one in examined.problems]


# ------------------------------------------------------------------------------------------------ translation


def test_a_foreign_air_message_becomes_the_contracts() -> None:
    translated = MAPPER.translate("yard/air/floor", air())
    assert translated is not None
    topic, payload = translated
    assert topic == "room/shed/air/floor"
    read = RoomAir.model_validate_json(payload)
    assert json.loads(read.model_dump_json()) == {
        "observed_at": "2026-07-01T05:00:00.000Z", "seq": 57, "o2_pct": pytest.approx(20.81),
        "co2_pct": pytest.approx(0.084), "status": "ok",
    }  # fmt: skip


def test_fahrenheit_becomes_degrees_celsius() -> None:
    payload = b'{"at": "2026-07-01T05:00:00Z", "now": {"fahrenheit": 33.8, "humidity": 92}}'
    translated = MAPPER.translate("yard/weather", payload)
    assert translated is not None and translated[0] == "room/shed/climate"
    read = RoomClimate.model_validate_json(translated[1])
    # 33.8 F is 1 degC by the definition of the scale.
    assert (read.temperature_c, read.rh_pct) == (pytest.approx(1.0), 92.0)
    assert read.barometer_pa is None


@pytest.mark.parametrize(("code", "status"), [(0, "ok"), (1, "warming_up"), (2, "fault"), ("0", "ok")])
def test_codes_are_translated(code: object, status: str) -> None:
    translated = MAPPER.translate("yard/air/floor", air(state=code))
    assert translated is not None and json.loads(translated[1])["status"] == status


@pytest.mark.parametrize("topic", ["yard/air", "yard/air/floor/x", "yard/airs/floor", "shed/room/shed/air/floor", ""])
def test_other_topics_are_not_touched(topic: str) -> None:
    assert MAPPER.translate(topic, b"not even json") is None


def test_the_subscriptions_are_the_topics_with_their_levels_open() -> None:
    assert MAPPER.subscriptions == ("yard/air/+", "yard/weather")
    assert Mapper(load(CONFIG / "quillfen.toml")).subscriptions == ()


@pytest.mark.parametrize(
    ("payload", "words"),
    [
        (air(ms="soon"), "observed_at: 'soon' is no number"),
        (air(ms=True), "observed_at: 'True' is no number"),
        (air(ms=10**30), "observed_at: .* out of range"),
        (air(gas=[{"part": 0.2}]), r"co2_pct: the payload has nothing at gas\.1\.ppm"),
        (air(gas={"1": {"ppm": 3}}), r"o2_pct: the payload has nothing at gas\.0\.part"),
        (air(state=3), "status: '3' is none of 0, 1, 2"),
        (air(state=None), "status: 'None' is none of"),
        (air(state=[0]), "status: "),
        (air(n=float("nan")), "NaN"),
        (air().replace(b"840", b"1e999"), "not finite"),
        (air().replace(b"840", b"9" * 5000), "payload: "),
        (b"", "payload: "), (b"{", "payload: "), (b"\xff", "payload: "), (b"[" * 5000, "nested"),
        (b'"' + b"x" * 70_000 + b'"', "70002 bytes"),
        (b"[]", "nothing at ms"), (b"null", "nothing at ms"), (b"7", "nothing at ms"),
    ],
)  # fmt: skip
def test_what_cannot_be_read_is_refused_with_its_reason(payload: bytes, words: str) -> None:
    with pytest.raises(MappingError, match=words):
        MAPPER.translate("yard/air/floor", payload)


@pytest.mark.parametrize("level", ["Floor", "floor 1", "", "a.b", "\u0661", "x" * 41])
def test_a_level_that_is_no_legal_name_is_refused(level: str) -> None:
    with pytest.raises(MappingError, match="no legal name"):
        MAPPER.translate(f"yard/air/{level}", air())


def test_a_value_of_the_wrong_kind_goes_on_to_be_refused_by_the_contract() -> None:
    """A mapping undoes a slip of unit or naming; it makes nothing valid."""
    translated = MAPPER.translate("yard/air/floor", air(n="57"))
    assert translated is not None
    with pytest.raises(ValueError, match="seq"):
        RoomAir.model_validate_json(translated[1])


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(["ms", "n", "gas", "part"]), inner),
    max_leaves=8,
)


@settings(max_examples=200, deadline=None)
@given(st.one_of(st.binary(max_size=50), st.dictionaries(st.sampled_from(sorted(AIR)), json_values).map(
    lambda changes: json.dumps(AIR | changes).encode())), st.text(max_size=8))  # fmt: skip
def test_nothing_else_comes_out_of_it(payload: bytes, level: str) -> None:
    try:
        translated = MAPPER.translate(f"yard/air/{level}", payload)
    except MappingError:
        return
    assert translated is None or isinstance(json.loads(translated[1]), dict)


# ------------------------------------------------------------------------------------------------ checks

GOOD: dict[str, Any] = {
    "topic": "yard/air/{sensor}",
    "kind": "room/{room}/air/{sensor}",
    "names": {"room": "shed"},
    "fields": {"observed_at": "t", "seq": "n", "o2_pct": "o", "co2_pct": "c", "status": "s"},
    "units": {"co2_pct": "ppm"},
    "values": {"status": {"GOOD": "ok"}},
}


def changed(**changes: Any) -> dict[str, Any]:
    return GOOD | {
        name: {key: value for key, value in (GOOD.get(name, {}) | change).items() if value is not None}
        if isinstance(change, dict)
        else change
        for name, change in changes.items()
    }


def test_a_good_mapping_has_no_problems() -> None:
    assert site_with(**GOOD)[1] == []


@pytest.mark.parametrize(
    ("mapping", "key"),
    [
        (changed(topic="yard/air/#"), "topic"),
        (changed(topic="yard/air/+/{sensor}"), "topic"),
        (changed(topic="yard//{sensor}"), "topic"),
        (changed(topic="$SYS/{sensor}"), "topic"),
        (changed(topic="yard/air/x{sensor}", names={"sensor": "door"}), "topic"),
        (changed(topic="shed/{sensor}/air"), "topic"),
        (changed(topic="yard/{box}/{sensor}"), "topic"),
        (changed(topic="yard/air"), "names.sensor"),
        (changed(kind="room/{room}/airs/{sensor}"), "kind"),
        (changed(kind="operator/command"), "kind"),
        (changed(kind="room/{room}/permit"), "kind"),
        (changed(names={"room": None}), "names.room"),
        (changed(names={"room": "barn"}), "names.room"),
        (changed(names={"room": "Shed"}), "names.room"),
        (changed(names={"sensor": "door"}), "names.sensor"),
        (changed(topic="yard/air", names={"sensor": "roof"}), "names.sensor"),
        (changed(fields={"observed_at": None}), "fields.observed_at"),
        (changed(fields={"o2": "x"}), "fields.o2"),
        (changed(fields={"status": None}, values={"status": None}), "fields.status"),
        (changed(fields={"co2_pct": None}, units={"co2_pct": None}, fixed={"co2_pct": 0.04}), "fixed.co2_pct"),
        (changed(fields={"observed_at": None}, fixed={"observed_at": "2026-07-01T05:00:00Z"}), "fixed.observed_at"),
        (changed(fields={"status": None}, values={"status": None}, fixed={"status": "fine"}), "fixed.status"),
        (changed(fixed={"seq": 1}), "fixed.seq"),
        (changed(units={"status": "ppm"}, values={"status": None}), "units.status"),
        (changed(units={"co2_pct": "fahrenheit"}), "units.co2_pct"),
        (changed(units={"co2_pct": "permille"}), "units.co2_pct"),
        (changed(units={"co2": "ppm"}), "units.co2"),
        (changed(values={"status": {"GOOD": "fine"}}), "values.status.GOOD"),
        (changed(values={"co2_pct": {"low": 0.1}}), "values.co2_pct"),
        (changed(values={"health": {"low": 0.1}}), "values.health"),
        (changed(fixed={"colour": "red"}), "fixed.colour"),
        (changed(fixed={"status": "ok"}), "fixed.status"),
        (changed(fixed={"status": ["ok"]}, fields={"status": None}, values={"status": None}), "fixed.status"),
    ],
)
def test_a_mistake_in_a_mapping_is_named(mapping: dict[str, Any], key: str) -> None:
    site, problems = site_with(**mapping)
    assert problems == [("error", f"mapping[#1].{key}")]
    assert site is None


@pytest.mark.parametrize(("sensor", "keys"), [("north-door", []), ("south-door", ["mapping[#1].names.sensor"])])
def test_a_sensor_is_one_of_its_room(sensor: str, keys: list[str]) -> None:
    data = tomllib.loads(QUILLFEN)
    data["mapping"] = [changed(topic="yard/air", names={"room": "north", "sensor": sensor})]
    assert [one.key for one in examine_data(data, "site.toml").problems] == keys


@pytest.mark.parametrize(("unit", "problems"), [("shed-box", []), ("box", [("error", "mapping[#1].names.unit")])])
def test_a_unit_is_one_that_serves_something(unit: str, problems: list[tuple[str, str]]) -> None:
    fields = {"observed_at": "t", "online": "up", "boot": "b", "epoch_seen": "e"}
    mapping = {"topic": "yard/box", "kind": "hardware/{unit}/status", "names": {"unit": unit}, "fields": fields}
    assert site_with(**mapping)[1] == problems


def test_a_fixed_word_for_the_gateways_health_is_warned_of() -> None:
    site, problems = site_with(**changed(fields={"status": None}, values={"status": None}, fixed={"status": "ok"}))
    assert problems == [("warning", "mapping[#1].fixed.status")]
    assert site is not None
    translated = Mapper(site).translate("yard/air/door", b'{"t": "x", "n": 1, "o": 20.9, "c": 400}')
    assert translated is not None and json.loads(translated[1])["status"] == "ok"


@pytest.mark.parametrize(
    ("one", "other", "overlap"),
    [
        ("yard/air/{sensor}", "yard/air/{sensor}", True),
        ("yard/{sensor}/air", "yard/door/{sensor}", True),
        ("yard/air/{sensor}", "barn/air/{sensor}", False),
        ("yard/air/{sensor}", "yard/air/{sensor}/x", False),
    ],
)
def test_two_mappings_may_not_read_one_message(one: str, other: str, overlap: bool) -> None:
    data = tomllib.loads((CONFIG / "thistlemere.toml").read_text(encoding="utf-8"))
    data["mapping"] = [GOOD | {"topic": one}, GOOD | {"topic": other}]
    keys = [problem.key for problem in examine_data(data, "site.toml").problems]
    assert keys == (["mapping[#2].topic"] if overlap else [])


def test_the_commented_mapping_of_the_worked_example_is_one() -> None:
    lines = QUILLFEN[QUILLFEN.index("# [[mapping]]") :].splitlines()
    text = QUILLFEN + "\n" + "\n".join(line.removeprefix("# ") for line in lines)
    examined = examine_data(tomllib.loads(text), "site.toml")
    assert examined.problems == () and examined.site is not None and len(examined.site.mapping) == 1
    body = b'{"time": 1782882000, "count": 3, "health": "GOOD", "cells": [{"reading": 20.9}, {"reading": 600}]}'
    translated = Mapper(examined.site).translate("outbuilding/gas/south-floor", body)
    assert translated is not None and translated[0] == "room/south/air/south-floor"
    assert RoomAir.model_validate_json(translated[1]).co2_pct == pytest.approx(0.06)
