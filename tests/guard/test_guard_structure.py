"""What the guard's files may be: small, alone, and the only maker of a yes. Read from the source, so that it holds."""

import ast
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
SUPERVISOR = ROOT / "supervisor"
ALLOWED = {
    "guard.py": {"supervisor.guard_memory", "supervisor.settings", "supervisor.values"},
    "guard_memory.py": {"supervisor", "supervisor.messages", "supervisor.settings", "supervisor.values"},
    "watch.py": {
        "supervisor", "supervisor.messages", "supervisor.settings", "supervisor.values", "supervisor.watch_deliveries",
        "supervisor.watch_moves",
    },
}
OTHERS_ALLOWED = {"re", "collections.abc", "dataclasses", "itertools", "math", "typing", "pydantic"}
CLOCKS_AND_CHANCE = {"time", "datetime", "random", "uuid", "secrets", "os", "socket", "threading", "logging", "asyncio"}


def imports(tree: ast.AST) -> dict[str, set[str]]:
    found: dict[str, set[str]] = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for one in node.names:
                found.setdefault(one.name, set())
        elif isinstance(node, ast.ImportFrom):
            found.setdefault("." * node.level + (node.module or ""), set()).update(one.name for one in node.names)
    return found


def parsed(path: Path) -> ast.AST:
    return ast.parse(path.read_text(encoding="utf-8"))


def test_guard_and_watch_import_only_what_they_may():
    for name, allowed in ALLOWED.items():
        found = imports(parsed(SUPERVISOR / name))
        assert set(found) <= allowed | OTHERS_ALLOWED, name
        assert not set(found) & CLOCKS_AND_CHANCE
        assert found.get("supervisor", set()) <= {"messages", "watch_deliveries"}, name


def test_the_core_and_the_watch_know_nothing_of_the_guard():
    for path in [*(SUPERVISOR / "core").rglob("*.py"), SUPERVISOR / "watch.py"]:
        for module, names in imports(parsed(path)).items():
            assert "guard" not in module and not any("guard" in one for one in names), path
    for path in [*(SUPERVISOR / "core").rglob("*.py"), *SUPERVISOR.glob("guard*.py")]:
        for module, names in imports(parsed(path)).items():
            assert "watch" not in module.split(".") and "watch" not in names, path


def test_only_the_guard_makes_a_cleared():
    makers = []
    for path in sorted([*SUPERVISOR.rglob("*.py"), *(ROOT / "simulator").rglob("*.py")]):
        for node in ast.walk(parsed(path)):
            if isinstance(node, ast.Call):
                called = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
                if called == "Cleared":
                    makers.append(path.name)
            if isinstance(node, ast.Name | ast.Attribute) and path.name != "guard.py":
                assert getattr(node, "id", getattr(node, "attr", "")) != "_YES_KEY", path
    assert makers == ["guard.py"]


def test_the_key_never_leaves_the_guard():
    tree = parsed(SUPERVISOR / "guard.py")
    uses = [node for node in ast.walk(tree) if isinstance(node, ast.Name) and node.id == "_YES_KEY"]
    assert len(uses) == 3, "made once, compared once, used once"


def test_files_are_short_and_functions_fit_a_screen():
    for name, most in (("guard.py", 300), ("guard_memory.py", 400), ("watch.py", 400)):
        path = SUPERVISOR / name
        assert len(path.read_text(encoding="utf-8").splitlines()) <= most, name
        for node in ast.walk(parsed(path)):
            if isinstance(node, ast.FunctionDef):
                assert node.end_lineno - node.lineno < 45, f"{name}: {node.name}"


def test_every_check_is_in_force():
    """A check that is written and not listed guards nothing."""
    from supervisor import guard

    listed = {check.__name__ for check in (*guard.DOSE_CHECKS, *guard.PERMIT_CHECKS)}
    written = {
        node.name
        for node in ast.walk(parsed(SUPERVISOR / "guard.py"))
        if isinstance(node, ast.FunctionDef) and node.returns is not None and "Refusal" in ast.unparse(node.returns)
    }
    assert written - {"judge", "_expiry", "_room_air", "_sensors", "_unlisted"} == listed
    assert len(guard.DOSE_CHECKS) == 14 and len(guard.PERMIT_CHECKS) == 4
