"""How far the throttle opened, from its channel or from the shape of the flow."""

import numpy as np
from numpy.typing import NDArray

from models.estimate import Estimate, estimate

Floats = NDArray[np.float64]

# Uncertainty of a recorded throttle position, and more where the register does not say what fully open reads. [1]
CHANNEL_U, UNKNOWN_OPEN_U = 0.01, 0.04


def opened_from_channel(
    throttle: NDArray[np.float32],
    rows: NDArray[np.int64],
    hold_first: Floats,
    hold_stop: Floats,
    *,
    open_pct: float | None,
) -> Estimate:
    """How far the throttle opened, from its channel.

    Parameters
    ----------
    throttle : ndarray of shape (captures, samples), float32
        Throttle plate position; NaN where not recorded. [%]
    rows : ndarray of shape (snaps,), int
        Row of each snap.
    hold_first, hold_stop : ndarray of shape (snaps,)
        From the opening to where the fall begins. [samples]
    open_pct : float or None
        What the channel reads fully open; None: 100, with more uncertainty. [%]

    Returns
    -------
    Estimate
        The upper decile over the hold as a part of fully open, at most 1.05. [1]
    """
    value = np.full(rows.size, np.nan)
    known = np.isfinite(hold_first) & np.isfinite(hold_stop)
    for s in np.flatnonzero(known):
        held = throttle[rows[s], int(hold_first[s]) : int(hold_stop[s])]
        held = held[np.isfinite(held)]
        if held.size:
            value[s] = float(np.quantile(held, 0.9))
    full = 100.0 if open_pct is None else open_pct
    u = CHANNEL_U if open_pct is not None else UNKNOWN_OPEN_U
    return estimate(np.clip(value / full, 0.0, 1.05), np.full(rows.size, u), "gap")
