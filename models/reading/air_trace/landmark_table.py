"""The table of landmarks: one record per snap, places in samples, levels in flow and in the raw signal.

`models.reading.air_trace.landmarks` defines what each landmark means. A field is NaN where its landmark was not found.
"""

from typing import Any

import numpy as np

# One record, or a nested one, inside compiled code.
Record = Any


def _record(fields: str) -> np.dtype[np.void]:
    return np.dtype([(name, np.float64) for name in fields.split()])


# A steady stretch: its samples, mean flow and raw level with their standard uncertainties, the drift of the flow over the
# stretch as a part of it, and the scatter of the raw samples.
# [samples, samples, g/s, g/s, raw unit, raw unit, 1, raw unit]
STEADY = _record("first stop flow flow_u raw raw_u drift scatter")

# A rounded peak or valley: place, flow, raw level, what its parabola leaves of white noise of 1, and how far a parabola of
# half the width differs. [samples, g/s, raw unit, 1, g/s]
PEAK = _record("at flow raw gain shape_u")

# The main peak: its highest place, flow, raw level and noise gain; the stretch it is read over; how far the slow trace's
# highest point stands above that level; the scatter of the raw samples; how many independent places noise may have made the
# highest; the scatter of the slow trace over the stretch, and near its top; what a climb cut short still gains.
# [samples, g/s, raw unit, 1, samples, samples, g/s, raw unit, 1, g/s, g/s, g/s]
MAIN_PEAK = _record("at flow raw gain first stop spread scatter near uneven uneven_top rise")

# Where a trace crosses a level, and how steeply. [samples, g/s per sample]
CROSSING = _record("at slope")

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
