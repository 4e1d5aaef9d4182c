"""A pytest plugin for mutants of pipelines: one module is imported with a change, or the lines that tests run are noted.

`VANSNAP_MUTANT` names the module and the file with its changed source; several mutants run beside each other, and the files
stay as they are. `VANSNAP_LINES_RUN` names the file that takes the lines of pipelines that were run, and the processor time:
every statement of a function notes its own line, so that nothing else is slower.
"""

import ast
import builtins
import importlib.abc
import importlib.machinery
import json
import os
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from types import CodeType, ModuleType

HERE = Path.cwd()
"""The copy of the checkout; a test may go elsewhere."""
_ran: set[tuple[str, int]] = set()


class _Mutant(importlib.abc.MetaPathFinder, importlib.machinery.SourceFileLoader):
    """Finds and loads the one changed module, under the name of the unchanged file."""

    def __init__(self, module: str, source: Path) -> None:
        self.module, self.source = module, source
        super().__init__(module, str(HERE / Path(*module.split(".")).with_suffix(".py")))

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> importlib.machinery.ModuleSpec | None:
        if fullname != self.module:
            return None
        spec = importlib.machinery.ModuleSpec(fullname, self, origin=self.path)
        spec.has_location = True
        return spec

    def get_code(self, fullname: str) -> CodeType:
        return compile(self.source.read_text(encoding="utf-8"), self.path, "exec")


class _Noting(importlib.machinery.SourceFileLoader):
    """Loads a module whose functions note every statement they run."""

    def get_code(self, fullname: str) -> CodeType:
        tree = ast.parse(Path(self.path).read_text(encoding="utf-8"))
        name = str(Path(self.path).relative_to(HERE))
        for function in [node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)]:
            for inner in list(ast.walk(function)):
                for block in ("body", "orelse", "finalbody"):
                    statements = getattr(inner, block, None)
                    if isinstance(statements, list) and not hasattr(inner, f"noted_{block}"):
                        setattr(inner, block, [part for one in statements for part in _noted(one, name)])
                        setattr(inner, f"noted_{block}", True)
        return compile(ast.fix_missing_locations(tree), self.path, "exec")


def _noted(statement: ast.stmt, name: str) -> list[ast.stmt]:
    if isinstance(statement, ast.Expr) and isinstance(statement.value, ast.Constant):
        return [statement]  # a docstring stays the first
    call = ast.parse(f"vansnap_ran(({name!r}, {statement.lineno}))").body[0]
    return [ast.copy_location(call, statement), statement]


class _Finder(importlib.abc.MetaPathFinder):
    """Finds modules of pipelines, to be loaded by `_Noting`."""

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> importlib.machinery.ModuleSpec | None:
        if not fullname.startswith("pipelines."):
            return None
        spec = importlib.machinery.PathFinder.find_spec(fullname, path)
        if spec is not None and spec.origin is not None:
            spec.loader = _Noting(fullname, spec.origin)
        return spec


if given := os.environ.get("VANSNAP_MUTANT"):
    module, _, source = given.partition("=")
    assert module not in sys.modules
    sys.meta_path.insert(0, _Mutant(module, Path(source)))
noted = os.environ.get("VANSNAP_LINES_RUN")
if noted:
    setattr(builtins, "vansnap_ran", _ran.add)  # noqa: B010 - no such name is declared
    sys.meta_path.insert(0, _Finder())


def pytest_unconfigure() -> None:
    """Write down what was run."""
    if noted:
        lines: dict[str, list[int]] = {}
        for name, line in sorted(_ran):
            lines.setdefault(name, []).append(line)
        Path(noted).write_text(json.dumps({"seconds": time.process_time(), "lines": lines}), encoding="utf-8")
