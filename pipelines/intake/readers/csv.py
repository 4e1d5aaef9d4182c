"""Recordings in CSV, canonical or through a recorder profile."""

import codecs
import io

import numpy as np
import polars as pl
from numpy.typing import NDArray

from data_contracts.capture import Waveform
from data_contracts.errors import EmptyFileError, NotTextError, UnreadableFileError, WaveformError
from data_contracts.plurals import counted
from data_contracts.recorder import RecorderProfile
from pipelines.intake.readers.clock import clock_seconds
from pipelines.intake.readers.columns import check_lines, even_time, finish, numbers, pick_columns
from pipelines.intake.readers.csv_edges import samples_of, without_trailing_delimiters
from pipelines.intake.readers.csv_plain import plain_numbers
from pipelines.intake.readers.values import ask_back_units


def read_csv(content: bytes, profile: RecorderProfile) -> Waveform:
    """Decode one CSV recording.

    A file of nothing but numbers is read at once; one with empty cells goes past a data frame, and only one that needs it
    (missing text, cells that mean "unchanged", text where a number should be) is read as text.

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
    header, lines = _header(_body(content, profile), profile)
    headers = _cells(header, profile)
    picked = pick_columns(profile, headers)
    samples = samples_of(lines, headers, picked, profile)
    check_lines(samples.lines)
    plain = plain_numbers(samples.lines, profile, headers, picked.values())
    if plain is not None:
        ask_back_units(profile, picked, samples.under_header)
        time = plain[picked["time"]] if "time" in picked else None
        rows = next(iter(plain.values())).size
        time_s = even_time(profile, rows) if time is None else (time - time[0]) * profile.time_unit_s
        return finish(profile, time_s, {name: plain[header] for name, header in picked.items() if name != "time"})
    frame = _table(header, samples.lines, profile, headers, list(picked.values()))
    if frame.is_empty():
        raise EmptyFileError("the file has a header and no samples: record again")
    if "time" in picked and frame[picked["time"]].has_nulls():
        frame = frame.filter(~pl.all_horizontal(pl.col(set(picked.values())).is_null()))
    columns = {name: _column(frame[header], header, profile) for name, header in picked.items() if name != "time"}
    ask_back_units(profile, picked, samples.under_header)
    return finish(profile, _time(frame, picked.get("time"), profile), columns)


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
                f"the file ends within the {counted(profile.skip_rows, 'row', 'rows')} to skip: check the recorder profile"
            )
    body = content[start:]
    if not body.strip():
        raise EmptyFileError("the file holds nothing: record again")
    return body


def _header(body: bytes, profile: RecorderProfile) -> tuple[bytes, bytes]:
    """The header row, and all that follows it."""
    mark = None if profile.comment is None else profile.comment.encode()
    start = 0
    while True:
        end = body.find(b"\n", start) + 1 or len(body)
        line = body[start:end]
        if start >= len(body):
            raise EmptyFileError("the file holds comments only: record again")
        if line.strip() and not (mark is not None and line.startswith(mark)):
            break
        start = end
    if b"\x00" in line:
        raise NotTextError("the file is not text: name it by its format, or export it as CSV")
    return line.rstrip(b"\r\n"), body[end:]


def _cells(header: bytes, profile: RecorderProfile) -> list[str]:
    """Header names as written."""
    if b'"' not in header:
        return [cell.strip() for cell in header.decode(errors="replace").split(profile.delimiter)]
    try:
        first = pl.read_csv(
            io.BytesIO(header + b"\n"),
            has_header=False,
            infer_schema=False,
            separator=profile.delimiter,
            encoding="utf8-lossy",
            quote_char='"',
        )
    except pl.exceptions.PolarsError:
        raise UnreadableFileError("the header row can't be read: export the file again") from None
    return [(first[column][0] or "").strip() for column in first.columns]


def _table(
    header: bytes, lines: bytes, profile: RecorderProfile, headers: list[str], wanted: list[str]
) -> pl.DataFrame:
    """The wanted columns as numbers, or as text where the profile or the file needs that."""
    body = header + b"\n" + lines
    if not (profile.missing_text or profile.empty_cell == "unchanged" or profile.clock is not None):
        try:
            return _read(body, profile, headers, wanted, as_text=False)
        except pl.exceptions.PolarsError:
            pass  # read as text: to find the cell, or be lenient about blanks
    try:
        return _read(body, profile, headers, wanted, as_text=True)
    except pl.exceptions.PolarsError as error:
        told = str(error).splitlines()[0]
    try:
        body = header + b"\n" + without_trailing_delimiters(lines, profile.delimiter)
        return _read(body, profile, headers, wanted, as_text=True)
    except pl.exceptions.PolarsError:
        raise UnreadableFileError(f"the table can't be read ({told}): export the file again") from None


def _read(
    body: bytes, profile: RecorderProfile, headers: list[str], wanted: list[str], *, as_text: bool
) -> pl.DataFrame:
    """The table under its written headers; a doubled header keeps its first column only."""
    positions = {header: i for i, header in reversed(list(enumerate(headers)))}
    indices = sorted({positions[header] for header in wanted})
    options = {
        "separator": profile.delimiter,
        "comment_prefix": profile.comment,
        "encoding": "utf8-lossy",
        "decimal_comma": profile.decimal == "," and not as_text,
        "columns": indices,
        "has_header": True,
    }
    try:
        if as_text:
            frame = pl.read_csv(io.BytesIO(body), infer_schema=False, **options)  # type: ignore[arg-type]
        else:
            frame = pl.read_csv(io.BytesIO(body), schema_overrides=[pl.Float64] * len(headers), **options)  # type: ignore[arg-type]
    except pl.exceptions.NoDataError:
        raise EmptyFileError("the file holds nothing: record again") from None
    frame.columns = [headers[i] for i in indices]
    return frame


def _column(values: pl.Series, header: str, profile: RecorderProfile) -> NDArray[np.float64]:
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
        return even_time(profile, frame.height)
    values = frame[header]
    if profile.clock is not None:
        return clock_seconds(values.cast(pl.String), profile.clock)
    if values.dtype == pl.String and profile.decimal == ",":
        values = values.str.replace(",", ".", literal=True)
    time = numbers(values, header)
    return np.asarray((time - time[0]) * profile.time_unit_s, dtype=np.float64) if time.size else time
