"""The week's list: its order, what lifts a van to be planned for, and who is new."""

from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest

from data_contracts.causes import CAUSE_CODES, NONE, NOT_SEPARABLE
from data_contracts.facts.fact import Fact
from data_contracts.tables import WATCHLIST, polars_schema
from models.tracking.state.states import no_states
from models.work.orders import WatchedVan, propose_orders
from models.work.urgency import WAIT_VISITS
from models.work.watchlist import Circumstances, watchlist
from tests.unit.models.work.posteriors import posterior

REASONS = [Fact.of("limit_crossed", "main_peak_reference_g_s").row()]
JUST_BELOW = float(np.nextafter(0.5, 0.0))
NOTHING = {NONE: 0.9, "lambda_slow": 0.1}
UNCLEAR = {NONE: 0.35, "lambda_slow": 0.25, "ignition_weak": 0.25, "fuel_aeration": 0.15}


def listed(
    states: dict[str, dict[str, Any]],
    causes: dict[str, dict[str, float]] | None = None,
    before: tuple[str, ...] = (),
    circumstances: dict[str, Circumstances] | None = None,
) -> list[dict[str, Any]]:
    """Rows of the list made of these vans' states, delivered in this order."""
    usual = dict.fromkeys(no_states().schema) | {"family": "brook-20", "depot": "north", "reason_facts": REASONS}
    frame = pl.DataFrame(
        [usual | {"van_id": van_id} | state for van_id, state in states.items()], schema=no_states().schema
    )
    found = posterior(causes or dict.fromkeys(states, UNCLEAR))
    rows = watchlist(frame, found, week="2026-W14", before=before, circumstances=circumstances)
    assert dict(rows.schema) == polars_schema(WATCHLIST)
    assert rows["rank"].to_list() == list(range(1, rows.height + 1))
    return rows.to_dicts()


def test_urgency_comes_first_and_the_name_decides_between_equals() -> None:
    rows = listed(
        {
            "watch": {"weeks_to_limit": 0.5, "anomaly_score": 90.0},
            "almost": {"cross_before_next": JUST_BELOW, "cross_within_13": JUST_BELOW},
            "plan": {"weeks_to_limit": 1.0, "cross_within_13": 0.5},
            "now": {"weeks_to_limit": 3.0, "cross_before_next": 0.5},
            "crossed": {"limit_crossed": True},
        },
        dict.fromkeys(("watch", "almost", "plan", "now", "crossed"), NOTHING),
    )
    assert [row["van_id"] for row in rows] == ["crossed", "now", "plan", "almost", "watch"]
    assert [row["urgency"] for row in rows] == ["now", "now", "plan", "watch", "watch"]


def test_the_list_is_in_the_order_of_the_orders_danger_first_then_urgency_then_worth_by_the_hour() -> None:
    causes = {
        "filter": {"intake_restricted": 0.9, NONE: 0.1},
        "leak": {"unmetered_air": 0.9, NONE: 0.1},
        "misfire": {"ignition_weak": 0.9, NONE: 0.1},
        "sensor": {"lambda_slow": 0.9, NONE: 0.1},
        "urgent": {"lambda_slow": 0.9, NONE: 0.1},
    }
    rows = listed({van_id: {"limit_crossed": van_id == "urgent"} for van_id in causes}, causes)
    assert {row["urgency"] for row in rows} == {"now", "plan"}
    vans = [
        WatchedVan(
            row["van_id"],
            "brook-20",
            "north",
            "2026-W14",
            row["urgency"],
            "2026-W14",
            None,
            None,
            (),
            rank=row["rank"],
        )
        for row in rows
    ]
    orders = propose_orders(vans[::-1], posterior(causes)).orders.sort("rank")
    assert [row["van_id"] for row in rows] == orders["van_id"].to_list()
    assert orders["van_id"].to_list()[:2] == ["leak", "urgent"]
    worth = (orders["expected_cost_avoided"] / orders["hours"]).to_list()[2:]
    assert worth == sorted(worth, reverse=True)


@pytest.mark.parametrize(
    ("state", "lifted"),
    [
        ({}, "plan"),
        ({"cross_within_13": 0.5}, "plan"),
        ({"cross_before_next": JUST_BELOW, "cross_within_13": JUST_BELOW}, "plan"),
        ({"cross_before_next": 0.5}, "now"),
        ({"limit_crossed": True}, "now"),
    ],
)
def test_a_named_cause_worth_acting_on_lifts_a_van_to_watch_and_no_other(state: dict[str, Any], lifted: str) -> None:
    (row,) = listed({"v": state}, {"v": {"lambda_slow": 0.8, NONE: 0.2}})
    assert (row["urgency"], row["leading_cause"]) == (lifted, "lambda_slow")


def test_a_named_cause_not_worth_acting_on_lifts_nothing_and_a_warranty_makes_it_worth_it() -> None:
    causes = {"v": {"lambda_slow": 0.5, NONE: 0.5}}
    (row,) = listed({"v": {}}, causes)
    assert (row["urgency"], row["leading_cause"]) == ("watch", "lambda_slow")
    sunday = date(2026, 4, 5)
    (row,) = listed({"v": {}}, causes, circumstances={"v": Circumstances(warranty_until=sunday)})
    assert row["urgency"] == "plan"
    ended = Circumstances(warranty_until=sunday - timedelta(days=1))
    (row,) = listed({"v": {}}, causes, circumstances={"v": ended})
    assert row["urgency"] == "watch"


def test_what_stood_as_long_as_an_order_asked_to_wait_is_planned() -> None:
    causes = {"v": {"lambda_slow": 0.5, NONE: 0.5}}

    def van(stood: int, causes: dict[str, dict[str, float]] = causes, **state: object) -> tuple[str, list[str]]:
        about = {"v": Circumstances(stood=stood)}
        (row,) = listed({"v": {"alarm": True} | state}, causes, circumstances=about)
        return row["urgency"], [fact["code"] for fact in row["reason_facts"]]

    assert van(1)[0] == "watch"
    urgency, codes = van(WAIT_VISITS)
    assert urgency == "plan"
    assert "stood_since_order" in codes
    assert van(WAIT_VISITS, alarm=False)[0] == "watch"  # only all readings together
    assert van(WAIT_VISITS, {"v": {NONE: 0.9, "lambda_slow": 0.1}})[0] == "watch"  # nothing to do but to record again
    about = {"v": Circumstances(stood=9, repaired_on="2026-04-01")}
    (row,) = listed({"v": {"alarm": True}}, causes, circumstances=about)
    assert row["urgency"] == "watch"


def test_what_a_repair_came_to_is_said_last() -> None:
    judged = Fact.of("repair_judged", day="2026-03-27", verdict="cant_tell")
    (row,) = listed({"v": {"alarm": True}}, circumstances={"v": Circumstances(told=(judged,))})
    assert row["reason_facts"][-1] == judged.row()


def test_a_van_whose_repair_is_being_proven_is_watched_whatever_is_crossed() -> None:
    states = {van_id: {"limit_crossed": True, "alarm": True} for van_id in ("proving", "other")}
    rows = listed(states, circumstances={"proving": Circumstances(repaired_on="2026-04-01")})
    assert [(row["van_id"], row["urgency"]) for row in rows] == [("other", "now"), ("proving", "watch")]
    assert [fact["code"] for fact in rows[1]["reason_facts"]] == ["being_proven", "limit_crossed"]


def test_a_lifted_van_ranks_among_the_planned() -> None:
    states: dict[str, dict[str, Any]] = {"unclear": {"weeks_to_limit": 1.0}, "worth it": {}}
    rows = listed(states, {"unclear": UNCLEAR, "worth it": {"lambda_slow": 0.8, NONE: 0.2}})
    assert [(row["van_id"], row["urgency"]) for row in rows] == [("worth it", "plan"), ("unclear", "watch")]


@pytest.mark.parametrize(("causes", "leading"), [({NONE: 0.9, "lambda_slow": 0.1}, NONE), (UNCLEAR, NOT_SEPARABLE)])
def test_none_and_not_separable_are_no_cause_and_lift_nothing(causes: dict[str, float], leading: str) -> None:
    (row,) = listed({"v": {"urgency": "watch"}}, {"v": causes})
    assert (row["urgency"], row["leading_cause"]) == ("watch", leading)


def test_causes_are_told_whole_the_likeliest_first_and_sum_to_one() -> None:
    (row,) = listed({"v": {"urgency": "plan"}}, {"v": {"lambda_slow": 1.2, NONE: 0.4, "fuel_aeration": -0.1}})
    shares = [cause["probability"] for cause in row["causes"]]
    assert sum(shares) == pytest.approx(1.0)
    assert shares == sorted(shares, reverse=True)
    assert [cause["code"] for cause in row["causes"]][:2] == ["lambda_slow", NONE]
    assert {cause["code"] for cause in row["causes"]} == set(CAUSE_CODES)
    assert shares[:3] == pytest.approx([1.0 / 1.4, 0.4 / 1.4, 0.0])  # each clipped to a probability, then over the sum
    assert row["leading_cause_probability"] == pytest.approx(1.2)


def test_a_van_is_new_where_last_weeks_list_did_not_hold_it_and_keeps_what_was_found() -> None:
    state = {"urgency": "watch", "anomaly_p": 0.01, "anomaly_score": 4.0, "weeks_to_limit": 7.5}
    rows = {row["van_id"]: row for row in listed({"old": state, "young": state}, before=("old", "gone"))}
    assert {van_id: row["new"] for van_id, row in rows.items()} == {"old": False, "young": True}
    told = rows["old"]
    assert {name: told[name] for name in state} == state
    assert (told["week"], told["family"], told["depot"]) == ("2026-W14", "brook-20", "north")
    assert told["reason_facts"] == REASONS


def test_vans_without_causes_are_not_listed_and_no_van_is_an_empty_list() -> None:
    frame = pl.DataFrame(
        [dict.fromkeys(no_states().schema) | {"van_id": "healthy", "urgency": "healthy"}], schema=no_states().schema
    )
    found = watchlist(frame, posterior({"other": UNCLEAR}), week="2026-W14", before=())
    assert found.is_empty()
    assert dict(found.schema) == polars_schema(WATCHLIST)
    assert np.size(found["rank"]) == 0
