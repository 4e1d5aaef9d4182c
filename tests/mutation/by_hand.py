"""Mutations of our own: of compiled functions, which mutmut passes over because they are decorated, and of pipelines, whose
tests do not all run under it.
"""

import ast
from collections.abc import Iterator

SWAPS: dict[type[ast.AST], type[ast.AST]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.Pow: ast.Mult,
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.And: ast.Or,
    ast.Or: ast.And,
}


def _places(tree: ast.Module, compiled: bool) -> Iterator[tuple[ast.stmt, ast.AST]]:
    """What can be changed in functions: an operator, a comparison, a number, a truth value or a word, with its statement."""
    for function in ast.walk(tree):
        if not isinstance(function, ast.FunctionDef):
            continue
        if not compiled or any("kernel" in ast.unparse(d) for d in function.decorator_list):
            for statement in (inner for outer in function.body for inner in ast.walk(outer)):
                if not isinstance(statement, ast.stmt):
                    continue
                inner = [statement] if isinstance(statement, ast.AugAssign) else []
                for child in ast.iter_child_nodes(statement):
                    if not isinstance(child, ast.stmt | ast.ExceptHandler | ast.match_case):  # those hold statements
                        inner.extend(ast.walk(child))
                yield from ((statement, node) for node in inner if _changed(node, apply=False))


def _changed(node: ast.AST, *, apply: bool) -> bool:
    """Change a node, or say whether it can be changed."""
    if isinstance(node, ast.BinOp | ast.AugAssign | ast.BoolOp) and type(node.op) in SWAPS:
        if apply:
            node.op = SWAPS[type(node.op)]()  # type: ignore[assignment]
    elif isinstance(node, ast.Compare) and type(node.ops[0]) in SWAPS:
        if apply:
            node.ops[0] = SWAPS[type(node.ops[0])]()  # type: ignore[call-overload]
    elif isinstance(node, ast.Constant) and type(node.value) in (int, float):
        if apply:
            node.value += 1  # type: ignore[operator]
    elif isinstance(node, ast.Constant) and type(node.value) is bool:
        if apply:
            node.value = not node.value
    elif isinstance(node, ast.Constant) and type(node.value) is str and node.value.isidentifier():
        if apply:
            node.value += "_"  # type: ignore[operator]
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
        if apply:
            node.op = ast.UAdd()
    else:
        return False
    return True


def mutants_of(source: str, *, compiled: bool) -> int:
    """How many mutations the functions of a source have, or its compiled functions alone."""
    return sum(1 for _ in _places(ast.parse(source), compiled))


def mutated(source: str, number: int, *, compiled: bool) -> tuple[str, str, str]:
    """The source with one operator, comparison, number or word changed, and the statement before and after.

    Parameters
    ----------
    source : str
    number : int
        Which of its mutations, counted from 0.
    compiled : bool
        Of its compiled functions alone.

    Returns
    -------
    source, before, after : str
    """
    tree = ast.parse(source)
    statement, node = list(_places(tree, compiled))[number]
    before = ast.unparse(statement).splitlines()[0]
    _changed(node, apply=True)
    return ast.unparse(tree), before, ast.unparse(statement).splitlines()[0]


def span_of(source: str, number: int) -> tuple[int, int]:
    """First and last line of the statement that a mutation of any function changes; of a block, its head."""
    statement, _ = list(_places(ast.parse(source), compiled=False))[number]
    inner = [one.lineno for one in ast.iter_child_nodes(statement) if isinstance(one, ast.stmt)]
    last = statement.end_lineno or statement.lineno
    return statement.lineno, max(statement.lineno, min(inner) - 1) if inner else last
