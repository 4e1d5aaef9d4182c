"""The waveforms: immutable Parquet chunks named by the SHA-256 of their bytes, one row per waveform and channel.

A channel is kept as recorder steps in int16 where that restores every sample bit for bit, and as
float32 otherwise. Time is kept only where it is not uniform.
"""

import hashlib
import io
import itertools
from collections.abc import Iterable, Iterator, Mapping, Sequence, Sized
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from data_contracts.capture import Waveform
from data_contracts.errors import WorkspaceError
from data_contracts.sample_levels import Levels, levels_of
from pipelines.storage.atomic_files import write_all_atomically

if TYPE_CHECKING:  # its database is nothing for processes that only decode
    from pipelines.storage.warehouse import Warehouse

_SCHEMA = pa.schema(
    [
        ("waveform_id", pa.string()),
        ("channel", pa.string()),  # a canonical channel, or time_s
        ("samples", pa.int64()),
        ("step_ns", pa.int64()),  # of a uniform time
        ("base", pa.int64()),  # sample = float32((base + code) * step)
        ("step", pa.float64()),
        ("codes", pa.list_(pa.int16())),
        ("values", pa.list_(pa.float32())),
        ("times_ns", pa.list_(pa.int64())),
    ]
)
_NUMPY = {pa.int16(): np.int16, pa.int64(): np.int64, pa.float32(): np.float32, pa.float64(): np.float64}
_MISSING = -32768
_ROW_GROUP_SAMPLES = 400_000
_CHUNK_SAMPLES = 16_000_000
_UNWRITTEN_BYTES = 32 * 1024**2

_last_step: dict[str, float] = {}
"""What was found last, by channel: recordings of one recorder follow one another, and a guess changes no result."""

Rows = Sequence[Mapping[str, object]]
Encoded = Mapping[str, Rows]


@dataclass(frozen=True)
class StoredWaveform:
    """Where one waveform is: chunk file and row group, with its catalogue row."""

    waveform_id: str
    chunk: str
    row_group: int
    samples: int
    length_s: float
    rate_hz: float
    channels: tuple[str, ...]


def to_steps(values: NDArray[np.float32], found: Levels | None = None) -> tuple[int, float, NDArray[np.int16]] | None:
    """Integer recorder steps that restore every sample bit for bit.

    Parameters
    ----------
    values : ndarray of shape (samples,), float32
        NaN marks a missing sample. [any unit]
    found : Levels, optional
        Levels of those that are not missing, where they are known.

    Returns
    -------
    tuple of (int, float, ndarray of int16) or None
        base, step and codes, with sample = float32((base + code) * step) and -32768 for NaN; None if the
        samples do not lie on steps, or on more than int16 can count.
    """
    if found is None:
        found = levels_of(values[~np.isnan(values)])
    single = found.values
    if not 0 < single.size <= 65_000:
        return None
    if single[0] <= 0.0 <= single[-1] and np.signbit(values[values == 0.0]).any():  # a negative zero has no code
        return None
    levels = single.astype(np.float64)
    furthest = -1 if levels[-1] > -levels[0] else 0
    for step in _steps(levels):
        if np.float32(np.round(levels[furthest] / step) * step) != single[furthest]:  # soon told, and few steps pass it
            continue
        counts = np.round(levels / step)
        lowest, highest = counts[0], counts[-1]
        if highest - lowest > 65_000 or max(abs(lowest), abs(highest)) > 2**52:
            continue
        if not np.array_equal((counts * step).astype(np.float32), single):
            continue
        base = 0 if lowest > -32_000 and highest < 32_000 else int(lowest + (highest - lowest) // 2)
        if found.samples == values.size:
            return base, float(step), _codes(values, base, step, found)
        missing = np.isnan(values)
        codes = np.full(values.size, _MISSING, dtype=np.int16)
        codes[~missing] = _codes(values[~missing], base, step, found)
        return base, float(step), codes
    return None


def _codes(values: NDArray[np.float32], base: int, step: float, found: Levels) -> NDArray[np.int16]:
    """Steps of samples that lie on them, counted from a base."""
    if found.counts is not None and found.step == step:
        return (found.counts - base if base else found.counts).astype(np.int16)
    counts = values.astype(np.float64)
    counts /= step
    np.round(counts, out=counts)
    if base:
        counts -= base
    return counts.astype(np.int16)


def _steps(levels: NDArray[np.float64]) -> Iterator[float]:
    """Candidate step sizes for sorted distinct levels, the likeliest first."""
    if levels.size == 1:
        yield abs(levels[0]) if levels[0] else 1.0
        return
    gaps = levels[1:] - levels[:-1]
    step, widest = float(gaps.min()), float(gaps.max())
    for reach in (30.0, 3_000.0, np.inf):  # single precision blurs the smallest gap; wider gaps refine it step by step
        near = gaps if widest < reach * step else gaps[gaps < reach * step]
        step = float(near.sum() / np.round(near / step).sum())
    if (levels[-1] - levels[0]) / step > 65_000:
        return
    seen = set()
    for digits in (1, 2, 3, 4, 5, 6, 7):
        rounded = float(f"{step:.{digits}g}")
        if abs(rounded - step) < step * 1e-4 and rounded not in seen:
            seen.add(rounded)
            yield rounded
    for bits in (8, 10, 12, 14, 16):  # a round range over a power of two
        span = float(f"{step * 2**bits:.3g}")
        if abs(span / 2**bits - step) < step * 1e-4:
            yield span / 2**bits
    yield step


def encode(waveform_id: str, waveform: Waveform) -> list[dict[str, object]]:
    """Rows of a chunk for one waveform, channels by name.

    Parameters
    ----------
    waveform_id : str
        SHA-256 of the samples.
    waveform : Waveform
        The samples.
    """
    nanoseconds = waveform.nanoseconds
    steps = np.diff(nanoseconds)
    uniform = bool(np.all(steps == steps[0]))
    step_ns = int(steps[0]) if uniform else None
    blank = dict.fromkeys(_SCHEMA.names)
    rows: list[dict[str, object]] = []
    common = {"waveform_id": waveform_id, "samples": nanoseconds.size, "step_ns": step_ns}
    if not uniform:
        rows.append(blank | common | {"channel": "time_s", "times_ns": nanoseconds})
    for name in sorted(waveform.channels):
        values = waveform.channels[name]
        found = to_steps(values, waveform.levels(name, _last_step.get(name, 0.0)))
        if found is None:
            rows.append(blank | common | {"channel": name, "values": values})
        else:
            base, step, codes = found
            _last_step[name] = step
            rows.append(blank | common | {"channel": name, "base": base, "step": step, "codes": codes})
    return rows


def write_waveforms(folder: Path, *encoded: Encoded) -> list[StoredWaveform]:
    """Write new waveforms; on return they are on disk under their final names, not yet referenced.

    Parameters
    ----------
    folder : Path
        waveforms/ of the workspace.
    *encoded : mapping of str to sequence of rows
        waveform_id to what `encode` gave; each mapping in chunks of its own.

    Returns
    -------
    list of StoredWaveform
        In the order given.
    """
    stored: list[StoredWaveform] = []
    files: dict[Path, bytes] = {}
    for chunk in (chunk for each in encoded for chunk in _chunks(each)):
        content, groups = _chunk_bytes(chunk)
        name = hashlib.sha256(content).hexdigest() + ".parquet"
        path = folder / name
        if not (path.exists() and path.stat().st_size == len(content)):
            files[path] = content
        if sum(map(len, files.values())) > _UNWRITTEN_BYTES:
            write_all_atomically(files)
            files.clear()
        for waveform_id, group in groups.items():
            rows = chunk[waveform_id]
            samples = int(str(rows[0]["samples"]))
            length_s = _length_s(rows)
            channels = tuple(str(r["channel"]) for r in rows if r["channel"] != "time_s")
            stored.append(
                StoredWaveform(waveform_id, name, group, samples, length_s, (samples - 1) / length_s, channels)
            )
    write_all_atomically(files)
    return stored


def _length_s(rows: Rows) -> float:
    times, step = rows[0]["times_ns"], rows[0]["step_ns"]
    if isinstance(step, int):
        return step * (int(str(rows[0]["samples"])) - 1) * 1e-9
    assert isinstance(times, np.ndarray)
    return float(times[-1]) * 1e-9


def _chunks(encoded: Encoded) -> Iterator[dict[str, Rows]]:
    chunk: dict[str, Rows] = {}
    size = 0
    for waveform_id, rows in encoded.items():
        chunk[waveform_id] = rows
        size += len(rows) * int(str(rows[0]["samples"]))
        if size >= _CHUNK_SAMPLES:
            yield chunk
            chunk, size = {}, 0
    if chunk:
        yield chunk


def _chunk_bytes(chunk: Encoded) -> tuple[bytes, dict[str, int]]:
    buffer = io.BytesIO()
    groups: dict[str, int] = {}
    pending: list[Mapping[str, object]] = []
    size = group = 0
    with pq.ParquetWriter(
        buffer,
        _SCHEMA,
        compression="zstd",
        use_dictionary=["channel"],
        write_statistics=["waveform_id"],
        column_encoding={
            "codes.list.element": "DELTA_BINARY_PACKED",
            "values.list.element": "BYTE_STREAM_SPLIT",
            "times_ns.list.element": "DELTA_BINARY_PACKED",
        },
    ) as writer:

        def flush() -> None:
            columns = [_column(field.type, [row[field.name] for row in pending]) for field in _SCHEMA]
            writer.write_table(pa.Table.from_arrays(columns, schema=_SCHEMA))

        for waveform_id, rows in chunk.items():
            groups[waveform_id] = group
            pending.extend(rows)
            size += len(rows) * int(str(rows[0]["samples"]))
            if size >= _ROW_GROUP_SAMPLES:
                flush()
                pending, size, group = [], 0, group + 1
        if pending:
            flush()
    return buffer.getvalue(), groups


def _column(kind: pa.DataType, cells: Sequence[Any]) -> pa.Array:
    """Cells as an Arrow array, None for null; made of its buffers, since `pyarrow.array` loads pandas and goes cell by cell."""
    missing = np.array([cell is None for cell in cells])
    valid = pa.py_buffer(np.packbits(~missing, bitorder="little")) if missing.any() else None
    if pa.types.is_string(kind):
        texts = [cell.encode() for cell in cells]
        return pa.Array.from_buffers(kind, len(cells), [valid, _offsets(texts), pa.py_buffer(b"".join(texts))])
    if pa.types.is_list(kind):
        lists = [() if cell is None else cell for cell in cells]
        flat = np.concatenate(lists).astype(_NUMPY[kind.value_type], copy=False)
        samples = pa.Array.from_buffers(kind.value_type, flat.size, [None, pa.py_buffer(flat)])
        return pa.Array.from_buffers(kind, len(cells), [valid, _offsets(lists)], children=[samples])
    plain = np.array([0 if cell is None else cell for cell in cells], dtype=_NUMPY[kind])
    return pa.Array.from_buffers(kind, len(cells), [valid, pa.py_buffer(plain)])


def _offsets(parts: Sequence[Sized]) -> pa.Buffer:
    return pa.py_buffer(np.cumsum([0, *map(len, parts)], dtype=np.int32))


def read_waveforms(warehouse: "Warehouse", folder: Path, waveform_ids: Iterable[str]) -> dict[str, Waveform]:
    """Samples of stored waveforms, each chunk's row groups read once.

    Parameters
    ----------
    warehouse : Warehouse
        Holds the catalogue.
    folder : Path
        waveforms/ of the workspace.
    waveform_ids : iterable of str
        Which.

    Returns
    -------
    dict of str to Waveform
        In the order asked.

    Raises
    ------
    WorkspaceError
        If one is not in the catalogue, or its chunk is gone or damaged.
    """
    wanted = list(dict.fromkeys(waveform_ids))
    asked = pl.DataFrame({"waveform_id": wanted}, schema={"waveform_id": pl.String})
    catalogue = warehouse.query("SELECT waveform_id, chunk, row_group FROM waveforms").join(
        asked, on="waveform_id", how="semi"
    )
    found: dict[str, Waveform] = {}
    for (chunk,), rows in catalogue.group_by(["chunk"], maintain_order=True):
        ids = set(rows["waveform_id"])
        found.update(read_chunk(folder / str(chunk), sorted(set(rows["row_group"])), ids))
    missing = [waveform_id for waveform_id in wanted if waveform_id not in found]
    if missing:
        raise WorkspaceError(f"waveform {missing[0][:12]}… is not stored: run `vansnap check`, then restore waveforms/")
    return {waveform_id: found[waveform_id] for waveform_id in wanted}


def read_chunk(
    path: Path, row_groups: list[int] | None = None, only: set[str] | None = None, *, content: bytes | None = None
) -> dict[str, Waveform]:
    """Waveforms of one chunk.

    Parameters
    ----------
    path : Path
        The chunk.
    row_groups : list of int, optional
        Which row groups; all if not given.
    only : set of str, optional
        Which waveforms; all if not given.
    content : bytes, optional
        Of the chunk, where it was read from elsewhere.

    Returns
    -------
    dict of str to Waveform

    Raises
    ------
    WorkspaceError
        If the file is gone or damaged.
    """
    remedy = "put it back from a backup (`vansnap restore`), or deliver its recordings again"
    try:
        with pq.ParquetFile(path if content is None else pa.BufferReader(content)) as file:
            table = file.read() if row_groups is None else file.read_row_groups(row_groups)
    except FileNotFoundError:
        raise WorkspaceError(f"waveform chunk {path.name[:12]}… is missing from waveforms/: {remedy}") from None
    except (OSError, pa.ArrowException) as error:
        raise WorkspaceError(f"waveform chunk {path.name[:12]}… can't be read ({error}): {remedy}") from error
    ids, channels = table["waveform_id"].to_pylist(), table["channel"].to_pylist()
    samples, steps_ns = table["samples"].to_pylist(), table["step_ns"].to_pylist()
    bases, steps = table["base"].to_pylist(), table["step"].to_pylist()
    codes, values, times = (_lists(table[c]) for c in ("codes", "values", "times_ns"))
    waveforms: dict[str, Waveform] = {}
    time: NDArray[np.float64] = np.empty(0)
    for row, waveform_id in enumerate(ids):
        if only is not None and waveform_id not in only:
            continue
        if waveform_id not in waveforms:
            if steps_ns[row] is None:
                time = times[row].astype(np.float64) * 1e-9
            else:
                time = (np.arange(samples[row], dtype=np.int64) * steps_ns[row]).astype(np.float64) * 1e-9
            waveforms[waveform_id] = Waveform(time, {})
        if channels[row] == "time_s":
            continue
        if steps[row] is None:
            single = values[row].astype(np.float32)
        else:
            whole = codes[row]
            single = ((whole.astype(np.float64) + bases[row]) * steps[row]).astype(np.float32)
            single[whole == _MISSING] = np.nan
        held = waveforms[waveform_id]
        waveforms[waveform_id] = Waveform(held.time_s, {**held.channels, channels[row]: single})
    return waveforms


def _lists(column: pa.ChunkedArray) -> list[NDArray[np.generic]]:
    """Each row's list as a view into the column's values; an empty array for null."""
    rows: list[NDArray[np.generic]] = []
    for part in column.chunks:
        offsets, flat = part.offsets.to_numpy(), part.values.to_numpy(zero_copy_only=False)
        rows.extend(flat[a:b] for a, b in itertools.pairwise(offsets))
    return rows
