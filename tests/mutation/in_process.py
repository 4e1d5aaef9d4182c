"""A pytest plugin for mutants of pipelines: one module is imported with a change, and the lines that tests run are noted.

`VANSNAP_MUTANT` names the module and the file with its changed source; several mutants run beside each other, and the files
stay as they are. `VANSNAP_LINES_RUN` names the file that takes the lines of pipelines that were run, and the processor time.
"""

import importlib.abc
import importlib.machinery
import json
import os
import sys
import threading
import time
from collections.abc import Sequence
from pathlib import Path
from types import CodeType, FrameType, ModuleType
from typing import Any

PACKAGE = str(Path.cwd() / "pipelines") + os.sep
_lines: dict[str, set[int]] = {}


class _Mutant(importlib.abc.MetaPathFinder, importlib.machinery.SourceFileLoader):
    """Finds and loads the one changed module, under the name of the unchanged file."""

    def __init__(self, module: str, source: Path) -> None:
        self.module, self.source = module, source
        super().__init__(module, str(Path(*module.split(".")).with_suffix(".py").absolute()))

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> importlib.machinery.ModuleSpec | None:
        if fullname != self.module:
            return None
        return importlib.machinery.ModuleSpec(fullname, self, origin=self.path)

    def get_code(self, fullname: str) -> CodeType:
        return compile(self.source.read_text(encoding="utf-8"), self.path, "exec")


def _in_pipelines(frame: FrameType, event: str, arg: Any) -> Any:
    if event == "line":
        _lines[frame.f_code.co_filename].add(frame.f_lineno)
    return _in_pipelines


def _called(frame: FrameType, event: str, arg: Any) -> Any:
    name = frame.f_code.co_filename
    if not name.startswith(PACKAGE):
        return None
    _lines.setdefault(name, set())
    return _in_pipelines


if given := os.environ.get("VANSNAP_MUTANT"):
    module, _, source = given.partition("=")
    sys.meta_path.insert(0, _Mutant(module, Path(source)))
    assert module not in sys.modules
noted = os.environ.get("VANSNAP_LINES_RUN")
if noted:
    threading.settrace(_called)
    sys.settrace(_called)


def pytest_unconfigure() -> None:
    """Write down what was run."""
    if noted:
        sys.settrace(None)
        lines = {str(Path(name).relative_to(Path.cwd())): sorted(found) for name, found in _lines.items()}
        Path(noted).write_text(json.dumps({"seconds": time.process_time(), "lines": lines}), encoding="utf-8")
