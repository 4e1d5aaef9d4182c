"""The plan of the tests from a weekly run: what is published, told and kept, with a register that says little."""

import json
import shutil
from datetime import timedelta
from pathlib import Path

import duckdb
import polars as pl
import pytest

from data_contracts.errors import InputError
from data_contracts.facts.rendering import render, sentence
from data_contracts.tables import TEST_PLAN, polars_schema
from data_contracts.weeks import week_end, week_of, week_start
from pipelines import cli
from pipelines.read_side import testing_queries as queries
from pipelines.read_side.published import open_published
from pipelines.storage.warehouse import Warehouse
from pipelines.weekly import steps
from pipelines.weekly.run_summary import WeeklySummary
from pipelines.weekly.testing import in_workshop
from pipelines.workspace.settings import load_settings
from pipelines.workspace.workspace import Workspace, open_workspace
from tests.pipelines.judged_home import fleet_of_readings, judge, judged_home, small_model

SETTINGS = """
[workshop]
currency = "CHF"
[testing]
tests_per_depot_week = 3
[testing.tests_of_depot]
depot-1 = 0
"""


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> tuple[Workspace, steps.Tracked]:
    """A fleet with a van that was never recorded and little room in its depots, judged."""
    workspace = judged_home(tmp_path_factory.mktemp("tests-planned") / "home", fleet_of_readings(vans=30, faulty=0.4))
    with (workspace.register / "vans.csv").open("a", encoding="utf-8") as file:
        file.write("never-1,heron-16,depot-0\n")
    workspace.settings_path.write_text(SETTINGS, encoding="utf-8")
    return workspace, judge(workspace)


def plan_of(workspace: Workspace) -> pl.DataFrame:
    return open_published(workspace.root).ask("SELECT * FROM test_plan ORDER BY depot, rank")


def test_every_van_of_the_register_has_its_next_test_and_a_reason(run: tuple[Workspace, steps.Tracked]) -> None:
    workspace, _ = run
    plan = plan_of(workspace)
    vans = open_published(workspace.root).ask("SELECT van_id FROM vans ORDER BY van_id")["van_id"].to_list()
    assert sorted(plan["van_id"]) == vans
    required = [column.name for column in TEST_PLAN.columns if column.required]
    assert plan.select(required).null_count().sum_horizontal().item() == 0
    assert all(text.strip() for text in plan["reason"])
    assert [row["reason"] for row in plan.iter_rows(named=True)] == [
        sentence(row, "reason") for row in plan.iter_rows(named=True)
    ]
    assert all(sentence(row, "reason", "de") != row["reason"] for row in plan.iter_rows(named=True))
    assert list(polars_schema(TEST_PLAN)) == plan.columns


def test_each_depot_is_asked_for_what_it_has_room_for(run: tuple[Workspace, steps.Tracked]) -> None:
    workspace, tracked = run
    plan = plan_of(workspace)
    chosen = dict(plan.group_by("depot").agg(pl.col("chosen").sum()).iter_rows())
    assert chosen["depot-1"] == 0
    assert max(chosen.values()) <= 3
    first = week_of(week_end(str(plan["week"][0])))
    assert set(plan.filter("chosen")["test_week"]) == {first}
    assert plan.filter(pl.col("depot") == "depot-1")["test_week"].null_count() == (plan["depot"] == "depot-1").sum()
    never = plan.row(by_predicate=pl.col("van_id") == "never-1", named=True)
    assert (never["chosen"], never["last_seen"], never["visits"], never["rank"]) == (True, None, 0, 1)
    with_room = tracked.tests[0].numbers
    due = plan.filter(pl.col("next_test") < week_end(first).date())
    assert with_room["vans"] == sum(chosen.values())
    assert with_room["no_room"] == due.filter(~pl.col("chosen")).height
    assert with_room["no_room"] > 0


def test_the_summary_says_what_the_board_says(run: tuple[Workspace, steps.Tracked]) -> None:
    workspace, tracked = run
    week = str(plan_of(workspace)["week"][0])
    totals = queries.totals(open_published(workspace.root), week, ())
    summary = WeeklySummary(week, (), 0, tracked.listed, tracked.orders, (), True, tracked.tests)
    document = summary.document()["tests"]
    assert document["week"] == week_of(week_end(week))
    assert document["vans"] == totals["chosen"]
    assert document["never_seen"] == totals["never_seen"] == 1
    assert document["cost"] == pytest.approx(totals["month_cost"])
    assert document["saving"] == pytest.approx(totals["month_saving"])
    for language in ("en", "de"):
        text = summary.text(language)
        assert render(tracked.tests[0], language) in text
        assert f" {totals['month_cost']:.0f} CHF " in text
        assert f" {totals['month_saving']:.0f} CHF " in text
    assert "never seen 1" in summary.text("en")
    assert "nie gesehen 1" in summary.text("de")


def test_the_command_lists_writes_and_refuses(
    run: tuple[Workspace, steps.Tracked], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    workspace, _ = run
    home = ["--home", str(workspace.root)]
    plan = plan_of(workspace)
    assert cli.run(["tests", *home]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 1 + plan.filter(pl.col("chosen") | pl.col("overdue")).height
    assert any("never-1" in line and " never " in line and "No usable recording yet." in line for line in lines)
    overdue = plan.filter(pl.col("overdue"))["van_id"].to_list()
    assert overdue
    assert [line.split()[1] for line in lines[1:] if line.split()[3] == "yes"] == overdue
    out = tmp_path / "plan.csv"
    assert cli.run(["tests", "--out", str(out), *home]) == 0
    assert capsys.readouterr().out == f"{plan.height} vans written to {out}\n"
    assert pl.read_csv(out)["van_id"].to_list() == plan["van_id"].to_list()
    assert cli.run(["tests", "--json", *home]) == 0
    document = json.loads(capsys.readouterr().out)
    assert [row["van_id"] for row in document["test_plan"]] == plan["van_id"].to_list()
    assert cli.run(["tests", "--out", str(tmp_path / "plan.pdf"), *home]) == 2
    assert "name a .csv or .json file" in capsys.readouterr().err


def test_a_missing_plan_is_not_an_empty_week(
    run: tuple[Workspace, steps.Tracked], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    workspace, _ = run
    for name, statement, told in (
        ("missing", "DELETE FROM test_plan", "no plan of the tests was made yet: run vansnap weekly to make one\n"),
        ("calm", "UPDATE test_plan SET chosen = false, overdue = false", "no van is to be tested in the coming week\n"),
    ):
        shutil.copytree(workspace.root, tmp_path / name)
        with duckdb.connect(str(open_workspace(tmp_path / name).published_path)) as connection:
            connection.execute(statement)
        assert cli.run(["tests", "--home", str(tmp_path / name)]) == 0
        assert capsys.readouterr().out == told


def test_room_changed_in_the_settings_changes_the_plan_and_nothing_else_does(
    run: tuple[Workspace, steps.Tracked], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("models.tracking.anomaly.fleet.make_model", small_model)  # as the week before was judged
    workspace, _ = run
    shutil.copytree(workspace.root, tmp_path / "home")
    copied = open_workspace(tmp_path / "home")
    week = steps.resolve_week(copied.root, None)
    before = plan_of(copied)
    with copied.held():
        assert not steps.track(copied.root, week).changed
        copied.settings_path.write_text(SETTINGS.replace("depot-1 = 0", "depot-1 = 2"), encoding="utf-8")
        tracked = steps.track(copied.root, week)
        assert tracked.changed
        assert steps.publish_week(copied.root, week, tracked)
    after = plan_of(copied)
    same = ["van_id", "next_test", "interval_weeks", "odds_unseen", "month_cost"]
    assert after.sort("van_id").select(same).equals(before.sort("van_id").select(same))
    assert after.filter(pl.col("depot") == "depot-1")["chosen"].sum() == 2


def test_a_run_of_an_earlier_week_knows_no_later_plan(run: tuple[Workspace, steps.Tracked], tmp_path: Path) -> None:
    workspace, _ = run
    shutil.copytree(workspace.root, tmp_path / "home")
    copied = open_workspace(tmp_path / "home")
    latest = steps.resolve_week(copied.root, None)
    earlier = week_of(week_start(latest) - timedelta(weeks=3))
    judge(copied, earlier)
    plan = plan_of(copied)
    assert set(plan["week"]) == {earlier}
    assert (plan["last_seen"].drop_nulls() < week_end(earlier).date()).all()
    with Warehouse(copied.warehouse_path) as warehouse:
        kept = warehouse.query("SELECT DISTINCT week FROM test_plan ORDER BY week")["week"].to_list()
    assert kept == [earlier, latest]


def test_a_repaired_van_is_seen_every_week_until_proven_on_the_list_or_not(
    run: tuple[Workspace, steps.Tracked], tmp_path: Path
) -> None:
    workspace, _ = run
    shutil.copytree(workspace.root, tmp_path / "home")
    copied = open_workspace(tmp_path / "home")
    published = open_published(copied.root)
    week = str(plan_of(copied)["week"][0])
    quiet = published.ask(
        """
        SELECT p.van_id, max(c.captured_at) AS seen, min(c.captured_at) AS first FROM test_plan p JOIN captures c USING (van_id)
        WHERE p.interval_weeks > 1 AND c.grade = 'good' AND p.last_seen = c.captured_at::DATE
          AND p.van_id NOT IN (SELECT van_id FROM watchlist)
        GROUP BY ALL ORDER BY p.van_id LIMIT 2
        """
    )
    (new, old), seen = quiet["van_id"].to_list(), quiet["seen"].to_list()
    done = quiet["first"][0] - timedelta(minutes=30)  # one visit since, of two snaps
    long_ago = seen[1] - timedelta(weeks=5)  # proven since
    (copied.register / "repairs.csv").write_text(
        "van_id,done_at,work\n"
        f"{new},{done.isoformat()},air filter replaced\n{old},{long_ago.isoformat()},air filter replaced\n",
        encoding="utf-8",
    )
    judge(copied, week)
    listed = open_published(copied.root).ask("SELECT van_id FROM watchlist")["van_id"]
    assert new not in listed
    rows = {row["van_id"]: row for row in plan_of(copied).iter_rows(named=True)}
    assert (rows[new]["interval_weeks"], rows[new]["reason_facts"][0]["code"]) == (1, "test_proving")
    assert rows[old]["reason_facts"][0]["code"] != "test_proving"


def test_vans_that_come_into_the_workshop() -> None:
    schema = {"van_id": pl.String, "state": pl.String, "until": pl.Date, "plan_week": pl.String}
    monday = week_start("2026-W15")
    rows = [
        ("booked", "booked", monday + timedelta(days=2), "2026-W15"),
        ("gone by", "booked", monday - timedelta(days=1), None),
        ("accepted", "accepted", None, "2026-W16"),
        ("no week", "accepted", None, None),
        ("proposed", "proposed", None, "2026-W15"),
        ("postponed", "postponed", monday + timedelta(days=9), "2026-W16"),
        ("twice", "accepted", None, "2026-W17"),
        ("twice", "booked", monday + timedelta(days=1), "2026-W15"),
    ]
    assert in_workshop(pl.DataFrame(rows, schema=schema, orient="row"), monday) == {
        "booked": monday + timedelta(days=2),
        "accepted": week_start("2026-W16") + timedelta(days=4),
        "twice": monday + timedelta(days=1),
    }
    assert in_workshop(pl.DataFrame(schema=schema), monday) == {}


@pytest.mark.parametrize(
    ("line", "named"),
    [
        ("most_odds_unseen = 0.0", "most_odds_unseen"),
        ("longest_weeks = 0", "longest_weeks"),
        ("tests_per_depot_week = -1", "tests_per_depot_week"),
        ("tests_per_week = 4", "tests_per_week"),
    ],
)
def test_a_wrong_setting_is_named(tmp_path: Path, line: str, named: str) -> None:
    file = tmp_path / "settings.toml"
    file.write_text(f"[testing]\n{line}\n", encoding="utf-8")
    with pytest.raises(InputError, match=named):
        load_settings(file)


def test_a_visit_costs_handling_and_the_van_s_time(tmp_path: Path) -> None:
    file = tmp_path / "settings.toml"
    file.write_text(
        "[workshop]\nhandling_hours = 0.5\nhour_rate = 60.0\nvan_day_cost = 160.0\nday_hours = 8.0\n", encoding="utf-8"
    )
    settings = load_settings(file)
    assert settings.testing.for_models(settings.workshop).visit_cost == pytest.approx(0.5 * (60.0 + 20.0))
