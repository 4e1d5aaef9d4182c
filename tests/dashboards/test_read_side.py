"""Reading the published file: the right file, the right rows, plain errors."""

import fcntl
import os
import stat
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path

import duckdb
import polars as pl
import pytest

from data_contracts.errors import MissingFileError, WorkspaceBusyError, WorkspaceError
from data_contracts.states import PLANNED_STATES
from models.work.worth import waiting
from pipelines.read_side import capture_queries, order_queries, queries, van_past
from pipelines.read_side import published as published_file
from pipelines.read_side.capture_queries import CaptureFilter
from pipelines.read_side.past_snaps import past_snaps
from pipelines.read_side.published import Parameters, Published, families, open_published, run_in_progress
from pipelines.read_side.queries import ListFilter
from pipelines.read_side.restricted import restricted
from pipelines.read_side.traces import traces
from pipelines.read_side.van_past import known_van, van_row
from pipelines.reports import list_pdf
from pipelines.reports.orders import open_orders
from tests.published_rows import FAMILIES
from tests.published_sample import make_workspace


def test_a_swapped_file_is_seen_by_the_next_question(tmp_path: Path) -> None:
    make_workspace(tmp_path, vans_per_depot=2, weeks=10)
    first = open_published(tmp_path)
    assert len(queries.find_vans(first)) == 4
    assert open_published(tmp_path) is first
    make_workspace(tmp_path, vans_per_depot=3, weeks=10)
    assert len(queries.find_vans(open_published(tmp_path))) == 6
    assert len(queries.find_vans(first)) == 4


def test_filters_narrow_the_list_and_pages_do_not_overlap(sample_home: Path) -> None:
    published = open_published(sample_home)
    week = queries.weeks(published)[0]
    everything = queries.watchlist(published, week, ListFilter(), limit=100)
    north = queries.watchlist(published, week, ListFilter(depots=["north"]), limit=100)
    assert everything["rank"].to_list() == sorted(everything["rank"].to_list())
    assert set(north["van_id"]) == {v for v in everything["van_id"] if v.startswith("N")}
    pages = [queries.watchlist(published, week, ListFilter(), limit=2, offset=k)["van_id"].to_list() for k in (0, 2)]
    assert pages[0] + pages[1] == everything["van_id"].to_list()[:4]
    assert sum(queries.watchlist_counts(published, week, ListFilter(causes=["lambda_slow"])).values()) == 1


def test_what_waiting_costs_is_what_orders_stated_and_what_was_saved_goes_by_what_was_found(tmp_path: Path) -> None:
    make_workspace(tmp_path, vans_per_depot=3, weeks=16)
    with duckdb.connect(str(tmp_path / "published.duckdb")) as link:
        link.execute("UPDATE work_orders SET depot = 'north', state = 'declined'")
        link.execute(
            "UPDATE work_orders SET state = 'proven', found = 'unmetered_air', duty = 2, failure_avoided = 300, running_avoided = 60, "
            "severities = [{'code': 'lambda_slow', 'severity': 0.9}, {'code': 'unmetered_air', 'severity': 0.8}] WHERE rank <= 2"
        )
        link.execute(
            "UPDATE work_orders SET state = 'booked', failure_avoided = 500, running_avoided = NULL, depot = 'south' "
            "WHERE rank = 3"
        )
        link.execute(
            "INSERT INTO work_orders BY NAME SELECT * REPLACE ('left open' AS order_id, 'not_proven' AS state, 'cant_tell' AS proof) "
            "FROM work_orders WHERE rank = 1"
        )
    published = open_published(tmp_path)
    north, south, both = order_queries.worth_by_depot(published, [], 26.0).to_dicts()
    assert [row["depot"] for row in (north, south, both)] == ["north", "south", None]
    left = waiting("unmetered_air", 0.8, 26.0)
    assert (north["open"], north["proven"], north["cant_tell"]) == (0, 2, 1)
    assert north["saved"] == pytest.approx(2 * (2 * left.failures + left.running))
    assert north["saved_low"] < north["saved"] < north["saved_high"]
    assert (south["open"], south["waiting"], south["proven"], south["saved"]) == (1, 500.0, 0, 0.0)
    assert (both["open"], both["waiting"], both["saved"]) == (1, 500.0, north["saved"])
    assert order_queries.worth_by_depot(published, ["north"], 26.0).to_dicts() == [north]
    assert order_queries.worth_by_depot(published, ["harbour"], 26.0).is_empty()


def test_what_a_file_of_an_older_version_saved_counts_every_severity_as_one_half(tmp_path: Path) -> None:
    make_workspace(tmp_path, vans_per_depot=2, weeks=16)
    with duckdb.connect(str(tmp_path / "published.duckdb")) as link:
        link.execute("UPDATE work_orders SET depot = 'north', state = 'declined'")
        link.execute("UPDATE work_orders SET state = 'proven', found = 'unmetered_air' WHERE rank = 1")
        link.execute("ALTER TABLE work_orders DROP COLUMN severities")
        link.execute("ALTER TABLE work_orders DROP COLUMN duty")
        link.execute("ALTER TABLE work_orders DROP COLUMN proof")
    (row,) = order_queries.worth_by_depot(open_published(tmp_path), [], 26.0).to_dicts()
    assert row["saved"] == pytest.approx(waiting("unmetered_air", 0.5, 26.0).cost)
    assert row["cant_tell"] == 0


def test_orders_stand_as_the_vans_on_the_published_list_on_board_and_command_line_alike(tmp_path: Path) -> None:
    make_workspace(tmp_path, vans_per_depot=3, weeks=16)
    with duckdb.connect(str(tmp_path / "published.duckdb")) as link:
        link.execute("UPDATE work_orders SET rank = 1 WHERE state = 'proposed'")  # each first in its own week
    published = open_published(tmp_path)
    place = dict(
        published.ask(
            "SELECT van_id, rank FROM watchlist WHERE week = (SELECT week FROM runs ORDER BY finished_at DESC LIMIT 1)"
        ).iter_rows()
    )
    orders = order_queries.orders(published, [], list(PLANNED_STATES))
    assert orders.height >= 2
    assert orders["list_rank"].to_list() == [place.get(van) for van in orders["van_id"]]
    known = orders["list_rank"].drop_nulls().to_list()
    assert known == sorted(known)
    assert len(set(known)) >= 2
    assert orders["list_rank"].null_count() == orders["list_rank"][len(known) :].null_count()
    assert open_orders(published)["order_id"].to_list() == orders["order_id"].to_list()
    ranked: list[str] = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(
            list_pdf, "make_pdf", lambda name, document, *rest: ranked.extend(r[0] for r in document["orders"]) or b""
        )
        list_pdf.list_pdf(published, orders)
    assert ranked == [str(rank or "–") for rank in orders["list_rank"]]


def test_days_and_weeks_are_of_utc_whatever_the_machines_zone(sample_home: Path) -> None:
    asked = (
        "from pathlib import Path; from pipelines.read_side.published import open_published; "
        f"p = open_published(Path({str(sample_home)!r})); "
        "print(p.ask(\"SELECT strftime(TIMESTAMPTZ '2026-04-05 23:30:00+00', '%G-W%V %d') AS w\")['w'][0])"
    )
    told = subprocess.run(
        [sys.executable, "-c", asked],
        env={**os.environ, "TZ": "Asia/Tokyo"},
        capture_output=True,
        text=True,
        check=True,
    )
    assert told.stdout.strip() == "2026-W14 05"


def test_a_search_finds_van_depot_family_and_the_causes_named_and_nothing_else(sample_home: Path) -> None:
    published = open_published(sample_home)
    week = queries.weeks(published)[0]

    def found(text: str, *causes: str) -> list[str]:
        return queries.watchlist(published, week, ListFilter(text=text, causes_named=causes), limit=99)[
            "van_id"
        ].to_list()

    assert found("n-02") == ["N-02"]
    assert found("expected") == []  # a word of the stored English reasons, which another language's reader never sees
    assert len(found("träge", "lambda_slow")) == 1


def test_a_filter_value_is_data_never_sql(sample_home: Path) -> None:
    published = open_published(sample_home)
    nasty = "x'); DROP TABLE vans; --"
    assert queries.van(published, nasty) is None
    assert not capture_queries.captures(published, CaptureFilter(depots=[nasty]), limit=5).height
    assert queries.find_vans(published, nasty) == []


def test_a_reading_lists_values_and_reasons(sample_home: Path) -> None:
    published = open_published(sample_home)
    visits = queries.van_visits(published, "N-01", queries.weeks(published)[0])
    reading = queries.reading(published, "N-01", visits["capture_id"][0])
    by_name = {row["quantity"]: row for row in reading.to_dicts()}
    assert by_name["idle_g_s"]["u"] == pytest.approx(0.05)
    assert by_name["settle_time_s"]["value"] is None
    assert by_name["settle_time_s"]["unread"] == "record_ends_early"


def test_the_row_account_closes(sample_home: Path) -> None:
    totals = capture_queries.delivery_totals(open_published(sample_home))
    assert totals["rows"] == totals["held"] + totals["superseded"] + totals["duplicates"] + totals["quarantined"]


def test_a_broken_family_is_left_out(tmp_path: Path) -> None:
    (tmp_path / "register").mkdir()
    (tmp_path / "register" / "families.toml").write_text(FAMILIES + "\n[odd]\ncylinders = 0\n", encoding="utf-8")
    known = families(tmp_path)
    assert sorted(known) == ["brook-20", "tarn-15"]


def test_traces_are_aligned_at_the_opening_and_in_flow(sample_home: Path) -> None:
    published = open_published(sample_home)
    visits = queries.van_visits(published, "N-01", queries.weeks(published)[0], limit=3)
    ids = visits["capture_id"].to_list()
    drawn = traces(published, "N-01", ids, families(sample_home)["brook-20"])
    assert set(drawn) == set(ids)
    latest = drawn[ids[0]]
    peak = queries.reading(published, "N-01", ids[0]).filter(quantity="main_peak_g_s")["value"][0]
    held = (latest.time_s > 0.8) & (latest.time_s < 1.0)
    assert latest.airflow[held].mean() == pytest.approx(peak, rel=0.02)
    assert latest.airflow[latest.time_s < -0.1].mean() == pytest.approx(3.4, abs=0.4)
    assert latest.lambda_signal[(latest.lambda_time_s > 0.8) & (latest.lambda_time_s < 1.0)].mean() > 1.05


def test_a_lost_chunk_leaves_its_snaps_out(tmp_path: Path) -> None:
    make_workspace(tmp_path, vans_per_depot=1, weeks=9)
    for chunk in (tmp_path / "waveforms").iterdir():
        chunk.unlink()
    published = open_published(tmp_path)
    ids = queries.van_visits(published, "N-01", queries.weeks(published)[0])["capture_id"].to_list()
    assert traces(published, "N-01", ids, families(tmp_path)["brook-20"]) == {}


def test_no_workspace_no_file_and_a_damaged_file_say_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(MissingFileError, match="vansnap init"):
        open_published(tmp_path)
    (tmp_path / "settings.toml").write_text("", encoding="utf-8")
    with pytest.raises(MissingFileError, match="vansnap weekly"):
        open_published(tmp_path)
    (tmp_path / "published.duckdb").write_bytes(b"not a database" * 1000)
    with pytest.raises(WorkspaceError, match="can't be read"):
        open_published(tmp_path)


def test_a_file_without_its_tables_says_so(tmp_path: Path) -> None:
    (tmp_path / "settings.toml").write_text("", encoding="utf-8")
    duckdb.connect(str(tmp_path / "published.duckdb")).close()
    with pytest.raises(WorkspaceError, match="can't be read"):
        queries.last_run(open_published(tmp_path))


def test_a_file_held_for_writing_by_another_program_says_so(tmp_path: Path) -> None:
    make_workspace(tmp_path, vans_per_depot=1, weeks=2)
    hold = f"import duckdb, sys; c = duckdb.connect({str(tmp_path / 'published.duckdb')!r}); print('held', flush=True); sys.stdin.read()"
    with subprocess.Popen([sys.executable, "-c", hold], stdin=subprocess.PIPE, stdout=subprocess.PIPE) as other:
        assert other.stdout is not None
        assert other.stdin is not None
        assert other.stdout.readline() == b"held\n"
        with pytest.raises(WorkspaceBusyError, match="another program"):
            open_published(tmp_path)
        other.stdin.close()


def test_a_run_in_progress_is_seen_without_taking_its_lock(tmp_path: Path) -> None:
    assert not run_in_progress(tmp_path)
    with (tmp_path / ".lock").open("w") as lock:
        assert not run_in_progress(tmp_path)
        fcntl.flock(lock, fcntl.LOCK_EX)
        if Path("/proc/locks").exists():
            assert run_in_progress(tmp_path)
    assert not run_in_progress(tmp_path)


def test_the_last_run_is_the_newest(sample_home: Path) -> None:
    run = queries.last_run(open_published(sample_home))
    assert run is not None
    finished = run["finished_at"]
    assert isinstance(finished, datetime)
    assert abs((datetime.now(UTC) - finished).days) < 1


def test_a_file_of_the_version_before_is_asked_as_if_no_capture_were_held(tmp_path: Path) -> None:
    weeks = make_workspace(tmp_path, vans_per_depot=2)
    with duckdb.connect(str(tmp_path / "published.duckdb")) as connection:
        connection.execute("ALTER TABLE captures DROP COLUMN held")
        for name in ("trace_u", "repeat_u", "repeats", "repeat_from"):
            connection.execute(f"ALTER TABLE trends DROP COLUMN {name}")
    whole = open_published(tmp_path)
    for published in (whole, restricted(whole, ["north"])):
        vans = queries.find_vans(published)
        seen = [queries.van_visits(published, van, weeks[-1]) for van in vans]
        assert all(visits["held"].null_count() == visits.height > 0 for visits in seen)
        assert all(past_snaps(published, visits, None) is None for visits in seen)  # no traces are drawn for them
        assert queries.week_in_numbers(published, weeks[-1])["captures"] > 0
        assert sum(capture_queries.grade_counts(published, CaptureFilter()).values()) > 0
        family = str((van_row(published, vans[0]) or {})["family"])
        assert known_van(published, vans[0], family).past.visits > 0
    assert set(restricted(whole, ["north"]).ask("SELECT depot FROM captures")["depot"]) == {"north"}


def test_a_sum_over_the_file_is_asked_once_until_another_is_published(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[str] = []
    ask = Published.ask

    def counted(self: Published, sql: str, parameters: Parameters | None = None) -> pl.DataFrame:
        asked.append(sql)
        return ask(self, sql, parameters)

    monkeypatch.setattr(Published, "ask", counted)
    weeks = make_workspace(tmp_path, vans_per_depot=2, weeks=4)
    first = queries.week_in_numbers(open_published(tmp_path), weeks[-1])
    assert queries.week_in_numbers(open_published(tmp_path), weeks[-1]) == first
    assert len(asked) == 1
    assert queries.week_in_numbers(open_published(tmp_path), weeks[0]) != first
    north = restricted(open_published(tmp_path), ["north"])
    assert queries.week_in_numbers(north, weeks[-1])["vans"] == 2 < first["vans"]
    make_workspace(tmp_path, vans_per_depot=3, weeks=4)
    assert queries.week_in_numbers(open_published(tmp_path), weeks[-1])["vans"] == 6


def test_few_answers_are_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    make_workspace(tmp_path, vans_per_depot=1, weeks=2)
    monkeypatch.setattr(published_file, "MOST_KNOWN", 3)
    published = open_published(tmp_path)
    for number in range(9):
        assert published.ask_once("SELECT $n::BIGINT AS n", {"n": number})["n"].to_list() == [number]
    assert published.ask_once("SELECT $n::BIGINT AS n", {"n": 0})["n"].to_list() == [0]
    assert len(published.answers) == 3


def test_a_van_is_held_against_some_of_a_large_family_and_itself(
    sample_home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    published = open_published(sample_home)
    whole = known_van(published, "N-01", "brook-20").past
    monkeypatch.setattr(van_past, "FAMILY_VANS", 2)
    for van in queries.find_vans(published):
        row = van_row(published, van)
        if row is not None and row["family"] == "brook-20":
            past = known_van(published, van, "brook-20").past
            assert past.vans == 2 < whole.vans
            assert (
                past.visits
                == published.ask("SELECT count(DISTINCT week) AS n FROM trends WHERE van_id = $van", {"van": van})[
                    "n"
                ].item()
            )


def test_readers_at_once_find_room_in_little_memory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    make_workspace(tmp_path, vans_per_depot=1, weeks=2)
    monkeypatch.setitem(published_file._CONFIG, "memory_limit", "50MB")
    published = open_published(tmp_path)
    assert published.ask("SELECT current_setting('memory_limit') AS m")["m"].item().startswith("47")  # in MiB
    question = "SELECT count(*) AS n FROM (SELECT DISTINCT i, hash(i) AS h FROM range(1000000) AS t(i))"
    with ThreadPoolExecutor(8) as readers:
        told = list(readers.map(lambda _: published.ask(question)["n"].item(), range(8)))
    assert told == [1_000_000] * 8
    spilled = Path(published.ask("SELECT current_setting('temp_directory') AS d")["d"].item())
    assert stat.S_IMODE(spilled.parent.stat().st_mode) == 0o700


def test_a_board_that_may_write_nothing_but_its_workspace_reads_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    make_workspace(tmp_path / "home", vans_per_depot=2, weeks=4)

    def refused(**_: object) -> None:
        raise PermissionError("no such place")

    published_file._spill.cache_clear()
    monkeypatch.setattr(published_file.tempfile, "TemporaryDirectory", refused)
    try:
        assert queries.weeks(open_published(tmp_path / "home"))
    finally:
        published_file._spill.cache_clear()
