"""A pytest plugin for the workers of `make mutate`: quick files first, each file's tests together and in their own order."""

import json
import os
import time
from collections import Counter
from collections.abc import Generator
from pathlib import Path

import pytest

SECONDS = Path("file-seconds.json")
"""Processor time of each file's tests with their fixtures, beside the mutants. [s]"""
_spent: Counter[str] = Counter()


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Generator[None, object, object]:
    """Count the processor time of every test with its fixtures."""
    began = time.process_time()
    try:
        return (yield)
    finally:
        _spent[item.nodeid.split("::")[0]] += time.process_time() - began


def pytest_sessionfinish(exitstatus: int) -> None:
    """Keep what the tests of unchanged code took; of several runs the least, for the first compiles kernels."""
    if exitstatus == 0 and os.environ.get("MUTANT_UNDER_TEST") in ("stats", ""):
        known = _known()
        SECONDS.write_text(
            json.dumps(known | {f: min(s, known.get(f, s)) for f, s in _spent.items()}), encoding="utf-8"
        )
    _spent.clear()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """mutmut names the tests of a mutant as a set; out of order a module's fixtures would be made again and again."""
    seconds = _known()
    items.sort(
        key=lambda item: (
            seconds.get(item.nodeid.split("::")[0], 0.0),
            item.location[0],
            item.location[1] or 0,
            item.name,
        )
    )


def _known() -> dict[str, float]:
    return json.loads(SECONDS.read_text(encoding="utf-8")) if SECONDS.exists() else {}
