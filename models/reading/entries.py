"""The entries of a stack's reading (its snaps, then its recordings without one) and what each was recorded with."""

from collections.abc import Sequence
from dataclasses import dataclass
from operator import attrgetter

import numpy as np

from data_contracts.capture import Conditions
from data_contracts.family import Family
from models.reading.air_trace.landmarks import Landmarks
from models.reading.manifold_pressure import has_flow
from models.reading.needs import Extent
from models.reading.resampling import Stack
from models.statistics.arrays import Codes, Flags, Floats

_CONDITIONS = (
    "coolant_c",
    "intake_air_c",
    "barometer_kpa",
    "humidity_pct",
    "altitude_m",
    "trim_idle_pct",
    "trim_2500_pct",
    "closed_loop",
)
_RECORDED = attrgetter(*_CONDITIONS)


@dataclass(frozen=True)
class Entries:
    """Entries of one stack: one per snap, then one per recording without a snap.

    Attributes
    ----------
    row, number : ndarray of shape (entries,), int
        Row of the stack, and number of the snap within its recording, from 1; also 1 for a recording without one.
    first, stop : ndarray of shape (entries,), int
        Stretch of the recording that belongs to the entry. [samples]
    snaps : int
        Number of snaps.
    conditions : dict of str to ndarray of shape (entries,)
        Columns of the manifest; NaN is unmeasured. [unit of the column]
    """

    row: Codes
    number: Codes
    first: Codes
    stop: Codes
    snaps: int
    conditions: dict[str, Floats]

    @property
    def without_snap(self) -> Codes:
        """Rows of the recordings without a snap."""
        return self.row[self.snaps :]

    def of_snaps(self) -> dict[str, Floats]:
        """Conditions of the snaps alone."""
        return {name: column[: self.snaps] for name, column in self.conditions.items()}

    def padded(self, of_snaps: Floats, fill: float = np.nan) -> Floats:
        """A column of the snaps, continued over the recordings without one.

        Parameters
        ----------
        of_snaps : ndarray of shape (snaps,)
            One value per snap. [any unit]
        fill : float
            Value for a recording without a snap. [the same unit]

        Returns
        -------
        ndarray of shape (entries,)
            [the same unit]
        """
        return np.concatenate((of_snaps, np.full(self.row.size - of_snaps.size, fill)))


def list_entries(stack: Stack, marks: Landmarks, conditions: Sequence[Conditions]) -> Entries:
    """List the entries of a stack.

    Parameters
    ----------
    stack : Stack
        Recordings on one grid.
    marks : Landmarks
        Of their snaps.
    conditions : sequence of Conditions
        Of each row.

    Returns
    -------
    Entries
    """
    snaps = marks.snaps
    bare = np.setdiff1d(np.arange(stack.recording.size), snaps.row)
    row = np.concatenate((snaps.row, bare))
    table = np.array([_RECORDED(each) for each in conditions], dtype=np.float64).reshape(len(conditions), -1)
    return Entries(
        row=row,
        number=np.concatenate((snaps.number, np.ones(bare.size, dtype=np.int64))),
        first=np.concatenate((snaps.first, np.zeros(bare.size, dtype=np.int64))),
        stop=np.concatenate((snaps.stop, stack.count[bare])),
        snaps=snaps.row.size,
        conditions={name: column[row] for name, column in zip(_CONDITIONS, np.ascontiguousarray(table.T), strict=True)},
    )


def hold_end(marks: Landmarks) -> Floats:
    """Release, or the end of the hold where the record ends first.

    Parameters
    ----------
    marks : Landmarks
        Of the snaps.

    Returns
    -------
    ndarray of shape (snaps,)
        [samples]
    """
    release = marks.found.release.at
    return np.where(np.isfinite(release), release, marks.snaps.off)


def extent_of(stack: Stack, marks: Landmarks, entries: Entries, family: Family) -> Extent:
    """What the recording of each entry holds.

    Parameters
    ----------
    stack : Stack
        Recordings on one grid.
    marks : Landmarks
        Of their snaps.
    entries : Entries
        Snaps, then recordings without one.
    family : Family
        Of all of them.

    Returns
    -------
    Extent
    """
    dt, snaps = stack.interval_s, marks.snaps
    release, opening = marks.found.release.at, marks.found.opening.at
    released = np.isfinite(release)
    opening = np.where(np.isfinite(opening), opening, snaps.on)
    after_s = np.where(released, (snaps.stop - release) * dt, 0.0)
    of_snap = np.arange(entries.row.size) < entries.snaps
    before_s: Floats = stack.count[entries.row].astype(np.float64) * dt
    before_s[: entries.snaps] = (marks.found.rise_start - snaps.first) * dt

    def has(*names: str) -> Flags:
        return np.full(entries.row.size, any(name in stack.channels for name in names))

    return Extent(
        snap=of_snap,
        airflow=np.full(entries.row.size, has_flow(stack, family)),
        engine_speed=has("engine_rpm"),
        lambda_banks=(has("lambda_v", "lambda_ratio"), has("bank2_lambda_v", "bank2_lambda_ratio")),
        rate_hz=stack.rate_hz[entries.row] / stack.held[entries.row],
        before_s=before_s,
        hold_s=entries.padded((hold_end(marks) - opening) * dt, 0.0),
        after_s=entries.padded(after_s, 0.0),
        released=np.concatenate((released, np.zeros(entries.row.size - entries.snaps, dtype=np.bool_))),
        conditions=entries.conditions,
        recorded=frozenset(stack.channels),
    )
