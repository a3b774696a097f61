"""A row as one line of the time-series database's line protocol.

Source: InfluxDB v2 documentation, line protocol reference. A tag with an empty value is left out, a field that is not
finite is left out, and a row that is left without a field is no line at all.
"""

from math import isfinite

from supervisor.values import Row

STRING_BYTES_MAX = 64 * 1024
_NAME = str.maketrans({",": r"\,", " ": r"\ "})
_KEY = str.maketrans({",": r"\,", " ": r"\ ", "=": r"\="})
_STRING = str.maketrans({'"': r"\"", "\\": r"\\"})


def to_line(row: Row) -> str | None:
    """The line of `row` with nanoseconds, None when no field of it can be written.

    Floats are always written as floats, so that a field never changes its type.
    """
    fields = [f"{_key(name)}={text}" for name, value in row.fields if (text := _value(value)) is not None]
    if not fields:
        return None
    tags = "".join(f",{_key(name)}={_key(value)}" for name, value in sorted(row.tags) if value)
    # Microseconds are all that a float of seconds since 1970 can hold.
    return f"{_one_line(row.measurement).translate(_NAME)}{tags} {','.join(fields)} {round(row.wall_s * 1e6) * 1000}"


def _value(value: float | str | bool) -> str | None:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        cut = value.encode("utf-8", "replace")[:STRING_BYTES_MAX].decode("utf-8", "ignore")
        return f'"{cut.translate(_STRING)}"'
    return repr(float(value)) if isfinite(value) else None


def _key(text: str) -> str:
    # A backslash at the end would escape the separator that follows, and there is no way to write one there.
    return _one_line(text).rstrip("\\").translate(_KEY)


def _one_line(text: str) -> str:
    return text.encode("utf-8", "replace").decode().replace("\n", " ").replace("\r", " ")
