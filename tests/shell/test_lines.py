"""Rows as line protocol.

Source: InfluxDB v2 documentation, line protocol reference: element order, what is escaped where, types, nanoseconds;
that NaN and infinity are no values is from memory.
"""

import math
import re

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from supervisor.shell.lines import to_line
from supervisor.values import Row

T = 1_788_000_000.25


def line(measurement: str = "m", tags: dict[str, str] | None = None, **fields: object) -> str | None:
    return to_line(Row(measurement, tuple((tags or {}).items()), tuple(fields.items()), T))


def test_the_parts_stand_in_their_order() -> None:
    row = Row("sample", (("enclosure", "n1"), ("analyser", "a")), (("o2_pct", 3.05), ("settled", True)), T)
    assert to_line(row) == "sample,analyser=a,enclosure=n1 o2_pct=3.05,settled=true 1788000000250000000"


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (1, "1.0"), (1.0, "1.0"), (-1.2e78, "-1.2e+78"), (0.1, "0.1"), (True, "true"), (False, "false"), ("", '""'),
        ("plain", '"plain"'), ("a b,c=d", '"a b,c=d"'), ('say "hi"', r'"say \"hi\""'), ("back\\slash", r'"back\\slash"'),
    ],
)  # fmt: skip
def test_each_type_is_written_its_own_way_and_a_whole_number_stays_a_float(value: object, text: str) -> None:
    assert line(f=value) == f"m f={text} 1788000000250000000"


def test_each_place_has_its_own_escapes_and_no_more() -> None:
    assert line("a,b c=d", {"k,e y=": "v,a l="}, f=1.0) == r"a\,b\ c=d,k\,e\ y\==v\,a\ l\= f=1.0 1788000000250000000"
    row = Row("m", (), (("f,i e=", 1.0),), T)
    assert to_line(row) == r"m f\,i\ e\==1.0 1788000000250000000"


def test_an_empty_tag_is_left_out() -> None:
    assert line(tags={"a": "", "b": "x"}, f=1.0) == "m,b=x f=1.0 1788000000250000000"


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_is_not_finite_is_left_out_and_without_a_field_there_is_no_line(value: float) -> None:
    assert line(f=value, g=2.0) == "m g=2.0 1788000000250000000"
    assert line(f=value) is None


def test_a_string_is_cut_at_64_kilobytes_between_letters() -> None:
    text = line(f="ä" * 40_000)
    assert text is not None
    inner = text[len('m f="') : text.rindex('"')]
    assert len(inner.encode()) == 65_536 and set(inner) == {"ä"}


ANY = st.text(max_size=12)
VALUE = st.floats() | ANY | st.booleans()


def unescaped(text: str, separator: str) -> list[str]:
    """`text` split at each `separator` that has no backslash before it and stands in no quoted string."""
    parts, inside, escaped = [""], False, False
    for letter in text:
        if letter == '"' and not escaped and "=" in parts[-1]:
            inside = not inside
        if letter == separator and not escaped and not inside:
            parts.append("")
        else:
            parts[-1] += letter
        escaped = letter == "\\" and not escaped
    return parts


@example(tags={"0": '"'}, fields={"f": "\n"})
@given(
    tags=st.dictionaries(ANY.filter(str.strip), ANY, max_size=3),
    fields=st.dictionaries(st.sampled_from(["f", "a b", "x,y", "p=q"]), VALUE, max_size=3),
)
def test_whatever_is_in_a_row_the_line_has_three_parts_and_one_line(tags: dict, fields: dict) -> None:
    text = to_line(Row("m", tuple(tags.items()), tuple(fields.items()), T))
    if text is None:
        assert all(isinstance(one, float) and not math.isfinite(one) for one in fields.values())
        return
    # A newline is legal only inside a quoted string, where the reference allows it; a quote in a tag opens none.
    assert "\n" not in (to_line(Row("m", tuple(tags.items()), (("f", True),), T)) or "")
    assert "\n" not in re.sub(r'"(\\.|[^"\\])*"', "", to_line(Row("m", (), tuple(fields.items()), T)) or "")
    assert text.endswith(" 1788000000250000000")
