"""How far repeats lie apart: from which source, how wide with few, and that a visit's value covers it."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from scipy.stats import t as student

from data_contracts.states import REPEAT_SOURCES
from models.tracking.repeats import ENOUGH, covering, repeat_scatter, repeats_at_visits, scatter_of_repeats
from models.tracking.standardise import standardise
from models.tracking.visits import MAIN_PEAK, repeat_spread, tracked_captures, visits_of
from tests.readings_fleet import families, make_fleet, no_repairs

NONE = np.nan


def of(
    visit: float, count: int, van: float = NONE, degrees: float = 0.0, family: float = NONE
) -> tuple[float, str | None]:
    found = scatter_of_repeats(*(np.array([each]) for each in (visit, count, van, degrees, family)))
    return float(found.u[0]), found.source_names()[0]


@pytest.mark.parametrize(
    ("known", "source"),
    [
        ({"visit": NONE, "count": 0}, None),
        ({"visit": NONE, "count": 1}, None),
        ({"visit": 0.1, "count": 2}, None),  # two snaps say next to nothing
        ({"visit": 0.1, "count": 3}, "visit"),
        ({"visit": 0.1, "count": 3, "family": 0.1}, "family"),
        ({"visit": NONE, "count": 1, "family": 0.1}, "family"),
        ({"visit": 0.1, "count": 3, "van": 0.1, "degrees": 6.0, "family": 0.1}, "van"),
        ({"visit": 0.1, "count": 9, "van": 0.2, "degrees": 90.0, "family": 0.3}, "visit"),
        ({"visit": NONE, "count": 1, "van": 0.1, "degrees": 2.0}, "van"),
        ({"visit": 0.5, "count": 3, "van": 0.1, "degrees": 20.0, "family": 0.1}, "visit"),  # apart beyond chance
        ({"visit": 0.5, "count": 3, "van": 0.1, "degrees": 6.0, "family": 0.1}, "visit"),  # the past is few repeats
        ({"visit": 0.3, "count": 3, "van": 0.1, "degrees": 6.0, "family": 0.1}, "van"),  # one in a hundred does
        ({"visit": 0.5, "count": 8, "van": 0.1, "degrees": 1.0, "family": 0.1}, "van"),  # one pair proves nothing
        ({"visit": 0.5, "count": 3, "family": 0.1}, "visit"),
    ],
)
def test_the_nearest_source_that_has_seen_enough_is_used_and_named(known, source):
    u, named = of(**known)
    assert named == source
    assert named is None or named in REPEAT_SOURCES
    assert np.isfinite(u) == (source is not None)


def test_sources_are_pooled_by_their_repeats_and_widened_for_few():
    assert of(NONE, 1, family=0.2)[0] == pytest.approx(0.2)
    both = np.sqrt((2 * 0.1**2 + 6 * 0.12**2) / 8)
    assert of(0.1, 3, van=0.12, degrees=6.0)[0] == pytest.approx(both * student.ppf(0.97725, 8) / 2, rel=1e-4)
    assert of(0.1, 3)[0] == pytest.approx(0.1 * student.ppf(0.97725, 2) / 2, rel=1e-4)


@pytest.mark.parametrize("count", [3, 5, 9, 30])
def test_two_of_it_hold_95_percent_of_other_snaps_however_few_it_rests_on(count):
    rng = np.random.default_rng(count)
    snaps = rng.normal(0.0, 0.075, (40000, count + 1))
    sd, number = snaps[:, :count].std(axis=1, ddof=1), np.full(len(snaps), count)
    nothing = np.full(len(snaps), NONE)
    found = scatter_of_repeats(sd, number, nothing, np.zeros(len(snaps)), nothing)
    assert np.mean(np.abs(snaps[:, count]) <= 2.0 * found.u) == pytest.approx(0.9545, abs=0.006)


@pytest.mark.parametrize("degrees", [3, 8, 40])
def test_one_visit_in_a_hundred_speaks_for_itself_by_chance(degrees):
    rng = np.random.default_rng(degrees)
    own, past = rng.normal(0.0, 0.1, (40000, 6)), rng.normal(0.0, 0.1, (40000, degrees + 1))
    every, known = np.full(40000, 6), np.full(40000, float(degrees))
    found = scatter_of_repeats(own.std(axis=1, ddof=1), every, past.std(axis=1, ddof=1), known, np.full(40000, NONE))
    assert np.mean(found.source == REPEAT_SOURCES.index("visit")) == pytest.approx(0.01, abs=0.003)


def test_equal_repeats_are_no_error():
    assert of(0.0, ENOUGH + 1) == (0.0, "visit")
    assert of(0.0, 3, van=0.0, degrees=30.0) == (0.0, "van")


def test_a_visit_covers_trace_and_repeats():
    trace, apart = np.array([0.3, 0.3, np.nan]), np.array([0.4, np.nan, 0.4])
    assert covering("idle_g_s", trace, apart, np.array([1, 1, 1])) == pytest.approx([0.5, 0.3, 0.4])
    assert covering("idle_g_s", trace[:1], apart[:1], np.array([4])) == pytest.approx(
        np.hypot(0.3, 0.2 * np.sqrt(np.pi / 2))
    )
    assert covering("bank2_lean_needles", trace[:1], apart[:1], np.array([4])) == pytest.approx(np.hypot(0.3, 0.2))


def test_the_past_of_a_van_is_its_earlier_visits_alone():
    captures = tracked_captures(make_fleet(vans=12, weeks=12, seed=3).frame)
    visits, repeats = visits_of(captures), repeat_spread(captures)
    std = standardise(visits, repeats, families(), no_repairs())
    whole = repeat_scatter(std, repeats_at_visits(std, repeats))[MAIN_PEAK]
    early = visits.filter(pl.col("week") <= visits["week"].unique().sort()[7])
    part = standardise(early, repeats, families(), no_repairs())
    cut = repeat_scatter(part, repeats_at_visits(part, repeats))[MAIN_PEAK]
    mine = (
        visits.with_row_index()
        .join(early.select("van_id", "week"), on=["van_id", "week"], how="semi")["index"]
        .to_numpy()
    )
    of_van = cut.source < REPEAT_SOURCES.index("family")
    assert of_van.sum() > 30
    np.testing.assert_allclose(whole.u[mine][of_van], cut.u[of_van])


def test_a_fleet_that_reads_one_quantity_has_its_repeats():
    captures = tracked_captures(make_fleet(vans=4, weeks=4, seed=3).frame)
    visits, repeats = visits_of(captures), repeat_spread(captures)
    std = standardise(visits, repeats, families(), no_repairs())
    one = replace(std, quantities=(MAIN_PEAK,))
    told = repeats.with_columns(pl.col(MAIN_PEAK).fill_null(0.1).fill_nan(0.1))
    column = repeats_at_visits(std, told)[:, [std.quantities.index(MAIN_PEAK)]]
    np.testing.assert_array_equal(repeats_at_visits(one, told), column)
