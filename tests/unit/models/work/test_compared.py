"""Depots and families compared: what is counted, for how long, and what is said of few."""

from datetime import UTC, date, datetime

import polars as pl
import pytest

from data_contracts.tables import DEPOTS_COMPARED, polars_schema
from data_contracts.weeks import DAYS_A_MONTH
from models.work.compared import compared, months_watched, times_listed


def test_a_van_is_watched_from_the_week_of_its_first_visit_to_that_of_its_last() -> None:
    captures = pl.DataFrame(
        {
            "van_id": ["a", "a", "a", "b", "c"],
            "captured_at": [
                datetime(2025, 3, 1, tzinfo=UTC),
                datetime(2026, 1, 11, 23, tzinfo=UTC),
                datetime(2026, 1, 26, tzinfo=UTC),
                datetime(2026, 2, 4, tzinfo=UTC),
                datetime(2025, 3, 1, tzinfo=UTC),
            ],
        }
    )
    months = months_watched(captures, since=date(2026, 1, 5))
    assert dict(months.iter_rows()) == pytest.approx({"a": 28 / DAYS_A_MONTH, "b": 7 / DAYS_A_MONTH})
    assert months_watched(captures.clear(), since=date(2026, 1, 5)).is_empty()


def test_a_van_that_stays_on_the_list_came_onto_it_once() -> None:
    listed = pl.DataFrame(
        [
            ("2026-W01", "a"),
            ("2026-W02", "a"),
            ("2026-W04", "a"),
            ("2026-W04", "b"),
            ("2026-W07", "b"),
            ("2026-W01", "c"),
            ("2026-W05", "c"),
        ],
        schema=["week", "van_id"],
        orient="row",
    )
    lists = [
        "2026-W01",
        "2026-W02",
        "2026-W04",
        "2026-W05",
        "2026-W07",
    ]  # no run in two weeks; a list between for b and c
    assert dict(times_listed(listed, lists, since="2026-W02").iter_rows()) == {"b": 2, "c": 1}
    assert dict(times_listed(listed, lists, since="2026-W01").iter_rows()) == {"a": 1, "b": 2, "c": 2}
    empty_between = dict(times_listed(listed, [*lists, "2026-W03"], since="2026-W01").iter_rows())
    assert empty_between["a"] == 2
    assert times_listed(listed.clear(), lists, since="2026-W01").is_empty()


def fleet(listed: dict[str, int], *, months: float = 10.0, vans: int = 10) -> pl.DataFrame:
    rows = [
        {
            "depot": depot,
            "family": "brook-20",
            "months": months,
            "listed": int(n < count),
            "confirmed": 0,
            "false_alarms": 0,
        }
        for depot, count in listed.items()
        for n in range(vans)
    ]
    return pl.DataFrame(rows)


def test_a_depot_that_differs_is_named_and_the_others_are_not() -> None:
    rows = compared(
        fleet({"north": 14, "south": 1, "east": 2, "west": 1, "hill": 1}, vans=20, months=5.0), "depot", week="2026-W27"
    )
    assert rows.columns == [column.name for column in DEPOTS_COMPARED.columns]
    assert rows.schema == pl.Schema(polars_schema(DEPOTS_COMPARED))
    listed = {row["depot"]: row for row in rows.filter(pl.col("measure") == "listed").iter_rows(named=True)}
    assert {depot: row["differs"] for depot, row in listed.items() if row["differs"]} == {"north": "above"}
    north = listed["north"]
    assert (north["vans"], north["months"], north["count"], north["raw"]) == (20, 100.0, 14, 0.14)
    assert north["fleet"] < north["rate"] < north["raw"]
    assert all(row["rate_low"] < row["rate"] < row["rate_high"] for row in listed.values())


def test_where_nothing_was_found_nothing_is_compared() -> None:
    rows = compared(fleet({"north": 3, "south": 1}), "depot", week="2026-W27")
    nothing = rows.filter(pl.col("measure") != "listed")
    assert nothing["count"].sum() == 0
    assert nothing.select("rate", "rate_low", "rate_high", "fleet", "differs").null_count().row(0) == (4,) * 5
    one = (
        compared(fleet({"north": 3}), "depot", week="2026-W27").filter(pl.col("measure") == "listed").row(0, named=True)
    )
    assert (one["raw"], one["differs"]) == (0.03, None)
    assert one["rate"] == pytest.approx(0.03, rel=0.02)
