"""Leads swapped between the air-mass and the lambda sensor, where both are recorded in volts."""

import numpy as np

from data_contracts.family import Family
from data_contracts.limits import TRIGGER_V
from models.reading.resampling import Stack
from models.statistics.arrays import Flags

# What a lambda signal shows of a snap comes later than the air that causes it: never earlier by this time. [s]
LEADS_S = 0.03
# Steps at which both are compared. [s]
STEP_S = 0.01
# An air-mass sensor idles between these and rises by so much. Common practice, no source. [V]
IDLE_V, RISES_V = (0.4, 2.0), 1.2
# No narrowband sensor reaches the second of these; an air-mass sensor stays below the first only at idle. [V]
NARROWBAND_TOP_V, AIR_TOP_V = 1.3, 2.0


def swapped_channels(stack: Stack, family: Family) -> Flags:
    """Whether the lambda channel holds the air-mass signal, and the reverse.

    Parameters
    ----------
    stack : Stack
        Recordings on one grid.
    family : Family
        Of all of them.

    Returns
    -------
    ndarray of shape (captures,), bool
        True where the lambda channel idles and rises past the trigger level as an air-mass sensor does, and does so
        before the air-mass channel moves or, of a narrowband family, while that stays where a narrowband sensor does.
    """
    out = np.zeros(stack.recording.size, dtype=np.bool_)
    air, other = stack.channels.get("airflow_v"), stack.channels.get("lambda_v")
    if air is None or other is None or family.airflow_sensor.channel != "airflow_v":
        return out
    stride = max(1, int(STEP_S / stack.interval_s))
    a, b = air[:, ::stride], other[:, ::stride]
    if a.shape[1] < 16:
        return out
    early = max(3, min(int(0.15 / (stride * stack.interval_s)), a.shape[1] // 8))
    with np.errstate(invalid="ignore"):
        low_a, low_b = (np.nan_to_num(np.median(each[:, :early], axis=1)) for each in (a, b))
        off_a, off_b = (np.nan_to_num(each - low[:, None]) for each, low in ((a, low_a), (b, low_b)))
    top_b = low_b + off_b.max(axis=1)
    as_air = (low_b > IDLE_V[0]) & (low_b < IDLE_V[1]) & (off_b.max(axis=1) > RISES_V) & (top_b > TRIGGER_V)
    if family.lambda_sensor.kind == "narrowband":
        return np.asarray(as_air & (low_a + off_a.max(axis=1) < NARROWBAND_TOP_V) & (top_b > AIR_TOP_V))
    moves = [np.argmax(np.abs(each) > 0.5 * np.abs(each).max(axis=1, keepdims=True), axis=1) for each in (off_a, off_b)]
    leads = (moves[0] - moves[1]) * stride * stack.interval_s > LEADS_S
    return np.asarray(as_air & leads)
