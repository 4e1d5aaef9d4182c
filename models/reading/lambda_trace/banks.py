"""Both lambda banks of a stack: from channels and landmarks to quantities, signs and shape."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from data_contracts.family import Family, LambdaSensor
from data_contracts.signals import BANK2_PREFIX
from models.reading.air_trace import landmark_columns as lk
from models.reading.air_trace.landmarks import Landmarks
from models.reading.aligned_traces import GRID, on_grid
from models.reading.lambda_trace.quantities import read_lambda
from models.reading.resampling import KEPT, Stack
from models.statistics.estimate import Estimate

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class BankSigns:
    """What the lambda traces show, over both banks.

    Attributes
    ----------
    inactive, polarity_contradicts, clipped : ndarray of shape (entries,), bool
        A recorded sensor is not active; contradicts the register's polarity; reaches the end of its range.
    """

    inactive: NDArray[np.bool_]
    polarity_contradicts: NDArray[np.bool_]
    clipped: NDArray[np.bool_]


def _linear(samples: NDArray[np.float32], sensor: LambdaSensor, ratio: bool) -> NDArray[np.float32]:
    """1/lambda of samples; volts of a narrowband sensor as they are."""
    if ratio:
        with np.errstate(divide="ignore"):
            return np.where(samples > 0.0, 1.0 / samples, np.nan).astype(np.float32)
    if sensor.kind == "wideband":
        inverse = np.interp(samples, sensor.characteristic_v, 1.0 / sensor.characteristic_lambda)
        return np.where(np.isnan(samples), np.nan, inverse).astype(np.float32)
    return samples


def read_banks(
    stack: Stack, marks: Landmarks, rows: NDArray[np.int64], family: Family, idle_speed: Estimate
) -> tuple[dict[str, Estimate], BankSigns, NDArray[np.float32]]:
    """Read every recorded lambda bank of a stack.

    Parameters
    ----------
    stack : Stack
        Recordings on one grid.
    marks : Landmarks
        Airflow landmarks: the defined start events.
    rows : ndarray of shape (entries,), int
        Row of each entry; snaps first, then recordings without one.
    family : Family
        Of all of them.
    idle_speed : Estimate
        Engine speed at idle, over the entries. [1/min]

    Returns
    -------
    estimates : dict of str to Estimate
        Lambda quantities, bank 2 with its prefix; a bank that was not recorded is left out.
    signs : BankSigns
        What the traces show.
    shape : ndarray of shape (entries, GRID), float32
        Bank 1 on the fixed grid. [1/lambda, or V of a narrowband sensor]
    """
    entries, snaps, dt = rows.size, marks.snaps.row.size, stack.interval_s
    bare = np.full(entries - snaps, np.nan)
    opening = np.concatenate((marks[lk.OPENING], bare)) * dt
    release = np.concatenate((marks[lk.RELEASE], bare)) * dt
    main = np.concatenate((marks[lk.MAIN_AT], bare)) * dt
    first = np.concatenate((marks.snaps.first, np.zeros(entries - snaps, dtype=np.int64)))
    stop = np.concatenate((marks.snaps.stop, stack.count[rows[snaps:]]))
    out: dict[str, Estimate] = {}
    flags = np.zeros((3, entries), dtype=np.bool_)
    shape = np.full((entries, GRID), np.nan, dtype=np.float32)
    for prefix in ("", BANK2_PREFIX):
        ratio = f"{prefix}lambda_ratio" in stack.channels
        name = f"{prefix}lambda_ratio" if ratio else f"{prefix}lambda_v"
        if name not in stack.channels or family.lambda_sensor.kind == "none":
            continue
        if prefix and family.lambda_banks < 2:
            continue
        signal, keep = stack.channels[name], stack.fate[name] == KEPT
        whole = entries == signal.shape[0] and np.array_equal(rows, np.arange(entries))
        trace, kept = (signal, keep) if whole else (signal[rows], keep[rows])
        for entry in np.flatnonzero((first > 0) | (stop < stack.count[rows])):  # another snap's part of the recording
            kept = kept.copy() if kept is keep else kept
            kept[entry, : first[entry]] = False
            kept[entry, stop[entry] :] = False
        found, signs = read_lambda(
            trace, kept, interval_s=dt, sensor=family.lambda_sensor, opening_s=opening, release_s=release,
            main_peak_s=main, cylinders=family.cylinders, idle_speed_rpm=idle_speed.value,
            kind="ratio" if ratio else "v",
        )  # fmt: skip
        out |= {prefix + key: each for key, each in found.items()}
        flags |= np.stack((~signs.active, signs.polarity_contradicts, signs.clipped))
        if not prefix:
            sampled = on_grid(
                signal, stack.count, marks.snaps.row, interval_s=dt, opening=marks[lk.OPENING],
                release=np.where(np.isfinite(marks[lk.RELEASE]), marks[lk.RELEASE], marks.snaps.off),
            )  # fmt: skip
            shape[:snaps] = _linear(sampled, family.lambda_sensor, ratio)
    return out, BankSigns(*flags), shape
