"""Stops of a lambda channel: the ends that its values never pass, by the register or seen in the trace."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from data_contracts.family import LambdaSensor
from models.physics.lambda_scale import LambdaScale
from models.statistics.arrays import Flags, Floats
from models.statistics.compiled import kernel

# A recorded ratio that repeats its extreme value for this long [s], for this many samples and for this many times
# longer than any other value of the trace, is at its stop: no mixture stands that still, and what the recorder repeats
# by itself it repeats everywhere. Common practice, no source (2026-11-29).
STOP_S = 0.05
STOP_SAMPLES = 5
STOP_RUNS = 3.0
# A ratio that repeats each value for more samples than this on average is held between its updates. [1]
HELD_SAMPLES = 1.5
# What counts as at a stop: this close to it, of a ratio's stop [1] and of a characteristic [part of its span].
NEAR_RATIO = 1e-5
NEAR_PART = 0.005
# A level is censored from this share of its stretch at the stop on. [1]
CENSORED_SHARE = 0.1


class Stops(NamedTuple):
    """Where each trace ends.

    Attributes
    ----------
    lean, rich : ndarray of shape (captures,)
        A richness at or beyond these is at a stop; infinite where none is known. [unit of richness]
    held_s : ndarray of shape (captures,)
        For how long a ratio repeats each value: what it says is as late. [s]
    """

    lean: Floats
    rich: Floats
    held_s: Floats


@kernel
def _extremes(
    signal: NDArray[np.float32], keep: Flags, low: Floats, high: Floats, runs: Floats
) -> None:  # pragma: no cover - compiled
    """Lowest and highest value of each row; longest runs of the lowest, the highest and any other value, and the mean
    run. [samples]"""
    for row in range(signal.shape[0]):
        least, most = np.float32(np.inf), np.float32(-np.inf)
        for i in range(signal.shape[1]):
            if keep[row, i]:
                least, most = min(least, signal[row, i]), max(most, signal[row, i])
        low[row], high[row] = least, most
        last, length, count, changes = np.float32(np.nan), 0, 0, 0
        for i in range(signal.shape[1]):
            if not keep[row, i]:
                continue
            value = signal[row, i]
            length = length + 1 if value == last else 1
            count += 1
            changes += length == 1
            last = value
            place = 0 if value == least else 1 if value == most else 2
            runs[row, place] = max(runs[row, place], length)
        runs[row, 3] = count / max(changes, 1)


def find_stops(
    signal: NDArray[np.float32], keep: Flags, scale: LambdaScale, sensor: LambdaSensor, *, interval_s: float
) -> Stops:
    """Stops of every trace: the ends of a characteristic; of a ratio those of the register, or those it stands at.

    Parameters
    ----------
    signal : ndarray of shape (captures, samples), float32
        Recorded volts or ratio. [V or 1]
    keep : ndarray of shape (captures, samples), bool
        True = use.
    scale : LambdaScale
        Of the recorded channel.
    sensor : LambdaSensor
        With `range_lambda`, where the register gives it.
    interval_s : float
        Sampling interval. [s]

    Returns
    -------
    Stops
    """
    rows = signal.shape[0]
    if scale.form != "inverse":
        span = scale.rich_end - scale.lean_end
        near = NEAR_PART * span if np.isfinite(span) else 0.0
        return Stops(np.full(rows, scale.lean_end + near), np.full(rows, scale.rich_end - near), np.zeros(rows))
    low, high, runs = np.empty(rows), np.empty(rows), np.zeros((rows, 4))
    _extremes(signal, keep, low, high, runs)
    least = np.maximum(np.maximum(STOP_SAMPLES, STOP_S / interval_s), STOP_RUNS * runs[:, 2])
    with np.errstate(divide="ignore", invalid="ignore"):
        rich = np.where((runs[:, 0] >= least) & (low > 0.0) & (low < high), (1.0 - NEAR_RATIO) / low, np.inf)
        lean = np.where((runs[:, 1] >= least) & (low < high), (1.0 + NEAR_RATIO) / high, -np.inf)
    if sensor.range_lambda is not None:
        lowest, highest = sensor.range_lambda
        rich = np.minimum(rich, (1.0 - NEAR_RATIO) / lowest)
        lean = np.maximum(lean, (1.0 + NEAR_RATIO) / highest)
    held_s = np.where(runs[:, 3] >= HELD_SAMPLES, runs[:, 3] * interval_s, 0.0)
    return Stops(lean, rich, held_s)
