"""Workspaces of earlier versions under this one, and of a newer one under it: nothing lost, the same lists, or one clear line."""

import json
import subprocess
import sys
from pathlib import Path

import duckdb
import polars as pl
import pytest

from data_contracts.errors import NoRoomError, WorkspaceError
from data_contracts.tables import TABLES
from pipelines.cli import run
from pipelines.read_side import queries
from pipelines.read_side.order_queries import orders
from pipelines.read_side.published import open_published
from pipelines.read_side.restricted import restricted
from pipelines.storage.upgrades import kept_copies
from pipelines.storage.warehouse import Warehouse
from pipelines.workspace.register import load_register
from pipelines.workspace.settings import load_settings
from pipelines.workspace.version import VERSION, is_newer
from pipelines.workspace.workspace import Workspace
from tests.kept_workspaces import NAMES, rows_of, unpacked
from tests.killed_upgrade import STAGES

ROOT = Path(__file__).parents[2]


@pytest.fixture(params=NAMES)
def home(request: pytest.FixtureRequest, tmp_path: Path) -> Workspace:
    return unpacked(request.param, tmp_path / "home")


def test_there_are_workspaces_of_earlier_versions() -> None:
    assert len(NAMES) >= 2


def test_an_older_warehouse_keeps_every_row_and_a_copy_of_itself(home: Workspace) -> None:
    before, content = rows_of(home.warehouse_path), home.warehouse_path.read_bytes()
    for _ in range(2):  # the second finds nothing to do
        with Warehouse(home.warehouse_path) as warehouse:
            assert warehouse.query("SELECT vansnap FROM schema_version ORDER BY rowid DESC LIMIT 1").item() == VERSION
    after = rows_of(home.warehouse_path)
    assert set(TABLES) <= after.keys()
    for name, rows in before.items():
        if name != "schema_version":
            now = after[name].select(rows.columns)
            assert sorted(map(repr, now.iter_rows())) == sorted(map(repr, rows.iter_rows()))
    assert sum(rows.height for rows in before.values()) > 500
    (copy,) = kept_copies(home.warehouse_path)
    assert copy.read_bytes() == content


def test_settings_and_register_of_an_older_version_are_read(home: Workspace) -> None:
    assert len(home.settings_path.read_text(encoding="utf-8")) > 500
    load_settings(home.settings_path)
    register = load_register(home.register)
    assert (len(register.vans), register.faults) == (4, ())


def test_the_lists_of_an_older_published_file_are_those_that_version_published(home: Workspace) -> None:
    raw, published = rows_of(home.published_path), open_published(home.root)
    assert "part_lives" in published.columns()
    last = queries.last_run(published)
    assert last is not None
    week = raw["runs"]["week"].max()
    assert last["week"] == week
    listed = raw["watchlist"].filter(pl.col("week") == week).sort("rank")["van_id"].to_list()
    for file in (published, restricted(published, ["north", "harbour"])):
        now = file.ask("SELECT van_id FROM watchlist WHERE week = $week ORDER BY rank", {"week": week})
        assert now["van_id"].to_list() == listed
        found = orders(file, [], raw["work_orders"]["state"].unique().to_list())
        assert sorted(found["order_id"]) == sorted(raw["work_orders"]["order_id"])
    assert listed
    assert set(restricted(published, ["harbour"]).ask("SELECT depot FROM vans")["depot"]) == {"harbour"}


def test_a_decision_on_an_older_workspace_is_kept(home: Workspace) -> None:
    raw = rows_of(home.published_path)["work_orders"]
    order = raw.filter(pl.col("state") == "proposed")["order_id"][0]
    assert run(["decide", order, "accepted", "--person", "foreman", "--home", str(home.root)]) == 0
    after = rows_of(home.published_path)
    assert after["work_orders"].filter(pl.col("order_id") == order)["state"].to_list() == ["accepted"]
    assert sorted(after["work_orders"]["order_id"]) == sorted(raw["order_id"])


def test_an_upgrade_killed_at_any_stage_is_whole_or_not_begun(tmp_path: Path) -> None:
    older = unpacked(NAMES[0], tmp_path / "home").warehouse_path
    command = [sys.executable, "-m", "tests.killed_upgrade", str(older), str(tmp_path / "killed")]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert tuple(told) == STAGES
    for stage, one in told.items():
        assert one["killed"], stage
        assert one["then"]["tables"] == (["after"] if stage == "committed" else ["before"]), stage
        assert one["again"]["tables"] == ["after"], stage
        names = one["again"]["files"]
        assert names[0] == "warehouse.duckdb", stage
        assert len(names) == 2, stage
        assert names[1].startswith("warehouse.duckdb.before-upgrade-"), stage


def test_a_copy_that_a_killed_upgrade_left_goes_at_the_next_opening(tmp_path: Path) -> None:
    path = unpacked(NAMES[0], tmp_path / "home").warehouse_path
    left = path.with_name(f"{path.name}.before-upgrade-20260101T000000000000Z")
    Warehouse(path).close()
    (newest,) = kept_copies(path)
    left.write_bytes(path.read_bytes())  # killed between the end of its upgrade and that of the copy before
    Warehouse(path).close()
    assert kept_copies(path) == [newest]


def test_a_copy_there_is_no_room_for_stops_the_upgrade(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    home = unpacked(NAMES[-1], tmp_path / "home")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pipelines.storage.upgrades.shutil.copyfile", full)
    content = home.warehouse_path.read_bytes()
    with pytest.raises(NoRoomError, match="before-upgrade"):
        Warehouse(home.warehouse_path)
    assert home.warehouse_path.read_bytes() == content
    assert kept_copies(home.warehouse_path) == []


def test_a_newer_workspace_is_refused_with_both_versions(tmp_path: Path) -> None:
    home, version = unpacked(NAMES[-1], tmp_path / "home"), "0.10.0"
    with Warehouse(home.warehouse_path) as warehouse:
        warehouse.execute("INSERT INTO schema_version (version, vansnap) VALUES (1, ?)", [version])
    with pytest.raises(
        WorkspaceError, match=rf"newer version, Vansnap {version}.* this is Vansnap {VERSION}"
    ) as caught:
        Warehouse(home.warehouse_path)
    assert "\n" not in str(caught.value)
    assert len(kept_copies(home.warehouse_path)) == 1
    with duckdb.connect(str(home.published_path)) as published:
        published.execute("UPDATE runs SET vansnap = ?", [version])
    with pytest.raises(WorkspaceError, match=rf"newer version, Vansnap {version}.* this is Vansnap {VERSION}"):
        open_published(home.root)


def test_columns_this_version_does_not_know_are_not_lost(tmp_path: Path) -> None:
    path = tmp_path / "w.duckdb"
    Warehouse(path).close()
    with duckdb.connect(str(path)) as newer:
        newer.execute("ALTER TABLE vans ADD COLUMN colour VARCHAR")
    with pytest.raises(WorkspaceError, match=r"table vans has a column colour"):
        Warehouse(path)
    assert "colour" in rows_of(path)["vans"].columns


@pytest.mark.parametrize(("column", "opens"), [("z", True), ("week", False)])
def test_an_older_published_file_without_what_figures_need_is_one_clear_line(
    tmp_path: Path, column: str, opens: bool
) -> None:
    home = unpacked(NAMES[-1], tmp_path / "home")
    with duckdb.connect(str(home.published_path)) as published:
        published.execute(f"ALTER TABLE trends DROP COLUMN {column}")
    if opens:  # it may be empty
        assert open_published(home.root).ask("SELECT count(z) FROM trends").item() == 0
        return
    with pytest.raises(WorkspaceError, match=r"without trends\.week; .*vansnap weekly") as caught:
        open_published(home.root)
    assert "\n" not in str(caught.value)


def test_versions_are_compared_by_their_numbers() -> None:
    assert is_newer("0.10.0", "0.9.1")
    assert not is_newer("0.9.1", "0.9.1")
    assert not is_newer("", "0.1.0")


ASKED = (
    ["status"],
    ["orders"],
    ["orders", "--json"],
    ["orders", "--out", "OUT/orders.csv"],
    ["orders", "--out", "OUT/orders.pdf"],
    ["orders", "--list", "--out", "OUT/list.pdf"],
    ["tests"],
    ["sheet", "V003", "--out", "OUT/sheet.pdf"],
    ["card", "marsh-16", "--out", "OUT/card.pdf"],
    ["labels", "--out", "OUT/labels.pdf"],
    ["evidence", "V003", "--out", "OUT/van.zip"],
    ["backup", "--out", "OUT/backups"],
)
"""Commands that only ask, before any run of this version."""


@pytest.mark.study
def test_every_command_on_an_older_workspace_is_right_or_one_clear_line(
    home: Workspace, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "out").mkdir()
    for asked in ASKED:
        arguments = [argument.replace("OUT", str(tmp_path / "out")) for argument in asked]
        code = run([*arguments, "--home", str(home.root)])
        told = capsys.readouterr()
        assert code == 0 or (code == 2 and len(told.err.splitlines()) == 1), (asked, code, told.err)
    for asked in (["check"], ["weekly"], ["check"], ["orders"], ["rebuild"]):
        code = run([*asked, "--home", str(home.root)])
        told = capsys.readouterr()
        assert code == 0 or (code == 2 and len(told.err.splitlines()) == 1), (asked, code, told)


@pytest.mark.study
@pytest.mark.parametrize(
    "view", ["this_week", "a_van", "workshop", "captures", "read_one_now", "proof", "how_sure", "meaning"]
)
def test_every_view_on_an_older_published_file_is_right_or_says_what_to_do(
    home: Workspace, view: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    from streamlit.testing.v1 import AppTest

    main = sys.modules["__main__"]
    monkeypatch.setenv("VANSNAP_HOME", str(home.root))
    app = AppTest.from_string(f"from dashboards import {view}\n{view}.show()\n", default_timeout=120)
    app.query_params["van"] = "V003"
    try:
        app.run()
    finally:
        sys.modules["__main__"] = main  # which a view run like this takes the place of
    assert [error.value for error in app.exception] == []
    assert app.title
