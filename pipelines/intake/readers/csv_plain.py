"""A CSV that holds a finite number in every cell that is wanted, as most do: read at once."""

from collections.abc import Collection, Sequence

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray
from pyarrow import csv

from data_contracts.recorder import RecorderProfile

_MOST_BYTES = 64 * 1024**2


def plain_numbers(
    lines: bytes, profile: RecorderProfile, headers: Sequence[str], wanted: Collection[str]
) -> dict[str, NDArray[np.float64]] | None:
    """The wanted columns of a table without quotes, comments, or cells that are empty or no finite number.

    Parameters
    ----------
    lines : bytes
        All that follows the header, UTF-8.
    profile : RecorderProfile
        How the recorder writes.
    headers : sequence of str
        As written; of a doubled one the first column counts.
    wanted : collection of str
        Headers of the columns to read.

    Returns
    -------
    dict of str to ndarray of shape (samples,), or None
        By header; None where the file is to be looked at more closely.
    """
    if profile.missing_text or profile.empty_cell == "unchanged" or profile.clock is not None:
        return None
    if not 0 < len(lines) < _MOST_BYTES or b'"' in lines:
        return None
    if lines.count(b"\r") != lines.count(b"\r\n"):  # by itself it ends a line here, and none in the long way
        return None
    names = {header: str(headers.index(header)) for header in wanted}
    try:
        table = csv.read_csv(
            pa.BufferReader(lines),
            read_options=csv.ReadOptions(
                use_threads=False, block_size=len(lines) + 1, column_names=[str(place) for place in range(len(headers))]
            ),
            parse_options=csv.ParseOptions(delimiter=profile.delimiter, quote_char=False),
            convert_options=csv.ConvertOptions(
                column_types=dict.fromkeys(names.values(), pa.float64()),
                include_columns=list(names.values()),
                decimal_point=profile.decimal,
            ),
        )
    except (pa.ArrowException, ValueError, OSError):
        return None
    columns = {header: _samples(table[name]) for header, name in names.items()}
    found = {header: samples for header, samples in columns.items() if samples is not None}
    return found if len(found) == len(columns) else None


def _samples(column: pa.ChunkedArray) -> NDArray[np.float64] | None:
    if column.null_count or column.num_chunks != 1:
        return None
    part = column.chunk(0)  # by its buffer: `to_numpy` loads pandas
    samples = np.frombuffer(part.buffers()[1], dtype=np.float64)[part.offset : part.offset + len(part)]
    return samples if samples.size and np.isfinite(samples).all() else None
