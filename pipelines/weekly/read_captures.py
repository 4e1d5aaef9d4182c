"""From held recordings to captures and readings: only what is new or changed is read, many recordings at a time.

A recording is read again when its samples, its conditions (the recorder's accuracy among them), its van's family or the
method changed, as long as its samples are kept; `read_id` is the hash over all four. Work goes in batches to processes or to a cluster; the one writer
commits each batch whole, so a killed run loses at most the batch it was in.
"""

import os
import traceback
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import polars as pl

from data_contracts.capture import Conditions, Waveform, capture_id
from data_contracts.errors import VansnapError
from data_contracts.family import Family
from data_contracts.tables import CAPTURES, READINGS, polars_schema
from data_contracts.weeks import week_of
from pipelines.retention.ledger import bring_back
from pipelines.storage.warehouse import Warehouse
from pipelines.storage.waveforms import read_chunk
from pipelines.weekly.assign_visits import assign_visits
from pipelines.weekly.batches import Tell, in_order
from pipelines.weekly.chunks_handed import ChunksHanded, chunk_handed
from pipelines.weekly.own_version import reads_with
from pipelines.weekly.reading_due import ReadingDue, family_of, reading_due
from pipelines.workspace.cluster_settings import ClusterSettings
from pipelines.workspace.register import Register
from pipelines.workspace.run_progress import Report
from pipelines.workspace.workspace import Workspace

READ_TRACES = "reports/not-read.txt"
"""Within the workspace: where the reading of recordings failed in the last run, for whoever mends it."""
_MOST_RECORDINGS, _MOST_SAMPLES = 2000, 8_000_000
"""In a batch: recordings of a family are read together, and the more there are the less each costs; what is in memory stays bounded. Of our choosing."""
_BATCHES_EACH = 4
"""For every process at least, so that none waits long for the last; but none smaller than `_LEAST_RECORDINGS`. Of our choosing."""
_LEAST_RECORDINGS = 400
_POOL_FROM = 200  # below this many recordings a pool costs more than it saves


@dataclass(frozen=True)
class _Batch:
    """Work of one process: recordings of any families, with what is needed to read them."""

    waveforms: Path
    recordings: list[dict[str, Any]]
    families: Mapping[str, Family]
    storage: str = ""  # where the chunks lie instead


@dataclass(frozen=True)
class _Result:
    """Rows of captures, readings and shapes, and where the reading of the others failed."""

    tables: list[tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]]
    failed: list[str]


def read_new_captures(
    workspace: Workspace,
    warehouse: Warehouse,
    register: Register,
    *,
    workers: int,
    progress: Report,
    cluster: ClusterSettings | None = None,
    tell: Tell = lambda line: None,
) -> int:
    """Read every held recording that is new or changed, and drop captures of recordings no longer held.

    Parameters
    ----------
    workspace : Workspace
        Holds the waveforms.
    warehouse : Warehouse
        Open for writing.
    register : Register
        Families and depots of the vans.
    workers : int
        Processes; 0 is one per core.
    progress : callable
        Told (done, total).
    cluster : ClusterSettings, optional
        Where to read instead.
    tell : callable
        Told in one line where the cluster failed.

    Returns
    -------
    int
        Recordings read.
    """
    from models.reading.read import METHOD

    known = {van_id: family for van_id in register.vans if (family := family_of(register, van_id)) is not None}
    done = 0
    failed: list[str] = []
    with reading_due(warehouse, register, known, METHOD) as due:
        bring_back(workspace, warehouse, due.gone_unread())
        # captures that are read again were dropped: looking for them would take as long as storing
        store = warehouse.append if due.one_capture_each() else warehouse.upsert
        progress(0, len(due.samples))
        for count, result in _read_batches(workspace, due, workers, cluster, tell):
            for captures, readings, shapes in result.tables:
                with warehouse.transaction():
                    store("captures", captures)
                    store("readings", readings)
                    store("shapes", shapes)
            failed += result.failed
            done += count
            progress(done, len(due.samples))
    traces = workspace.root / READ_TRACES
    traces.unlink(missing_ok=True)
    if failed:
        traces.write_text("\n".join(failed), encoding="utf-8")
    _follow_the_register(warehouse, register)
    assign_visits(warehouse)
    return done - len(failed)


class _Batches:
    """What is due in batches, each asked for when its turn comes."""

    def __init__(self, due: ReadingDue, spans: list[tuple[int, int]], waveforms: Path) -> None:
        self._due, self._spans, self._waveforms = due, spans, waveforms

    def __len__(self) -> int:
        return len(self._spans)

    def __getitem__(self, number: int) -> _Batch:
        recordings = self._due.recordings(*self._spans[number])
        return _Batch(self._waveforms, recordings, self._due.families_of(recordings))


def _read_batches(
    workspace: Workspace, due: ReadingDue, workers: int, cluster: ClusterSettings | None, tell: Tell
) -> Iterator[tuple[int, _Result]]:
    """Results, each with how many recordings it is of."""
    most = (
        _MOST_RECORDINGS if cluster is None or not cluster.asked else _LEAST_RECORDINGS
    )  # its workers are not counted yet
    spans = list(_parted(due.samples, workers or os.cpu_count() or 1, most))
    if len(due.samples) < _POOL_FROM:
        workers, cluster = 1, None
    storage = cluster.storage if cluster is not None else ""
    chunks = ChunksHanded(storage, workspace.waveforms)

    def handed(batch: _Batch) -> _Batch:
        if storage in ("", str(workspace.partitions)):
            return batch
        chunks.hand(row["chunk"] for row in batch.recordings)
        return replace(batch, storage=storage)

    batches = _Batches(due, spans, workspace.waveforms)
    results = in_order(
        _read_apart, batches, version=reads_with, processes=workers, cluster=cluster, handed=handed, tell=tell
    )
    yield from zip((stop - first for first, stop in spans), results, strict=True)
    chunks.forget(tell)


def _parted(samples: Sequence[int], processes: int, most: int) -> Iterator[tuple[int, int]]:
    """Recordings in batches, in their order: the first of each, and the one after its last."""
    most = min(max(len(samples) // (processes * _BATCHES_EACH), _LEAST_RECORDINGS), most)
    first = held = 0
    for number, count in enumerate(samples):
        if number > first and (number - first == most or held + count > _MOST_SAMPLES):
            yield first, number
            first, held = number, 0
        held += count
    if first < len(samples):
        yield first, len(samples)


def _read_apart(batch: _Batch) -> _Result:
    """Read a batch; where that fails, find the recordings at fault by halving and read the others."""
    try:
        return _Result([_read_batch(batch)], [])
    except (VansnapError, OSError):  # the workspace, not a recording
        raise
    except Exception:
        row = batch.recordings[0]
        if len(batch.recordings) == 1:
            return _Result([], [f"{row['file']} of delivery {row['delivery']}\n{traceback.format_exc()}"])
    middle = len(batch.recordings) // 2
    halves = batch.recordings[:middle], batch.recordings[middle:]
    first, second = (_read_apart(replace(batch, recordings=half)) for half in halves)
    return _Result(first.tables + second.tables, first.failed + second.failed)


def _read_batch(batch: _Batch) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Read one batch: rows of captures, readings and shapes."""
    from models.reading.read import METHOD
    from models.reading.read import read_waveforms as read

    recordings = batch.recordings
    stored = _waveforms(batch)
    readings = read(
        [stored[row["waveform_id"]] for row in recordings],
        [batch.families[row["van_id"]] for row in recordings],
        [_conditions(row) for row in recordings],
    )
    entries = [recordings[index] for index in readings.recording.tolist()]
    ids = [
        capture_id(row["waveform_id"], row["van_id"], row["captured_at"], snap)
        for row, snap in zip(entries, readings.snap.tolist(), strict=True)
    ]
    captures = {name: [row.get(name) for row in entries] for name in polars_schema(CAPTURES)} | {
        "capture_id": ids,
        "snap": readings.snap,
        "week": [week_of(row["captured_at"]) for row in entries],
        "visit": [row["visit"] or "" for row in entries],
        "delivered_visit": [row["visit"] for row in entries],
        "grade": readings.grade,
        "grade_reasons": [list(reasons) for reasons in readings.grade_reasons],
        "fault_codes": [row["fault_codes"] or [] for row in entries],
        "rate_hz": readings.rate_hz,
        "length_s": readings.length_s,
    }
    values: dict[str, Any] = {"capture_id": ids}
    for name, column in readings.values.items():
        values[name], values[name + "_u"] = column, readings.u[name]
    kinds = polars_schema(READINGS)
    values["unread"] = _listed(readings.unread, "reason", kinds["unread"])
    values["marked"] = _listed(readings.marked, "mark", kinds["marked"])
    values["method"] = [METHOD] * len(ids)
    frame = pl.DataFrame(values, schema_overrides={name: kind for name, kind in kinds.items() if name in values})
    frame = frame.with_columns(pl.col(pl.Float64).fill_nan(None))
    shapes = {"airflow": readings.shape_airflow, "lambda_signal": readings.shape_lambda}
    return (
        pl.DataFrame(captures, schema=polars_schema(CAPTURES)),
        frame,
        pl.DataFrame({"capture_id": ids} | {name: pl.Series(rows).arr.to_list() for name, rows in shapes.items()}),
    )


def _listed(told: Sequence[Mapping[str, str]], what: str, kind: pl.DataType) -> pl.Series:
    """Of each capture a list of names with what is told of them; lists that are the same are made once."""
    places: dict[tuple[tuple[str, str], ...], int] = {}
    rows = [places.setdefault(tuple(sorted(one.items())), len(places)) for one in told]
    lists = [[{"name": name, what: said} for name, said in one] for one in places]
    return pl.Series(lists, dtype=kind).gather(rows)


def _waveforms(batch: _Batch) -> dict[str, Waveform]:
    """Samples of a batch, each chunk's row groups read once."""
    chunks: dict[str, tuple[set[int], set[str]]] = {}
    for row in batch.recordings:
        row_groups, ids = chunks.setdefault(row["chunk"], (set(), set()))
        row_groups.add(row["row_group"])
        ids.add(row["waveform_id"])
    found: dict[str, Waveform] = {}
    for chunk, (row_groups, ids) in chunks.items():
        content = chunk_handed(batch.storage, chunk) if batch.storage else None
        found.update(read_chunk(batch.waveforms / chunk, sorted(row_groups), ids, content=content))
    return found


def _conditions(row: Mapping[str, Any]) -> Conditions:
    return Conditions(
        coolant_c=row["coolant_c"],
        intake_air_c=row["intake_air_c"],
        barometer_kpa=row["barometer_kpa"],
        humidity_pct=row["humidity_pct"],
        altitude_m=row["altitude_m"],
        closed_loop=row["closed_loop"],
        trim_idle_pct=row["trim_idle_pct"],
        trim_2500_pct=row["trim_2500_pct"],
        fault_codes=tuple(row["fault_codes"] or ()),
        fuel=row["fuel"],
        recorder_offset_u_v=row["recorder_offset_u_v"],
        recorder_gain_u=row["recorder_gain_u"],
    )


def _follow_the_register(warehouse: Warehouse, register: Register) -> None:
    """Captures of a van that changed depot move with it."""
    vans = pl.DataFrame(
        {"van_id": list(register.vans), "depot": [van.depot for van in register.vans.values()]},
        schema={"van_id": pl.String, "depot": pl.String},
    )
    with warehouse.rows("_vans", vans):
        warehouse.execute(
            "UPDATE captures SET depot = _vans.depot FROM _vans "
            "WHERE captures.van_id = _vans.van_id AND captures.depot <> _vans.depot"
        )
