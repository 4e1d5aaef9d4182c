"""Recordings in MDF 4 (ASAM), decoded by the package asammdf, which is optional and imported only here.

Damaged files can crash its compiled parts, so it runs in a process of its own.
"""

import importlib.util
import io
import logging
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from data_contracts.capture import Waveform
from data_contracts.errors import EmptyFileError, UnreadableFileError, WaveformError
from data_contracts.plurals import counted
from data_contracts.recorder import RecorderProfile
from data_contracts.signals import AIRFLOW_SIGNALS
from pipelines.intake.readers.apart import apart
from pipelines.intake.readers.columns import even_time, finish, pick_columns
from pipelines.intake.readers.mdf_blocks import check_blocks
from pipelines.intake.readers.values import ask_back_units

_FORMULA = 3  # kind of a conversion that is a text to be worked out
# A channel recorded slower than another holds its value for so many of its own usual steps. Of our choosing.
_HELD_STEPS = 3.0


@dataclass(frozen=True)
class MdfChannel:
    """A channel of an MDF file.

    Attributes
    ----------
    name, unit : str
        As the file names them.
    group, index : int
        Its place in the file.
    """

    name: str
    unit: str
    group: int
    index: int


@dataclass(frozen=True)
class _Samples:
    """Times and values of one channel; no times where its group has no time channel."""

    time_s: NDArray[np.float64] | None
    values: NDArray[np.float64]


def read_mdf(content: bytes, profile: RecorderProfile) -> Waveform:
    """Decode one MDF 4 recording.

    Time is that of the file. Channels of other groups are brought to the times of the one with most samples: each holds
    its last value, as it does in the car until the next comes.

    Parameters
    ----------
    content : bytes
        The whole file.
    profile : RecorderProfile
        Source channels and scales; an interval serves where the file holds no time channel.

    Returns
    -------
    Waveform

    Raises
    ------
    WaveformError
        If the file is no whole MDF 4 file, asammdf is not installed, or the contract or the profile is broken.
    """
    check_mdf(content)
    return apart(_decoded, content, profile)


def check_mdf(content: bytes) -> None:
    """Refuse a file that can't be decoded safely, or at all as asammdf is not installed.

    Parameters
    ----------
    content : bytes
        The whole file.

    Raises
    ------
    WaveformError
    """
    check_blocks(content)
    if importlib.util.find_spec("asammdf") is None:
        raise UnreadableFileError(
            "MDF 4 is read by the package asammdf, which is not installed: install vansnap with its extra mdf, or export "
            "the recording as CSV or Parquet"
        )


def _decoded(content: bytes, profile: RecorderProfile) -> Waveform:
    with opened_mdf(content) as mdf:
        channels = mdf_channels(mdf)
        names = [channel.name for channel in channels]
        picked = pick_columns(profile, names, timed=False)
        chosen = {name: channels[names.index(header)] for name, header in picked.items()}
        found = {name: _samples(mdf, channel) for name, channel in chosen.items()}
    ask_back_units(profile, picked, {channel.name: channel.unit for channel in chosen.values()})
    order = sorted(found, key=lambda name: (-found[name].values.size, name not in AIRFLOW_SIGNALS))
    base = found[order[0]]
    if not base.values.size:
        raise EmptyFileError("the file holds no samples: record again")
    time = even_time(profile, base.values.size) if base.time_s is None else base.time_s
    columns = {name: _held_at(time, samples, name) for name, samples in found.items()}
    return finish(profile, time, columns)


@contextmanager
def opened_mdf(content: bytes) -> Iterator[Any]:
    """An MDF file as asammdf opens it; whatever goes wrong inside is one line.

    Parameters
    ----------
    content : bytes
        The whole file, checked by `check_mdf`.

    Yields
    ------
    asammdf.MDF

    Raises
    ------
    WaveformError
    """
    from asammdf import MDF

    logging.getLogger("asammdf").setLevel(logging.CRITICAL)
    try:
        with MDF(io.BytesIO(content)) as mdf:
            yield mdf
    except WaveformError:
        raise
    except Exception:  # of many kinds, where a block does not hold what it says
        raise UnreadableFileError(
            "the MDF 4 file is damaged, a block does not hold what it says: export it again"
        ) from None


def mdf_channels(mdf: Any) -> list[MdfChannel]:
    """Channels of an open MDF file, without those of time.

    Parameters
    ----------
    mdf : asammdf.MDF

    Returns
    -------
    list of MdfChannel
        In the file's order.
    """
    return [
        MdfChannel(channel.name.strip(), (channel.unit or "").strip(), g, i)
        for g, group in enumerate(mdf.groups)
        for i, channel in enumerate(group.channels)
        if mdf.masters_db.get(g) != i
    ]


def mdf_samples(mdf: Any, channel: MdfChannel) -> tuple[NDArray[np.float64] | None, NDArray[np.float64]]:
    """Times and values of one channel.

    Parameters
    ----------
    mdf : asammdf.MDF
    channel : MdfChannel

    Returns
    -------
    tuple of (ndarray or None, ndarray), both of shape (samples,)
        None where its group has no time channel. [s], [unit of the channel]

    Raises
    ------
    WaveformError
        If it holds no numbers.
    """
    signal = mdf.get(group=channel.group, index=channel.index, raw=True)
    if signal.conversion is not None and signal.conversion.conversion_type == _FORMULA:
        raise WaveformError(
            f"channel {channel.name!r} is converted by a formula, which is not run: export it converted, or as CSV"
        )
    signal = signal.physical()
    if signal.samples.ndim != 1 or signal.samples.dtype.kind not in "biuf":
        raise WaveformError(f"channel {channel.name!r} holds no numbers: export it as numbers")
    values = signal.samples.astype(np.float64)
    if signal.invalidation_bits is not None:
        values[np.asarray(signal.invalidation_bits, dtype=np.bool_)] = np.nan
    time = None if channel.group not in mdf.masters_db else np.asarray(signal.timestamps, dtype=np.float64)
    return time, values


def _samples(mdf: Any, channel: MdfChannel) -> _Samples:
    return _Samples(*mdf_samples(mdf, channel))


def _held_at(time: NDArray[np.float64], samples: _Samples, name: str) -> NDArray[np.float64]:
    """Values of a channel at other times: its last, for as long as its next is not overdue."""
    own, values = samples.time_s, samples.values
    if own is None or np.array_equal(own, time):
        if values.size != time.size:
            raise WaveformError(
                f"channel {name} has {counted(values.size, 'sample', 'samples')} without a time, others {time.size}: export them with time"
            )
        return values
    if not values.size:
        return np.full(time.size, np.nan)
    last = np.searchsorted(own, time, side="right") - 1
    held = np.where(last >= 0, values[np.maximum(last, 0)], np.nan)
    usual = float(np.median(np.diff(own))) if own.size > 1 else 0.0
    held[time - own[np.maximum(last, 0)] > _HELD_STEPS * usual] = np.nan
    return held
