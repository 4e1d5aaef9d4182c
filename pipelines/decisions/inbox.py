"""The inbox of decisions: one file each under decisions/, written whole before anything else happens."""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pipelines.storage.atomic_files import write_atomically

TAKEN = "taken"
"""Folder of the decisions that a run has taken in."""


def write_decision(path: Path, decision: Mapping[str, Any]) -> Path:
    """Write a decision down; it is on disk once this returns.

    Parameters
    ----------
    path : Path
        Its file.
    decision : mapping of str to object
        What it says.

    Returns
    -------
    Path
        The same.
    """
    write_atomically(path, json.dumps(decision, default=str, ensure_ascii=False).encode())
    return path
