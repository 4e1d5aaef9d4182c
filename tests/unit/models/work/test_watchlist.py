"""The week's list: its order, what lifts a van to be planned for, and who is new."""

from typing import Any

import numpy as np
import polars as pl
import pytest

from data_contracts.causes import CAUSE_CODES, NONE, NOT_SEPARABLE
from data_contracts.facts.fact import Fact
from data_contracts.tables import WATCHLIST, polars_schema
from models.tracking.state.states import no_states
from models.work.watchlist import watchlist
from tests.unit.models.work.posteriors import posterior

REASONS = [Fact.of("limit_crossed", "main_peak_reference_g_s").row()]
UNCLEAR = {NONE: 0.3, "lambda_slow": 0.25, "ignition_weak": 0.25, "fuel_aeration": 0.2}


def listed(
    states: dict[str, dict[str, Any]], causes: dict[str, dict[str, float]] | None = None, before: tuple[str, ...] = ()
) -> list[dict[str, Any]]:
    """Rows of the list made of these vans' states, delivered in this order."""
    usual = dict.fromkeys(no_states().schema) | {"family": "brook-20", "depot": "north", "reason_facts": REASONS}
    frame = pl.DataFrame(
        [usual | {"van_id": van_id} | state for van_id, state in states.items()], schema=no_states().schema
    )
    found = posterior(causes or dict.fromkeys(states, UNCLEAR))
    rows = watchlist(frame, found, week="2026-W14", before=before)
    assert dict(rows.schema) == polars_schema(WATCHLIST)
    assert rows["rank"].to_list() == list(range(1, rows.height + 1))
    return rows.to_dicts()


def order(states: dict[str, dict[str, Any]]) -> list[str]:
    return [row["van_id"] for row in listed(states)]


def test_urgency_comes_before_the_nearest_limit_before_the_strongest_anomaly_before_the_name() -> None:
    assert order(
        {
            "watch": {"urgency": "watch", "weeks_to_limit": 0.5, "anomaly_score": 90.0},
            "plan": {"urgency": "plan", "weeks_to_limit": 1.0, "anomaly_score": 50.0},
            "now": {"urgency": "now", "weeks_to_limit": 3.0, "anomaly_score": 1.0},
        }
    ) == ["now", "plan", "watch"]
    assert order(
        {
            "none": {"urgency": "plan", "anomaly_score": 9.0},
            "far": {"urgency": "plan", "weeks_to_limit": 6.0, "anomaly_score": 9.0},
            "near": {"urgency": "plan", "weeks_to_limit": 2.0, "anomaly_score": 1.0},
            "crossed": {"urgency": "plan", "weeks_to_limit": 0.0, "anomaly_score": 0.5},
        }
    ) == ["crossed", "near", "far", "none"]
    assert order(
        {
            "quiet": {"urgency": "watch"},
            "odd": {"urgency": "watch", "anomaly_score": 2.0},
            "oddest": {"urgency": "watch", "anomaly_score": 5.0},
        }
    ) == ["oddest", "odd", "quiet"]
    assert order({"b": {"urgency": "watch"}, "a": {"urgency": "watch"}}) == ["a", "b"]


@pytest.mark.parametrize(("urgency", "lifted"), [("watch", "plan"), ("plan", "plan"), ("now", "now")])
def test_a_named_cause_lifts_a_van_to_watch_and_no_other(urgency: str, lifted: str) -> None:
    (row,) = listed({"v": {"urgency": urgency}}, {"v": {"lambda_slow": 0.8, NONE: 0.2}})
    assert (row["urgency"], row["leading_cause"]) == (lifted, "lambda_slow")


def test_a_lifted_van_ranks_among_the_planned() -> None:
    states = {"unclear": {"urgency": "watch", "weeks_to_limit": 1.0}, "named": {"urgency": "watch"}}
    rows = listed(states, {"unclear": UNCLEAR, "named": {"lambda_slow": 0.8, NONE: 0.2}})
    assert [(row["van_id"], row["urgency"]) for row in rows] == [("named", "plan"), ("unclear", "watch")]


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
