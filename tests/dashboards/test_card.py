"""The card of a van, the small drawings, and the sections of the week beside its list."""

import re
import shutil
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import duckdb
import numpy as np
import pytest
from streamlit.testing.v1 import AppTest

from dashboards import card_picture, decide, drawing, meaning_pictures, text
from dashboards.palette import LIGHT
from dashboards.text import message
from data_contracts.causes import FINDINGS
from data_contracts.family import LambdaKind, LambdaSensor, Polarity
from data_contracts.quantities.record import Seen
from data_contracts.signals import QUANTITIES
from data_contracts.weeks import week_before
from models.reading.aligned_traces import GRID, OPENING_GRID_S
from models.work.order_states import MOVES, OrderEvent
from pipelines.read_side import fleet_queries, queries
from pipelines.read_side.past_snaps import PastSnaps
from pipelines.read_side.published import open_published
from sample_fleet import make_traces
from tests.dashboards.conftest import View, unlinked

HELD = Seen("airflow", ((0.35, 0.9),), ())


def past(latest: float, *, earlier: int = 4) -> PastSnaps:
    """Earlier snaps at 48 to 51 g/s, and one that leaves them after half a second."""
    flow = np.full(GRID, 50.0)
    flow[: OPENING_GRID_S.size][OPENING_GRID_S > 0.5] = latest
    rows = np.stack([np.full(GRID, 48.0 + n) for n in range(4)])[:earlier].reshape(-1, GRID)
    return PastSnaps(
        flow, np.full(GRID, 0.9), rows, np.full_like(rows, 0.9), latest="c", days=(datetime.now(UTC),) * earlier
    )


def drawn(snaps: PastSnaps, seen: Seen = HELD, side: card_picture.Side | None = None) -> drawing.Drawing | None:
    return card_picture.trace_picture(
        snaps,
        seen,
        "too little <air>",
        side=side,
        narrowband=False,
        rich_is_up=False,
        palette=LIGHT,
        says="what it shows",
    )


def test_the_difference_is_marked_where_the_trace_leaves_the_band() -> None:
    picture = drawn(past(30.0))
    assert picture is not None
    assert "too little &lt;air&gt;" in picture.svg
    shaded = re.findall(rf'<polygon points="([^"]+)" fill="{LIGHT.alarm}"', picture.svg)
    assert len(shaded) == 1
    left = min(float(corner.split(",")[0]) for corner in shaded[0].split())
    band = re.findall(rf'<polygon points="([^"]+)" fill="{LIGHT.past}"', picture.svg)[0]
    across = [float(corner.split(",")[0]) for corner in band.split()]
    share = (left - min(across)) / (max(across) - min(across))
    assert share == pytest.approx((0.5 - OPENING_GRID_S[0]) / np.ptp(OPENING_GRID_S), abs=0.05)


@pytest.mark.parametrize(
    ("snaps", "seen"),
    [
        (past(50.0), HELD),  # inside
        (past(30.0, earlier=0), HELD),  # nothing to lay it over
        (past(30.0), Seen("airflow", ((0.0, 0.3),), ())),  # elsewhere than where the quantity is read
        (past(30.0), Seen("lambda", ((0.35, 0.9),), ())),
    ],
)
def test_where_no_difference_is_seen_there_is_no_picture_of_one(snaps: PastSnaps, seen: Seen) -> None:
    assert drawn(snaps, seen) is None


def test_only_the_side_that_the_verdict_names_is_marked() -> None:
    assert drawn(past(30.0), side="below") is not None
    assert drawn(past(30.0), side="above") is None
    assert drawn(past(70.0), side="below") is None
    assert drawn(past(70.0), side="above") is not None


@pytest.mark.parametrize(
    ("quantity", "side", "kind", "polarity", "lies"),
    [
        ("main_peak_reference_g_s", "low", "ratio", None, "below"),
        ("lambda_full_throttle", "high", "ratio", None, "above"),  # lean is up
        ("lambda_full_throttle", "low", "wideband", "rich_low", "below"),
        ("lambda_full_throttle_v", "high", "wideband", "rich_low", "above"),
        ("lambda_full_throttle_v", "high", "wideband", "rich_high", "below"),
        ("lambda_full_throttle_v", "low", "narrowband", "rich_low", "below"),  # drawn in volts
        ("tip_in_lean_blip", "high", "narrowband", "rich_low", "above"),
        ("tip_in_lean_blip", "high", "narrowband", "rich_high", "below"),
        ("run_up_time_s", "high", "ratio", None, None),
    ],
)
def test_which_side_of_the_band_a_level_lies(
    quantity: str, side: str, kind: LambdaKind, polarity: Polarity | None, lies: str | None
) -> None:
    words = QUANTITIES[quantity].plainly
    assert words is not None
    assert words.seen is not None
    sensor = LambdaSensor(kind, polarity, np.empty(0), np.empty(0))
    assert card_picture.side_drawn(quantity, words.seen, side, sensor) == lies


def test_lambda_rises_upwards_and_both_ends_say_what_they_are() -> None:
    lean = drawn(
        replace(past(50.0), latest_lambda=np.full(GRID, 1 / 1.6)), Seen("lambda", ((0.35, 0.9),), (), level=True)
    )
    assert lean is not None
    levels = {
        words: float(y) for y, words in re.findall(r'y="([\d.]+)"[^>]*text-anchor="end"[^>]*>([\d.]+)<', lean.svg)
    }
    assert levels["1.6"] < levels["1.3"]  # less far down: higher
    ends = {words: float(y) for y, words in re.findall(r'y="([\d.]+)"[^>]*>([↑↓] \w+)<', lean.svg)}
    assert ends["↑ lean"] < ends["↓ rich"]


def test_ticks_are_round_and_few() -> None:
    assert drawing.ticks(0.0, 1.0) == [0.0, 0.5, 1.0]
    assert drawing.ticks(3.1, 3.1) == []
    for low, high in ((-22.4, 3.0), (0.85, 1.12), (1e-4, 3e-4), (40.0, 150.0)):
        levels = drawing.ticks(low, high)
        assert 2 <= len(levels) <= 5
        assert all(low <= level <= high for level in levels)


def test_traces_of_the_pages_are_those_the_sample_fleet_makes() -> None:
    of = meaning_pictures.traces()
    assert of is not None
    fresh = make_traces.made(("fuel_delivery_weak",))
    assert of.healthy.airflow.tolist() == fresh["healthy"]["airflow"]
    weak = fresh["causes"]["fuel_delivery_weak"]
    assert of.causes["fuel_delivery_weak"].airflow.tolist() == weak["airflow"]
    assert set(of.causes) | {"none", "other"} == set(FINDINGS)
    assert meaning_pictures.shown_by("fuel_delivery_weak", of)[0] == "lambda"
    assert meaning_pictures.shown_by("exhaust_restricted", of)[0] == "airflow"
    assert meaning_pictures.shown_by("throttle_deposits", of) == []
    assert meaning_pictures.shown_by("wrong_fuel", of) == []


def test_lambda_rises_to_lean_on_the_pages_too() -> None:
    of = meaning_pictures.traces()
    assert of is not None
    held = (of.time_s > 0.5) & (of.time_s < of.release_s)
    weak = of.causes["fuel_delivery_weak"].trace("lambda")
    assert weak[held].mean() > of.healthy.trace("lambda")[held].mean()  # less fuel: leaner, and higher
    assert "up is lean" in meaning_pictures.axis("lambda")
    paths = re.findall(
        r'd="(M[^"]+)"', meaning_pictures.beside_healthy("fuel_delivery_weak", "lambda", of, LIGHT, "", small=False).svg
    )
    heights = [
        np.mean([float(at.split()[1]) for at in re.split("[ML]", path) if at and 120 < float(at.split()[0]) < 205])
        for path in paths
    ]
    assert heights[0] < heights[1]  # the faulty one first; y of a drawing runs downwards


@pytest.mark.parametrize("state", [state for state in MOVES if decide.moves(state)])
def test_the_form_offers_first_what_is_possible(state: str) -> None:
    for role in ("engineer", "workshop", "viewer"):
        assert decide.first_move(state, role) in decide.moves(state)


def _texts(app: AppTest) -> str:
    return " ".join(str(one.value) for one in (*app.markdown, *app.warning, *app.info, *app.success))


def _listed(app: AppTest) -> str:
    """Vans of the list, without what stands below it."""
    return " ".join(str(one.value) for one in app.markdown if re.match(r"\d+\. ", str(one.value)))


def test_the_search_and_the_filters_are_in_the_address(view: View) -> None:
    app = view("this_week", find="south", urgency="now")
    assert app.text_input(key="find").value == "south"
    assert app.multiselect(key="urgency").value == ["now"]
    assert "N\\-02" not in _listed(app)
    app.text_input(key="find").set_value("lambda sensor slow").run()
    assert app.query_params["find"] == "lambda sensor slow"
    assert "N\\-02" in _listed(app)
    app.text_input(key="find").set_value("nobody is called this").run()
    assert "matches these filters" in app.info[-1].value
    app.text_input(key="find").set_value("").run()
    app.multiselect(key="urgency").set_value([]).run()
    assert not {"find", "urgency"} & set(app.query_params)


def test_a_decided_order_looks_decided_and_can_be_left_out(view: View, sample_home: Path, tmp_path: Path) -> None:
    home = shutil.copytree(sample_home, tmp_path / "home")
    with duckdb.connect(str(home / "published.duckdb")) as connection:
        connection.execute("UPDATE work_orders SET state = 'accepted' WHERE van_id = 'N-02'")
    app = view("this_week", home)
    assert any("accepted" in one.value and "badge" in one.value for one in app.markdown)
    assert not any(str(button.key).startswith("accept-") and "N-02" in str(button.key) for button in app.button)
    app.button_group(key="decided").set_value("open").run()
    assert "N\\-02" not in _listed(app)
    app.button_group(key="decided").set_value("decided").run()
    assert "N\\-02" in _listed(app)


def test_a_week_in_which_nobody_was_seen_gives_no_all_clear(view: View, sample_home: Path, tmp_path: Path) -> None:
    home = shutil.copytree(sample_home, tmp_path / "home")
    with duckdb.connect(str(home / "published.duckdb")) as connection:
        (week,) = connection.execute("SELECT max(week) FROM captures").fetchone() or ("",)
        connection.execute("DELETE FROM captures WHERE week = ?", [week])
    assert f"No van was seen in {week}" in view("this_week", home).warning[0].value
    empty = shutil.copytree(sample_home, tmp_path / "empty")
    with duckdb.connect(str(empty / "published.duckdb")) as connection:
        connection.execute("DELETE FROM captures WHERE week = ?", [week])
        connection.execute("DELETE FROM watchlist WHERE week = ?", [week])
    home = empty
    app = view("this_week", home)
    assert not app.success
    assert "An empty list says nothing" in app.warning[0].value


def test_a_week_without_a_list_says_which_is_shown(view: View) -> None:
    app = view("this_week", week="2999-W01")
    assert "There is no list of 2999" in app.info[0].value


def test_who_was_not_seen_and_how_the_fleet_went_open_on_demand(view: View, sample_home: Path) -> None:
    published = open_published(sample_home)
    week = queries.weeks(published)[0]
    app = view("this_week")
    tables = len(app.table)
    app.session_state["fold-over-time"] = True
    app.run()
    assert len(app.table) == tables + 1
    told = fleet_queries.fleet_by_week(published, week)
    assert told["week"].to_list() == sorted(told["week"].to_list(), reverse=True)
    assert told["week"][0] == week
    assert told.filter(told["listed"].is_not_null())["listed"].to_list() == [
        sum(queries.watchlist_counts(published, one, queries.ListFilter()).values())
        for one in told.filter(told["listed"].is_not_null())["week"]
    ]
    seen = queries.week_in_numbers(published, week)
    assert fleet_queries.not_seen(published, week, ()).height == seen["vans"] - seen["seen"]
    for depots in ((), ("north",)):
        frame = fleet_queries.not_seen(published, week, depots)
        assert fleet_queries.not_seen_count(published, week, depots) == frame.height


def test_vans_not_seen_are_counted_of_the_depots_chosen_and_a_cut_is_said(
    view: View, sample_home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = shutil.copytree(sample_home, tmp_path / "home")
    week = queries.weeks(open_published(sample_home))[0]
    with duckdb.connect(str(home / "published.duckdb")) as connection:
        connection.execute("DELETE FROM captures WHERE week = ? AND van_id IN ('N-01', 'N-02', 'S-01')", [week])
    published = open_published(home)
    of_north, of_south, of_all = (
        fleet_queries.not_seen_count(published, week, depots) for depots in (["north"], ["south"], [])
    )
    assert of_north + of_south == of_all
    assert of_north >= 2
    assert of_south >= 1
    monkeypatch.setattr("dashboards.fleet_sections.UNSEEN_SHOWN", 1)
    app = view("this_week", home, depot="north")
    app.session_state["fold-unseen"] = True
    app.run()
    assert message("week.unseen", count=of_north) in [fold.label for fold in app.expander]
    assert message("week.unseen_first", count=1) in _texts(app)


def test_vans_stand_side_by_side_from_the_address(view: View) -> None:
    app = view("this_week", beside="N-02")
    assert app.multiselect(key="beside").value == ["N-02"]
    app.multiselect(key="beside").set_value(["N-02", "N-04", "S-03"]).run()
    assert app.query_params["beside"] == ["N-02", "N-04", "S-03"]
    assert _texts(app).count("Not on the list.") == 1
    assert not app.exception


def test_a_van_that_left_the_list_says_why(sample_home: Path, tmp_path: Path) -> None:
    home = shutil.copytree(sample_home, tmp_path / "home")
    week = queries.weeks(open_published(sample_home))[0]
    with duckdb.connect(str(home / "published.duckdb")) as connection:
        connection.execute("DELETE FROM watchlist WHERE week = ? AND van_id = 'N-02'", [week])
        connection.execute("UPDATE trends SET alarm = false WHERE van_id = 'N-02'")
    row = fleet_queries.left_the_list(open_published(home), week).row(0, named=True)
    assert (row["van_id"], fleet_queries.why_left(row)) == ("N-02", "back")
    assert fleet_queries.why_left(row | {"alarms": 2}) == "less"
    assert fleet_queries.why_left(row | {"order_state": "declined"}) == "declined"
    assert fleet_queries.why_left(row | {"last_seen": week_before(week)}) == "unseen"
    assert fleet_queries.why_left(row | {"repaired_on": datetime.now(UTC).date()}) == "repaired"
    assert fleet_queries.why_left(row | {"order_state": "proven"}) == "proven"
    for word in ("back", "less", "declined", "unseen", "repaired", "proven"):
        assert message(f"week.left_{word}", day="d", work="w", last="l")


@pytest.mark.parametrize(
    ("repaired_after", "said"),
    [
        (None, r"P0171: [^(]*\(2 of the last 2 visits\); P0300: [^(]*\(1 of the last 2 visits\)$"),
        (1, r"P0171: [^(]*; P0300: [^(]*$"),
        (0, r"not read since the last repair$"),
    ],
)
def test_codes_are_of_all_captures_of_a_visit_and_since_the_last_repair(
    view: View, sample_home: Path, tmp_path: Path, repaired_after: int | None, said: str
) -> None:
    home = shutil.copytree(sample_home, tmp_path / "home")
    with duckdb.connect(str(home / "published.duckdb")) as connection:
        connection.execute("UPDATE captures SET fault_codes = NULL WHERE van_id = 'N-02'")
        connection.execute("DELETE FROM repairs WHERE van_id = 'N-02'")
        visits = connection.execute(
            "SELECT capture_id, captured_at FROM captures WHERE van_id = 'N-02' AND representative ORDER BY captured_at DESC"
        ).fetchall()
        connection.execute(
            "INSERT INTO captures BY NAME SELECT * REPLACE ('other' AS capture_id, false AS representative, "
            "['P0300'] AS fault_codes) FROM captures WHERE capture_id = ?",
            [visits[0][0]],
        )
        for capture, _ in visits[:2]:
            connection.execute("UPDATE captures SET fault_codes = ['P0171'] WHERE capture_id = ?", [capture])
        if repaired_after is not None:
            connection.execute(
                "INSERT INTO repairs BY NAME SELECT 'r' AS repair_id, 'N-02' AS van_id, ?::TIMESTAMPTZ AS done_at, "
                "'lambda_slow' AS work",
                [visits[repaired_after][1]],
            )
    app = view("a_van", home, van="N-02")
    assert re.search(said, next(one.value for one in app.markdown if "Fault codes" in one.value))
    app.session_state["fold-past"] = True
    app.run()
    tables = str([table.value.to_dict() for table in app.table])
    assert "'lambda_slow'" not in tables
    assert (text.cause("lambda_slow") in tables) is (repaired_after is not None)


def test_only_an_order_that_waits_is_to_be_done_first(view: View, sample_home: Path, tmp_path: Path) -> None:
    home = shutil.copytree(sample_home, tmp_path / "home")
    assert "**Do first**" in _texts(view("a_van", van="N-02"))
    with duckdb.connect(str(home / "published.duckdb")) as connection:
        (order,) = connection.execute(
            "SELECT arg_max(order_id, week) FROM work_orders WHERE van_id = 'N-02'"
        ).fetchone() or ("",)
        connection.execute("UPDATE work_orders SET state = 'done' WHERE order_id = ?", [order])
        connection.execute(
            "INSERT INTO order_events BY NAME SELECT 'e' AS event_id, ? AS order_id, 'done' AS state, "
            "'2026-07-06 10:00Z'::TIMESTAMPTZ AS \"at\", 'A Fitter' AS person, 'lambda_slow' AS found",
            [order],
        )
    told = _texts(view("a_van", home, van="N-02"))
    assert "**Last order**" in told
    assert "2026-07-06 10:00 UTC: done by A Fitter, found: lambda sensor slow" in unlinked(told)
    assert "Do first" not in told
    assert not re.search(r"\*\*By \w+day", told)


def test_what_takes_effect_later_is_said_in_the_readers_words_before_the_reason(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    event = OrderEvent("N-01-1", "accepted", datetime(2026, 4, 1, tzinfo=UTC), "me")
    monkeypatch.setattr("dashboards.text.language", lambda: "de")
    told = decide.said([decide.Decided(event, "N-01", decide.STANDS + "the disk is full")])
    assert "Es ist niedergeschrieben und gilt" in told
    assert told.endswith("the disk is full.")
    assert "written down" not in told


@pytest.mark.parametrize(("hours", "state", "offered"), [(23, "accepted", 1), (25, "accepted", 0), (1, "proven", 0)])
def test_an_undo_is_offered_for_a_day_and_of_what_a_person_decided(hours: int, state: str, offered: int) -> None:
    app = AppTest.from_string(
        "from datetime import UTC, datetime, timedelta\nfrom dashboards import decide\n"
        f"event = {{'event_id': 'e', 'order_id': 'o', 'state': {state!r}, 'at': datetime.now(UTC) - timedelta(hours={hours})}}\n"
        "decide.undo_button(event, 'V1')\n"
    ).run()
    assert not app.exception
    assert len(app.button) == offered
