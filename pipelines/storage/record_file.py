"""A record of arrays and tables as one Parquet file: what a machine hands to another that trusts its numbers and not its code.

One row for each array or table: its kind, its shape and its bytes. The first row says in JSON how they make up the record. Nothing
in a file is ever called: it names kinds of records, and the reader says which it knows.
"""

import io
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

_SCHEMA = pa.schema([("kind", pa.string()), ("shape", pa.list_(pa.int64())), ("content", pa.large_binary())])
_TABLE, _RECORD = "table", "record"
Row = tuple[str, list[int], NDArray[Any]]


def to_parquet(record: Any) -> bytes:
    """The file of a record.

    Parameters
    ----------
    record : object
        A data class or named tuple of numbers, words, arrays, tables, and tuples, lists, mappings and records of these.

    Returns
    -------
    bytes
        The same for the same record; with check sums of what it holds.
    """
    rows, plain = parts_of(record)
    kind, shape, content = zip((_RECORD, [], plain), *((*row[:2], row[2].tobytes()) for row in rows), strict=True)
    table = pa.table({"kind": kind, "shape": shape, "content": content}, schema=_SCHEMA)
    written = io.BytesIO()
    pq.write_table(
        table,
        written,
        compression="lz4",  # half as dear as Zstandard, and an eighth larger
        use_dictionary=False,
        write_statistics=False,
        write_page_checksum=True,
    )
    return written.getvalue()


def from_parquet(content: bytes, kinds: Iterable[type]) -> Any:
    """The record of a file, with arrays and tables equal to the last bit; a numpy scalar comes back as the Python number.

    Parameters
    ----------
    content : bytes
        As `to_parquet` returns.
    kinds : iterable of type
        Data classes and named tuples that it may be made of.

    Returns
    -------
    object
        Its arrays are its own and may be written to.

    Raises
    ------
    ValueError or OSError
        If the file is damaged, or names another kind.
    """
    table = pq.read_table(io.BytesIO(content), page_checksum_verification=True)
    if table.schema != _SCHEMA or not table.num_rows:
        raise ValueError("not the file of a record")
    content_of = [cell.as_buffer() for cell in table["content"]]
    (_, _, plain), *rows = zip(table["kind"].to_pylist(), table["shape"].to_pylist(), content_of, strict=True)
    return record_of(rows, plain.to_pybytes(), kinds)


def parts_of(record: Any) -> tuple[list[Row], bytes]:
    """What a record is made of.

    Parameters
    ----------
    record : object
        As `to_parquet` takes it.

    Returns
    -------
    rows : list of (str, list of int, ndarray)
        Kind and shape of each array or table, and what it holds, without a copy where it lies in one piece.
    plain : bytes
        How they make up the record: JSON.
    """
    rows: list[Row] = []
    return rows, json.dumps(_plain(record, rows)).encode()


def record_of(rows: Sequence[tuple[str, Sequence[int], Any]], plain: bytes, kinds: Iterable[type]) -> Any:
    """The record that parts make up.

    Parameters
    ----------
    rows : sequence of (str, sequence of int, buffer)
        As `parts_of` returns.
    plain : bytes
    kinds : iterable of type
        Data classes and named tuples that it may be made of.

    Returns
    -------
    object

    Raises
    ------
    ValueError
        If another kind is named.
    """
    return _made(json.loads(plain), rows, {kind.__name__: kind for kind in kinds})


def _plain(value: Any, rows: list[Row]) -> Any:
    """What JSON can say of a value; arrays and tables become rows."""
    if value is None or isinstance(value, bool | int | float | str):
        return value
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, np.ndarray):
        rows.append((value.dtype.str, list(value.shape), np.ascontiguousarray(value)))
        return {"row": len(rows)}
    if isinstance(value, pl.DataFrame):
        written = io.BytesIO()
        value.write_ipc(written)
        rows.append((_TABLE, [], np.frombuffer(written.getbuffer(), np.uint8)))
        return {"row": len(rows)}
    if isinstance(value, list):
        return [_plain(item, rows) for item in value]
    if isinstance(value, Mapping):
        return {"mapping": [[_plain(key, rows), _plain(item, rows)] for key, item in value.items()]}
    names = _fields_of(type(value))
    if names is not None:
        of = {name: _plain(getattr(value, name), rows) for name in names}
        return {"of": type(value).__name__, "fields": of}
    if isinstance(value, tuple):
        return {"tuple": [_plain(item, rows) for item in value]}
    raise TypeError(f"{type(value).__name__} can't be part of a record file")


def _fields_of(kind: type) -> tuple[str, ...] | None:
    """Of a data class or named tuple; None of anything else."""
    if is_dataclass(kind):
        return tuple(each.name for each in fields(kind))
    return getattr(kind, "_fields", None)


def _made(plain: Any, rows: Sequence[tuple[str, Sequence[int], Any]], kinds: Mapping[str, type]) -> Any:
    if isinstance(plain, list):
        return [_made(item, rows, kinds) for item in plain]
    if not isinstance(plain, dict):
        return plain
    if "row" in plain:
        kind, shape, buffer = rows[plain["row"] - 1]
        if kind == _TABLE:
            return pl.read_ipc(io.BytesIO(buffer))
        return np.frombuffer(buffer, dtype=np.dtype(kind)).reshape(shape).copy()
    if "mapping" in plain:
        return {_made(key, rows, kinds): _made(item, rows, kinds) for key, item in plain["mapping"]}
    if "tuple" in plain:
        return tuple(_made(item, rows, kinds) for item in plain["tuple"])
    if plain["of"] not in kinds:
        raise ValueError(f"a record of {plain['of']} was not expected")
    return kinds[plain["of"]](**{name: _made(item, rows, kinds) for name, item in plain["fields"].items()})
