"""Notices about no single van: vans that moved together, and a recorder that no other van has used."""

from copy import copy
from dataclasses import dataclass

import numpy as np

from data_contracts.facts.fact import Fact
from models.statistics.arrays import Codes
from models.tracking.standardise import Standardised

RECORDER_WEEKS = 13
"""Weeks in which another van must have used the recorder to separate van and recorder. Common practice, no source
(2026-11-25)."""


class Recorders:
    """Which vans were recorded with which recorder, and when.

    Parameters
    ----------
    std : Standardised
        All visits.
    """

    def __init__(self, std: Standardised) -> None:
        self._rows = np.arange(std.van.size)
        self._serial = std.visits["recorder_serial"].fill_null("").to_numpy().astype(str)
        _, self._code = np.unique(self._serial, return_inverse=True)
        order = np.lexsort((std.weeks, self._code))
        self._first = np.searchsorted(self._code[order], np.arange(self._code.max(initial=-1) + 2))
        self._weeks, self._van = std.weeks, std.van
        self._weeks_in_order, self._vans_in_order = std.weeks[order], std.van[order]

    def at(self, rows: Codes) -> "Recorders":
        """The same, asked of some visits only.

        Parameters
        ----------
        rows : ndarray of shape (n,), int
            Their numbers among all; they are asked for by their place in it.

        Returns
        -------
        Recorders
        """
        asked = copy(self)
        asked._rows = rows
        return asked

    def lone(self, place: int) -> str:
        """The recorder of a visit, where no other van was recorded with it in the months before.

        Parameters
        ----------
        place : int
            The visit.

        Returns
        -------
        str
            Serial number; empty otherwise, or where the recorder is not named.
        """
        row = self._rows[place]
        code, until = self._code[row], self._weeks[row]
        used = slice(self._first[code], self._first[code + 1])
        ends = np.searchsorted(self._weeks_in_order[used], [until - RECORDER_WEEKS, until], side="right")
        other = (self._vans_in_order[used][ends[0] : ends[1]] != self._van[row]).any()
        return "" if other else str(self._serial[row])


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
