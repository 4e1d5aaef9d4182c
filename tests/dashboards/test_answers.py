"""The sentences with which views begin: what they say of many, of one, of none, and of a week without data."""

from pathlib import Path

import duckdb
import polars as pl
import pytest
from streamlit.testing.v1 import AppTest

from dashboards.text import message
from dashboards.unbroken import plainly
from data_contracts.facts.fact import Fact
from data_contracts.tables import FACTS_TYPE
from tests.dashboards.conftest import View
from tests.published_sample import make_workspace


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """A workspace, and its newest week."""
    home = tmp_path_factory.mktemp("answers")
    return home, make_workspace(home, vans_per_depot=3, weeks=16)[-1]


def changed(made: tuple[Path, str], to: Path, *statements: str) -> Path:
    """A copy of the published file in which something is otherwise."""
    (to / "settings.toml").write_bytes((made[0] / "settings.toml").read_bytes())
    (to / "published.duckdb").write_bytes((made[0] / "published.duckdb").read_bytes())
    with duckdb.connect(str(to / "published.duckdb")) as connection:
        for statement in statements:
            connection.execute(statement, {"week": made[1]} if "$week" in statement else None)
    return to


def in_figures(app: AppTest) -> list[str]:
    """The lines that say what was kept, in figures."""
    (said,) = (str(one.value) for one in app.markdown if str(one.value).startswith("- **"))
    return said.replace("\N{NARROW NO-BREAK SPACE}", " ").split("\n")


ONE_LEFT = "DELETE FROM captures WHERE week = $week AND capture_id <> (SELECT min(capture_id) FROM captures WHERE week = $week)"


@pytest.mark.parametrize(
    ("statements", "said"),
    [
        (
            (ONE_LEFT, "UPDATE captures SET grade = 'good', grade_reasons = [], held = NULL"),
            "**{week}: one snap came, good.**",
        ),
        (
            (ONE_LEFT, "UPDATE captures SET grade = 'repeat', grade_reasons = ['throttle_not_full'], held = NULL"),
            "**{week}: one snap came, to be recorded again.**",
        ),
        (("DELETE FROM captures WHERE week = $week",), "**{week}: no snap came.**"),
        (("DELETE FROM captures",), "**{week}: no snap came.**"),
        (("DELETE FROM runs", "DELETE FROM watchlist", "DELETE FROM captures"), "**No week has been judged yet.**"),
    ],
)
def test_captures_begin_with_how_the_newest_week_is_graded(
    view: View, made: tuple[Path, str], tmp_path: Path, statements: tuple[str, ...], said: str
) -> None:
    app = view("captures", changed(made, tmp_path, *statements))
    assert not app.exception
    assert said.format(week=made[1]) in [str(each.value) for each in app.markdown]


def test_captures_begin_with_what_to_tell_the_depots(view: View, made: tuple[Path, str], tmp_path: Path) -> None:
    fault = "UPDATE captures SET grade = 'repeat', grade_reasons = ['throttle_not_full'], held = NULL"
    app = view("captures", changed(made, tmp_path, ONE_LEFT, fault))
    said = next(str(each.value) for each in app.markdown if "**" in str(each.value))
    assert said.startswith("**Tell the depots: push the pedal to the floor in one move")
    assert "in 1 of 1 snaps; most at north 1 of 1." in said


def test_captures_count_every_grade_once(view: View, made: tuple[Path, str], tmp_path: Path) -> None:
    home = changed(made, tmp_path)
    with duckdb.connect(str(home / "published.duckdb"), read_only=True) as connection:
        total, good = connection.execute(
            "SELECT count(*), count(*) FILTER (grade = 'good') FROM captures WHERE week = $week", {"week": made[1]}
        ).fetchall()[0]
        again = connection.execute(
            "SELECT count(*) FROM captures WHERE week = $week AND grade = 'repeat' AND held IS NULL", {"week": made[1]}
        ).fetchall()[0][0]
    app = view("captures", home)
    boxes = {str(metric.label): int(metric.value) for metric in app.metric}
    assert sum(boxes.values()) == total
    assert next(count for label, count in boxes.items() if "good" in label) == good
    used = f"{total - again} of {total} snaps were used: enough for the list of {made[1]}."
    assert used in [plainly(str(each.value)) for each in app.markdown]


@pytest.mark.parametrize(
    ("statements", "lines"),
    [
        (
            ("DELETE FROM coverage", "UPDATE work_orders SET found = NULL"),
            (
                "**False alarms: not checked yet.** No workshop has recorded a finding: record each one, also when nothing was found.",
                "**Expected ranges: not checked yet.** No reading of a van never listed can be compared.",
                "**Weeks to a limit: not checked yet.** No drift in alarm is old enough.",
            ),
        ),
        (
            ("UPDATE coverage SET inside = 0, cases = 0", "UPDATE work_orders SET found = NULL"),
            (
                "**False alarms: not checked yet.** No workshop has recorded a finding: record each one, also when nothing was found.",
                "**Expected ranges: not checked yet.** No reading of a van never listed can be compared.",
                "**Weeks to a limit: not checked yet.** No drift in alarm is old enough.",
            ),
        ),
        (
            (
                "UPDATE coverage SET inside = 1, cases = 1",
                "UPDATE work_orders SET found = CASE WHEN rank = 1 AND depot = 'north' THEN cause END",
                "DELETE FROM work_orders WHERE found IS NOT NULL AND order_id <> "
                "(SELECT min(order_id) FROM work_orders WHERE found IS NOT NULL)",
            ),
            (
                "**False alarms: ✓ kept.** Of 1 finding 0 found nothing.",
                "**Expected ranges: too few to say.** 1 of 1 reading of vans never listed lay inside: 100 %, promised 95 %. Judge by more than one visit.",
                "**Weeks to a limit: too few to say.** 1 of 1 statement on drifts in alarm, of 1 van, held: 100 %, promised 80 %. Go by the day due: it only ever moves earlier.",
            ),
        ),
        (
            ("UPDATE coverage SET inside = 2, cases = 10", "UPDATE work_orders SET found = 'none'"),
            (
                "**False alarms: × not kept.** Of {orders} findings {orders} found nothing.",
                "**Expected ranges: × not kept.** 2 of 10 readings of vans never listed lay inside: 20 %, promised 95 %. A reading outside alone says little.",
                "**Weeks to a limit: × not kept.** 2 of 10 statements on drifts in alarm, of 1 van, held: 20 %, promised 80 %. Go by the day due, not by the weeks.",
            ),
        ),
        (
            ("UPDATE coverage SET inside = 1920, cases = 2000",),
            (
                "**Expected ranges: ✓ kept.** 1,920 of 2,000 readings of vans never listed lay inside: 96 %, promised 95 %. Trust them: a reading outside is worth a look.",
            ),
        ),
    ],
)
def test_how_sure_begins_with_what_was_kept(
    view: View, made: tuple[Path, str], tmp_path: Path, statements: tuple[str, ...], lines: tuple[str, ...]
) -> None:
    home = changed(made, tmp_path, *statements)
    with duckdb.connect(str(home / "published.duckdb"), read_only=True) as connection:
        orders = connection.execute("SELECT count(*) FROM work_orders").fetchall()[0][0]
    app = view("how_sure", home)
    assert not app.exception
    said = in_figures(app)
    assert len(said) == 5
    for line in lines:
        assert f"- {line.format(orders=orders)}" in said, said


@pytest.mark.parametrize(
    ("crossed", "said"),
    [
        (None, "**Odds of crossing a limit: not checked yet.** No forecast of 5 % or more is old enough."),
        (
            (4, 0, 10),
            "too few to say.** Where 5 % or more was stated, on average 25 %, 4 of 10 forecasts came true: 40 %. Go by the day due.",
        ),
        (
            (8, 900, 135),
            "× not kept.** Where 5 % or more was stated, on average 25 %, 8 of 135 forecasts came true: 6 %. Too high so far: a van may be called in early. Above 5 % stated there are too few cases.",
        ),
        (
            (34, 0, 135),
            "✓ kept.** Where 5 % or more was stated, on average 25 %, 34 of 135 forecasts came true: 25 %. Plan by them.",
        ),
        (
            (70, 0, 135),
            "× not kept.** Where 5 % or more was stated, on average 25 %, 70 of 135 forecasts came true: 52 %. Too low so far: go by the day due. Above 5 % stated there are too few cases.",
        ),
    ],
)
def test_how_sure_says_whether_odds_were_too_high(
    view: View, made: tuple[Path, str], tmp_path: Path, crossed: tuple[int, int, int] | None, said: str
) -> None:
    """Of the horizon with most cases, and not by the many forecasts of next to nothing."""
    statements = ["DELETE FROM forecast_record"]
    for weeks, band, cases, mean, came in (
        []
        if crossed is None
        else [
            (4, 0, 5000, 0.001, crossed[1]),
            (4, 2, crossed[2], 0.25, crossed[0]),
            (8, 2, 5, 0.3, 5),
        ]
    ):
        statements.append(
            "INSERT INTO forecast_record BY NAME SELECT "
            f"{weeks} AS horizon_weeks, {band} AS band, {cases} AS forecasts, {mean} AS mean_probability, {came} AS crossed, 1 AS vans"
        )
    app = view("how_sure", changed(made, tmp_path, *statements))
    assert not app.exception
    told = in_figures(app)[-1]
    whole = said if crossed is None else f"**Odds of crossing a limit within 4 weeks: {said}"
    assert told == f"- {whole}"


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        (
            "DELETE FROM work_orders WHERE order_id <> (SELECT min(order_id) FROM work_orders); "
            "UPDATE work_orders SET state = 'proposed', hours = 1.5, safety = true, due_by = DATE '2026-07-06'",
            "**1 order, 1.5 h of work.** The first is due by 2026-07-06. One concerns safety. One waits for a decision. "
            "Together it saves about {saving} EUR against waiting 26 weeks.",
        ),
        (
            "UPDATE work_orders SET state = 'accepted', hours = 2.0, safety = false, due_by = DATE '2026-07-06'",
            "**{orders} orders, {hours} h of work.** The first is due by 2026-07-06. "
            "Together they save about {saving} EUR against waiting 26 weeks.",
        ),
        ("DELETE FROM work_orders", ""),
    ],
)
def test_the_workshop_begins_with_its_orders(
    view: View, made: tuple[Path, str], tmp_path: Path, statement: str, said: str
) -> None:
    home = changed(made, tmp_path, *statement.split("; "))
    with duckdb.connect(str(home / "published.duckdb"), read_only=True) as connection:
        orders, saving = connection.execute(
            "SELECT count(*), sum(greatest(expected_cost_avoided, 0.0)) FROM work_orders"
        ).fetchall()[0]
    app = view("workshop", home)
    assert not app.exception
    expected = said.format(
        orders=orders,
        hours=f"{2 * orders:.1f}" if orders < 5 else f"{2 * orders}",
        saving=f"{float(f'{saving or 0.0:.2g}'):.0f}",
    )
    if said:
        assert app.markdown[0].value == expected
    else:
        assert "No order matches" in app.info[0].value


@pytest.mark.parametrize(
    ("by_date", "by_km", "signs"),
    [
        ("stands", "stands", 1),
        ("stands", None, 1),
        ("stands", "driven", 0),
        ("ended", "stands", 0),
        (None, "unread", 0),
    ],
)
def test_a_van_under_warranty_carries_a_sign_on_list_and_order(
    view: View, made: tuple[Path, str], tmp_path: Path, by_date: str | None, by_km: str | None, signs: int
) -> None:
    fact = Fact.of("warranty_stands", by_date=by_date, until="2027-03-01", by_km=by_km, until_km=100_000.0)
    home = changed(made, tmp_path)
    with duckdb.connect(str(home / "published.duckdb")) as connection:
        van = connection.execute(
            "SELECT van_id FROM work_orders WHERE state = 'proposed' AND week = $week ORDER BY rank LIMIT 1",
            {"week": made[1]},
        ).fetchall()[0][0]
        granted = pl.DataFrame({"warranty_facts": [[fact.row()]]}, schema={"warranty_facts": FACTS_TYPE})
        connection.register("granted", granted)
        connection.execute("UPDATE work_orders SET warranty_facts = NULL")
        connection.execute("DELETE FROM warranties")
        connection.execute(
            "INSERT INTO warranties BY NAME SELECT $van AS van_id, true AS covered, warranty_facts FROM granted",
            {"van": van},
        )
        connection.execute(
            "UPDATE work_orders SET warranty_facts = g.warranty_facts FROM granted g WHERE van_id = $van", {"van": van}
        )
    for name in ("this_week", "workshop"):
        app = view(name, home)
        assert not app.exception
        # the sign, and the way to the file ahead of accepting
        assert sum(message("order.under_warranty") in str(one.value) for one in app.markdown) == signs
        assert sum(button.label == message("proof.build_file") for button in app.button) == signs
    app = view("a_van", home, van=van)
    assert sum(button.label == message("proof.build_file") for button in app.button) == signs


def test_a_danger_stands_in_a_red_box_at_accept_with_the_drivers_sheet_and_only_there(
    view: View, made: tuple[Path, str], tmp_path: Path
) -> None:
    home = changed(made, tmp_path, "UPDATE work_orders SET safety = (order_id LIKE '%-N-02'), state = 'proposed'")
    hurts = Fact.of("cause_hurts", cause="injector_leaking", probability=0.9, means="hazard")
    with duckdb.connect(str(home / "published.duckdb")) as connection:
        connection.register("told", pl.DataFrame({"facts": [[hurts.row()]]}, schema={"facts": FACTS_TYPE}))
        connection.execute("UPDATE watchlist SET reason_facts = told.facts FROM told")
    for name, query in (("this_week", {}), ("workshop", {}), ("a_van", {"van": "N-02"})):
        app = view(name, home, **query)
        assert not app.exception
        (box,) = (error.value for error in app.error)
        assert box.startswith("Left alone, petrol can escape and catch fire")
        assert ("May it be driven before the job is done? Decide now" in box) == (name == "workshop")
        assert ("et the workshop decide" in box) == (name != "workshop")
        said = " ".join(str(markdown.value) for markdown in app.markdown)
        others = 0 if name == "a_van" else 2  # vans that endanger nobody tell it in their lines
        assert said.count("Left alone, petrol can escape and catch fire") == others
        sheets = [button for button in app.get("download_button") if button.label == "Sheet for the driver"]
        assert len(sheets) == 1


def test_a_waiting_order_that_can_endanger_says_so_though_the_list_names_its_van_no_more(
    view: View, made: tuple[Path, str], tmp_path: Path
) -> None:
    home = changed(
        made,
        tmp_path,
        "UPDATE work_orders SET safety = (order_id LIKE '%-N-02'), state = 'accepted'",
        "DELETE FROM watchlist WHERE van_id = 'N-02' AND week = $week",
    )
    assert [str(error.value) for error in view("workshop", home).error] == [message("order.safety_help")]


def test_a_row_says_when_its_van_was_not_seen_this_week(view: View, made: tuple[Path, str], tmp_path: Path) -> None:
    before = " ".join(str(each.value) for each in view("this_week", made[0]).markdown)
    home = changed(made, tmp_path, "DELETE FROM captures WHERE van_id = 'N-02' AND week = $week")
    after = " ".join(str(each.value) for each in view("this_week", home).markdown)
    assert after.count("not seen this week, last on ") == before.count("not seen this week, last on ") + 1
