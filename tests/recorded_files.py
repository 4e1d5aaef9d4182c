"""Recordings as WAV, gzip and MDF files, for tests of the readers."""

import gzip
import io
import struct
from collections.abc import Mapping

import numpy as np
import polars as pl
from numpy.typing import NDArray


def wav(
    samples: NDArray[np.float64], rate_hz: int, *, bits: int = 16, floating: bool = False, more: bytes = b""
) -> bytes:
    """A RIFF file of samples of shape (frames, channels), in shares of full scale; `more` are chunks before the samples."""
    if floating:
        body = samples.astype(f"<f{bits // 8}").tobytes()
    elif bits == 8:
        body = np.round(samples * 128 + 128).clip(0, 255).astype(np.uint8).tobytes()
    else:
        steps = np.round(samples * 2.0 ** (bits - 1)).clip(-(2.0 ** (bits - 1)), 2.0 ** (bits - 1) - 1).astype("<i4")
        body = steps[..., None].view(np.uint8).reshape(*samples.shape, 4)[..., : bits // 8].tobytes()
    frame = samples.shape[1] * bits // 8
    form = struct.pack("<HHIIHH", 3 if floating else 1, samples.shape[1], rate_hz, rate_hz * frame, frame, bits)
    chunks = b"fmt " + struct.pack("<I", 16) + form + more + b"data" + struct.pack("<I", len(body)) + body
    return b"RIFF" + struct.pack("<I", 4 + len(chunks)) + b"WAVE" + chunks


def packed(frame: pl.DataFrame) -> bytes:
    """A CSV in gzip."""
    return gzip.compress(frame.write_csv().encode())


def mdf(
    groups: Mapping[str, tuple[NDArray[np.float64], NDArray[np.float64], str]],
    *,
    compression: int = 0,
    apart: bool = True,
) -> bytes:
    """An MDF 4 file of channels, each (times, values, unit): one group each, or all in one."""
    from asammdf import MDF, Signal

    signals = [Signal(values, time, name=name, unit=unit) for name, (time, values, unit) in groups.items()]
    made, file = MDF(version="4.10"), io.BytesIO()
    for each in [[signal] for signal in signals] if apart else [signals]:
        made.append(each, common_timebase=True)
    made.save(file, compression=compression, overwrite=True)
    made.close()
    return file.getvalue()
