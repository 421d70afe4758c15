"""What could be wrong in a function: each mutant has one operator, number or condition of it exchanged."""

from __future__ import annotations

import ast
import copy
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import CodeType

_COMPARED: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
_REVERSED: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.Gt,
    ast.LtE: ast.GtE,
    ast.Gt: ast.Lt,
    ast.GtE: ast.LtE,
}
_CALCULATED: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.FloorDiv: ast.Mult,
    ast.Mod: ast.FloorDiv, ast.Pow: ast.Mult, ast.BitOr: ast.BitAnd, ast.BitAnd: ast.BitOr,
}  # fmt: skip
_CALLED = {
    "min": "max",
    "max": "min",
    "any": "all",
    "all": "any",
    "sin": "cos",
    "cos": "sin",
    "floor": "ceil",
}


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change of a function, and the code that it makes of it."""

    file: Path
    function: str
    """Qualified name."""
    line: int
    statement: int
    """Line where the statement begins that it changes."""
    was: str
    became: str
    code: CodeType
    again: int = 1
    """Which it is of those that exchange the same in the same function."""

    @property
    def name(self) -> str:
        """How a list of survivors names it: without the line, which moves."""
        which = f" ({self.again})" if self.again > 1 else ""
        return f"{self.file.parent.name}/{self.file.name} {self.function}: {self.was} -> {self.became}{which}"


def mutants(file: Path) -> Iterator[Mutant]:
    """Yield every mutant of a file's functions. What only a person reads stays, and what asserts."""
    tree = ast.parse(file.read_text(encoding="utf-8"))
    for function, inner, alone in _functions(tree):
        same: Counter[tuple[str, str]] = Counter()
        nodes, places, statements = _nodes(inner), _places(inner), _statements(inner)
        for node in nodes:
            for became in [*_others(node)]:
                if ast.dump(became) == ast.dump(node):
                    continue
                exchanged = ast.unparse(node), ast.unparse(became)
                code = _code(_compiled(alone, places[node], node, became, file), function)
                if code is not None:
                    same[exchanged] += 1
                    yield Mutant(
                        file, function, node.lineno, statements[node], *exchanged, code, same[exchanged]
                    )


REACHED = "__reached__"
"""What `marked` functions call."""


def marked(file: Path) -> Iterator[tuple[str, CodeType]]:
    """Yield every function's qualified name, and code that before each statement tells file and line to `REACHED`."""
    for function, inner, alone in _functions(ast.parse(file.read_text(encoding="utf-8"))):
        for node in [*ast.walk(inner)]:
            for name in ("body", "orelse", "finalbody"):
                if isinstance(statements := getattr(node, name, None), list):
                    setattr(node, name, [each for one in statements for each in (_mark(file, one), one)])
        code = _code(compile(ast.fix_missing_locations(alone), str(file), "exec"), function)
        if code is not None:
            yield function, code


def _mark(file: Path, statement: ast.stmt) -> ast.stmt:
    at = ast.Tuple([ast.Constant(str(file)), ast.Constant(statement.lineno)], ast.Load())
    return ast.copy_location(ast.Expr(ast.Call(ast.Name(REACHED, ast.Load()), [at], [])), statement)


def _statements(function: ast.FunctionDef) -> dict[ast.AST, int]:
    """Return for each node within a function the line where the statement begins that it is part of."""
    found: dict[ast.AST, int] = {}
    for statement in ast.walk(function):  # from the outside in: the last one counts
        if isinstance(statement, ast.stmt):
            found.update(dict.fromkeys(ast.walk(statement), statement.lineno))
    return found


def _functions(tree: ast.Module) -> list[tuple[str, ast.FunctionDef, ast.Module]]:
    """Return each function's qualified name, itself, and a module that but for imports has nothing else in it."""
    imports = [node for node in tree.body if isinstance(node, ast.Import | ast.ImportFrom)]
    found = []
    for node in tree.body:
        for each in node.body if isinstance(node, ast.ClassDef) else [node]:
            if isinstance(each, ast.FunctionDef):
                within: ast.stmt = each
                name = each.name
                if isinstance(node, ast.ClassDef):
                    within, name = copy.copy(node), f"{node.name}.{each.name}"
                    within.body = [each]
                found.append((name, each, ast.Module([*imports, within], [])))
    return found


Place = tuple[ast.AST, str, int | None]
"""Where an expression hangs: of what, in which field, and where in it if that is a list."""


def _places(function: ast.FunctionDef) -> dict[ast.AST, Place]:
    found: dict[ast.AST, Place] = {}
    for parent in ast.walk(function):
        for name, value in ast.iter_fields(parent):
            if isinstance(value, list):
                found.update({each: (parent, name, at) for at, each in enumerate(value)})
            elif isinstance(value, ast.expr):
                found[value] = parent, name, None
    return found


def _compiled(module: ast.Module, place: Place, node: ast.expr, became: ast.expr, file: Path) -> CodeType:
    """Return a module's code with one expression exchanged, which is back in its place when this returns."""
    if not hasattr(became, "lineno"):
        ast.fix_missing_locations(ast.copy_location(became, node))
    _put(place, became)
    try:
        return compile(module, str(file), "exec")
    finally:
        _put(place, node)


def _put(place: Place, expression: ast.expr) -> None:
    parent, name, at = place
    if at is None:
        setattr(parent, name, expression)
    else:
        getattr(parent, name)[at] = expression


def _nodes(function: ast.FunctionDef) -> list[ast.expr]:
    """Return the expressions of a function's body that can be exchanged, in a fixed order."""
    kinds = (ast.Compare, ast.BinOp, ast.BoolOp, ast.UnaryOp, ast.Constant, ast.IfExp, ast.Call)
    spoken: set[int] = set()
    for node in ast.walk(function):
        if isinstance(node, ast.JoinedStr | ast.Raise | ast.Assert):
            spoken |= {id(each) for each in ast.walk(node)}
        if isinstance(node, ast.AnnAssign):
            spoken |= {id(each) for each in ast.walk(node.annotation)}
        if isinstance(node, ast.keyword) and node.arg in _SPOKEN | _ASSERTED:
            spoken |= {id(each) for each in ast.walk(node.value)}
    body = [node for statement in function.body for node in ast.walk(statement)]
    return [node for node in body if isinstance(node, kinds) and id(node) not in spoken]


def _others(node: ast.expr) -> Iterator[ast.expr]:
    match node:
        case ast.Compare():
            yield from _compared(node)
        case ast.BinOp(left, operator, right):
            if (calculated := _CALCULATED.get(type(operator))) is not None:
                yield ast.BinOp(left, calculated(), right)
        case ast.BoolOp(op, values):
            yield ast.BoolOp(ast.Or() if isinstance(op, ast.And) else ast.And(), values)
            for at in range(len(values)):
                rest = [*values[:at], *values[at + 1 :]]
                yield rest[0] if len(rest) == 1 else ast.BoolOp(op, rest)
        case ast.UnaryOp(ast.Not() | ast.USub(), operand):
            yield operand
        case ast.IfExp():
            yield node.body
            yield node.orelse
        case ast.Constant():
            yield from _constant(node.value)
        case ast.Call():
            yield from _called(node)


def _compared(node: ast.Compare) -> Iterator[ast.expr]:
    for at, op in enumerate(node.ops):
        for kinds in (_COMPARED, _REVERSED):
            if (other := kinds.get(type(op))) is not None:
                yield ast.Compare(node.left, [*node.ops[:at], other(), *node.ops[at + 1 :]], node.comparators)


def _constant(value: object) -> Iterator[ast.expr]:
    if isinstance(value, bool):
        yield ast.Constant(not value)
    elif isinstance(value, int | float):
        yield ast.Constant(value + 1)


def _called(node: ast.Call) -> Iterator[ast.expr]:
    """A call under its opposite's name, and without each of the arguments that it names."""
    if isinstance(node.func, ast.Name) and node.func.id in _CALLED:
        yield ast.Call(ast.Name(_CALLED[node.func.id], ast.Load()), node.args, node.keywords)
    if isinstance(node.func, ast.Attribute) and node.func.attr in _CALLED:
        func = ast.Attribute(node.func.value, _CALLED[node.func.attr], ast.Load())
        yield ast.Call(func, node.args, node.keywords)
    for at, given in enumerate(node.keywords):
        if given.arg is not None and given.arg not in _SPOKEN | _ASSERTED:
            yield ast.Call(node.func, node.args, [*node.keywords[:at], *node.keywords[at + 1 :]])


_SPOKEN = {"quantity", "source", "advice", "hint", "model", "certificate"}
"""Arguments that only a person reads."""
_ASSERTED = {"strict"}
"""Arguments that assert what always holds (of `zip`): as an assertion, they stay."""


def _code(module: CodeType, function: str) -> CodeType | None:
    for constant in module.co_consts:
        if isinstance(constant, CodeType):
            if constant.co_qualname == function:
                return constant
            if function.startswith(f"{constant.co_qualname}.") and (found := _code(constant, function)):
                return found
    return None
