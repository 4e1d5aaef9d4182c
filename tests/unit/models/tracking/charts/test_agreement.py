"""A single visit as evidence: several quantities far outside, and every repeat says so."""

from types import SimpleNamespace

import numpy as np
import polars as pl
import pytest

from models.tracking.assess import Assessment, TrackingSettings, assess
from models.tracking.charts.agreement import BASELINE_VISITS, FAR, far_at_once, repeats_apart
from models.tracking.restarts import REPAIRED
from models.tracking.standardise import standardise
from models.tracking.visits import repeat_spread, tracked_captures, visits_of
from tests.readings_fleet import ReadingsFleet, families, make_fleet, no_repairs

ONE_VISIT = TrackingSettings(one_visit_lists=True)
MOVED = ("idle_g_s", "first_peak_g_s")
FACTOR = 1.5
"""Far outside: visits scatter by one to two per cent."""


@pytest.fixture(scope="module")
def fleet() -> ReadingsFleet:
    return make_fleet(vans=24, weeks=9, seed=5, faulty=0.0)


def judged(
    fleet: ReadingsFleet,
    *,
    quantities: tuple[str, ...] = MOVED,
    snaps: tuple[int, ...] = (0, 1, 2),
    week: int = -1,
    kept: int = 3,
    sent_back: bool = False,
) -> tuple[str, Assessment]:
    """The fleet with one van's last visit moved in some of its repeats, judged as of a week."""
    van = fleet.frame["van_id"].max()
    assert isinstance(van, str)
    last = fleet.weeks[week]
    mine = (pl.col("van_id") == van) & (pl.col("week") == last)
    place = pl.int_range(pl.len()).over("van_id", "visit")
    moved = mine & place.is_in(snaps)
    frame = fleet.frame.with_columns(
        pl.when(moved).then(pl.col(name) * FACTOR).otherwise(name).alias(name) for name in quantities
    ).filter(~mine | (place < kept))
    if sent_back:
        frame = frame.with_columns(
            grade=pl.when(mine).then(pl.lit("repeat")).otherwise("grade"),
            grade_reasons=pl.when(mine).then(["throttle_not_full"]).otherwise("grade_reasons"),
        )
    return van, assess(frame, families=families(), repairs=no_repairs(), week=last, settings=ONE_VISIT)


def listed(van: str, found: Assessment) -> bool:
    return bool(found.states.filter("alarm", pl.col("van_id") == van).height)


def test_one_visit_lists_a_van_where_several_quantities_agree_and_says_that_it_was_seen_once(
    fleet: ReadingsFleet,
) -> None:
    van, found = judged(fleet)
    row = found.states.row(by_predicate=pl.col("van_id") == van, named=True)
    assert row["alarm"]
    assert set(row["outside"]) == set(MOVED)
    codes = {fact["code"]: fact for fact in row["reason_facts"]}
    assert "seen_once" in codes
    at = found.residuals.van_ids.index(van)
    assert found.residuals.visits[at] == 1
    q = found.residuals.quantities.index("idle_g_s")
    assert found.residuals.shift[at, q] / found.residuals.expected[at, q] == pytest.approx(FACTOR - 1.0, abs=0.05)
    trend = found.trends.filter((pl.col("van_id") == van) & pl.col("alarm"))
    assert set(trend["alarm_since"]) == {fleet.weeks[-1]}


@pytest.mark.parametrize(
    "change",
    [
        {"snaps": (0, 1)},  # the third snap is as ever
        {"quantities": MOVED[:1]},
        {"kept": 1},
        {"sent_back": True},
        {"week": BASELINE_VISITS - 1},  # too few visits before it
    ],
)
def test_one_visit_lists_no_van_where_that_is_not_evidence(fleet: ReadingsFleet, change: dict[str, object]) -> None:
    assert not listed(*judged(fleet, **change))  # type: ignore[arg-type]


def test_one_quantity_alone_is_no_evidence_and_what_repeats_lie_apart_is_taken_off() -> None:
    z = np.zeros((6, 3))
    z[5] = [FAR + 0.5, 0.0, 0.0]
    std = SimpleNamespace(x=z, variance=np.ones((6, 3)), starts=np.array([0, 6]), restart=np.zeros((6, 3), np.int8))
    followed = SimpleNamespace(z=z, baseline_variance=np.zeros((6, 3)))

    def far(apart: float = 0.0, restless: float = 1.0) -> list[bool]:
        found = far_at_once(std, followed, np.full((6, 3), apart), np.full((6, 3), restless))  # type: ignore[arg-type]
        assert not found[:5].any()
        return found[5].tolist()  # type: ignore[no-any-return]

    assert far() == [False] * 3
    z[5, 1] = -FAR - 0.5
    assert far() == [True, True, False]
    assert far(apart=0.6) == far(restless=1.2) == [False] * 3
    assert far(apart=np.inf) == [False] * 3
    z[5, 0] = 50.0
    assert far() == [True, True, False]
    std.restart[3, 1] = REPAIRED
    assert far() == [False] * 3  # the baseline of one has started again


def test_the_visit_after_decides_whether_it_stays(fleet: ReadingsFleet) -> None:
    van, _ = judged(fleet, week=-2)
    mine = (pl.col("van_id") == van) & (pl.col("week") == fleet.weeks[-2])
    frame = fleet.frame.with_columns(pl.when(mine).then(pl.col(n) * FACTOR).otherwise(n).alias(n) for n in MOVED)
    after = assess(frame, families=families(), repairs=no_repairs(), week=fleet.weeks[-1], settings=ONE_VISIT)
    assert not listed(van, after)


def test_healthy_visits_are_not_listed_for_it() -> None:
    quiet = make_fleet(vans=300, weeks=16, seed=11, faulty=0.0)
    captures = tracked_captures(quiet.frame)
    std = standardise(visits_of(captures), repeat_spread(captures), families(), no_repairs())
    apart = repeats_apart(std, repeat_spread(captures), captures)
    assert np.isfinite(apart).any(axis=0).sum() > 10
    found = assess(quiet.frame, families=families(), repairs=no_repairs(), week=quiet.weeks[-1], settings=ONE_VISIT)
    once = [facts for facts in found.states["reason_facts"] if any(fact["code"] == "seen_once" for fact in facts)]
    assert len(once) <= 1
