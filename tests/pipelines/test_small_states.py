"""Every state a week can leave a van, an order or the fleet in is on the small fleet, by name, after its two runs."""

import tomllib

import duckdb
import polars as pl
import pytest

from pipelines.workspace.workspace import Workspace
from sample_fleet.make_small import FIRST_RUN, LAST_RUN
from tests.pipelines.small_home import SMALL_FLEET

OPTIONAL = (
    "odometer_km",
    "coolant_c",
    "intake_air_c",
    "barometer_kpa",
    "humidity_pct",
    "altitude_m",
    "closed_loop",
    "fuel",
    "recorder_serial",
    "ecu_software",
)


def ask(workspace: Workspace, sql: str) -> pl.DataFrame:
    with duckdb.connect(str(workspace.published_path), read_only=True) as connection:
        connection.execute("SET TimeZone = 'UTC'")
        return connection.sql(sql).pl()


def column(workspace: Workspace, sql: str) -> set[object]:
    return set(ask(workspace, sql).to_series())


@pytest.fixture(scope="module")
def truth() -> dict[str, set[str]]:
    rows = pl.read_csv(SMALL_FLEET / "truth_states.csv")
    return {state: set(rows.filter(state=state)["subject"]) for state in rows["state"].unique()}


@pytest.mark.parametrize("urgency", ["now", "plan", "watch"])
def test_vans_are_listed_at_the_urgency_planted(
    judged_small: Workspace, truth: dict[str, set[str]], urgency: str
) -> None:
    listed = column(judged_small, f"SELECT van_id FROM watchlist WHERE week = '{LAST_RUN}' AND urgency = '{urgency}'")
    assert listed == truth[urgency]


def test_healthy_vans_are_on_no_list_and_have_no_order(judged_small: Workspace, truth: dict[str, set[str]]) -> None:
    assert len(truth["healthy"]) >= 9
    seen = column(judged_small, f"SELECT van_id FROM captures WHERE week > '{FIRST_RUN}'")
    assert truth["healthy"] <= seen
    assert not truth["healthy"] & column(judged_small, "SELECT van_id FROM watchlist")
    assert not truth["healthy"] & column(judged_small, "SELECT van_id FROM work_orders")
    assert not truth["healthy"] & column(judged_small, f"SELECT van_id FROM trends WHERE week = '{LAST_RUN}' AND alarm")


def test_a_van_is_listed_for_its_anomaly_alone(judged_small: Workspace, truth: dict[str, set[str]]) -> None:
    (van,) = truth["anomaly_alone"]
    row = ask(
        judged_small, f"SELECT anomaly_p, reasons FROM watchlist WHERE week = '{LAST_RUN}' AND van_id = '{van}'"
    ).row(0, named=True)
    assert row["anomaly_p"] < 0.00075  # 0.15 of the 0.5 false alarms accepted per 100 van-weeks
    assert row["reasons"][0].startswith("Taken together, the readings are unlike a healthy van's")
    assert row["reasons"][1:] == ["Repaired on 2026-03-06: it helped, by three good snaps."]
    alarms = ask(judged_small, f"SELECT bool_or(alarm) FROM trends WHERE week = '{LAST_RUN}' AND van_id = '{van}'")
    assert not alarms.item()


def test_a_repaired_van_left_its_alarm_behind(judged_small: Workspace, truth: dict[str, set[str]]) -> None:
    (van,) = truth["repaired"]
    done = ask(judged_small, f"SELECT strftime(done_at, '%G-W%V') FROM repairs WHERE van_id = '{van}'").item()
    alarmed = column(judged_small, f"SELECT week FROM trends WHERE van_id = '{van}' AND alarm")
    assert min(alarmed) <= done
    assert van in column(judged_small, f"SELECT van_id FROM watchlist WHERE week = '{FIRST_RUN}'")
    assert LAST_RUN not in alarmed
    assert van not in column(judged_small, f"SELECT van_id FROM watchlist WHERE week = '{LAST_RUN}'")


@pytest.mark.parametrize("state", ["proven", "not_proven", "postponed"])
def test_orders_stand_where_decisions_and_visits_put_them(
    judged_small: Workspace, truth: dict[str, set[str]], state: str
) -> None:
    orders = ask(judged_small, f"SELECT * FROM work_orders WHERE state = '{state}'")
    assert set(orders["van_id"]) == truth[state]
    events = ask(judged_small, "SELECT order_id, state, person, refused FROM order_events")
    assert events["refused"].null_count() == events.height
    signed = set(events.filter(pl.col("order_id").is_in(orders["order_id"].to_list()), state=state)["person"])
    assert signed == {"foreman" if state == "postponed" else "vansnap"}
    assert orders["until"].null_count() == (0 if state == "postponed" else orders.height)


def test_a_repair_in_vain_is_not_learned_as_normal(judged_small: Workspace, truth: dict[str, set[str]]) -> None:
    (van,) = truth["not_proven"]
    (row,) = ask(
        judged_small, f"SELECT urgency, reasons FROM watchlist WHERE week = '{LAST_RUN}' AND van_id = '{van}'"
    ).rows()
    assert row[0] == "now"
    assert row[1][-1].startswith("Repaired on 2026-03-27: it did not help, by three good snaps")
    done = ask(judged_small, f"SELECT strftime(max(done_at), '%G-W%V') FROM repairs WHERE van_id = '{van}'").item()
    outside = ask(
        judged_small,
        f"SELECT alarm_since, onset_week FROM trends WHERE week = '{LAST_RUN}' AND van_id = '{van}' AND alarm AND quantity IN "
        f"(SELECT unnest(touches) FROM repairs WHERE van_id = '{van}')",
    )
    assert outside.height
    assert outside["alarm_since"].min() > done  # outside again since the repair
    began = outside[
        "onset_week"
    ].drop_nulls()  # what it did not bring back is dated by when it began, before the repair
    assert began.len()
    assert (began <= outside.filter(pl.col("onset_week").is_not_null())["alarm_since"]).all()
    assert began.min() < done
    orders = ask(judged_small, f"SELECT state FROM work_orders WHERE van_id = '{van}' ORDER BY week, state")[
        "state"
    ].to_list()
    assert orders == ["not_proven", "proposed"]


def test_vans_of_a_depot_moved_together_and_its_recorder_is_named(
    judged_small: Workspace, truth: dict[str, set[str]]
) -> None:
    notices = ask(judged_small, f"SELECT depot, text FROM notices WHERE week = '{LAST_RUN}'")
    assert set(notices["depot"]) == truth["shared_movement"]
    assert all("R101" in text for text in notices["text"])


def test_findings_move_what_is_expected_of_a_cause(judged_small: Workspace, truth: dict[str, set[str]]) -> None:
    rows = ask(judged_small, f"SELECT * FROM learning WHERE week = '{LAST_RUN}' AND kind = 'cause_share'")
    for cause in truth["learned"]:
        own = rows.filter(pl.col("subject") == cause, pl.col("why").str.starts_with("1 of 1"))
        assert own.height == 1, cause  # in the family it was found in
        assert own["after"].item() > 1.5 * own["before"].item()
    other = rows.filter(~pl.col("subject").is_in(list(truth["learned"])))
    assert (other["after"] < other["before"]).all()


def test_columns_are_empty_or_half_filled_at_the_depots_said(
    judged_small: Workspace, truth: dict[str, set[str]]
) -> None:
    captures = ask(judged_small, "SELECT * FROM captures")
    (empty,), (half,) = truth["empty_columns"], truth["half_filled_columns"]
    corrected = pl.col("note").eq_missing("barometer corrected")  # handed in again with one cell filled
    bare, some = captures.filter(~corrected, depot=empty), captures.filter(depot=half)
    for name in OPTIONAL:
        assert bare[name].null_count() == bare.height > 0, name
        assert 0 < some[name].null_count() < some.height, name
    assert bare["fault_codes"].list.len().sum() == 0
    trims = ask(
        judged_small,
        "SELECT depot, count(trim_idle_pct) AS n FROM captures JOIN readings USING (capture_id) GROUP BY 1",
    )
    counted = dict(trims.iter_rows())
    assert counted[empty] == 0 < counted[half] < some.height


def test_families_hold_what_has_to_be_there_and_no_more(truth: dict[str, set[str]]) -> None:
    families = tomllib.loads((SMALL_FLEET / "register" / "families.toml").read_text(encoding="utf-8"))
    for name in truth["fewest_keys"]:
        assert not {"throttle_open_pct", "lambda_banks", "lambda_response"} & set(families[name])
    assert families["dale-25"]["lambda_sensor"] == {"kind": "none"}
    assert families["dale-25"].get("main_peak", {}) == {}


def test_every_fate_of_a_row_is_there(judged_small: Workspace) -> None:
    fates = pl.read_csv(SMALL_FLEET / "truth_rows.csv").group_by("fate").len()
    told = dict(fates.iter_rows())
    account = ask(judged_small, "SELECT sum(held), sum(superseded), sum(duplicates) FROM deliveries").row(0)
    assert account == (told["held"], told["superseded"], told["duplicate"])
    waiting = dict(ask(judged_small, 'SELECT rule, sum("rows")::INT FROM quarantine GROUP BY rule').iter_rows())
    assert waiting == {rule: n for rule, n in told.items() if rule not in ("held", "superseded", "duplicate")}
