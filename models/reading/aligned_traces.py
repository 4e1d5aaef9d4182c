"""Both traces of a snap on one fixed grid, aligned at opening and release, for comparison and the anomaly model."""

import numpy as np
from numpy.typing import NDArray

from models.statistics.compiled import kernel

# Seconds from the opening, then seconds from the release.
OPENING_GRID_S = np.linspace(-0.2, 0.9, 48)
RELEASE_GRID_S = np.linspace(-0.1, 0.7, 32)
GRID = OPENING_GRID_S.size + RELEASE_GRID_S.size


@kernel
def _sample(
    trace: NDArray[np.float32],
    count: NDArray[np.int64],
    rows: NDArray[np.int64],
    opening: NDArray[np.float64],
    release: NDArray[np.float64],
    early: NDArray[np.float64],
    late: NDArray[np.float64],
    half: float,
    out: NDArray[np.float32],
) -> None:  # pragma: no cover - compiled
    for s in range(rows.size):
        n = count[rows[s]]
        for k in range(out.shape[1]):
            place = opening[s] + early[k] if k < early.size else release[s] + late[k - early.size]
            out[s, k] = np.nan
            if not (place >= 0.0 and place <= n - 1):
                continue
            # the part aligned at the opening excludes the fall; the other part excludes what comes before it
            if k < early.size and place > release[s]:
                continue
            if k >= early.size and place < opening[s]:
                continue
            first, stop = int(np.ceil(place - half)), int(np.floor(place + half)) + 1
            if half < 1.0:
                left = min(int(place), n - 2)
                part = place - left
                out[s, k] = trace[rows[s], left] * (1.0 - part) + trace[rows[s], left + 1] * part
                continue
            first, stop = max(first, 0), min(stop, n)
            total = 0.0
            for i in range(first, stop):
                total += trace[rows[s], i]
            out[s, k] = total / (stop - first)


def on_grid(
    trace: NDArray[np.float32],
    count: NDArray[np.int64],
    rows: NDArray[np.int64],
    *,
    interval_s: float,
    opening: NDArray[np.float64],
    release: NDArray[np.float64],
) -> NDArray[np.float32]:
    """Sample traces on the fixed grid around each snap's opening and release.

    Parameters
    ----------
    trace : ndarray of shape (captures, samples), float32
        Samples; NaN where nothing was recorded. [any unit]
    count : ndarray of shape (captures,), int
        Samples that are part of each recording.
    rows : ndarray of shape (snaps,), int
        Row of each snap.
    interval_s : float
        Sampling interval. [s]
    opening, release : ndarray of shape (snaps,)
        Samples from the row's first, NaN where not found. A hold that ends with the record has no
        release: its opening part is filled to the end. [samples]

    Returns
    -------
    ndarray of shape (snaps, GRID), float32
        Means over ±5 ms; NaN where nothing was recorded and, in the opening part, after the release.
        [unit of `trace`]
    """
    out = np.empty((rows.size, GRID), dtype=np.float32)
    early, late = OPENING_GRID_S / interval_s, RELEASE_GRID_S / interval_s
    _sample(trace, count, rows, opening, release, early, late, 0.005 / interval_s, out)
    return out
