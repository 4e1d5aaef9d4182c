"""False-discovery control against its own paper, conformal p-values, tails and contributions."""

import numpy as np
import pytest

from data_contracts.errors import NotEnoughDataError
from models.statistics.conformal import conformal_p
from models.tracking.anomaly.score import (
    calibrate,
    distance_of,
    features,
    flag,
    folds_of,
    make_model,
    p_values,
    score_of,
)
from tests.reference_files import reference_rows


def test_benjamini_hochberg_own_example():
    # 15 p-values of Benjamini and Hochberg 1995: four are rejected at 0.05; adjusted values as another library prints them.
    rows = reference_rows("trend/bh_pvalues.csv")
    p, adjusted = (np.array([float(row[name]) for row in rows]) for name in ("p", "p_adj_bh"))
    assert flag(p, false_discovery=0.05, most=1.0).sum() == 4
    for rate in (0.04, 0.0625, 0.07, 0.5, 0.8):
        assert flag(p, false_discovery=rate, most=1.0).tolist() == (adjusted <= rate).tolist()
    assert flag(p, false_discovery=0.05, most=0.001).sum() == 2
    assert flag(p[:0], false_discovery=0.05, most=1.0).tolist() == []


def test_a_rate_that_is_just_met_is_met():
    assert flag(np.array([0.05]), false_discovery=0.05, most=0.05).tolist() == [True]
    assert flag(np.array([0.05]), false_discovery=0.0499, most=1.0).tolist() == [False]
    assert flag(np.array([0.05]), false_discovery=1.0, most=0.0499).tolist() == [False]


def test_conformal_p_by_hand():
    assert conformal_p(np.array([2.5, 0.0, 9.0]), np.array([1.0, 2.0, 3.0])) == pytest.approx([0.5, 1.0, 0.25])


def test_conformal_p_without_calibration_is_an_error():
    with pytest.raises(NotEnoughDataError):
        conformal_p(np.array([1.0]), np.array([np.nan]))


@pytest.mark.parametrize(
    "draw",
    [lambda rng, n: rng.normal(size=n), lambda rng, n: rng.exponential(size=n), lambda rng, n: rng.standard_t(3, n)],
)
def test_p_values_are_super_uniform_far_into_the_tail(draw):
    rng = np.random.default_rng(5)
    for share in (0.1, 0.01, 0.002):
        hits = [np.mean(p_values(draw(rng, 2000), calibrate(draw(rng, 400))) <= share) for _ in range(40)]
        assert np.mean(hits) <= share * 1.25 + 2.0 * np.std(hits) / np.sqrt(40)


def test_scores_rank_far_above_near_and_unread_is_no_evidence():
    rng = np.random.default_rng(2)
    peer, own, latest = (rng.normal(size=(300, 4)) for _ in range(3))
    f = features(peer, own, latest)
    model = make_model(1).fit(f)
    far = features(np.full((1, 4), 6.0), np.full((1, 4), 6.0), np.full((1, 4), 6.0))
    nothing = features(np.full((1, 4), np.nan), np.full((1, 4), np.nan), np.full((1, 4), np.nan))
    assert score_of(model, far)[0] > np.quantile(score_of(model, f), 0.99)
    assert distance_of(nothing)[0] == 0.0 < distance_of(far)[0]


def test_folds_do_not_depend_on_order():
    names = ["b", "c", "a", "d"]
    assert dict(zip(names, folds_of(names), strict=True)) == dict(
        zip(sorted(names), folds_of(sorted(names)), strict=True)
    )
