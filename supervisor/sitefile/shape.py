"""Whether a site file has the right shape: every key known, every value of its kind and within its bounds.

What pydantic finds is told in the file's own words. What is left of a file with mistakes becomes a draft, in which the
value at every mistake is None, so that the checks across keys can still say all that they can say.
"""

from copy import deepcopy
from types import UnionType
from typing import Any, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError

from supervisor.settings import SiteFile
from supervisor.sitefile.problems import MISSING, Problem, error, nearest

Place = tuple[str | int, ...]

UNITS = {
    "_nl_min": "normal litres a minute",
    "_m3_h": "cubic metres an hour",
    "_nl": "normal litres",
    "_m3": "cubic metres",
    "_kg": "kilograms",
    "_pct": "volume percent",
    "_s": "seconds",
}
TYPE_WORDS = {
    "number": "a number", "integer": "a whole number", "string": "text in quotes", "boolean": "true or false",
    "object": "a table", "array": "a list",
}  # fmt: skip
_SCHEMA = SiteFile.model_json_schema()


def examine_shape(data: dict[str, Any]) -> tuple[SiteFile | None, SiteFile, list[Problem]]:
    """The site if its shape is right, a draft of it in any case, and a problem for each mistake."""
    try:
        site = SiteFile.model_validate(data)
    except ValidationError as failed:
        found = {}
        for one in failed.errors(include_url=False):
            if one["type"] == "too_short" and one["input"]:
                continue  # pydantic says so of a list whose entries are wrong: the entries are told
            place, node = _node_at(one["loc"])
            found.setdefault((place, one["type"] == "extra_forbidden"), (one, node))
        problems = _told(found, data)
        return None, _draft(SiteFile, _pruned(data, found)), problems
    return site, site, []


def key_of(place: Place, data: Any) -> str:
    """The place in words: `enclosure[n3].free_volume_nl`, with `#4` for the fourth entry where it has no id."""
    text, here = "", data
    for step in place:
        if isinstance(step, int):
            here = here[step] if isinstance(here, list) and step < len(here) else None
            name = here.get("id") if isinstance(here, dict) else None
            text += f"[{name}]" if isinstance(name, str) and name else f"[#{step + 1}]"
        else:
            here = here.get(step) if isinstance(here, dict) else None
            text += f".{step}" if text else step
    return text


# ------------------------------------------------------------------------------------------------ words


def _told(found: dict[tuple[Place, bool], tuple[Any, dict[str, Any]]], data: dict[str, Any]) -> list[Problem]:
    missing = {place for (place, _), (one, _) in found.items() if one["type"] == "missing"}
    problems, renamed = [], set()
    for (place, unknown), (one, node) in found.items():
        if unknown:
            wanted = {str(gone[-1]) for gone in missing if gone[:-1] == place[:-1]}
            told, meant = _unknown_key(place, one["input"], node, wanted, data)
            problems.append((place, told))
            renamed.add((*place[:-1], meant))
        else:
            problems.append((place, _wrong_value(place, one, node, data)))
    # A misspelt key shows twice, as unknown and as missing: once is enough.
    return [told for place, told in problems if place not in renamed or place not in missing]


def _unknown_key(
    place: Place, value: object, node: dict[str, Any], wanted: set[str], data: dict[str, Any]
) -> tuple[Problem, str | None]:
    known = list(node.get("properties", {}))
    meant = nearest(place[-1], wanted) or nearest(place[-1], known)
    mend = f"write {meant}" if meant else "remove it, or move it to the table that it belongs to"
    return error(key_of(place, data), value, f"one of the keys {', '.join(known)}", mend), meant


def _wrong_value(place: Place, one: Any, node: dict[str, Any], data: dict[str, Any]) -> Problem:
    key, kind, value = key_of(place, data), one["type"], one["input"]
    allowed = _allowed(place, node)
    if kind == "missing":
        return error(key, MISSING, allowed, _add(place, node))
    if kind == "too_lax":
        worded = f"{one['msg']}: an absolute limit; a site may be stricter, never laxer"
        return error(f"{key}.pct", value.get("pct"), worded, "use a figure within it, with the publication it is from")
    if kind == "too_short":
        return error(key, value, "at least one entry", f"add one entry: {_add(place, node)}")
    return error(key, value, allowed, _mend(place, kind, value, node))


def _mend(place: Place, kind: str, value: object, node: dict[str, Any]) -> str:
    if "const" in node:
        return f"write {node['const']}"
    if kind == "literal_error":
        meant = nearest(value, [str(word) for word in node.get("enum", [])])
        return f"write {meant}" if meant else "use one of these words"
    if kind == "string_pattern_mismatch":
        return "rename it; where it is an id, rename it wherever it is referred to"
    if kind in ("greater_than", "greater_than_equal", "less_than", "less_than_equal"):
        mend = "raise it" if kind.startswith("greater") else "lower it"
        ceiling = kind.startswith("less") and place[0] in ("limits", "timing")
        return mend + ("; the ceiling belongs to the program, and no site file may exceed it" if ceiling else "")
    if kind == "finite_number":
        return "give a finite number: nan and inf are no measurements"
    if kind in ("float_type", "int_type", "float_parsing") and isinstance(value, str):
        return "write the number without quotes, with a point for decimals"
    if node.get("type") == "array" and isinstance(value, dict):
        return f"write [[{place[-1]}]] with two brackets, once for each entry"
    if node.get("type") == "string":
        return "put it in quotes"
    return "write it as the example site file does"


def _add(place: Place, node: dict[str, Any]) -> str:
    name = str(place[-1])
    if node.get("type") == "array":
        return f"write [[{'.'.join(step for step in place if isinstance(step, str))}]] with its keys below"
    if node.get("type") == "object":
        return f"add the table {name} with the keys {', '.join(node.get('properties', {}))}"
    return f"add {name} = ... to this table"


def _allowed(place: Place, node: dict[str, Any]) -> str:
    if "const" in node:
        return str(node["const"])
    if "enum" in node:
        return "one of " + ", ".join(str(word) for word in node["enum"])
    if "pattern" in node and "description" in node:
        return str(node["description"])
    if "anyOf" in node:
        return " or ".join(TYPE_WORDS[one["type"]] for one in node["anyOf"] if one.get("type") in TYPE_WORDS)
    words = TYPE_WORDS.get(node.get("type", ""), "what the schema says")
    if node.get("properties"):
        return f"{words} with the keys {', '.join(node['properties'])}"
    bounds = [
        f"{said} {node[name]:g}" if isinstance(node[name], float) else f"{said} {node[name]}"
        for name, said in (
            ("exclusiveMinimum", "above"), ("minimum", "at least"),
            ("exclusiveMaximum", "below"), ("maximum", "at most"),
            ("minLength", "characters: at least"), ("maxLength", "characters: at most"),
        )
        if name in node
    ]  # fmt: skip
    name = str(place[-1])
    unit = next((said for mark, said in UNITS.items() if f"{mark}_" in f"_{name}_"), None)
    return " ".join([words + ("," if bounds else ""), " and ".join(bounds)]).strip() + (f" ({unit})" if unit else "")


def _node_at(loc: tuple[str | int, ...]) -> tuple[Place, dict[str, Any]]:
    """The schema of the value at `loc`, and as much of `loc` as stands in the file (not the members of a union)."""
    node, place = _resolved(_SCHEMA), []
    for step in loc:
        if isinstance(step, int):
            below = node.get("items")
        else:
            below = node.get("properties", {}).get(step) or node.get("additionalProperties") or None
            if below is None and node.get("type") != "object":
                break
            if below is None:  # an unknown key: its table tells what may stand there
                return (*place, step), node
        if below is None or step == "[key]":
            break
        node = _resolved(below)
        place.append(step)
    return tuple(place), node


def _resolved(node: dict[str, Any]) -> dict[str, Any]:
    """Behind a reference, and past `or null`."""
    if "$ref" in node:
        return _resolved(_SCHEMA["$defs"][node["$ref"].rsplit("/", 1)[-1]])
    members = [one for one in node.get("anyOf", []) if one.get("type") != "null"]
    return _resolved(members[0]) if len(members) == 1 else node


# ------------------------------------------------------------------------------------------------ draft


def _pruned(data: dict[str, Any], found: dict[tuple[Place, bool], tuple[Any, Any]]) -> dict[str, Any]:
    """The data with None at every mistake; a name that only breaks the pattern stays, as others may refer to it."""
    rest = deepcopy(data)
    for (place, _), (one, _) in found.items():
        if one["type"] in ("missing", "too_short", "string_pattern_mismatch") or not place:
            continue
        here: Any = rest
        for step in place[:-1]:
            within = isinstance(here, dict) and step in here or isinstance(here, list) and isinstance(step, int)
            here = here[step] if within else None
        if isinstance(here, dict | list):
            here[place[-1]] = None  # type: ignore[call-overload]
    return rest


def _draft(model: type[BaseModel], raw: Any) -> Any:
    """`model` built from whatever is there, unchecked: lists may be empty and single values None."""
    values: dict[str, Any] = {}
    given = {name for name in model.model_fields if not isinstance(raw, dict) or name in raw}
    for name, field in model.model_fields.items():
        inner, many = _inner(field.annotation)
        if not isinstance(raw, dict):
            values[name] = () if many else _draft(inner, None) if inner else None
            continue
        value = raw.get(name)
        if many and inner:
            values[name] = tuple(_draft(inner, one) for one in value) if isinstance(value, list) else ()
        elif inner and (name in raw or field.is_required()):
            values[name] = _draft(inner, value)
        elif name in raw or field.is_required():
            values[name] = value
        else:
            values[name] = field.get_default(call_default_factory=True)
    return model.model_construct(_fields_set=given, **values)


def _inner(annotation: Any) -> tuple[type[BaseModel] | None, bool]:
    """The table that a field holds, if it holds one, and whether it is a list of them."""
    origin = get_origin(annotation)
    if origin is tuple:
        inner = _inner(get_args(annotation)[0])[0]
        return inner, inner is not None  # a list of single values stands in the draft as it was written
    if origin in (Union, UnionType):
        members = [one for one in get_args(annotation) if one is not type(None)]
        return _inner(members[0]) if len(members) == 1 else (None, False)
    return (annotation, False) if isinstance(annotation, type) and issubclass(annotation, BaseModel) else (None, False)
