"""What repeats, visits and recorders add to a visit's uncertainty, held against the textbook's nested analysis of variance."""

import numpy as np
import polars as pl
import pytest

from models.tracking.standardise import Standardised, standardise
from models.tracking.visits import repeat_spread, tracked_captures, visits_of
from tests.readings_fleet import families, make_fleet, no_repairs
from tests.reference_files import reference_rows

LEVEL = "lambda_full_throttle"


def nested_components(values: np.ndarray, van: np.ndarray, visit: np.ndarray) -> tuple[float, float, float]:
    """Variances of repeats, visits and vans of balanced data, by expected mean squares."""
    visits, visit_code = np.unique(visit, return_inverse=True)
    vans, van_code = np.unique(van, return_inverse=True)
    repeats, per_van = values.size / visits.size, visits.size / vans.size
    visit_mean = np.bincount(visit_code, values) / repeats
    van_mean = np.bincount(van_code, values) / (repeats * per_van)
    van_of = np.zeros(visits.size, int)
    van_of[visit_code] = van_code
    ms_repeats = np.sum((values - visit_mean[visit_code]) ** 2) / (values.size - visits.size)
    ms_visits = repeats * np.sum((visit_mean - van_mean[van_of]) ** 2) / (visits.size - vans.size)
    ms_vans = repeats * per_van * np.sum((van_mean - values.mean()) ** 2) / (vans.size - 1)
    return ms_repeats, (ms_visits - ms_repeats) / repeats, (ms_vans - ms_visits) / (repeats * per_van)


def test_published_example_of_a_nested_analysis():
    rows = reference_rows("variance_components/paste_strength.csv")
    strength = np.array([float(r["strength"]) for r in rows])
    delivery = np.array([r["delivery"] for r in rows])
    cask = np.array([r["delivery"] + r["cask"] for r in rows])
    analyses, casks, deliveries = nested_components(strength, delivery, cask)
    assert analyses == pytest.approx(0.678, abs=5e-4)
    assert casks == pytest.approx((17.545 - 0.678) / 2, abs=1e-3)
    assert deliveries == pytest.approx((27.489 - 17.545) / 6, abs=1e-3)


def _standardised(frame: pl.DataFrame) -> Standardised:
    captures = tracked_captures(frame)
    return standardise(visits_of(captures), repeat_spread(captures), families(), no_repairs())


def test_tracking_finds_the_components_the_textbook_finds():
    """On normal data the robust scales of tracking and the analysis of variance agree; vans of one family, quantity of plain scale."""
    fleet = make_fleet(vans=240, weeks=12, seed=6, faulty=0.0, heavy=False)
    std = _standardised(fleet.frame)
    f, q = std.families.index("heron-16"), std.quantities.index(LEVEL)
    part = fleet.frame.filter((pl.col("family") == "heron-16") & pl.col(LEVEL).is_not_null())
    part = part.filter(pl.len().over("visit") == 3).sort("van_id", "visit")
    part = part.filter(pl.col("visit").n_unique().over("van_id") >= 10)
    part = part.filter(pl.col("visit").rank("dense").over("van_id") <= 10)
    repeats, visits, vans = nested_components(*(part[c].to_numpy() for c in (LEVEL, "van_id", "visit")))
    assert std.repeat_share[f, q] * std.scatter[f, q] == pytest.approx(np.sqrt(repeats), rel=0.1)
    median_of_three = 0.4487 * repeats  # variance of the median of three normal values, by order statistics
    assert std.scatter[f, q] == pytest.approx(np.sqrt(visits + median_of_three), rel=0.15)
    assert std.levels[f, q].spread == pytest.approx(np.sqrt(vans), rel=0.25)


def test_fewer_repeats_are_less_certain_by_the_repeats_component():
    fleet = make_fleet(vans=40, weeks=12, seed=6, faulty=0.0)
    last = fleet.frame["week"].max()
    single = fleet.frame.filter((pl.col("week") != last) | pl.col("capture_id").str.ends_with("-0"))
    whole, fewer = _standardised(fleet.frame), _standardised(single)
    q = whole.quantities.index(LEVEL)
    rows = np.flatnonzero((whole.visits["week"] == last).to_numpy() & np.isfinite(whole.x[:, q]))
    share = fewer.repeat_share[fewer.family[rows], q] ** 2
    assert np.allclose(
        fewer.variance[rows, q] - whole.variance[rows, q], share * (1.0 - 1.0 / 3.0), rtol=0.15, atol=0.05
    )


def test_a_recorder_nobody_knows_adds_what_recorders_differ_by():
    fleet = make_fleet(vans=60, weeks=16, seed=14, faulty=0.0)
    gain = {f"R{n}": 1.0 + 0.03 * (-1) ** n for n in range(6)}  # six recorders 3 % apart from the truth
    flow = pl.col("idle_g_s") * pl.col("recorder_serial").replace_strict(gain, return_dtype=pl.Float64)
    frame = fleet.frame.with_columns(idle_g_s=flow)
    unnamed = pl.when(pl.col("visit").str.ends_with("-015")).then(None).otherwise("recorder_serial")
    named, without = _standardised(frame), _standardised(frame.with_columns(recorder_serial=unnamed))
    q = named.quantities.index("idle_g_s")
    late = without.visits["recorder_serial"].is_null().to_numpy()
    assert late.any()
    added = without.variance[late, q] - named.variance[late, q]
    spread = 0.03 / without.scatter[without.family[late], q]
    assert np.median(added / spread**2) == pytest.approx(1.0, abs=0.5)
    assert np.abs(without.variance[~late, q] / named.variance[~late, q] - 1.0).max() < 0.2
