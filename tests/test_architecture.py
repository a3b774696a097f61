"""Which part may know which, and what none of them may do. A file that does not exist yet breaks nothing here."""

import ast
import dataclasses
import re
import subprocess
import tomllib
import typing
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import pytest
from pydantic import BaseModel

from supervisor import messages, settings, settings_analyser, settings_belief, settings_calibration, settings_notify, values

ROOT = Path(__file__).resolve().parents[1]
PYTHON = sorted(path for folder in ("supervisor", "simulator", "deploy", "tests") for path in (ROOT / folder).rglob("*.py"))
PRODUCT = [path for path in PYTHON if path.relative_to(ROOT).parts[0] in ("supervisor", "simulator")]

# ------------------------------------------------------------------------------------------------ who knows whom

# Each part of the supervisor, by the beginning of its module name, and the parts that it may import besides itself.
SITE_FILE = {"sitefile"}
SETTINGS = {path.stem for path in (ROOT / "supervisor").glob("settings*.py")}
MODELS = {"messages", "values", *SETTINGS}
WORDS = {"caution"}
GUARD = {name for name in (path.stem for path in (ROOT / "supervisor").glob("guard*.py"))} | {"guard"}
WATCH = {name for name in (path.stem for path in (ROOT / "supervisor").glob("watch*.py"))} | {"watch"}
MAY_IMPORT: dict[str, set[str]] = {
    "messages": set(),
    "caution": set(),
    "values": {"messages"},
    **{name: {"messages", "values"} | SETTINGS for name in SETTINGS},
    **{name: MODELS | SITE_FILE for name in SITE_FILE},
    **{name: MODELS | GUARD for name in GUARD},
    **{name: MODELS | WATCH for name in WATCH},
    "core": MODELS,
    "shell": MODELS | WORDS | SITE_FILE | GUARD | WATCH | {"core"},
    "rehearsal": MODELS | WORDS | SITE_FILE | GUARD | WATCH | {"core", "shell"},
    "__main__": MODELS | WORDS | SITE_FILE | {"shell", "rehearsal"},
    "__init__": set(),
}
PURE = ("guard", "watch", "core", "values")
"""Same events in, same effects out: these open nothing, wait for nothing, ask no clock and draw no random number."""


def test_an_installed_copy_holds_every_package() -> None:
    listed = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"]["packages"]
    assert sorted(listed) == sorted({".".join(path.relative_to(ROOT).parts[:-1]) for path in PRODUCT})


def tree_of(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"), str(path))


def part_of(path: Path) -> str:
    """`core` for supervisor/core/site.py, `guard` for supervisor/guard.py."""
    return path.relative_to(ROOT).parts[1].removesuffix(".py")


def package_of(path: Path) -> list[str]:
    return list(path.relative_to(ROOT).parts[:-1])


def imported(tree: ast.Module, package: list[str]) -> Iterator[str]:
    """Every module that a file of `package` imports, at its top or anywhere in it, by its full name."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else []
            module = ".".join([*base, *([node.module] if node.module else [])])
            yield module
            yield from (f"{module}.{alias.name}" for alias in node.names)


def wrong_imports(here: str, names: Iterator[str]) -> list[str]:
    there = {name.split(".")[1] for name in names if name.startswith("supervisor.")}
    return sorted((there & set(MAY_IMPORT)) - MAY_IMPORT[here] - {here})


SUPERVISOR = [path for path in PRODUCT if path.relative_to(ROOT).parts[0] == "supervisor"]
_ids = [str(path.relative_to(ROOT)) for path in SUPERVISOR]


@pytest.mark.parametrize("path", SUPERVISOR, ids=_ids)
def test_imports_run_one_way(path: Path) -> None:
    assert part_of(path) in MAY_IMPORT, "a new part: say above what it may import"
    assert wrong_imports(part_of(path), imported(tree_of(path), package_of(path))) == []


@pytest.mark.parametrize(
    ("here", "package", "code"),
    [
        ("core", ["supervisor", "core"], "from supervisor.guard import Guard"),
        ("core", ["supervisor", "core"], "from ..shell import loop"),
        ("core", ["supervisor", "core"], "from .. import watch"),
        ("guard", ["supervisor"], "import supervisor.core.site"),
        ("guard", ["supervisor"], "def f():\n    from supervisor import core"),
        ("watch", ["supervisor"], "from .guard import Cleared"),
        ("settings", ["supervisor"], "from supervisor.sitefile import load"),
        ("messages", ["supervisor"], "from supervisor.values import Gas"),
        ("shell", ["supervisor", "shell"], "from supervisor.__main__ import main"),
        ("shell", ["supervisor", "shell"], "from supervisor.rehearsal.coupled import Coupled"),
    ],
)
def test_the_import_check_can_fail(here: str, package: list[str], code: str) -> None:
    assert wrong_imports(here, imported(ast.parse(code), package))


@pytest.mark.parametrize(("folder", "other"), [("supervisor", "simulator"), ("simulator", "supervisor")])
def test_the_two_programs_share_no_code(folder: str, other: str) -> None:
    """They meet on the wire only, so that they can disagree. Only the rehearsal knows both, for it couples them."""
    for path in (ROOT / folder).rglob("*.py"):
        if folder == "supervisor" and part_of(path) == "rehearsal":
            continue
        assert not [name for name in imported(tree_of(path), package_of(path)) if name.split(".")[0] == other], path


# ------------------------------------------------------------------------------------------------ purity

PURE_MODULES = {
    "abc", "bisect", "collections", "copy", "dataclasses", "enum", "functools", "heapq", "itertools", "json", "math",
    "operator", "re", "statistics", "string", "types", "typing", "datetime", "pydantic", "simple_pid", "supervisor",
}  # fmt: skip
BANNED_NAMES = {
    "open", "print", "input", "eval", "exec", "compile", "__import__", "globals", "breakpoint",
    "id", "hash",  # differ from run to run
}  # fmt: skip
BANNED_ATTRIBUTES = {"now", "today", "utcnow", "monotonic", "perf_counter", "sleep", "urandom"}
PURE_FILES = [path for path in SUPERVISOR if part_of(path).startswith(PURE)]


def impure(tree: ast.AST) -> Iterator[str]:
    """What a pure file may not do, with its line."""
    for node in ast.walk(tree):
        names: list[str] = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and not node.level:
            names = [node.module or ""]
        for name in names:
            if name.split(".")[0] not in PURE_MODULES:
                yield f"line {node.lineno}: imports {name}"
        if isinstance(node, ast.Name) and node.id in BANNED_NAMES and isinstance(node.ctx, ast.Load):
            yield f"line {node.lineno}: uses {node.id}"
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in BANNED_ATTRIBUTES:
            yield f"line {node.lineno}: calls {node.func.attr}()"
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr == "fromtimestamp":
            if len(node.args) + len(node.keywords) < 2:
                yield f"line {node.lineno}: takes the machine's own time zone"
        if isinstance(node, ast.AsyncFunctionDef | ast.Await | ast.Global):
            yield f"line {node.lineno}: {type(node).__name__}"
        if isinstance(node, ast.For | ast.comprehension) and _is_set(node.iter):
            yield f"line {node.iter.lineno}: goes through a set, whose order differs from run to run"


def _is_set(node: ast.expr) -> bool:
    called = isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in ("set", "frozenset")
    return isinstance(node, ast.Set | ast.SetComp) or called


@pytest.mark.parametrize("path", PURE_FILES, ids=[str(path.relative_to(ROOT)) for path in PURE_FILES])
def test_the_pure_parts_are_pure(path: Path) -> None:
    assert list(impure(tree_of(path))) == []


@pytest.mark.parametrize(
    "code",
    [
        "import time", "from time import monotonic", "import random", "import uuid", "import os", "import socket",
        "import sqlite3", "import threading", "import asyncio", "import logging", "import structlog",
        "import paho.mqtt", "open('x')", "print('x')", "x = datetime.now()", "x = datetime.datetime.now(UTC)",
        "x = date.today()", "x = datetime.fromtimestamp(0)",
        "x = hash('a')", "key = id(x)", "async def f(): pass", "for x in {1, 2}: pass", "y = [x for x in set(z)]",
        "def f():\n    import secrets", "def f():\n    global g",
    ],
)  # fmt: skip
def test_the_purity_check_can_fail(code: str) -> None:
    assert list(impure(ast.parse(code)))


# ------------------------------------------------------------------------------------------------ size

LINES_OF_A_FILE = 400
LINES_OF_A_FUNCTION = 60


@pytest.mark.parametrize("path", PYTHON, ids=[str(path.relative_to(ROOT)) for path in PYTHON])
def test_a_file_is_short(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) <= LINES_OF_A_FILE


def test_a_function_fits_a_screen() -> None:
    long = [
        f"{path.relative_to(ROOT)}: {node.name}, {node.end_lineno - node.lineno + 1} lines"
        for path in PRODUCT
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        and node.end_lineno is not None
        and node.end_lineno - node.lineno + 1 > LINES_OF_A_FUNCTION
    ]
    assert long == []


def test_no_assert_stands_in_for_a_check() -> None:
    """`python -O` takes them out."""
    asserts = [
        f"{path.relative_to(ROOT)}:{node.lineno}"
        for path in PRODUCT
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.Assert)
    ]
    assert asserts == []


def test_the_caution_has_one_wording() -> None:
    """Rule 9 is said in many places, and in one place how."""
    places = [path for path in PRODUCT if "safety instrumented" in path.read_text(encoding="utf-8")]
    assert places == [ROOT / "supervisor" / "caution.py"]


# ------------------------------------------------------------------------------------------------ units in names

UNIT = re.compile(r"(^|_)(pct|nl|nl_min|ml|s|h|c|pa|kpa|kg|m|mm|m3|m3_h)(_(max|min))?$")
WITHOUT_A_UNIT = {
    # One figure for each gas; the field that holds the table carries the unit: flow_nl_min_max.
    ("GasFlows", "nitrogen"), ("GasFlows", "co2"), ("GasFlows", "air"),
}  # fmt: skip


def float_fields(module: ModuleType) -> Iterator[tuple[str, str]]:
    """Every field that holds one float, of every model, dataclass and named tuple that a module defines."""
    for name, one in vars(module).items():
        if not isinstance(one, type) or one.__module__ != module.__name__:
            continue
        is_value = dataclasses.is_dataclass(one) or issubclass(one, BaseModel | tuple)
        for field, hint in (typing.get_type_hints(one) if is_value else {}).items():
            if hint is float or float in typing.get_args(hint):
                yield name, field


def test_a_number_carries_its_unit_last_in_its_name() -> None:
    modules = (values, settings, settings_analyser, settings_belief, settings_calibration, settings_notify, messages)
    fields = {place for module in modules for place in float_fields(module)}
    assert len(fields) > 50
    assert {place for place in fields if not UNIT.search(place[1])} == WITHOUT_A_UNIT


# ------------------------------------------------------------------------------------------------ what is committed

TOP = {
    "README.md", "DEVELOPERS.md", "pyproject.toml", "supervisor", "simulator", "config", "deploy", "tests", "LICENSE",
    "constraints.txt",
}  # fmt: skip


def committed() -> list[Path]:
    """The files that git keeps; outside a checkout, all that stand there beside hidden ones."""
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True)
    if listed.returncode == 0:
        return [ROOT / name for name in listed.stdout.split("\0") if name and (ROOT / name).is_file()]
    every = (path for path in ROOT.rglob("*") if path.is_file())
    return [path for path in every if not any(part.startswith(".") for part in path.relative_to(ROOT).parts)]


def lines_of(path: Path) -> list[str]:
    try:
        return path.read_text(encoding="utf-8").splitlines()
    except UnicodeDecodeError:
        return []


def test_the_top_level_is_as_the_design_has_it() -> None:
    top = {path.relative_to(ROOT).parts[0] for path in committed()}
    assert {name for name in top if not name.startswith(".")} - TOP == set()


# Put together here, so that this file does not hold what it looks for.
UNFINISHED = re.compile(r"\b(" + "|".join(("TO" + "DO", "FIX" + "ME", "XX" + "X", "HA" + "CK")) + r")\b")
MACHINE_PATH = re.compile(r"(?<![\w.}>*-])/(" + "|".join(("work", "tmp", "root", "home")) + r")(?=/|\b(?![-\w]))")
REGISTRY = re.compile(
    "|".join(
        re.escape(".".join(parts))
        for parts in (
            ("pypi", "org"), ("pythonhosted", "org"), ("npmjs", "org"), ("npmjs", "com"), ("deb", "debian", "org"),
            ("security", "debian", "org"), ("conda", "anaconda", "org"), ("ghcr", "io"), ("docker", "io"),
        )
    )
)  # fmt: skip


@pytest.mark.parametrize(
    ("found", "what"),
    [(UNFINISHED, "unfinished work"), (MACHINE_PATH, "a path of one machine"), (REGISTRY, "a package registry's host")],
    ids=["unfinished", "path", "registry"],
)
def test_no_committed_file_holds(found: re.Pattern[str], what: str) -> None:
    here = [
        f"{path.relative_to(ROOT)}:{number}: {line.strip()[:100]}"
        for path in committed()
        if path.name != "LICENSE"
        for number, line in enumerate(lines_of(path), start=1)
        if found.search(line)
    ]
    assert here == [], what


def test_those_patterns_can_find_something() -> None:
    assert UNFINISHED.search("# TO" + "DO: later") and not UNFINISHED.search("mastodon")
    for text in ("cd /wo" + "rk/main", '"/tm' + 'p"', "/ro" + "ot/.cache", "open('/ho" + "me/x')"):
        assert MACHINE_PATH.search(text), text
    for text in ("{root}/room/north", "stillhold/room", "../tmp", "<root>/work-order", "ProtectHome=yes"):
        assert not MACHINE_PATH.search(text), text
    assert REGISTRY.search("https://files.python" + "hosted.org/x") and not REGISTRY.search("www.apache.org")
