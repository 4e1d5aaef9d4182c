"""Deliveries of many vans: recordings of a sample fleet, copied under new names, each copy with some samples changed, else it would be told to be the same.

A copy of the sample fleet is one delivery. In a zip the changed samples are put into the bytes of a Parquet file that is written once.
"""

import csv
import io
import os
import sys
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import duckdb
import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from pipelines.storage.waveforms import read_chunk
from pipelines.workspace.workspace import make_workspace
from tests.bench.many_vans import depot_of, name_of
from tests.deliveries import deliver

TOLD = ("coolant_c", "intake_air_c", "barometer_kpa", "humidity_pct", "altitude_m", "odometer_km", "closed_loop")

Columns = Mapping[str, NDArray[Any]]


class Asked(NamedTuple):
    """Which recordings the environment asks for."""

    visits: int
    snaps: int
    rate_hz: float
    longest_s: float
    form: str

    def __str__(self) -> str:
        longest = "" if np.isinf(self.longest_s) else f" of at most {self.longest_s:g} s"
        return f"up to {self.visits} visits a van and {self.snaps} captures a visit{longest} at {self.rate_hz:g} Hz, {self.form}"


def asked() -> Asked:
    """Two visits with two captures, thinned to 500 samples a second and of any length, as Parquet, unless the environment says otherwise."""
    told = os.environ.get
    form = told("BENCH_FORMAT", "parquet")
    assert form in ("parquet", "csv", "zip"), f"BENCH_FORMAT={form}: give parquet, csv or zip"
    visits, snaps = int(told("BENCH_VISITS", "2")), int(told("BENCH_SNAPS", "2"))
    return Asked(visits, snaps, float(told("BENCH_HZ", "500")), float(told("BENCH_LONGEST_S", "inf")), form)


def deliver_fleet(sample: Path, home: Path, vans: int, wanted: Asked) -> int:
    """A workspace of so many vans with a delivery of each copy of the sample fleet in its inbox; the captures delivered."""
    workspace = make_workspace(home, {"settings.toml": ""})
    (workspace.register / "families.toml").write_bytes((sample / "register" / "families.toml").read_bytes())
    with (sample / "register" / "vans.csv").open(newline="", encoding="utf-8") as file:
        known = list(csv.DictReader(file))
    copies = -(-vans // len(known))
    with (workspace.register / "vans.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(known[0]))
        writer.writeheader()
        for copy in range(copies):
            for row in known:
                named = {"van_id": name_of(row["van_id"], copy), "depot": depot_of(row["depot"], copy)}
                writer.writerow(row | named)
    recordings = list(_recordings(sample, wanted))
    ending = "parquet" if wanted.form == "zip" else wanted.form
    rows = [{"file": f"{number}.{ending}", **row} for number, (row, _) in enumerate(recordings)]
    written = [_Written(columns) for _, columns in recordings] if wanted.form == "zip" else []
    for copy in range(copies):
        named = [row | {"van_id": name_of(str(row["van_id"]), copy)} for row in rows]
        place = workspace.inbox / f"d{copy:05d}"
        if wanted.form == "zip":
            _zip(place.with_suffix(".zip"), named, [one.of_copy(copy) for one in written])
            continue
        frames = (pl.DataFrame(_told_apart(columns, copy)) for _, columns in recordings)
        deliver(place, named, {str(row["file"]): frame for row, frame in zip(named, frames, strict=True)})
    return copies * len(recordings)


def _recordings(sample: Path, wanted: Asked) -> Iterator[tuple[dict[str, object], Columns]]:
    """Manifest row and columns of the snaps of each van's newest visits."""
    with duckdb.connect(str(sample / "published.duckdb"), read_only=True) as published:
        rows = published.sql(
            f"""
            SELECT chunk, row_group, waveform_id, van_id, captured_at, captures.rate_hz, {", ".join(TOLD)}
            FROM captures JOIN waveforms USING (waveform_id)
            WHERE captures.length_s <= ?
            QUALIFY dense_rank() OVER (PARTITION BY van_id ORDER BY visit DESC) <= ?
                AND row_number() OVER (PARTITION BY visit ORDER BY captured_at, capture_id) <= ?
            ORDER BY van_id, captured_at
            """,
            params=[wanted.longest_s, wanted.visits, wanted.snaps],
        ).pl()
    for row in rows.iter_rows(named=True):
        path = sample / "waveforms" / row["chunk"]
        held = read_chunk(path, [row["row_group"]], {row["waveform_id"]})[row["waveform_id"]]
        every = max(round(row["rate_hz"] / wanted.rate_hz), 1)
        told = {name: row[name] for name in TOLD if row[name] is not None}
        columns = {"time_s": held.time_s[::every]} | {name: held.channels[name][::every] for name in held.channels}
        yield {"van_id": row["van_id"], "captured_at": row["captured_at"].isoformat(), **told}, columns


def _signal(columns: Columns) -> str:
    """The first signal, in which copies differ."""
    return next(name for name in columns if name != "time_s")


def _change(samples: NDArray[Any], copy: int) -> NDArray[Any]:
    """The samples ahead of the opening as a copy has them: each of the first few at another of the levels found there, by the copy's digits."""
    ahead = samples[: samples.size // 8].copy()
    levels, at = np.unique(ahead, return_inverse=True)
    assert levels.size > 1, "a recording without any noise ahead of its opening can't be told from its copies"
    place = 0
    while copy:
        copy, step = divmod(copy, levels.size)
        ahead[place] = levels[(at[place] + step) % levels.size]
        place += 1
    return ahead


def _told_apart(columns: Columns, copy: int) -> Columns:
    """The same recording with some samples of its first signal changed."""
    name = _signal(columns)
    samples = np.array(columns[name])
    ahead = _change(samples, copy)
    samples[: ahead.size] = ahead
    return {**columns, name: samples}


class _Written:
    """A recording as Parquet, whose first signal lies in it plainly, so that samples can be changed where they are."""

    def __init__(self, columns: Columns) -> None:
        name = _signal(columns)
        self._samples = np.asarray(columns[name])
        file = io.BytesIO()
        packed = {column: "none" if column == name else "zstd" for column in columns}
        pq.write_table(pa.table(dict(columns)), file, compression=packed, use_dictionary=False)
        self._content = file.getvalue()
        self._begin = self._content.index(self._samples.tobytes())

    def of_copy(self, copy: int) -> bytes:
        """The file of a copy."""
        changed = _change(self._samples, copy).tobytes()
        return self._content[: self._begin] + changed + self._content[self._begin + len(changed) :]


def _zip(path: Path, rows: Sequence[Mapping[str, object]], contents: Sequence[bytes]) -> None:
    """A zipped delivery, lightly compressed."""
    manifest = io.StringIO()
    writer = csv.DictWriter(manifest, list(dict.fromkeys(column for row in rows for column in row)))
    writer.writeheader()
    writer.writerows(rows)
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        archive.writestr("manifest.csv", manifest.getvalue())
        for row, content in zip(rows, contents, strict=True):
            archive.writestr(str(row["file"]), content)


if __name__ == "__main__":
    print(deliver_fleet(Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3]), asked()))
