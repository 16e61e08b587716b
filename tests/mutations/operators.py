"""The faults that are planted: one small change of one expression, found in the syntax tree.

`sites` lists every place of a module where an operator applies, `planted` gives the source with one
of them carried out. Only the bytes of that expression change, so that all lines keep their numbers.
Left alone: annotations, formatted strings (their positions are not kept before Python 3.12),
`__all__`, `__slots__` and whatever stands under `if TYPE_CHECKING`.
"""

from __future__ import annotations

import ast
import copy
from collections.abc import Iterator
from dataclasses import dataclass

SWAPPED = {
    ast.Eq: ast.NotEq, ast.NotEq: ast.Eq, ast.Lt: ast.Gt, ast.Gt: ast.Lt, ast.LtE: ast.GtE,
    ast.GtE: ast.LtE, ast.In: ast.NotIn, ast.NotIn: ast.In, ast.Is: ast.IsNot, ast.IsNot: ast.Is,
}  # fmt: skip
BOUNDARY = {ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt}
ARITHMETIC = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult,
    ast.FloorDiv: ast.Div, ast.Mod: ast.Mult, ast.Pow: ast.Mult,
}  # fmt: skip
OPERATORS = (
    "comparison swapped", "boundary moved", "arithmetic swapped", "constant off by one",
    "boolean negated", "nothing returned", "condition forced",
)  # fmt: skip


@dataclass(frozen=True)
class Site:
    """One place where one operator applies."""

    operator: str
    start: int  # bytes from the beginning of the file
    end: int
    first_line: int  # of the statement around it, as a tracer reports them
    last_line: int
    at_import: bool  # outside every function: runs once, when the module is imported
    text: str  # what stands there instead


def sites(source: bytes) -> list[Site]:
    """Every site of a module, in the order of its text."""
    tree = ast.parse(source)
    starts = [0]
    for line in source.splitlines(keepends=True):
        starts.append(starts[-1] + len(line))
    return list(_of_block(tree.body, starts, at_import=True))


def planted(source: bytes, site: Site) -> bytes:
    """The source with one fault in it."""
    return source[: site.start] + site.text.encode() + source[site.end :]


def statements(source: bytes) -> int:
    """How many statements a module has, docstrings not counted."""
    return sum(
        isinstance(node, ast.stmt)
        and not (isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant))
        for node in ast.walk(ast.parse(source))
    )


def _of_block(block: list[ast.stmt], starts: list[int], *, at_import: bool) -> Iterator[Site]:
    for statement in block:
        if _left_alone(statement):
            continue
        inner = isinstance(statement, ast.FunctionDef | ast.AsyncFunctionDef)
        for expression in _expressions(statement):
            for node in _walk(expression):
                yield from _of_node(node, statement, starts, at_import=at_import)
        yield from _of_statement(statement, starts, at_import=at_import)
        for part in _blocks(statement):
            yield from _of_block(part, starts, at_import=at_import and not inner)


def _left_alone(statement: ast.stmt) -> bool:
    if isinstance(statement, ast.If):
        return "TYPE_CHECKING" in ast.dump(statement.test)
    names = [getattr(target, "id", "") for target in getattr(statement, "targets", [])]
    return any(name.startswith("__") for name in names)


def _blocks(statement: ast.stmt) -> Iterator[list[ast.stmt]]:
    for name in ("body", "orelse", "finalbody"):
        yield getattr(statement, name, [])
    for part in getattr(statement, "handlers", []) + getattr(statement, "cases", []):
        yield part.body


def _expressions(statement: ast.stmt) -> Iterator[ast.expr]:
    """The expressions of a statement itself: neither annotations nor statements within it."""
    if isinstance(statement, ast.FunctionDef | ast.AsyncFunctionDef):
        yield from statement.args.defaults
        yield from (default for default in statement.args.kw_defaults if default is not None)
        return
    if isinstance(statement, ast.ClassDef):
        return
    for name, value in ast.iter_fields(statement):
        for one in value if isinstance(value, list) else [value]:
            if isinstance(one, ast.expr) and name != "annotation":
                yield one
            elif isinstance(one, ast.withitem):
                yield one.context_expr


def _walk(node: ast.AST) -> Iterator[ast.AST]:
    if isinstance(node, ast.JoinedStr):
        return
    yield node
    for child in ast.iter_child_nodes(node):
        yield from _walk(child)


def _of_statement(statement: ast.stmt, starts: list[int], *, at_import: bool) -> Iterator[Site]:
    if isinstance(statement, ast.Return) and statement.value is not None:
        value = statement.value
        if not (isinstance(value, ast.Constant) and value.value is None):
            yield _site("nothing returned", value, "None", statement, starts, at_import)
    if isinstance(statement, ast.AugAssign) and type(statement.op) in ARITHMETIC:
        other = copy.copy(statement)
        other.op = ARITHMETIC[type(statement.op)]()
        text = ast.unparse(other)
        yield _site("arithmetic swapped", statement, text, statement, starts, at_import)


def _of_node(
    node: ast.AST, statement: ast.stmt, starts: list[int], *, at_import: bool
) -> Iterator[Site]:
    for operator, other in _changes(node, statement):
        text = other if isinstance(other, str) else f"({ast.unparse(other)})"
        place = node.test if operator == "condition forced" and hasattr(node, "test") else node
        yield _site(operator, place, text, statement, starts, at_import)


def _changes(node: ast.AST, statement: ast.stmt) -> Iterator[tuple[str, ast.AST | str]]:
    if isinstance(node, ast.Compare):
        for name, table in (("comparison swapped", SWAPPED), ("boundary moved", BOUNDARY)):
            if type(node.ops[0]) in table:
                other = copy.copy(node)
                other.ops = [table[type(node.ops[0])](), *node.ops[1:]]
                yield name, other
    elif isinstance(node, ast.BinOp) and type(node.op) in ARITHMETIC:
        if not any(isinstance(side, ast.JoinedStr) for side in (node.left, node.right)):
            other = copy.copy(node)
            other.op = ARITHMETIC[type(node.op)]()
            yield "arithmetic swapped", other
    elif isinstance(node, ast.BoolOp):
        other = copy.copy(node)
        other.op = ast.Or() if isinstance(node.op, ast.And) else ast.And()
        yield "boolean negated", other
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
        yield "boolean negated", node.operand
    elif isinstance(node, ast.Constant) and isinstance(node.value, bool):
        yield "boolean negated", str(not node.value)
    elif isinstance(node, ast.Constant) and isinstance(node.value, int | float):
        yield "constant off by one", f"({node.value + 1!r})"
        yield "constant off by one", f"({node.value - 1!r})"
    elif isinstance(node, ast.IfExp):
        yield "condition forced", "True"
        yield "condition forced", "False"
    if isinstance(statement, ast.If | ast.While) and node is statement.test:
        yield "condition forced", "False"
        if isinstance(statement, ast.If):
            yield "condition forced", "True"


def _site(
    operator: str, node: ast.expr | ast.stmt, text: str, statement: ast.stmt, starts: list[int],
    at_import: bool,
) -> Site:  # fmt: skip
    """A site on the lines of a simple statement, or of the head of a compound one."""
    head = statement.lineno if getattr(statement, "body", None) is None else node.lineno
    last = node.end_lineno if getattr(statement, "body", None) else statement.end_lineno
    return Site(
        operator=operator,
        start=starts[node.lineno - 1] + node.col_offset,
        end=starts[node.end_lineno - 1] + node.end_col_offset,
        first_line=min(head, node.lineno),
        last_line=last,
        at_import=at_import,
        text=text,
    )
