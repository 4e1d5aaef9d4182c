"""Recordings in CSV, canonical or through a recorder profile."""

import codecs
import io

import numpy as np
import polars as pl
from numpy.typing import NDArray

from data_contracts.capture import Waveform
from data_contracts.errors import EmptyFileError, TooLargeError, UnreadableFileError, WaveformError
from data_contracts.recorder import RecorderProfile
from pipelines.intake.readers.clock import clock_seconds
from pipelines.intake.readers.columns import MOST_SAMPLES, finish, numbers, pick_columns


def read_csv(content: bytes, profile: RecorderProfile) -> Waveform:
    """Decode one CSV recording.

    Numbers are read straight into float64; only a file that needs it (missing text, cells that mean
    "unchanged", text where a number should be) is read as text.

    Parameters
    ----------
    content : bytes
        The whole file.
    profile : RecorderProfile
        How the recorder writes.

    Returns
    -------
    Waveform

    Raises
    ------
    WaveformError
        If the file breaks the contract or the profile.
    """
    body = _body(content, profile)
    headers = _headers(body, profile)
    picked = pick_columns(profile, headers)
    if profile.missing_text or profile.empty_cell == "unchanged" or profile.clock is not None:
        frame = _read(body, profile, headers, as_text=True)
    else:
        try:
            frame = _read(body, profile, headers, as_text=False, number_headers=list(picked.values()))
        except pl.exceptions.PolarsError:
            frame = _read(body, profile, headers, as_text=True)  # to find the cell, or be lenient about blanks
    if frame.is_empty():
        raise EmptyFileError("the file has a header and no samples: record again")
    if frame.height > MOST_SAMPLES:
        raise TooLargeError(f"the file holds {frame.height} samples, at most {MOST_SAMPLES}: split it")
    channels = {name: _channel(frame[header], header, profile) for name, header in picked.items() if name != "time"}
    return finish(profile, _time(frame, picked.get("time"), profile), channels)


def _body(content: bytes, profile: RecorderProfile) -> bytes:
    """UTF-8 bytes from the header row on."""
    encoding = codecs.lookup(profile.encoding).name
    if encoding not in ("utf-8", "ascii"):
        content = content.decode(encoding, errors="replace").encode()
    content = content.removeprefix(codecs.BOM_UTF8)
    start = 0
    for _ in range(profile.skip_rows):
        start = content.find(b"\n", start) + 1
        if start == 0:
            raise WaveformError(
                f"the file ends within the {profile.skip_rows} rows to skip: check the recorder profile"
            )
    body = content[start:]
    if not body.strip():
        raise EmptyFileError("the file holds nothing: record again")
    return body


def _headers(body: bytes, profile: RecorderProfile) -> list[str]:
    """Header names as written."""
    mark = None if profile.comment is None else profile.comment.encode()
    start = 0
    while mark is not None and body.startswith(mark, start):
        end = body.find(b"\n", start)
        if end < 0:
            raise EmptyFileError("the file holds comments only: record again")
        start = end + 1
    end = body.find(b"\n", start)
    line = body[start : len(body) if end < 0 else end]
    if b"\x00" in line:
        raise UnreadableFileError("the file is not text: name it by its format, or export it as CSV")
    try:
        first = pl.read_csv(
            io.BytesIO(line.rstrip(b"\r") + b"\n"),
            has_header=False,
            infer_schema=False,
            separator=profile.delimiter,
            encoding="utf8-lossy",
            quote_char='"',
        )
    except pl.exceptions.PolarsError:
        raise UnreadableFileError("the header row can't be read: export the file again") from None
    return [(first[column][0] or "").strip() for column in first.columns]


def _read(
    body: bytes,
    profile: RecorderProfile,
    headers: list[str],
    *,
    as_text: bool,
    number_headers: list[str] | None = None,
) -> pl.DataFrame:
    """The table under its written headers; a doubled header keeps its first column only."""
    positions = {header: i for i, header in reversed(list(enumerate(headers)))}
    wanted = headers if number_headers is None else number_headers
    indices = sorted({positions[h] for h in wanted})
    options = {
        "separator": profile.delimiter,
        "comment_prefix": profile.comment,
        "encoding": "utf8-lossy",
        "decimal_comma": profile.decimal == "," and not as_text,
        "columns": indices,
        "has_header": True,
    }
    names = [headers[i] for i in indices]
    try:
        if as_text:
            frame = pl.read_csv(io.BytesIO(body), infer_schema=False, **options)  # type: ignore[arg-type]
        else:
            frame = pl.read_csv(io.BytesIO(body), schema_overrides=[pl.Float64] * len(headers), **options)  # type: ignore[arg-type]
    except pl.exceptions.NoDataError:
        raise EmptyFileError("the file holds nothing: record again") from None
    except pl.exceptions.PolarsError as error:
        if not as_text:
            raise
        raise UnreadableFileError(
            f"the table can't be read ({str(error).splitlines()[0]}): export the file again"
        ) from None
    return frame.rename(dict(zip(frame.columns, names, strict=True)))


def _channel(values: pl.Series, header: str, profile: RecorderProfile) -> NDArray[np.float64]:
    if values.dtype != pl.String:
        return values.to_numpy().astype(np.float64, copy=False)
    text = values.str.strip_chars()
    empty = text.is_null() | (text == "")
    missing = text.is_in(list(profile.missing_text)).fill_null(False)
    text = text.set(missing | empty, None)
    if profile.decimal == ",":
        text = text.str.replace(",", ".", literal=True)
    found = numbers(text, header)
    if profile.empty_cell == "unchanged":
        # A value stated as missing stays missing; an empty cell repeats the last cell, even a missing one.
        last = np.maximum.accumulate(np.where(empty.to_numpy(), -1, np.arange(found.size)))
        found = np.where(last >= 0, found[np.maximum(last, 0)], np.nan)
    return found


def _time(frame: pl.DataFrame, header: str | None, profile: RecorderProfile) -> NDArray[np.float64]:
    if header is None:
        assert profile.interval_s is not None
        return np.arange(frame.height, dtype=np.float64) * profile.interval_s
    values = frame[header]
    if profile.clock is not None:
        return clock_seconds(values.cast(pl.String), profile.clock)
    if values.dtype == pl.String and profile.decimal == ",":
        values = values.str.replace(",", ".", literal=True)
    time = numbers(values, header)
    return np.asarray((time - time[0]) * profile.time_unit_s, dtype=np.float64) if time.size else time
