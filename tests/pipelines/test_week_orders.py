"""What goes into the orders of a week and comes out of them: vans as the models take them, withdrawals, earlier weeks, flags."""

import math
from datetime import UTC, date, datetime, timedelta
from types import SimpleNamespace
from typing import Any

import polars as pl
import pytest

from data_contracts.facts.fact import ANOMALY, UNSTEADY, Fact
from data_contracts.facts.rendering import render
from data_contracts.jobs import JOBS
from data_contracts.tables import CAPTURES, LEARNING, REPAIRS, TRENDS, WATCHLIST, WORK_ORDERS, polars_schema
from models.tracking.state.states import no_states
from models.work.learning import Finding, changes_since, learn
from models.work.repair_proof import PROOF_COLUMNS
from models.work.warranty import warranty_of
from pipelines.decisions.circumstances import circumstances_of
from pipelines.decisions.lessons import flags_of, learning_card, learning_rows, with_trust
from pipelines.decisions.warranties import last_day_of
from pipelines.decisions.work_orders import propose
from pipelines.workspace.settings import Settings
from tests.unit.models.work.posteriors import posterior

WEEK = "2026-W14"
CAUSES = {"fuel_delivery_weak": 0.9, "none": 0.1}
REASON = Fact.of("limit_crossed", "main_peak_reference_g_s").row()


def _rows(vans: dict[str, dict[str, Any]], schema: dict[str, Any], usual: dict[str, Any]) -> pl.DataFrame:
    rows = [dict.fromkeys(schema) | usual | {"van_id": van_id} | told for van_id, told in vans.items()]
    return pl.DataFrame([{key: row[key] for key in schema} for row in rows], schema=schema)


def _trends(*rows: tuple[str, str, str, bool, str | None]) -> pl.DataFrame:
    names = ("van_id", "week", "quantity", "alarm", "alarm_since")
    return pl.DataFrame(
        rows, schema=dict.fromkeys(names, pl.String) | {"alarm": pl.Boolean}, orient="row"
    ).with_columns(unsteady=pl.lit(False))


def _orders(
    vans: dict[str, dict[str, Any]],
    *,
    trends: pl.DataFrame | None = None,
    existing: pl.DataFrame | None = None,
    settings: Settings | None = None,
    week: str = WEEK,
    **of_van: Any,
) -> dict[str, dict[str, Any]]:
    usual = {
        "family": "brook-20",
        "depot": "north",
        "urgency": "plan",
        "week": week,
        "reason_facts": [REASON],
        "alarm": True,
        "rank": 1,
    }
    listed = _rows(vans, polars_schema(WATCHLIST), usual)
    states = _rows(vans, dict(no_states().schema), usual | {"cross_before_next": 0.6})
    assessment = SimpleNamespace(states=states, trends=_trends() if trends is None else trends)
    register = SimpleNamespace(
        vans={v: SimpleNamespace(van_id=v, depot="north", family="brook-20") for v in vans},
        absences=of_van.get("absences", {}),
    )
    settings = settings or Settings()
    nothing = pl.DataFrame(schema={name: polars_schema(CAPTURES)[name] for name in PROOF_COLUMNS})
    repairs = of_van.get("repairs", pl.DataFrame(schema=polars_schema(REPAIRS)))
    day, (until, *km) = last_day_of(week), of_van.get("warranty", (None,))
    granted = {v: warranty_of(until, *(km or (None, ())), day=day) for v in (*vans, *of_van.get("known", ()))}
    warranties = {v: one for v, one in granted.items() if one is not None}
    about = circumstances_of(
        list(vans),
        nothing,
        repairs,
        pl.DataFrame(schema=polars_schema(TRENDS)),
        {},
        {},
        {},
        {},
        register,
        settings,
        week,
        warranties,
    )  # type: ignore[arg-type]
    orders = propose(
        listed,
        assessment,
        posterior(dict.fromkeys(vans, CAUSES)),
        register,
        settings,
        pl.DataFrame(schema=polars_schema(WORK_ORDERS)) if existing is None else existing,
        week=week,
        jobs=JOBS,
        flags=dict.fromkeys(vans, ("idle_g_s", "cycle_ripple")),
        circumstances=about,
        warranties=warranties,
        noted=of_van.get("noted", ()),
    )
    return {row["van_id"]: row for row in orders.iter_rows(named=True)}


def _frame(orders: dict[str, dict[str, Any]], **changes: Any) -> pl.DataFrame:
    return pl.DataFrame([row | changes for row in orders.values()], schema=polars_schema(WORK_ORDERS))


def _fails(size: float) -> float:
    """Danger, engine or stranding within half a year, where a weak pump is 0.9 likely."""
    return 0.9 * (1 - math.exp(-26 * (0.0003 * size + (0.008 + 0.05) * size**2)))


def test_a_listed_vans_order_has_its_state_its_flags_and_a_week() -> None:
    row = _orders({"v1": {"urgency": "now"}}, warranty=(date(2026, 4, 8),))["v1"]
    assert (row["urgency"], row["depot"], row["family"], row["state"]) == ("now", "north", "brook-20", "proposed")
    assert row["flagged_by"] == ["idle_g_s", "cycle_ripple"]
    assert row["failure_probability"] == pytest.approx(_fails(0.7))
    assert row["warranty_paid"] > 0
    assert (row["due_by"], row["plan_week"]) == (date(2026, 4, 8), "2026-W15")
    assert row["reason_facts"][0] == REASON
    assert _orders({"v1": {"weeks_to_limit": 2.0}})["v1"]["due_by"] == date(2026, 5, 4)
    pressing = _orders({"v1": {"weeks_to_limit": 2.0, "weeks_to_pressing_limit": 2.0}})
    assert pressing["v1"]["due_by"] == date(2026, 4, 20)
    assert _orders({"v1": {"reason_facts": None}})["v1"]["reason_facts"][0]["code"] == "stands_out"


def test_a_warranty_whose_kilometres_are_driven_pays_nothing_and_the_order_says_why() -> None:
    read = [(date(2026, 3, 1), 99_000.0), (date(2026, 3, 25), 100_400.0)]
    over = _orders({"v1": {"urgency": "now"}}, warranty=(date(2027, 4, 8), 100_000.0, read))["v1"]
    assert over["warranty_paid"] == 0
    (fact,) = (Fact.from_row(one) for one in over["warranty_facts"])
    assert render(fact) == (
        "Warranty: until 2027-04-08 by date, ended by mileage (limit 100,000\u00a0km); last reading 100,400\u00a0km on 2026-03-25."
    )
    assert render(fact, "de").startswith(
        "Garantie: nach Datum bis 2027-04-08, nach Laufleistung abgelaufen (Grenze 100.000\u00a0km);"
    )
    assert render(fact, units="imperial").endswith("last reading 62,386\u00a0mi on 2026-03-25.")
    date_alone = _orders({"v1": {"urgency": "now"}}, warranty=(date(2027, 4, 8),))["v1"]
    assert date_alone["warranty_paid"] > 0
    (fact,) = (Fact.from_row(one) for one in date_alone["warranty_facts"])
    assert render(fact) == "Warranty: until 2027-04-08 by date, no mileage limit on record."
    assert _orders({"v1": {"urgency": "now"}})["v1"]["warranty_facts"] is None  # the register gives none


def test_an_order_that_waits_says_what_stands_of_the_warranty_now_a_closed_one_what_stood() -> None:
    first = _orders({"v1": {}, "v2": {}}, warranty=(date(2026, 4, 5),))
    decided = pl.concat([_frame({"v1": first["v1"]}, state="accepted"), _frame({"v2": first["v2"]}, state="proven")])
    later = _orders({"v9": {}}, existing=decided, week="2026-W15", warranty=(date(2026, 4, 5),), known=("v1", "v2"))
    said = {van: render(Fact.from_row(later[van]["warranty_facts"][0])) for van in ("v1", "v2")}
    assert said == {
        "v1": "Warranty: ended 2026-04-05 by date, no mileage limit on record.",
        "v2": "Warranty: until 2026-04-05 by date, no mileage limit on record.",
    }


def test_an_order_is_due_before_the_kilometres_run_out() -> None:
    """1,000 km a week and 3,400 km to go: the claim comes first, and the plan says so."""
    read = [(date(2026, 2, 1) + timedelta(weeks=w), 88_000.0 + 1000.0 * w + 150.0 * (w % 2)) for w in range(9)]
    row = _orders({"v1": {"urgency": "plan"}}, warranty=(date(2027, 4, 8), 99_400.0, read))["v1"]
    assert row["warranty_paid"] > 0
    assert date(2026, 4, 6) <= row["due_by"] <= date(2026, 4, 24)
    unread = _orders({"v1": {"urgency": "plan"}}, warranty=(date(2027, 4, 8), 99_400.0, ()))["v1"]
    assert unread["warranty_paid"] > 0
    assert unread["due_by"] > row["due_by"]
    (fact,) = (Fact.from_row(one) for one in unread["warranty_facts"])
    assert "mileage not known (limit 99,400\u00a0km)." in render(fact)


def test_settings_reach_worth_and_plan() -> None:
    usual = _orders({"v1": {}})["v1"]
    dear = _orders({"v1": {}}, settings=Settings.model_validate({"workshop": {"duty": {"v1": 3.0}}}))["v1"]
    assert dear["failure_avoided"] == pytest.approx(3.0 * usual["failure_avoided"])
    away = _orders({"v1": {}}, absences={"v1": [(date(2026, 4, 6), date(2026, 4, 10))]})["v1"]
    assert away["plan_week"] == "2026-W16"


def test_an_order_is_known_by_the_first_week_of_the_alarms_that_stand() -> None:
    stands = _trends(
        ("v1", "2026-W10", "idle_g_s", True, "2026-W02"),  # ended since
        ("v1", "2026-W13", "idle_g_s", True, "2026-W12"),
        ("v1", "2026-W13", "lambda_idle", True, "2026-W11"),
        ("v1", "2026-W13", "cycle_ripple", False, None),
    )
    one = _orders({"v1": {}}, trends=stands)["v1"]["order_id"]
    later = _trends(("v1", "2026-W14", "idle_g_s", True, "2026-W11"))
    assert _orders({"v1": {}}, trends=later)["v1"]["order_id"] == one
    other = _trends(("v1", "2026-W14", "idle_g_s", True, "2026-W12"))
    assert _orders({"v1": {}}, trends=other)["v1"]["order_id"] != one
    since_now = _orders({"v1": {}})["v1"]["order_id"]  # no alarm dates it: the week of the list does
    assert _orders({"v1": {"alarm": False}}, trends=stands)["v1"]["order_id"] == since_now
    assert since_now != one


def test_a_proposal_whose_van_left_the_list_is_withdrawn_and_what_people_decided_stays() -> None:
    before = _orders({"v1": {}, "v2": {}, "v3": {}})
    before["v2"]["state"] = "accepted"
    after = _orders({"v3": {}}, existing=_frame(before))
    assert set(after) == {"v2", "v3"}
    assert after["v2"]["plan_week"] is not None


def test_a_proposal_at_which_somebody_noted_something_stays() -> None:
    before = _orders({"v1": {}, "v2": {}, "v3": {}})
    after = _orders({"v3": {}}, existing=_frame(before), noted=[before["v2"]["order_id"]])
    assert {van: row["state"] for van, row in after.items()} == {"v2": "proposed", "v3": "proposed"}


def test_a_run_for_an_earlier_week_leaves_later_proposals_and_does_not_see_them() -> None:
    stands = _trends(*((van, "2026-W14", "idle_g_s", True, "2026-W12") for van in ("v1", "v2")))
    later = _orders({"v1": {}, "v2": {}}, trends=stands, week="2026-W16")
    earlier = _orders({"v1": {"urgency": "now"}}, trends=stands, existing=_frame(later), week="2026-W14")
    assert (earlier["v1"]["week"], earlier["v1"]["urgency"]) == ("2026-W14", "now")
    assert earlier["v2"] == later["v2"]
    taken = _frame(later, state="booked")
    kept = _orders({"v1": {"urgency": "now"}}, trends=stands, existing=taken, week="2026-W14")
    assert (kept["v1"]["week"], kept["v1"]["urgency"], kept["v1"]["state"]) == ("2026-W16", "plan", "booked")


def test_flags_are_the_alarms_that_stand_then_repeats_then_the_anomaly() -> None:
    vans, outside = ["a", "b", "c", "d"], [["cycle_ripple", "lambda_idle"], ["idle_g_s"], [], []]
    told = {"van_id": vans, "outside": outside, "unsteady": [["cycle_ripple"], [], [], []]}
    states = pl.DataFrame(told | {"anomaly": [False, True, True, False]})
    found = flags_of(SimpleNamespace(states=states, residuals=SimpleNamespace(van_ids=tuple(vans))))  # type: ignore[arg-type]
    assert found == {"a": ("lambda_idle", UNSTEADY + "cycle_ripple"), "b": ("idle_g_s",), "c": (ANOMALY,), "d": ()}


def test_what_findings_moved_is_a_row_each_and_doubt_is_one_more_reason() -> None:
    told = [Finding(str(n), "brook-20", "none", flagged_by=("cycle_ripple",)) for n in range(6)]
    told += [Finding(f"r{n}", "brook-20", "lambda_slow", flagged_by=("lean_needles",)) for n in range(6)]
    learned = learn(told, ["brook-20"])
    changes = changes_since({}, learned)
    rows = learning_rows(changes, WEEK)
    assert dict(rows.schema) == polars_schema(LEARNING)
    assert rows.height == len(changes) > 3
    for row, change in zip(rows.iter_rows(named=True), changes, strict=True):
        assert (row["week"], row["kind"], row["family"], row["subject"]) == (WEEK, *change.key)
        assert (row["before"], row["after"], row["default"]) == (
            change.before,
            change.figure.value,
            change.figure.default,
        )
        assert (row["unit"], row["findings"]) == (change.figure.unit, change.figure.findings)
        assert (row["what_facts"], row["why_facts"]) == ([change.figure.what.row()], [change.figure.why.row()])
    card = learning_card(learned, changes, WEEK)
    assert card == {"name": "learning", "week": WEEK, "findings": 12, "figures_moved": len(changes)}
    listed = _rows({"v1": {"reason_facts": [REASON]}, "v2": {"reason_facts": [REASON]}}, polars_schema(WATCHLIST), {})
    doubted = with_trust(listed, learned, {"v1": ("cycle_ripple",), "v2": ("lean_needles",)})
    assert [[fact["code"] for fact in facts] for facts in doubted["reason_facts"]] == [
        ["limit_crossed", "alarms_often_wrong"],
        ["limit_crossed"],
    ]
    assert doubted.drop("reason_facts").equals(listed.drop("reason_facts"))


def test_a_repair_is_being_proven_until_three_good_captures_or_six_weeks() -> None:
    sunday = datetime(2026, 4, 6, tzinfo=UTC)  # the end of 2026-W14
    register = SimpleNamespace(vans={"v1": SimpleNamespace(depot="north", family="brook-20")})

    def proving(weeks_ago: float, grades: list[str], reasons: tuple[str, ...] = ()) -> str:
        done = sunday - timedelta(weeks=weeks_ago)
        at = [done, *(done + timedelta(hours=n) for n in range(1, len(grades) + 1))]  # the first is not after it
        captures = pl.DataFrame(
            {"van_id": "v1", "captured_at": at, "grade": ["good", *grades], "week": "2026-W13", "visit": "one"}
        ).with_columns(grade_reasons=pl.lit(list(reasons), pl.List(pl.String)))
        captures = captures.with_columns(visit=pl.int_range(pl.len()).cast(pl.String))  # each a visit of its own
        told = [{"van_id": "v1", "done_at": done, "brings_back": ["idle_g_s"], "touches": ["idle_g_s"]}]
        repairs = pl.DataFrame(told, schema={name: polars_schema(REPAIRS)[name] for name in told[0]})
        trends = pl.DataFrame(schema=polars_schema(TRENDS))
        codes = {"v1": {"P0171": 3}}
        about = circumstances_of(["v1"], captures, repairs, trends, codes, {}, {}, {}, register, Settings(), WEEK)["v1"]  # type: ignore[arg-type]
        assert about.standing_codes == codes["v1"]
        assert [fact.words["verdict"] for fact in about.told] == (
            [] if about.repaired_on or weeks_ago >= 6 else ["cant_tell"]
        )
        return about.repaired_on

    assert proving(1, ["good", "caution"]) == "2026-03-30"
    assert proving(1, ["good", "caution", "good"]) == ""
    assert proving(1, ["good", "caution", "repeat"]) == "2026-03-30"
    assert proving(1, ["repeat"] * 3, ("idle_only",)) == ""  # tracked by what they hold
    assert proving(1, ["repeat"] * 2, ("idle_only",)) == "2026-03-30"
    assert proving(5.99, []) == "2026-02-23"
    assert proving(6, []) == ""
