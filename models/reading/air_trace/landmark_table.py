"""The table of landmarks: one record per snap, places in samples, levels in flow and in the raw signal.

`models.reading.air_trace.landmarks` defines what each landmark means. A field is NaN where its landmark was not found.
"""

from typing import Any

import numpy as np

# One record, or a nested one, inside compiled code.
Record = Any


def _record(*fields: str) -> np.dtype[np.void]:
    return np.dtype([(name, np.float64) for name in fields])


STEADY = _record(  # a steady stretch
    "first",  # [samples]
    "stop",  # [samples]
    "flow",  # mean [g/s]
    "flow_u",  # [g/s]
    "raw",  # mean of the raw signal [V, Hz or g/s]
    "raw_u",  # [V, Hz or g/s]
    "drift",  # of the flow over the stretch, as a part of it [1]
    "scatter",  # of the raw samples, a standard deviation [V, Hz or g/s]
)

PEAK = _record(  # a rounded peak or valley
    "at",  # [samples]
    "flow",  # [g/s]
    "raw",  # [V, Hz or g/s]
    "gain",  # what its parabola leaves of white noise of 1 [1]
    "shape_u",  # how far a parabola of half the width differs [g/s]
)

MAIN_PEAK = _record(
    "at",  # where it is highest [samples]
    "flow",  # mean level of its stretch [g/s]
    "raw",  # [V, Hz or g/s]
    "gain",  # what the mean leaves of white noise of 1 [1]
    "first",  # stretch it is read over [samples]
    "stop",  # [samples]
    "spread",  # how far the slow trace's highest point stands above the mean [g/s]
    "scatter",  # of the raw samples, a standard deviation [V, Hz or g/s]
    "near",  # independent places that noise may have made the highest [1]
    "uneven",  # scatter of the slow trace over the stretch, a standard deviation [g/s]
    "uneven_top",  # the same near its top [g/s]
    "rise",  # what a climb that the release cut short still gains [g/s]
)

# Where a trace crosses a level, and how steeply. [samples, g/s per sample]
CROSSING = _record("at", "slope")

LANDMARKS = np.dtype(
    [
        ("rise_start", np.float64),  # last sample at idle [samples]
        ("idle", STEADY),
        ("opening", CROSSING),
        ("first_peak", PEAK),
        ("dip", PEAK),
        ("main_peak", MAIN_PEAK),
        ("climb_10", CROSSING),
        ("climb_90", CROSSING),
        ("climb_height", np.float64),  # between the two [g/s]
        ("notches", np.float64),  # count
        ("notches_u", np.float64),
        ("run_up", CROSSING),
        ("end_slope", np.float64),  # of the flow before the release, as a part of the main peak [1/s]
        ("hold_stop", np.float64),  # where the fall begins [samples]
        ("release", CROSSING),
        ("fall_90", CROSSING),
        ("fall_10", CROSSING),
        ("pulse", PEAK),
        ("behind_pulse", PEAK),  # the valley the pulse is measured from
        ("pulse_part", np.float64),  # what counts of its height above that valley [1]
        ("lowest", PEAK),  # of the undershoot
        ("ripple", np.float64),  # scatter early in the climb as a part of the flow [1]
        ("top_noise", np.float64),  # of a reported flow, late in the hold [g/s]
        ("settle", np.float64),  # [samples]
        ("settle_u", np.float64),  # [samples]
        ("idle_after", STEADY),
    ]
)


def empty_table(snaps: int) -> Any:
    """A table in which nothing was found yet.

    Parameters
    ----------
    snaps : int
        Number of records.

    Returns
    -------
    recarray of shape (snaps,) of `LANDMARKS`
        NaN throughout.
    """
    return np.full(snaps, np.nan, dtype=LANDMARKS).view(np.recarray)
