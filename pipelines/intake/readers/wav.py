"""Recordings in WAV (RIFF): channels by number, samples in shares of full scale, time by the sampling rate.

Multimedia Programming Interface and Data Specifications 1.0 (1991) for RIFF and PCM; 8 bits are unsigned, more are signed.
"""

import struct
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from data_contracts.capture import Waveform
from data_contracts.errors import EmptyFileError, NoFitError, UnreadableFileError
from data_contracts.plurals import counted
from data_contracts.recorder import CANONICAL, RecorderProfile
from pipelines.intake.readers.columns import check_samples, finish, pick_columns

_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE
_MOST_CHANNELS = 256
_REMEDY = "export it again"


@dataclass(frozen=True)
class WavHead:
    """What a WAV file says of its samples, checked against its size.

    Attributes
    ----------
    channels, rate_hz, bytes_each : int
        Channels, frames a second, and bytes of one sample.
    floating : bool
        Samples are floating-point numbers rather than steps.
    start, frames : int
        Place of the first sample, and samples of each channel.
    """

    channels: int
    rate_hz: int
    bytes_each: int
    floating: bool
    start: int
    frames: int


def read_wav(content: bytes, profile: RecorderProfile) -> Waveform:
    """Decode one WAV recording.

    Parameters
    ----------
    content : bytes
        The whole file.
    profile : RecorderProfile
        Columns are numbers of channels from 1; scale is the value at full scale. An interval wins over the file's rate.

    Returns
    -------
    Waveform

    Raises
    ------
    WaveformError
        If the file is no whole WAV file or breaks the contract or the profile.
    """
    head = wav_head(content)
    if profile.name == CANONICAL.name:
        raise NoFitError(
            f"a WAV file names no channel (it holds {head.channels}): name a recorder profile that gives number and scale of each"
        )
    headers = [str(number + 1) for number in range(head.channels)]
    picked = pick_columns(profile, headers, timed=False)
    step_s = profile.interval_s or 1.0 / head.rate_hz
    columns = {name: wav_channel(content, head, int(header) - 1) for name, header in picked.items()}
    return finish(profile, np.arange(head.frames, dtype=np.float64) * step_s, columns)


def wav_head(content: bytes) -> WavHead:
    """Read what stands before the samples.

    Parameters
    ----------
    content : bytes
        The whole file.

    Returns
    -------
    WavHead

    Raises
    ------
    WaveformError
        If it is no WAV file, is cut short, or holds samples of a kind that is not read.
    """
    if content[:4] != b"RIFF" or content[8:12] != b"WAVE":
        raise UnreadableFileError(f"the file is not WAV (RIFF): {_REMEDY}")
    form, data, place = b"", None, 12
    while place + 8 <= len(content) and data is None:
        kind, size = struct.unpack_from("<4sI", content, place)
        place += 8
        if kind == b"fmt ":
            form = content[place : place + min(size, 40)]
        elif kind == b"data":
            data = (place, size)
        place += size + size % 2
    if len(form) < 16 or data is None:
        raise UnreadableFileError(f"the file is cut short, it has no format or no samples: {_REMEDY}")
    code, channels, rate, _, frame, bits = struct.unpack_from("<HHIIHH", form)
    if code == _EXTENSIBLE and len(form) >= 26:
        code = struct.unpack_from("<H", form, 24)[0]  # the first two bytes of its sub-format
    if (code, bits) not in ((_PCM, 8), (_PCM, 16), (_PCM, 24), (_PCM, 32), (_FLOAT, 32), (_FLOAT, 64)):
        raise UnreadableFileError(
            f"samples of format {code} with {bits} bits are not read: export as PCM of 8, 16, 24 or 32 bits, or as floating point"
        )
    if not 1 <= channels <= _MOST_CHANNELS or not rate or frame != channels * bits // 8:
        told = f"{counted(channels, 'channel', 'channels')}, {rate} Hz, {frame} bytes a frame"
        raise UnreadableFileError(f"the file contradicts itself ({told}): {_REMEDY}")
    start, size = data
    if start + size > len(content):
        raise UnreadableFileError(f"the file is cut short, {len(content) - start} of {size} bytes are there: {_REMEDY}")
    if size < frame:
        raise EmptyFileError("the file holds no samples: record again")
    check_samples(size // frame)
    return WavHead(channels, rate, bits // 8, code == _FLOAT, start, size // frame)


def wav_channel(content: bytes, head: WavHead, channel: int) -> NDArray[np.float64]:
    """Samples of one channel.

    Parameters
    ----------
    content : bytes
        The whole file.
    head : WavHead
    channel : int
        From 0.

    Returns
    -------
    ndarray of shape (frames,)
        Steps in shares of full scale, -1 to 1; floating-point numbers as they are. [1]
    """
    each, stop = head.bytes_each, head.start + head.frames * head.channels * head.bytes_each
    raw = np.frombuffer(content[head.start : stop], np.uint8).reshape(head.frames, head.channels, each)[:, channel]
    if head.floating:
        return np.ascontiguousarray(raw).view(f"<f{each}").reshape(-1).astype(np.float64)
    if each == 1:
        return (raw.reshape(-1).astype(np.float64) - 128.0) / 128.0
    wide = np.zeros((head.frames, 4), np.uint8)
    wide[:, 4 - each :] = raw  # the highest bytes: full scale stays full scale
    return wide.view("<i4").reshape(-1) / 2.0**31
