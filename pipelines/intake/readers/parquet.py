"""Recordings in Parquet, canonical or through a recorder profile."""

from collections.abc import Collection

import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from data_contracts.capture import Waveform
from data_contracts.entries import shown
from data_contracts.errors import EmptyFileError, TooLargeError, UnreadableFileError, WaveformError
from data_contracts.recorder import RecorderProfile
from pipelines.intake.readers.clock import clock_seconds
from pipelines.intake.readers.columns import LARGEST_FILE_BYTES, check_samples, even_time, finish, numbers, pick_columns

MOST_UNPACKED = 4 * LARGEST_FILE_BYTES
"""What the columns of one file may say they unpack to. Of our choosing. [bytes]"""
Column = NDArray[np.float64] | pl.Series
_FLOATS = {pa.float64(): np.float64, pa.float32(): np.float32}


def read_parquet(content: bytes, profile: RecorderProfile) -> Waveform:
    """Decode one Parquet recording.

    Parameters
    ----------
    content : bytes
        The whole file.
    profile : RecorderProfile
        Source columns, scales, and time unit or clock; what is about text is not used, except for missing text.

    Returns
    -------
    Waveform

    Raises
    ------
    WaveformError
        If the file is no whole Parquet file or breaks the contract or the profile.
    """
    unreadable = "the file is cut short or is not Parquet: export it again"
    try:
        file = pq.ParquetFile(pa.BufferReader(content), pre_buffer=False)
        headers = file.schema_arrow.names
    except (pa.ArrowException, OSError, ValueError):
        raise UnreadableFileError(unreadable) from None
    picked = pick_columns(profile, headers)
    _check_columns(file.metadata, file.schema_arrow, set(picked.values()))
    try:
        table = file.read(columns=sorted(set(picked.values())), use_threads=False)
        columns = {header: _column(table, header) for header in table.column_names}
    except (pa.ArrowException, pl.exceptions.PolarsError, OSError, ValueError):
        raise UnreadableFileError(unreadable) from None
    if not table.num_rows:
        raise EmptyFileError("the file holds no samples: record again")
    channels = {name: _channel(columns[header], header, profile) for name, header in picked.items() if name != "time"}
    time = (
        _time(columns[picked["time"]], picked["time"], profile)
        if "time" in picked
        else even_time(profile, table.num_rows)
    )
    return finish(profile, time, channels)


def _column(table: pa.Table, header: str) -> Column:
    """A column as numbers where it holds nothing else, otherwise as it is."""
    column = table[header]
    kind = _FLOATS.get(column.type)
    if kind is not None and not column.null_count and column.num_chunks == 1:
        part = column.chunk(0)  # by its buffer: `to_numpy` loads pandas
        samples = np.frombuffer(part.buffers()[1], dtype=kind)[part.offset : part.offset + len(part)]
        return samples.astype(np.float64, copy=False)
    return pl.DataFrame(table.select([header]))[header]


def check_plain(content: bytes, columns: Collection[str] | None = None) -> None:
    """Look at the file's own list of its columns before anything is decoded.

    Parameters
    ----------
    content : bytes
        The whole file.
    columns : collection of str, optional
        Columns to be decoded; all if not given.

    Raises
    ------
    WaveformError
        If one is nested or of a kind that holds no samples, there are too many rows, or they unpack to more than `MOST_UNPACKED`.
    """
    try:
        metadata = pq.read_metadata(pa.BufferReader(content))
        schema = metadata.schema.to_arrow_schema()
    except (pa.ArrowException, OSError, ValueError):
        raise UnreadableFileError("the file is cut short or is not Parquet: export it again") from None
    _check_columns(metadata, schema, columns)


def _check_columns(metadata: pq.FileMetaData, schema: pa.Schema, columns: Collection[str] | None) -> None:
    check_samples(metadata.num_rows)
    wanted = [field for field in schema if columns is None or field.name in columns]
    for field in wanted:
        if pa.types.is_nested(field.type):
            raise WaveformError(
                f"column {shown(field.name)!r} is nested ({shown(str(field.type))}): export one value per sample in each column"
            )
    names = {field.name for field in wanted}
    unpacked = sum(
        column.total_uncompressed_size
        for group in range(metadata.num_row_groups)
        for column in map(metadata.row_group(group).column, range(metadata.num_columns))
        if column.path_in_schema in names
    )
    if unpacked > MOST_UNPACKED:
        raise TooLargeError(
            f"the columns unpack to {unpacked / 1e6:.0f} MB, at most {MOST_UNPACKED / 1e6:.0f} MB: split the recording"
        )


def _channel(values: Column, header: str, profile: RecorderProfile) -> NDArray[np.float64]:
    if isinstance(values, np.ndarray):
        return values
    if values.dtype == pl.String:
        values = values.set(values.is_in(list(profile.missing_text)).fill_null(False), None)
    if profile.empty_cell == "unchanged":
        values = values.forward_fill()
    return numbers(values, header)


def _time(values: Column, header: str, profile: RecorderProfile) -> NDArray[np.float64]:
    if isinstance(values, np.ndarray):
        return np.asarray((values - values[0]) * profile.time_unit_s, dtype=np.float64)
    if values.dtype == pl.String and profile.clock is not None:
        return clock_seconds(values, profile.clock)
    if values.dtype.is_temporal():
        nanoseconds = values.cast(pl.Int64) * _NANOSECONDS.get(getattr(values.dtype, "time_unit", "ns") or "ns", 1)
        return numbers(nanoseconds - nanoseconds[0], header) * np.float64(1e-9)
    if values.dtype.is_integer() and not values.has_nulls():
        whole = values.cast(pl.Int64, strict=False)
        time = numbers(whole - whole[0], header)  # while still integer: a large count keeps every step
    else:
        time = numbers(values, header)
    return np.asarray((time - time[0]) * profile.time_unit_s, dtype=np.float64)


_NANOSECONDS = {"ns": 1, "us": 1_000, "ms": 1_000_000}
