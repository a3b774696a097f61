"""Makes small mistakes in a source file, one at a time: a flipped comparison, a bumped number, a lost `not`, and so on.

Messages are left alone: text inside f-strings, docstrings, and the arguments of `Refusal` and of the lines that only word a
finding decide nothing (the tests check some of them all the same).
"""

import ast
import copy
from collections.abc import Iterator
from dataclasses import dataclass

COMPARISONS: dict[type, tuple[type, ...]] = {
    ast.Lt: (ast.LtE, ast.GtE), ast.LtE: (ast.Lt, ast.Gt), ast.Gt: (ast.GtE, ast.LtE), ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,), ast.NotEq: (ast.Eq,), ast.Is: (ast.IsNot,), ast.IsNot: (ast.Is,), ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
}  # fmt: skip
OPERATORS: dict[type, type] = {ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult,
                               ast.BitOr: ast.BitAnd}  # fmt: skip
CALLS = {"max": "min", "min": "max", "any": "all", "all": "any"}
WORDING = {"Refusal", "PlantFinding"}
WORDING_NAMES = {"measured", "limit", "newest", "age_s", "good_s"}


@dataclass(frozen=True)
class Mutant:
    """One mistake: in which function and line it is, what it is, and the whole file with it."""

    where: str
    line: int
    text: str
    what: str
    source: str

    @property
    def key(self) -> tuple[str, str]:
        """Names the mistake by the line's text, so that it is found again when lines move."""
        return self.text, self.what


def mutants(source: str) -> Iterator[Mutant]:
    """Every mistake that this file can be given."""
    tree, lines = ast.parse(source), source.splitlines()
    spots = list(_spots(tree))
    functions = [one for one in ast.walk(tree) if isinstance(one, ast.FunctionDef)]
    where = {line: one.name for one in functions for line in range(one.lineno, one.end_lineno + 1)}
    for number, (node, parent) in enumerate(spots):
        for choice, what in enumerate(_choices(node, parent)):
            mutated = copy.deepcopy(tree)
            _apply(*list(_spots(mutated))[number], choice)
            text = ast.unparse(ast.fix_missing_locations(mutated))
            yield Mutant(where.get(node.lineno, ""), node.lineno, lines[node.lineno - 1].strip(), what, text)


def _spots(tree: ast.AST) -> Iterator[tuple[ast.AST, ast.AST]]:
    """Every node that decides something, with its parent; always in the same order."""
    stack: list[tuple[ast.AST, ast.AST]] = [(tree, tree)]
    while stack:
        node, parent = stack.pop()
        if _is_wording(node):
            continue
        if hasattr(node, "lineno"):
            yield node, parent
        stack += [(child, node) for child in reversed(list(ast.iter_child_nodes(node))) if not _is_annotation(child, node)]


def _is_wording(node: ast.AST) -> bool:
    if isinstance(node, ast.JoinedStr) or (isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)):
        return True
    if isinstance(node, ast.Call):
        return getattr(node.func, "id", getattr(node.func, "attr", "")) in WORDING
    if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name):
        return node.targets[0].id in WORDING_NAMES
    return False


def _is_annotation(node: ast.AST, parent: ast.AST) -> bool:
    return node is getattr(parent, "annotation", None) or node is getattr(parent, "returns", None)


def _choices(node: ast.AST, parent: ast.AST) -> list[str]:
    """What can be done to this node."""
    if isinstance(node, ast.Return) and isinstance(parent, ast.FunctionDef) and _returns_none(node):
        return []  # at its end a function returns None anyway
    match node:
        case ast.Compare():
            return [f"{type(op).__name__} to {other.__name__}" for op in node.ops for other in COMPARISONS.get(type(op), ())]
        case ast.BoolOp():
            name = type(node.op).__name__
            return [f"swap {name}", *(f"drop operand {i} of {name}" for i in range(len(node.values)))]
        case ast.UnaryOp(op=ast.Not()):
            return ["lose not"]
        case ast.UnaryOp(op=ast.USub()):
            return ["lose minus"]
        case ast.BinOp() if type(node.op) in OPERATORS:
            return [f"{type(node.op).__name__} to {OPERATORS[type(node.op)].__name__}"]
        case ast.Constant(value=bool()):
            return [f"{node.value} to {not node.value}"]
        case ast.Constant(value=int() | float()):
            return [f"{node.value!r} plus", f"{node.value!r} minus"]
        case ast.Constant(value=str()):
            return [f"{node.value!r} lost"]
        case ast.Call(func=ast.Name(id=name)) if name in CALLS:
            return [f"{name} to {CALLS[name]}"]
        case ast.IfExp():
            return ["always this", "always that"]
        case ast.If():
            return ["always", "never"]
        case ast.Return() if not _returns_none(node):
            return ["return nothing"]
        case ast.Return() | ast.Continue():
            return ["go on"]
        case ast.Assign() | ast.AugAssign():
            return ["not assigned"] if isinstance(_target(node), ast.Attribute | ast.Subscript) else []
        case ast.Expr(value=ast.Call()):
            return ["not called"]
        case _:
            return []


def _returns_none(node: ast.Return) -> bool:
    return node.value is None or (isinstance(node.value, ast.Constant) and node.value.value is None)


def _target(node: ast.Assign | ast.AugAssign) -> ast.AST:
    return node.targets[0] if isinstance(node, ast.Assign) else node.target


def _apply(node: ast.AST, parent: ast.AST, choice: int) -> None:
    match node:
        case ast.Compare():
            places = [(i, other) for i, op in enumerate(node.ops) for other in COMPARISONS.get(type(op), ())]
            place, other = places[choice]
            node.ops[place] = other()
        case ast.BoolOp() if choice == 0:
            node.op = ast.Or() if isinstance(node.op, ast.And) else ast.And()
        case ast.BoolOp():
            del node.values[choice - 1]
        case ast.UnaryOp():
            _replace(parent, node, node.operand)
        case ast.BinOp():
            node.op = OPERATORS[type(node.op)]()
        case ast.Constant(value=bool()):
            node.value = not node.value
        case ast.Constant(value=int()):
            node.value += (1, -1)[choice]
        case ast.Constant(value=float()):
            node.value = node.value * (1.0625, 0.9375)[choice] if node.value else (0.0625, -0.0625)[choice]
        case ast.Constant(value=str()):
            node.value = node.value + "x"
        case ast.Call():
            node.func.id = CALLS[node.func.id]
        case ast.IfExp():
            _replace(parent, node, (node.body, node.orelse)[choice])
        case ast.If():
            node.test = ast.Constant(choice == 0)
        case ast.Return() if not _returns_none(node):
            node.value = None
        case _:
            _replace(parent, node, ast.Pass())


def _replace(parent: ast.AST, old: ast.AST, new: ast.AST) -> None:
    for field, value in ast.iter_fields(parent):
        if value is old:
            setattr(parent, field, new)
        elif isinstance(value, list) and any(one is old for one in value):
            value[[one is old for one in value].index(True)] = new
