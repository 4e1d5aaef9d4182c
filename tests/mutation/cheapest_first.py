"""A pytest plugin for the workers of `make mutate`: quick files first, each file's tests together and in their own order."""

import json
from collections import Counter
from pathlib import Path

import pytest


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """mutmut names the tests of a mutant as a set; out of order a module's fixtures would be made again and again."""
    stats = Path("mutmut-stats.json")
    seconds: Counter[str] = Counter()
    if stats.exists():
        for test, duration in json.loads(stats.read_text(encoding="utf-8"))["duration_by_test"].items():
            seconds[test.split("::")[0]] += duration
    items.sort(
        key=lambda item: (seconds[item.nodeid.split("::")[0]], item.location[0], item.location[1] or 0, item.name)
    )
