"""Heaps of threads: the C library is asked for few, and one without that setting is left alone."""

import ctypes
from typing import Any

import pytest

from pipelines.workspace.few_heaps import few_heaps


def test_the_c_library_is_asked_for_two_heaps(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[tuple[int, int]] = []

    class Library:
        def __init__(self, name: Any) -> None:
            assert name is None

        def mallopt(self, setting: int, value: int) -> int:
            asked.append((setting, value))
            return 1

    monkeypatch.setattr(ctypes, "CDLL", Library)
    few_heaps()
    assert asked == [(-8, 2)]  # M_ARENA_MAX of malloc.h


def test_a_c_library_without_the_setting_is_left_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []

    class Library:
        def __init__(self, name: Any) -> None:
            assert name is None

        def __getattr__(self, name: str) -> Any:
            asked.append(name)
            raise AttributeError(name)

    monkeypatch.setattr(ctypes, "CDLL", Library)
    few_heaps()
    assert asked == ["mallopt"]
