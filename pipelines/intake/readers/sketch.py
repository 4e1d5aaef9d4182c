"""What a file looks like before any recorder profile: its columns, and how its text is written."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray

from data_contracts.errors import UnreadableFileError
from pipelines.intake.readers.apart import apart
from pipelines.intake.readers.mdf import check_mdf, mdf_channels, mdf_samples, opened_mdf
from pipelines.intake.readers.parquet import check_plain
from pipelines.intake.readers.wav import wav_channel, wav_head

MOST_ROWS = 200_000
"""A guess rests on so many rows at most."""


@dataclass(frozen=True)
class SketchColumn:
    """One column.

    Attributes
    ----------
    header, unit : str
        As the file names them; the unit is empty where it names none.
    numbers : ndarray of shape (rows,)
        NaN where a cell is no number. [unit]
    text : tuple of str
        Its cells where it holds text; empty where they are numbers by themselves.
    """

    header: str
    unit: str
    numbers: NDArray[np.float64]
    text: tuple[str, ...] = ()


@dataclass(frozen=True)
class Sketch:
    """A file.

    Attributes
    ----------
    columns : sequence of SketchColumn
        In the file's order.
    written : mapping of str to object
        Keys of a profile's table [profile] by which its text can be read.
    timed : bool
        The file tells time itself.
    named : bool
        Its columns have names; in WAV they have numbers only.
    """

    columns: Sequence[SketchColumn]
    written: Mapping[str, object] = field(default_factory=dict)
    timed: bool = False
    named: bool = True


def sketch_parquet(content: bytes) -> Sketch:
    """Sketch a Parquet file; errors as for `read_parquet`."""
    import io

    try:
        lazy = pl.scan_parquet(io.BytesIO(content))
        flat = [name for name, kind in lazy.collect_schema().items() if not kind.is_nested()]
        check_plain(content, flat)
        frame = lazy.select(flat).head(MOST_ROWS).collect()
    except pl.exceptions.PolarsError:
        raise UnreadableFileError("the file is cut short or is not Parquet: export it again") from None
    columns = []
    for name in frame.columns:
        series = frame[name]
        text: tuple[str, ...] = ()
        if series.dtype.is_temporal():
            series = series.cast(pl.Int64)
        if series.dtype == pl.String:
            text = tuple(cell or "" for cell in series)
        if series.dtype.is_numeric() or series.dtype in (pl.String, pl.Boolean):
            numbers = series.cast(pl.Float64, strict=False).to_numpy().astype(np.float64)
            columns.append(SketchColumn(name, "", numbers, text))
    return Sketch(columns)


def sketch_wav(content: bytes) -> Sketch:
    """Sketch a WAV file; errors as for `read_wav`."""
    head = wav_head(content)
    columns = [
        SketchColumn(str(channel + 1), "", wav_channel(content, head, channel)[:MOST_ROWS])
        for channel in range(head.channels)
    ]
    return Sketch(columns, timed=True, named=False)


def sketch_mdf(content: bytes) -> Sketch:
    """Sketch an MDF file; errors as for `read_mdf`."""
    check_mdf(content)
    return apart(_sketch_mdf, content)


def _sketch_mdf(content: bytes) -> Sketch:
    columns, timed = [], True
    with opened_mdf(content) as mdf:
        channels = mdf_channels(mdf)
        names = [channel.name for channel in channels]
        for channel in channels:
            if names.count(channel.name) > 1:
                continue
            try:
                time, values = mdf_samples(mdf, channel)
            except Exception:
                continue  # text, or of a kind that is not read: no channel of ours
            timed &= time is not None
            columns.append(SketchColumn(channel.name, channel.unit, values[:MOST_ROWS]))
    return Sketch(columns, timed=timed)
