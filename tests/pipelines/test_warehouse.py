"""The warehouse: typed tables, transactions, migrations, one writer; and what the waveform store promises."""

import subprocess
import sys
from dataclasses import replace
from datetime import UTC, date, datetime
from importlib import resources
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
from data_contracts.facts.rendering import render, sentences
from data_contracts.tables import NOTICES, TABLES, VANS, Table, create_table_sql, polars_schema
from pipelines.storage.sample_view import view_samples
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


def older_warehouse(path: Path, state: str = "waiting") -> None:
    """As versions before 2026-11-29 made it: no CHECK, and `rows` of the quarantine added later, so without NOT NULL."""
    bare = [replace(t, columns=tuple(replace(c, words=()) for c in t.columns)) for t in TABLES.values()]
    with duckdb.connect(str(path)) as old:
        for table in bare:
            columns = tuple(replace(c, required=c.required and c.name != "rows") for c in table.columns)
            old.execute(create_table_sql(replace(table, columns=columns)))
        old.execute("CREATE TABLE schema_version (version BIGINT NOT NULL)")
        old.execute((resources.files("pipelines") / "sql" / "row_account.sql").read_text())
        old.execute("INSERT INTO schema_version VALUES (1)")
        old.execute("INSERT INTO manifest_rows VALUES ('d', 1, 'held', 'w'), ('d', 2, 'quarantined', NULL)")
        old.execute(
            "INSERT INTO quarantine VALUES ('i', 'd', 'f', 2, 'bad_value', 'why', '2026-03-02 09:00:00+00', ?, NULL)",
            [state],
        )
        old.execute(
            'INSERT INTO order_events (event_id, order_id, state, "at", person, refused) '
            "VALUES ('e', 'o', 'flown', '2026-03-02 09:00:00+00', 'ann', 'state flown is unknown')"
        )


def checks(warehouse: Warehouse) -> set[str]:
    found = warehouse.query("SELECT table_name FROM duckdb_constraints() WHERE constraint_type = 'CHECK'")
    return set(found["table_name"])


def test_older_warehouse_gets_its_checks_and_keeps_its_rows(tmp_path: Path) -> None:
    path = tmp_path / "w.duckdb"
    older_warehouse(path)
    for _ in range(2):
        with Warehouse(path) as warehouse:
            assert checks(warehouse) == {t.name for t in TABLES.values() if any(c.words for c in t.columns)}
            assert warehouse.query("SELECT state, rows FROM quarantine").rows() == [("waiting", None)]
            assert warehouse.query("SELECT state FROM order_events").rows() == [("flown",)]
            assert warehouse.query("SELECT delivery, rows, held, quarantined FROM row_account").rows() == [
                ("d", 2, 1, 1)
            ]
            with pytest.raises(duckdb.ConstraintException, match="Duplicate key"):
                warehouse.execute("INSERT INTO manifest_rows VALUES ('d', 1, 'held', 'w')")


def test_a_word_the_contract_does_not_know_is_one_clear_line_and_nothing_changes(tmp_path: Path) -> None:
    path = tmp_path / "w.duckdb"
    older_warehouse(path, state="lost")
    with pytest.raises(WorkspaceError, match="quarantine") as caught:
        Warehouse(path)
    assert "\n" not in str(caught.value)
    with duckdb.connect(str(path)) as old:
        assert old.execute("SELECT state FROM quarantine").fetchall() == [("lost",)]
        assert old.execute("SELECT count(*) FROM duckdb_constraints() WHERE constraint_type = 'CHECK'").fetchall() == [
            (0,)
        ]


@pytest.mark.parametrize(("table", "column"), [(t.name, c.name) for t in TABLES.values() for c in t.columns if c.words])
def test_no_other_word_gets_in(tmp_path: Path, table: str, column: str) -> None:
    contract = TABLES[table]
    schema = polars_schema(contract)
    sample = {
        "text": "x",
        "integer": 1,
        "number": 1.0,
        "boolean": True,
        "day": date(2026, 3, 2),
        "texts": [],
        "moment": datetime(2026, 3, 2, tzinfo=UTC),
        "name_reason": [],
        "name_mark": [],
        "code_probability": [],
        "code_severity": [],
    }
    row = {c.name: (c.words or (sample[c.type],))[0] for c in contract.columns if c.required or c.name == column}
    with Warehouse(tmp_path / "w.duckdb") as warehouse:
        warehouse.append(table, pl.DataFrame([row], schema={name: schema[name] for name in row}))
        with pytest.raises(duckdb.ConstraintException, match="CHECK"):
            warehouse.execute(f'UPDATE "{table}" SET "{column}" = \'other\'')
        for word in next(c.words for c in contract.columns if c.name == column):
            warehouse.execute(f'UPDATE "{table}" SET "{column}" = ?', [word])


def test_a_table_that_grows_is_appended_to(tmp_path: Path) -> None:
    """A row that stays as it is is not written again: it keeps its place in the file, its rowid."""
    rows = pl.DataFrame(
        {
            "kind": ["part"] * 4,
            "name": ["a", "b", "c", "d"],
            "proven": [1, 2, 3, 4],
            "not_proven": 0,
            "made_worse": 0,
            "waiting": 0,
            "share_proven": [None, float("nan"), float("inf"), 0.5],
        }
    )
    ask = "SELECT rowid, name, proven, share_proven FROM proof_statistics ORDER BY name"
    with Warehouse(tmp_path / "w.duckdb") as warehouse:
        warehouse.replace("proof_statistics", rows)
        before = warehouse.query(ask)
        more = pl.concat([rows[:3], rows[3:].with_columns(name=pl.lit("e"))])
        warehouse.replace("proof_statistics", more.with_columns(proven=pl.Series([1, 2, 30, 4])))
        after = warehouse.query(ask)
        assert after["name"].to_list() == ["a", "b", "c", "e"]
        assert after["proven"].to_list() == [1, 2, 30, 4]
        assert after[:2].equals(before[:2], null_equal=True)
        assert not set(after[2:]["rowid"]) & set(before["rowid"])
        warehouse.replace("proof_statistics", rows.clear())
        assert warehouse.query(ask).is_empty()
        with pytest.raises(duckdb.ConstraintException), warehouse.transaction():
            warehouse.replace("proof_statistics", pl.concat([rows, rows]))


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
        assert row["text"] == render(fact)
        assert [Fact.from_row(one) for one in row["text_facts"]] == [fact]
        asked = "SELECT f.code, f.numbers['level'], f.words['since'] FROM (SELECT unnest(text_facts) AS f FROM notices)"
        assert warehouse.query(asked).rows() == [("own_movement", 3.1, "2026-W12")]
    with duckdb.connect(str(path)) as older:  # as a version before facts left it
        older.execute("ALTER TABLE notices DROP COLUMN text_facts")
    with Warehouse(path) as warehouse:
        (row,) = warehouse.query("SELECT * FROM notices").to_dicts()
        assert row["text_facts"] is None
        assert sentences(row, "text", "de") == [render(fact)]
        assert with_sentences(rows.with_columns(text=pl.lit("as it was"))).row(0, named=True)["text"] == "as it was"


def renamed(table: Table, old: str, new: str) -> Table:
    return replace(table, columns=tuple(replace(c, name=new) if c.name == old else c for c in table.columns))


def rename_two_columns(monkeypatch: pytest.MonkeyPatch) -> None:
    """The next version: `note` of vans and `state` of quarantine, which has a CHECK, under other names."""
    tables = TABLES | {
        "vans": renamed(TABLES["vans"], "note", "remark"),
        "quarantine": renamed(TABLES["quarantine"], "state", "standing"),
    }
    rename = "ALTER TABLE vans RENAME COLUMN note TO remark; ALTER TABLE quarantine RENAME COLUMN state TO standing;"
    monkeypatch.setattr("pipelines.storage.upgrades.TABLES", tables)
    monkeypatch.setattr("pipelines.storage.upgrades._migrations", lambda: {2: rename})


@pytest.fixture
def earlier(tmp_path: Path) -> Path:
    """A warehouse of this version with a van and an item in quarantine."""
    path = tmp_path / "earlier.duckdb"
    older_warehouse(path)
    with Warehouse(path) as warehouse:
        warehouse.execute("INSERT INTO vans (van_id, family, depot, note) VALUES ('a', 'f', 'd', 'loud')")
    return path


def test_a_column_that_is_renamed_keeps_what_it_holds(earlier: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rename_two_columns(monkeypatch)
    for _ in range(2):  # the migration runs once
        with Warehouse(earlier) as warehouse:
            assert warehouse.query("SELECT van_id, remark FROM vans").rows() == [("a", "loud")]
            assert warehouse.query("SELECT standing FROM quarantine").rows() == [("waiting",)]
            for table, gone in (("vans", "note"), ("quarantine", "state")):
                assert gone not in warehouse.query(f"SELECT * FROM {table}").columns
            with pytest.raises(duckdb.ConstraintException, match="CHECK"):
                warehouse.execute("UPDATE quarantine SET standing = 'flown'")
            assert warehouse.query("SELECT max(version) FROM schema_version").item() == 2


def test_a_new_warehouse_needs_no_migration(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rename_two_columns(monkeypatch)
    for _ in range(2):
        with Warehouse(tmp_path / "new.duckdb") as warehouse:
            assert "remark" in warehouse.query("SELECT * FROM vans").columns
            assert warehouse.query("SELECT max(version) FROM schema_version").item() == 2


def test_a_migration_that_fails_changes_nothing(earlier: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with monkeypatch.context() as next_version:
        wrong = {2: "ALTER TABLE vans RENAME COLUMN note TO remark; ALTER TABLE vans RENAME COLUMN nothing TO else_;"}
        next_version.setattr("pipelines.storage.upgrades._migrations", lambda: wrong)
        with pytest.raises(duckdb.Error, match="nothing"):
            Warehouse(earlier)
    with Warehouse(earlier) as warehouse:
        assert warehouse.query("SELECT note FROM vans").item() == "loud"
        assert warehouse.query("SELECT max(version) FROM schema_version").item() == 1


def test_newer_warehouse_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "w.duckdb"
    with Warehouse(path) as warehouse:
        warehouse.execute("INSERT INTO schema_version (version) VALUES (9999)")
    with pytest.raises(WorkspaceError, match="newer version"):
        Warehouse(path)


def test_damaged_warehouse_is_one_clear_line(tmp_path: Path) -> None:
    path = tmp_path / "w.duckdb"
    path.write_bytes(b"no database" * 500)
    with pytest.raises(WorkspaceError, match=r"vansnap restore.*vansnap rebuild") as caught:
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


def test_any_sql_client_sees_the_samples(tmp_path: Path) -> None:
    """The view gives what `read_chunk` gives, bit for bit: whole steps, steps far from zero, plain floats, uneven time, NaN."""
    rng = np.random.default_rng(11)
    folder = tmp_path / "it's here"
    folder.mkdir()
    stepped = np.round(np.cumsum(rng.integers(-3, 4, 3000)) * 5 / 4096, 9) + 40_000 * 5 / 4096
    gappy = rng.normal(2.0, 0.5, 3000)
    gappy[50:60] = np.nan
    uneven = np.cumsum([0, *rng.integers(1, 5, 2999)]) * 1e-4
    waveforms = [
        make_waveform(np.arange(3000) / 1000, {"airflow_v": stepped, "lambda_v": gappy}),
        make_waveform(uneven, {"airflow_v": gappy, "lambda_v": np.zeros(3000)}),
    ]
    (stored, _) = write_waveforms(folder, {w.waveform_id: encode(w.waveform_id, w) for w in waveforms})
    with duckdb.connect(str(tmp_path / "any.duckdb")) as any_client:
        view_samples(any_client, folder)
    back = read_chunk(folder / stored.chunk)
    with duckdb.connect(str(tmp_path / "any.duckdb"), read_only=True) as any_client:
        ask = "SELECT time_s, value FROM waveform_samples WHERE waveform_id = ? AND channel = ? ORDER BY time_s"
        for waveform_id, waveform in back.items():
            for channel, values in waveform.channels.items():
                seen = any_client.sql(ask, params=[waveform_id, channel]).pl()
                assert seen["value"].dtype == pl.Float32
                np.testing.assert_array_equal(seen["value"].to_numpy(), values)
                np.testing.assert_array_equal(seen["time_s"].to_numpy(), waveform.time_s)
        assert any_client.execute("SELECT count(*) FROM waveform_samples").fetchall() == [(4 * 3000,)]


def test_no_chunk_no_view(tmp_path: Path) -> None:
    with duckdb.connect(str(tmp_path / "any.duckdb")) as any_client:
        view_samples(any_client, tmp_path)
        assert any_client.execute("SELECT count(*) FROM duckdb_views() WHERE NOT internal").fetchall() == [(0,)]
