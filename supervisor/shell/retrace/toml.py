"""Plain data as TOML 1.0: what the standard library reads, it does not write."""

import json
from typing import Any


def as_toml(data: dict[str, Any]) -> str:
    """`data` with single values and lists first and a table for each dict; lists of tables as arrays of tables."""
    return "\n".join(_table(data, ())) + "\n"


def _table(data: dict[str, Any], path: tuple[str, ...]) -> list[str]:
    plain = {key: value for key, value in data.items() if not isinstance(value, dict) and not _are_tables(value)}
    lines = [f"{_key(key)} = {_value(value)}" for key, value in plain.items()]
    for key, value in data.items():
        if key in plain:
            continue
        name = ".".join(map(_key, (*path, key)))
        if isinstance(value, dict):
            lines += ["", f"[{name}]", *_table(value, (*path, key))]
        else:
            for one in value:
                lines += ["", f"[[{name}]]", *_table(one, (*path, key))]
    return lines


def _are_tables(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(one, dict) for one in value)


def _key(name: str) -> str:
    return name if name and all(letter.isascii() and (letter.isalnum() or letter in "_-") for letter in name) else _value(name)


def _value(value: Any) -> str:
    if isinstance(value, list):
        return f"[{', '.join(map(_value, value))}]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_key(key)} = {_value(one)}" for key, one in value.items()) + " }"
    # A JSON text is a TOML basic string but for DEL, which TOML wants escaped.
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
