"""False-discovery control against its own paper, conformal p-values, tails and contributions."""

import numpy as np
import pytest
from scipy.stats import false_discovery_control

from data_contracts.errors import NotEnoughDataError
from models.statistics.multiple_testing import adjusted_p, conformal_p
from models.tracking.anomaly.score import calibrate, distance_of, features, folds_of, make_model, p_values, score_of
from tests.reference_files import reference_rows


def test_benjamini_hochberg_own_example():
    # 15 p-values of Benjamini and Hochberg 1995: four are rejected at 0.05.
    rows = reference_rows("trend/bh_pvalues.csv")
    p = np.array([float(row["p"]) for row in rows])
    adjusted = adjusted_p(p)
    assert adjusted == pytest.approx(np.array([float(row["p_adj_bh"]) for row in rows]), abs=5e-5)
    assert adjusted == pytest.approx(false_discovery_control(p))
    assert int((adjusted <= 0.05).sum()) == 4


def test_adjusted_p_leaves_out_what_is_no_test():
    assert np.isnan(adjusted_p(np.array([0.01, np.nan, 0.5]))).tolist() == [False, True, False]


def test_conformal_p_by_hand():
    assert conformal_p(np.array([2.5, 0.0, 9.0]), np.array([1.0, 2.0, 3.0])) == pytest.approx([0.5, 1.0, 0.25])


def test_conformal_p_without_calibration_is_an_error():
    with pytest.raises(NotEnoughDataError):
        conformal_p(np.array([1.0]), np.array([np.nan]))


@pytest.mark.parametrize("draw", [lambda rng, n: rng.normal(size=n), lambda rng, n: rng.exponential(size=n), lambda rng, n: rng.standard_t(3, n)])  # fmt: skip
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
