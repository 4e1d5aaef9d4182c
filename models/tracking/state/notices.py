"""Notices about no single van: vans that moved together, and a recorder that no other van has used."""

from dataclasses import dataclass

import numpy as np

from data_contracts.facts.fact import Fact
from models.tracking.standardise import Standardised

RECORDER_WEEKS = 13
"""Weeks in which another van must have used the recorder to separate van and recorder. Common practice, no source
(2026-11-25)."""


def lone_recorder(std: Standardised, row: int) -> str:
    """The recorder of a visit, where no other van was recorded with it in the months before.

    Parameters
    ----------
    std : Standardised
        Visits.
    row : int
        The visit.

    Returns
    -------
    str
        Serial number; empty otherwise, or where the recorder is not named.
    """
    serial: str | None = std.visits["recorder_serial"][row]
    if not serial:
        return ""
    recent = (std.weeks > std.weeks[row] - RECORDER_WEEKS) & (std.weeks <= std.weeks[row])
    same = recent & (std.visits["recorder_serial"] == serial).fill_null(False).to_numpy()
    return serial if np.unique(std.van[same]).size == 1 else ""


@dataclass(frozen=True)
class Notice:
    """Facts about vans of a depot that moved together."""

    depot: str
    facts: tuple[Fact, ...]


def notices_of(std: Standardised, week: str) -> tuple[Notice, ...]:
    """Vans that moved together in a week.

    Parameters
    ----------
    std : Standardised
        Visits.
    week : str
        ISO week.

    Returns
    -------
    tuple of Notice
    """
    places: dict[tuple[str, str], list[tuple[str, int]]] = {}
    for m in std.recorder_shifts:
        if m.week == week:
            places.setdefault((m.depot, m.recorder_serial), []).append((m.quantity, m.vans))
    return tuple(
        Notice(depot, (_moved_together(depot, serial, moved),)) for (depot, serial), moved in sorted(places.items())
    )


def _moved_together(depot: str, recorder: str, moved: list[tuple[str, int]]) -> Fact:
    first, second, third = [*(quantity for quantity, _ in moved), None, None][:3]
    vans = max(count for _, count in moved)
    return Fact.of("moved_together", first, vans=vans, depot=depot, recorder=recorder, second=second, third=third)
