"""Both lambda banks of a stack: quantities, flags, and traces on the fixed grid."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from data_contracts.family import Family, LambdaSensor
from data_contracts.signals import BANK2_PREFIX
from models.reading.air_trace.landmarks import Landmarks
from models.reading.aligned_traces import GRID, on_grid
from models.reading.entries import Entries, hold_end
from models.reading.lambda_trace.quantities import read_lambda
from models.reading.resampling import KEPT, Stack
from models.statistics.arrays import Flags
from models.statistics.estimate import Estimate


@dataclass(frozen=True)
class BankFlags:
    """Flags of the lambda traces, over both banks.

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
    stack: Stack, marks: Landmarks, entries: Entries, family: Family, air: Mapping[str, Estimate]
) -> tuple[dict[str, Estimate], BankFlags, NDArray[np.float32]]:
    """Read every recorded lambda bank of a stack.

    Parameters
    ----------
    stack : Stack
        Recordings on one grid.
    marks : Landmarks
        Airflow landmarks, for opening and release.
    entries : Entries
        Snaps, then recordings without one.
    family : Family
        Of all of them.
    air : mapping of str to Estimate
        What was read of the air mass, over the entries: engine speed at idle [1/min], opening and release [s].

    Returns
    -------
    estimates : dict of str to Estimate
        Lambda quantities, bank 2 with its prefix; a bank that was not recorded is left out.
    flags : BankFlags
        Flags of the traces.
    shape : ndarray of shape (entries, GRID), float32
        Bank 1 on the fixed grid. [1/lambda, or V of a narrowband sensor]
    """
    count, dt, sensor = entries.row.size, stack.interval_s, family.lambda_sensor
    out: dict[str, Estimate] = {}
    flags = np.zeros((3, count), dtype=np.bool_)
    shape = np.full((count, GRID), np.nan, dtype=np.float32)
    for prefix in ("", BANK2_PREFIX):
        ratio = f"{prefix}lambda_ratio" in stack.channels
        name = f"{prefix}lambda_ratio" if ratio else f"{prefix}lambda_v"
        if name not in stack.channels or sensor.kind == "none":
            continue
        if prefix and family.lambda_banks < 2:
            continue
        trace, kept = _of_entries(stack, entries, name)
        found, trace_flags = read_lambda(
            trace,
            kept,
            interval_s=dt,
            sensor=sensor,
            opening_s=entries.padded(marks.found.opening.at) * dt,
            release_s=entries.padded(marks.found.release.at) * dt,
            events_u=(air["opening_s"].u, air["release_s"].u),
            idle_s=(entries.padded(marks.found.idle.first) * dt, entries.padded(marks.found.idle.stop) * dt),
            idle_speed_rpm=air["engine_speed_idle_rpm"].value,
            kind="ratio" if ratio else "v",
        )
        out |= {prefix + key: each for key, each in found.items()}
        flags |= np.stack((~trace_flags.active, trace_flags.polarity_contradicts, trace_flags.clipped))
        if not prefix:
            sampled = on_grid(
                stack.channels[name],
                stack.count,
                marks.snaps.row,
                interval_s=dt,
                opening=marks.found.opening.at,
                release=hold_end(marks),
            )
            shape[: entries.snaps] = _linear(sampled, sensor, ratio)
    return out, BankFlags(*flags), shape


def _of_entries(stack: Stack, entries: Entries, name: str) -> tuple[NDArray[np.float32], Flags]:
    """Samples of a channel for every entry, and which of them to use: only its own part of the recording."""
    signal, keep = stack.channels[name], stack.flag[name] == KEPT
    row = entries.row
    whole = row.size == signal.shape[0] and np.array_equal(row, np.arange(row.size))
    trace, kept = (signal, keep) if whole else (signal[row], keep[row])
    for entry in np.flatnonzero((entries.first > 0) | (entries.stop < stack.count[row])):
        kept = kept.copy() if kept is keep else kept
        kept[entry, : entries.first[entry]] = False
        kept[entry, entries.stop[entry] :] = False
    return trace, kept
