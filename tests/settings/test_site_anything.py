"""Whatever stands in a site file, reading it ends in a site or in problems, never in a traceback."""

import tomllib
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from supervisor.settings import SiteFile
from supervisor.sitefile import Examined, examine, examine_data

CONFIG = Path(__file__).parents[2] / "config"
EXAMPLES = {
    name: tomllib.loads((CONFIG / f"{name}.toml").read_text(encoding="utf-8")) for name in ("quillfen", "thistlemere")
}

leaves = st.one_of(
    st.booleans(), st.integers(), st.floats(), st.text(max_size=8), st.dates(), st.datetimes(),
    st.sampled_from(["", "north", "line-01", "bank", "a/+", "{room}", "room/{room}/air/{sensor}", -1, 0, 1e308]),
)  # fmt: skip
values = st.recursive(
    leaves,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(["id", "pct", "unit", "x"]), inner),
    max_leaves=6,
)


def _places(here: Any, above: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    steps = here.items() if isinstance(here, dict) else enumerate(here) if isinstance(here, list) else ()
    return [place for step, below in steps for place in [(*above, step), *_places(below, (*above, step))]]


PLACES = {name: _places(data) for name, data in EXAMPLES.items()}


def _is_sound(examined: Examined) -> None:
    assert (examined.site is None) == any(one.level == "error" for one in examined.problems)
    assert all(one.key and one.value and one.allowed and one.mend and one.file for one in examined.problems)


@settings(max_examples=200, deadline=None)
@given(st.data())
def test_any_value_at_any_place(data: st.DataObject) -> None:
    name = data.draw(st.sampled_from(sorted(EXAMPLES)))
    site = deepcopy(EXAMPLES[name])
    for *above, last in data.draw(st.lists(st.sampled_from(PLACES[name]), min_size=1, max_size=4)):
        here: Any = site
        for step in above:
            is_there = isinstance(here, dict) and step in here or isinstance(here, list) and isinstance(step, int)
            here = here[step] if is_there and (isinstance(here, dict) or step < len(here)) else None
        if isinstance(here, dict) and data.draw(st.booleans()):
            here.pop(last, None)
        elif isinstance(here, dict) or isinstance(here, list) and isinstance(last, int) and last < len(here):
            here[last] = data.draw(values)
    _is_sound(examine_data(site, "site.toml"))


@settings(max_examples=100, deadline=None)
@given(st.dictionaries(st.sampled_from([*SiteFile.model_fields, "x"]), values))
def test_any_tables(data: dict[str, Any]) -> None:
    _is_sound(examine_data(data, "site.toml"))


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=60), st.integers(0, 3000))
def test_any_bytes_in_the_middle(tmp_path_factory: pytest.TempPathFactory, inserted: bytes, at: int) -> None:
    good = (CONFIG / "quillfen.toml").read_bytes()
    path = tmp_path_factory.getbasetemp() / "bytes.toml"
    path.write_bytes(good[:at] + inserted + good[at:])
    _is_sound(examine(path))


@pytest.mark.parametrize(
    ("content", "key", "words"),
    [
        (b"format = 1\n[site\nid = 'x'\n", "line 2, column 6", "[site"),
        (b"format = 1\nformat = 1\n", "line 2, column 11", "format = 1"),
        (b"[recipe]\no2_pct = 3,5\n", "line 2, column 11", "o2_pct = 3,5"),
        (b"name = 'x", "end of document", "the end of the file"),
        (b"format = 1\nname = '\xff'\n", "byte 19", "0xff"),
        (b"a = " + b"[" * 100_000, "file", "nested"),
    ],
)
def test_what_is_no_toml_is_told_with_its_line(tmp_path: Path, content: bytes, key: str, words: str) -> None:
    path = tmp_path / "broken.toml"
    path.write_bytes(content)
    (one,) = examine(path).problems
    assert one.key == key
    assert words in one.value


def test_a_missing_file_is_a_problem(tmp_path: Path) -> None:
    (one,) = examine(tmp_path / "none.toml").problems
    assert "No such file" in one.value


def test_windows_line_ends_and_a_byte_order_mark_do_not_matter(tmp_path: Path) -> None:
    path = tmp_path / "windows.toml"
    path.write_bytes(b"\xef\xbb\xbf" + (CONFIG / "quillfen.toml").read_bytes().replace(b"\n", b"\r\n"))
    assert examine(path).problems == ()
