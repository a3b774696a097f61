"""Site files made by code from the worked example: one enclosure alone, many of them, lines without a delay."""

import copy
import json
import tomllib
from pathlib import Path
from typing import Any

EXAMPLE = Path(__file__).resolve().parents[2] / "config" / "quillfen.toml"
Site = dict[str, Any]


def example() -> Site:
    """The example, commanded without signatures."""
    site = tomllib.loads(EXAMPLE.read_text(encoding="utf-8"))
    site.pop("operators", None)
    return site


def alone(enclosure: str) -> Site:
    """The example with one enclosure, its line, and the room it stands in."""
    site = example()
    kept = next(one for one in site["enclosure"] if one["id"] == enclosure)
    site["enclosure"] = [kept]
    site["room"] = [one for one in site["room"] if one["id"] == kept["room"]]
    site["recipe"] = [one for one in site["recipe"] if one["id"] == kept["recipe"]]
    for analyser in site["analyser"]:
        analyser["lines"] = [one for one in analyser["lines"] if one["id"] == kept["line"]]
    return site


def times(copies: int) -> Site:
    """`copies` of everything that the example has: twelve enclosures, two rooms, an analyser and three sources each."""
    base = example()
    site = {**base, "room": [], "source": [], "analyser": [], "enclosure": []}
    for number in range(copies):
        mark = f"-{number}"
        part = copy.deepcopy(base)
        for room in part["room"]:
            room["id"] += mark
            for sensor in room["sensor"]:
                sensor["unit"] += mark
        for source in part["source"]:
            source["id"] += mark
            source["unit"] += mark
        for analyser in part["analyser"]:
            analyser["id"] += mark
            analyser["unit"] += mark
            for line in analyser["lines"]:
                line["id"] += mark
        for enclosure in part["enclosure"]:
            for key in ("id", "room", "line", "unit"):
                enclosure[key] += mark
            enclosure["sources"] = {gas: f"{source}{mark}" for gas, source in enclosure["sources"].items()}
        for table in ("room", "source", "analyser", "enclosure"):
            site[table] += part[table]
    return site


def without_delay(site: Site) -> Site:
    """Sample lines of enclosures alone, and no way at all, so that each reading is a sample; room air that counts at once."""
    site = copy.deepcopy(site)
    sampled = {one["line"] for one in site["enclosure"]}
    for analyser in site["analyser"]:
        analyser["lines"] = [line for line in analyser["lines"] if line["id"] in sampled]
        for line in analyser["lines"]:
            line["transport_s"] = line["settling_s"] = 0
    site["timing"]["clear_after_s"] = 0
    return site


def as_toml(site: Site) -> str:
    """TOML for a site: top-level keys, then tables and lists of tables, everything below them inline."""
    lines = [f"{key} = {_inline(value)}" for key, value in site.items() if not isinstance(value, dict | list)]
    for key, value in site.items():
        rows = value if isinstance(value, list) else [value] if isinstance(value, dict) else []
        for row in rows:
            lines += [f"[[{key}]]" if isinstance(value, list) else f"[{key}]"]
            lines += [f"{name} = {_inline(one)}" for name, one in row.items()]
    return "\n".join(lines) + "\n"


def _inline(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_key(name)} = {_inline(one)}" for name, one in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_inline(one) for one in value) + "]"
    return json.dumps(value)


def _key(name: str) -> str:
    return name if name.replace("_", "").replace("-", "").isalnum() else json.dumps(name)
