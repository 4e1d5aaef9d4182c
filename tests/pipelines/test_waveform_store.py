"""How samples are kept: as recorder steps where there are any, at the place the catalogue says."""

import hashlib
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import polars as pl
import pyarrow.parquet as pq
import pytest

from data_contracts.capture import Waveform, make_waveform
from data_contracts.errors import WorkspaceError
from pipelines.commands.check import verify
from pipelines.storage import waveforms as store
from pipelines.storage.warehouse import Warehouse
from pipelines.storage.waveforms import encode, read_chunk, read_waveforms, to_steps, write_waveforms

SAMPLES = 4000
RNG = np.random.default_rng(12)


def levels_of(count: int, span: int) -> np.ndarray:
    """Whole numbers between 0 and a span, both ends among them, as an ignition or a snap would fill them unevenly."""
    return np.concatenate([[0, span], RNG.integers(0, span + 1, count - 2)])


@pytest.mark.parametrize("bits", [8, 10, 12, 14, 16])
@pytest.mark.parametrize("volts", [5.0, 10.0, 20.48])
def test_steps_of_a_converter_are_found_and_restored(bits: int, volts: float) -> None:
    """An n-bit converter over a round range: its own step, though single precision blurs it, and every sample bit for bit."""
    step = volts / 2**bits
    most = 2**bits - 1
    samples = (levels_of(SAMPLES, min(most, 60_000)) * step).astype(np.float32)
    found = to_steps(samples)
    assert found is not None
    base, size, codes = found
    assert size == pytest.approx(step, rel=1e-4)
    np.testing.assert_array_equal(((codes.astype(np.int64) + base) * size).astype(np.float32), samples)


@pytest.mark.parametrize(
    ("shift", "based"), [(0, False), (31_000, False), (40_000, True), (-50_000, True), (2_000_000, True)]
)
def test_steps_far_from_zero_are_counted_from_a_base(shift: int, based: bool) -> None:
    whole = levels_of(SAMPLES, 900) + shift
    found = to_steps((whole * 0.5).astype(np.float32))
    assert found is not None
    base, step, codes = found
    assert (base != 0) == based
    assert step == 0.5
    np.testing.assert_array_equal(codes.astype(np.int64) + base, whole)


def test_missing_samples_keep_their_place() -> None:
    samples = (levels_of(SAMPLES, 900) * 0.01).astype(np.float32)
    gone = RNG.random(SAMPLES) < 0.1
    samples[gone] = np.nan
    found = to_steps(samples)
    assert found is not None
    np.testing.assert_array_equal(found[2] == -32768, gone)


def test_one_level_is_a_step_of_its_own() -> None:
    for level, step in ((2.5, 2.5), (-2.5, 2.5), (0.0, 1.0)):
        found = to_steps(np.full(10, level, dtype=np.float32))
        assert found is not None
        assert found[1] == step
        assert ((found[0] + found[2].astype(int)) * found[1]).tolist() == [level] * 10


@pytest.mark.parametrize(
    "samples",
    [
        np.full(10, np.nan),
        np.array([0.0, -0.0, 1.0]),  # a negative zero would come back positive
        RNG.normal(size=SAMPLES),
        np.array([0.0, 1.0, 70_000.0, 69_999.0]),  # more steps than a code can count
        np.array([1.0, 1.0 + 2.0**-23, 3.0e38]),
    ],
    ids=["nothing", "negative zero", "noise", "too wide", "extremes"],
)
def test_what_lies_on_no_steps_is_kept_as_it_is(samples: np.ndarray, tmp_path: Path) -> None:
    single = samples.astype(np.float32)
    assert to_steps(single) is None
    if np.isnan(single).all():
        return
    waveform = Waveform(np.arange(single.size) * 0.001, {"airflow_v": single})
    write_waveforms(tmp_path, {"w": encode("w", waveform)})
    (chunk,) = tmp_path.iterdir()
    assert read_chunk(chunk)["w"].channels["airflow_v"].tobytes() == single.tobytes()


def waveform(number: int, samples: int = 100, uneven: bool = False) -> Waveform:
    time = np.arange(samples) * 0.002
    if uneven:
        time = time + np.arange(samples) % 2 * 0.0005
    return make_waveform(
        time,
        {
            "airflow_v": np.round(RNG.random(samples), 2) + number,
            "lambda_v": RNG.random(samples),
            "engine_rpm": np.full(samples, 800.0),
        },
    )


def encoded(waves: Sequence[Waveform]) -> dict[str, Sequence[Mapping[str, object]]]:
    return {each.waveform_id: encode(each.waveform_id, each) for each in waves}


def test_the_catalogue_says_length_rate_and_channels(tmp_path: Path) -> None:
    even, uneven = waveform(1), waveform(2, 61, uneven=True)
    first, second = write_waveforms(tmp_path, encoded([even, uneven]))
    assert (first.waveform_id, first.samples, first.row_group) == (even.waveform_id, 100, 0)
    assert (first.length_s, first.rate_hz) == (pytest.approx(0.198), pytest.approx(500.0))
    assert first.channels == ("airflow_v", "engine_rpm", "lambda_v")
    assert (second.samples, second.length_s) == (61, pytest.approx(float(uneven.time_s[-1])))
    assert second.rate_hz == pytest.approx(60 / float(uneven.time_s[-1]))
    assert second.channels == first.channels
    held = read_chunk(tmp_path / first.chunk)
    for one in (even, uneven):
        assert held[one.waveform_id].waveform_id == one.waveform_id
        np.testing.assert_allclose(held[one.waveform_id].time_s, one.time_s, rtol=0, atol=5e-10)


def test_time_is_kept_only_where_it_is_uneven(tmp_path: Path) -> None:
    even, uneven = waveform(1), waveform(2, uneven=True)
    (stored, _) = write_waveforms(tmp_path, encoded([even, uneven]))
    table = pq.read_table(tmp_path / stored.chunk).to_pylist()
    assert {row["waveform_id"] for row in table if row["channel"] == "time_s"} == {uneven.waveform_id}
    assert {row["step_ns"] for row in table if row["waveform_id"] == even.waveform_id} == {2_000_000}
    kept_as = {row["channel"]: row["codes"] is not None for row in table if row["waveform_id"] == even.waveform_id}
    assert kept_as == {"airflow_v": True, "engine_rpm": True, "lambda_v": False}


def test_a_chunk_is_named_by_its_bytes_and_a_torn_one_is_written_again(tmp_path: Path) -> None:
    waves = encoded([waveform(1)])
    (stored,) = write_waveforms(tmp_path, waves)
    path = tmp_path / stored.chunk
    content = path.read_bytes()
    assert stored.chunk == hashlib.sha256(content).hexdigest() + ".parquet"
    path.write_bytes(content[:-1])
    assert write_waveforms(tmp_path, waves) == [stored]
    assert path.read_bytes() == content
    before = path.stat().st_mtime_ns
    write_waveforms(tmp_path, waves)
    assert path.stat().st_mtime_ns == before
    assert write_waveforms(tmp_path, {}) == []


def test_many_recordings_are_spread_over_groups_and_chunks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each recording is found where the catalogue says, whatever the sizes; a group is read without its neighbours."""
    monkeypatch.setattr(store, "_ROW_GROUP_SAMPLES", 700)
    monkeypatch.setattr(store, "_CHUNK_SAMPLES", 1500)
    waves = [waveform(n) for n in range(12)]  # 3 channels of 100 samples each
    stored = write_waveforms(tmp_path, encoded(waves))
    assert [one.waveform_id for one in stored] == [one.waveform_id for one in waves]
    chunks = list(dict.fromkeys(one.chunk for one in stored))
    assert [sum(one.chunk == chunk for one in stored) for chunk in chunks] == [5, 5, 2]
    assert [one.row_group for one in stored] == [0, 0, 0, 1, 1] * 2 + [0, 0]
    for one in stored:
        alone = read_chunk(tmp_path / one.chunk, [one.row_group], {one.waveform_id})
        assert list(alone) == [one.waveform_id]
        assert alone[one.waveform_id].waveform_id == one.waveform_id
    assert len(read_chunk(tmp_path / chunks[0], [1])) == 2
    with Warehouse(tmp_path / "w.duckdb") as warehouse:
        folder = tmp_path / "chunks"
        folder.mkdir()
        for chunk in chunks:
            (tmp_path / chunk).rename(folder / chunk)
        warehouse.append("waveforms", pl.DataFrame([vars(one) for one in stored]))
        asked = [stored[11].waveform_id, stored[0].waveform_id, stored[11].waveform_id]
        assert list(read_waveforms(warehouse, folder, asked)) == asked[:2]
        with pytest.raises(WorkspaceError, match="no-such-wave"):
            read_waveforms(warehouse, folder, ["no-such-waveform"])


def test_a_lost_or_torn_chunk_is_one_line(tmp_path: Path) -> None:
    with pytest.raises(WorkspaceError, match=r"is missing from waveforms/: put it back from a backup"):
        read_chunk(tmp_path / ("a" * 64 + ".parquet"))
    torn = tmp_path / "b.parquet"
    torn.write_bytes(b"PAR1")
    with pytest.raises(WorkspaceError, match="can't be read") as caught:
        read_chunk(torn)
    assert "\n" not in str(caught.value)


def test_samples_that_are_not_what_they_are_named_after_are_found(tmp_path: Path) -> None:
    """`vansnap check`: a recording whose hash is another, one that is not in its chunk, and a chunk that is gone."""
    folder, right, wrong = tmp_path / "waveforms", waveform(1), waveform(2)
    folder.mkdir()
    named = {right.waveform_id: encode(right.waveform_id, right), "f" * 64: encode("f" * 64, wrong)}
    stored = [vars(one) for one in write_waveforms(folder, named)]
    stored.append(stored[0] | {"waveform_id": "e" * 64})
    stored.append(stored[0] | {"waveform_id": "d" * 64, "chunk": "c" * 64 + ".parquet"})
    chunk = str(stored[0]["chunk"])[:12]
    with Warehouse(tmp_path / "w.duckdb") as warehouse:
        warehouse.append("waveforms", pl.DataFrame(stored[:1]))
        assert verify(warehouse, folder) == []
        warehouse.append("waveforms", pl.DataFrame(stored[1:]))
        found = sorted(verify(warehouse, folder))
    assert len(found) == 3
    assert found[0].startswith("waveform chunk cccccccccccc… is missing")
    assert found[0].endswith("(1 recording)")
    assert found[1].startswith(f"waveform eeeeeeeeeeee… is not in its chunk {chunk}…: ")
    assert found[2].startswith(f"waveform ffffffffffff… no longer has its hash: put chunk {chunk}… back")
