"""Recordings in CSV packed with gzip (RFC 1952)."""

import gzip
import io
import zlib

from data_contracts.capture import Waveform
from data_contracts.errors import EmptyFileError, TooLargeError, UnreadableFileError
from data_contracts.recorder import RecorderProfile
from pipelines.intake.readers.columns import LARGEST_FILE_BYTES
from pipelines.intake.readers.csv import read_csv


def read_csv_gz(content: bytes, profile: RecorderProfile) -> Waveform:
    """Unpack and decode one CSV recording; parameters, return and errors as for `read_csv`."""
    return read_csv(unpacked(content), profile)


def unpacked(content: bytes, limit: int = LARGEST_FILE_BYTES) -> bytes:
    """What a gzip file holds; never more is unpacked than the limit, whatever the file says of its size.

    Parameters
    ----------
    content : bytes
        The whole file.
    limit : int
        Most bytes to unpack.

    Returns
    -------
    bytes

    Raises
    ------
    WaveformError
        If it is cut short, damaged, empty or too large.
    """
    try:
        with gzip.GzipFile(fileobj=io.BytesIO(content)) as packed:
            found = packed.read(limit + 1)
    except (gzip.BadGzipFile, EOFError, zlib.error, ValueError):
        raise UnreadableFileError("the file is cut short or is not gzip: pack the recording again") from None
    if len(found) > limit:
        raise TooLargeError(f"the file unpacks to more than {limit / 1e6:.0f} MB: split the recording")
    if not found:
        raise EmptyFileError("the file holds nothing: record again")
    return found
