"""The warehouse: typed tables, transactions, migrations, one writer; and what the waveform store promises."""

import subprocess
import sys
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from data_contracts.capture import Waveform, make_waveform
from data_contracts.errors import WorkspaceBusyError, WorkspaceError
from data_contracts.facts.fact import Fact
from data_contracts.facts.say import say, sentences
from data_contracts.tables import NOTICES, TABLES, VANS, polars_schema
from pipelines.storage.sentences import with_sentences
from pipelines.storage.warehouse import Warehouse
from pipelines.storage.waveforms import encode, read_chunk, to_steps, write_waveforms


def test_every_table_of_the_contract_is_made(tmp_path: Path) -> None:
    with Warehouse(tmp_path / "w.duckdb") as warehouse:
        there = warehouse.query("SELECT table_name, column_name FROM duckdb_columns()")
    for table in TABLES.values():
        assert there.filter(pl.col("table_name") == table.name)["column_name"].to_list() == [
            c.name for c in table.columns
        ]


def test_rows_come_back_as_they_went_in(tmp_path: Path) -> None:
    rows = pl.DataFrame({"van_id": ["b", "a"], "family": ["f", "f"], "depot": ["d", "d"], "odometer_km": [1.5, None]})
    with Warehouse(tmp_path / "w.duckdb") as warehouse:
        warehouse.append("vans", rows)
        warehouse.upsert("vans", rows.with_columns(odometer_km=pl.lit(7.0))[:1])
    with Warehouse(tmp_path / "w.duckdb") as warehouse:
        found = warehouse.query("SELECT van_id, odometer_km FROM vans WHERE depot = ? ORDER BY van_id", ["d"])
        assert found.rows() == [("a", None), ("b", 7.0)]
        warehouse.replace("vans", rows[:1])
        assert warehouse.query("SELECT van_id FROM vans").rows() == [("b",)]
        with pytest.raises(KeyError, match="colour"):
            warehouse.append("vans", rows.with_columns(colour=pl.lit("red")))


def test_transaction_is_all_or_nothing(tmp_path: Path) -> None:
    rows = pl.DataFrame({"van_id": ["a"], "family": ["f"], "depot": ["d"]})
    with Warehouse(tmp_path / "w.duckdb") as warehouse:
        with pytest.raises(duckdb.ConstraintException), warehouse.transaction():  # noqa: PT012 - both rows belong to it
            warehouse.append("vans", rows)
            warehouse.append("vans", rows)
        assert warehouse.query("SELECT count(*) FROM vans").item() == 0


def test_older_warehouse_gets_what_it_lacks(tmp_path: Path) -> None:
    path = tmp_path / "w.duckdb"
    with duckdb.connect(str(path)) as old:
        old.execute("CREATE TABLE vans (van_id VARCHAR PRIMARY KEY, family VARCHAR, depot VARCHAR)")
        old.execute("INSERT INTO vans VALUES ('a', 'f', 'd')")
    with Warehouse(path) as warehouse:
        found = warehouse.query("SELECT * FROM vans")
        assert found.columns == [c.name for c in VANS.columns]
        assert found["van_id"].to_list() == ["a"]


def test_facts_are_stored_so_that_sql_can_ask_for_their_numbers(tmp_path: Path) -> None:
    path = tmp_path / "w.duckdb"
    fact = Fact.of("own_movement", "idle_g_s", level=3.1, baseline=2.9, since="2026-W12")
    rows = pl.DataFrame(
        {"week": ["2026-W14"], "number": [0], "text": [None], "text_facts": [[fact.row()]]},
        schema={name: polars_schema(NOTICES)[name] for name in ("week", "number", "text", "text_facts")},
    )
    with Warehouse(path) as warehouse:
        warehouse.append("notices", with_sentences(rows))
        (row,) = warehouse.query("SELECT text, text_facts FROM notices").to_dicts()
        assert row["text"] == say(fact)
        assert [Fact.from_row(one) for one in row["text_facts"]] == [fact]
        asked = "SELECT f.code, f.numbers['level'], f.words['since'] FROM (SELECT unnest(text_facts) AS f FROM notices)"
        assert warehouse.query(asked).rows() == [("own_movement", 3.1, "2026-W12")]
    with duckdb.connect(str(path)) as older:  # as a version before facts left it
        older.execute("ALTER TABLE notices DROP COLUMN text_facts")
    with Warehouse(path) as warehouse:
        (row,) = warehouse.query("SELECT * FROM notices").to_dicts()
        assert row["text_facts"] is None
        assert sentences(row, "text", "de") == [say(fact)]
        assert with_sentences(rows.with_columns(text=pl.lit("as it was"))).row(0, named=True)["text"] == "as it was"


def test_newer_warehouse_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "w.duckdb"
    with Warehouse(path) as warehouse:
        warehouse.execute("INSERT INTO schema_version VALUES (9999)")
    with pytest.raises(WorkspaceError, match="newer version"):
        Warehouse(path)


def test_damaged_warehouse_is_one_clear_line(tmp_path: Path) -> None:
    path = tmp_path / "w.duckdb"
    path.write_bytes(b"no database" * 500)
    with pytest.raises(WorkspaceError, match="backup") as caught:
        Warehouse(path)
    assert "\n" not in str(caught.value)


def test_one_writer(tmp_path: Path) -> None:
    path = tmp_path / "w.duckdb"
    hold = f"import duckdb; c = duckdb.connect({str(path)!r}); print('open', flush=True); input()"
    with subprocess.Popen(
        [sys.executable, "-c", hold], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "open\n"
        try:
            with pytest.raises(WorkspaceBusyError):
                Warehouse(path)
        finally:
            other.communicate("\n")


def same(a: Waveform, b: Waveform) -> bool:
    return a.waveform_id == b.waveform_id and np.array_equal(a.time_s, b.time_s)


@pytest.mark.parametrize(
    ("step", "offset"),
    [
        (5 / 4096, 0.0),
        (10 / 65536, -5.0),
        (0.01, 0.0),
        (0.001, 3.0),
        (1e-4, 0.0),
        (0.25, 0.0),
        (1.0, 0.0),
        (1.0, 40_000.0),
    ],
)
def test_recorder_steps_are_kept_as_whole_numbers(step: float, offset: float) -> None:
    """Signals on steps, as recorders give them, go into 16 bits and come back bit for bit."""
    rng = np.random.default_rng(7)
    counts = np.cumsum(rng.integers(-30, 31, 4000))
    values = (offset + counts * step).astype(np.float32)
    values[100:105] = np.nan
    found = to_steps(values)
    assert found is not None
    base, width, codes = found
    back = ((codes.astype(np.float64) + base) * width).astype(np.float32)
    back[codes == -32768] = np.nan
    np.testing.assert_array_equal(back, values)


@settings(max_examples=80, deadline=None)
@given(
    st.lists(st.floats(width=32, allow_infinity=False), min_size=2, max_size=60),
    st.lists(st.integers(min_value=1, max_value=10**9), min_size=59, max_size=59),
    st.booleans(),
)
def test_any_waveform_comes_back_bit_for_bit(
    tmp_path_factory: pytest.TempPathFactory, values: list[float], steps: list[int], uniform: bool
) -> None:
    folder = tmp_path_factory.mktemp("chunks")
    count = len(values)
    nanoseconds = np.arange(count) * 1000 if uniform else np.cumsum([0, *steps])[:count]
    waveform = make_waveform(
        nanoseconds * 1e-9, {"airflow_v": np.array(values), "lambda_v": np.round(np.array(values), 1)}
    )
    encoded = {waveform.waveform_id: encode(waveform.waveform_id, waveform)}
    (stored,) = write_waveforms(folder, encoded)
    assert stored.samples == count
    back = read_chunk(folder / stored.chunk)[waveform.waveform_id]
    assert same(back, waveform)


def test_same_content_gives_the_same_chunk(tmp_path: Path) -> None:
    waveform = make_waveform(np.arange(2000) / 1000, {"airflow_v": np.sin(np.arange(2000) / 50)})
    encoded = {waveform.waveform_id: encode(waveform.waveform_id, waveform)}
    assert write_waveforms(tmp_path, encoded) == write_waveforms(tmp_path, encoded)
    assert len(list(tmp_path.iterdir())) == 1
