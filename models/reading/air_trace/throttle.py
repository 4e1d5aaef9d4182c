"""How far the throttle opened, from its channel or from the shape of the flow."""

import numpy as np
from numpy.typing import NDArray

from models.statistics.arrays import Floats
from models.statistics.estimate import Estimate, estimate

# Standard uncertainty of a recorded throttle position: with, and without, the register's reading of fully open. [1]
CHANNEL_U, UNKNOWN_OPEN_U = 0.01, 0.04


# Main-peak flow as a part of that with the plate fully open, by opening: choked flow through a throttle plate, so the
# last half of the travel adds little. From a mean-value engine model; no published source. [1]
FLOW_PART = np.array([0.0, 0.30, 0.48, 0.57, 0.76, 0.87, 0.95, 1.0])
OPENED = np.array([0.0, 0.25, 0.35, 0.40, 0.50, 0.60, 0.80, 1.0])
# No other fault known to the trade costs so much flow: below this part only the throttle explains it. [1]
NOTHING_ELSE = 0.70
# First peak over main peak: up to the first value a usual snap, from the second on a flat one. [1]
USUAL_SHAPE, FLAT_SHAPE = 0.72, 0.80
SHAPE_U, PARTLY_SHAPE_U = 0.08, 0.20
# From the first part of the family's main peak on, the shape counts less; from the second on, not at all. [1]
FULL_FROM, FULL_AT = 0.91, 0.97


def opened_from_shape(main_reference_g_s: Floats, first_over_main: Floats, *, expected_g_s: float) -> Estimate:
    """How far the throttle opened, from the height and shape of the flow.

    Parameters
    ----------
    main_reference_g_s : ndarray of shape (entries,)
        Main peak at reference conditions; NaN is unread. [g/s]
    first_over_main : ndarray of shape (entries,)
        First peak over main peak; NaN is unread. [1]
    expected_g_s : float
        The family's main peak; 0 where the register gives none. [g/s]

    Returns
    -------
    Estimate
        [1]

    Notes
    -----
    A plate that opens part way limits the flow at high speed but hardly the filling of the manifold: the main peak is
    low and the first peak relatively high. A sensor that reads low scales both, so the height counts only as far as the
    shape is flat, or where it is too low for any other fault. Small turbo engines are flat when fully open: the shape
    does not count for a flow that reaches the family's main peak. A restricted exhaust looks similar, hence the
    uncertainty.
    """
    nothing = np.full(main_reference_g_s.size, np.nan)
    if expected_g_s <= 0.0:
        return estimate(nothing, nothing, "family_incomplete")
    part = main_reference_g_s / expected_g_s
    by_height = np.interp(part, FLOW_PART, OPENED)
    flat = np.clip((first_over_main - USUAL_SHAPE) / (FLAT_SHAPE - USUAL_SHAPE), 0.0, 1.0)
    flat = flat * np.clip((FULL_AT - part) / (FULL_AT - FULL_FROM), 0.0, 1.0)
    weight = np.where(part < NOTHING_ELSE, 1.0, np.nan_to_num(flat))
    value = np.where(np.isnan(part), np.nan, 1.0 - weight * (1.0 - by_height))
    return estimate(value, np.where((weight > 0.0) & (part >= NOTHING_ELSE), PARTLY_SHAPE_U, SHAPE_U))


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
        From the opening to the beginning of the fall. [samples]
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
