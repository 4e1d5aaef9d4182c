"""A limit of its own for the settle: two visits running, told by two snaps each, and what an order makes of it."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from data_contracts.bilingual import LANGUAGES
from data_contracts.facts.rendering import render
from data_contracts.family import parse_family
from data_contracts.limits import SETTLE_TIME_MOST_S
from models.work.settling import late_to_settle
from models.work.urgency import Finding, urgency_of
from models.work.worth import NO_WORTH, RankingSettings

TABLE: dict[str, object] = {
    "displacement_l": 3.0,
    "cylinders": 6,
    "aspiration": "natural",
    "max_free_rpm": 6000,
    "airflow_sensor": {"kind": "g_s"},
    "lambda_sensor": {"kind": "ratio"},
}
FAMILY = parse_family("moor-30", TABLE)
START = datetime(2026, 3, 2, 9, tzinfo=UTC)
NO_REPAIRS = pl.DataFrame(schema={"van_id": pl.String, "done_at": pl.Datetime("us", "UTC")})
Snaps = list[tuple[float | None, float | None]]


def captures(*visits: Snaps) -> pl.DataFrame:
    """A van's snaps, visit by visit: settle time, and for how long an unsettled one was recorded after the release. [s]"""
    rows = [
        ("v1", FAMILY.name, START + timedelta(weeks=week, minutes=n), f"v1-{week}", settle, unsettled)
        for week, snaps in enumerate(visits)
        for n, (settle, unsettled) in enumerate(snaps)
    ]
    return pl.DataFrame(
        rows,
        schema={
            "van_id": pl.String,
            "family": pl.String,
            "captured_at": pl.Datetime("us", "UTC"),
            "visit": pl.String,
            "settle_time_s": pl.Float64,
            "unsettled_s": pl.Float64,
        },
        orient="row",
    )


def late(*visits: Snaps, repairs: pl.DataFrame = NO_REPAIRS) -> dict[str, float]:
    found = late_to_settle(captures(*visits), repairs, {FAMILY.name: FAMILY})
    assert all(fact.numbers["limit"] == SETTLE_TIME_MOST_S for fact in found.values())
    return {van_id: fact.numbers["level"] for van_id, fact in found.items()}


SOON: Snaps = [(1.2, None), (1.3, None), (2.9, None)]
LATE: Snaps = [(4.2, None), (3.9, None), (4.4, None)]
HUNTS: Snaps = [(None, 4.0), (None, 4.1), (None, 3.9)]
ENDS_EARLY: Snaps = [(None, 0.7), (None, 0.7), (None, 0.7)]
ONE_SWING: Snaps = [(1.2, None), (1.3, None), (5.0, None)]


@pytest.mark.parametrize(
    ("visits", "level"),
    [
        ([SOON, SOON, SOON], None),
        ([SOON, LATE], None),
        ([LATE, LATE], 4.2),
        ([HUNTS, HUNTS], 4.0),
        ([LATE, HUNTS], 4.0),
        ([LATE, SOON, LATE], None),
        ([LATE, LATE, SOON], None),
        ([LATE, ENDS_EARLY, LATE], 4.2),
        ([ENDS_EARLY, ENDS_EARLY], None),
        ([ONE_SWING, ONE_SWING], None),
        ([[(4.2, None)], [(4.2, None)]], None),
        ([LATE], None),
        ([], None),
    ],
)
def test_two_visits_running_and_two_snaps_of_each_must_show_it(visits: list[Snaps], level: float | None) -> None:
    assert late(*visits) == ({} if level is None else {"v1": level})


def test_what_was_before_a_repair_no_longer_counts() -> None:
    done = pl.DataFrame({"van_id": ["v1"], "done_at": [START + timedelta(days=3)]})
    assert late(LATE, LATE, repairs=done.cast(dict(NO_REPAIRS.schema))) == {}
    assert late(LATE, LATE, LATE, repairs=done.cast(dict(NO_REPAIRS.schema))) == {"v1": 4.2}


def test_a_family_may_have_its_own_limit() -> None:
    own = parse_family(FAMILY.name, TABLE | {"limits": {"settle_time_most_s": 5.0}})
    assert own.limits.settle_time_s == 5.0
    assert late_to_settle(captures(LATE, LATE), NO_REPAIRS, {FAMILY.name: own}) == {}
    with pytest.raises(ValueError, match=r"limits\.settle_time_most_s"):
        parse_family(FAMILY.name, TABLE | {"limits": {"settle_time_most_s": 0.0}})


def test_such_a_van_is_planned_for_and_says_why_in_every_language() -> None:
    (fact,) = late_to_settle(captures(HUNTS, LATE), NO_REPAIRS, {FAMILY.name: FAMILY}).values()
    assert render(fact) == (
        "After a snap the engine takes 4 s or longer to come back to idle, at two visits running (limit 3.5 s): it may stall."
    )
    for language in LANGUAGES:
        assert "4" in render(fact, language)
    sound = Finding({"none": 0.9, "lambda_slow": 0.1}, "none", 0.1, alarm=False)
    assert urgency_of(sound, NO_WORTH, RankingSettings()).word == "watch"
    told = urgency_of(replace(sound, settling=fact), NO_WORTH, RankingSettings())
    assert (told.word, told.why) == ("plan", (fact,))
    proving = urgency_of(replace(sound, settling=fact, repaired_on="2026-03-02"), NO_WORTH, RankingSettings())
    assert proving.word == "watch"
