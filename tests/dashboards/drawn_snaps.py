"""Snaps of the small fleet as data for a drawing: sensors of every kind, with bands beside and around what was read."""

from collections.abc import Iterator
from functools import lru_cache
from typing import Any

import numpy as np

from data_contracts.capture import Conditions
from data_contracts.recorder import CANONICAL
from models.reading.read import read_one
from pipelines.commands.decoded import decoded
from pipelines.reports.snap_drawn import drawn
from pipelines.workspace.register import load_families, load_register
from tests.pipelines.small_home import SMALL_FLEET


@lru_cache
def snaps_drawn() -> tuple[dict[str, Any], ...]:
    """One snap of each engine family that has a recording in an open delivery of the small fleet."""
    return tuple(_drawn())


def _drawn() -> Iterator[dict[str, Any]]:
    families, vans = load_families(SMALL_FLEET / "register")[0], load_register(SMALL_FLEET / "register").vans
    seen: set[str] = set()
    for path in sorted((SMALL_FLEET / "inbox").glob("2026-W1*/waveforms/*-V0*.parquet")):
        name = vans[path.stem.split("-")[-1]].family
        if name in seen:
            continue
        seen.add(name)
        readings, details = read_one(decoded(path, CANONICAL), families[name], Conditions())
        read = {quantity: float(values[0]) for quantity, values in readings.values.items()}
        off = 1.0 if len(seen) % 2 else 1.1  # around what was read, or beside it
        bands = {q: (0.96 * off * v, 1.05 * off * v) for q, v in read.items() if np.isfinite(v)}
        yield drawn(families[name], readings, details[0], 0, bands)
