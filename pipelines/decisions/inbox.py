"""The inbox of decisions: one file each, written whole before anything else happens, moved to taken/ when a run has it."""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pipelines.workspace.workspace import write_synced

TAKEN = "taken"
"""Folder of decisions that are in the warehouse."""


def write_decision(path: Path, told: Mapping[str, Any]) -> Path:
    """Write a decision's file whole and synced, or not at all; returns its path."""
    write_synced(path, json.dumps(told, default=str, ensure_ascii=False).encode())
    return path
