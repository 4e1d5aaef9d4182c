"""The inbox of decisions: one file each, written whole before anything else happens, moved to taken/ when a run has it."""

import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pipelines.workspace.workspace import sync_folder

TAKEN = "taken"
"""Folder of decisions that are in the warehouse."""


def write_decision(path: Path, told: Mapping[str, Any]) -> Path:
    """Write a decision's file whole and synced, or not at all; returns its path."""
    fresh = path.with_name(f".{path.name}.{os.getpid()}")
    with fresh.open("w", encoding="utf-8") as file:
        json.dump(told, file, default=str, ensure_ascii=False)
        file.flush()
        os.fsync(file.fileno())
    fresh.replace(path)
    sync_folder(path.parent)
    return path
