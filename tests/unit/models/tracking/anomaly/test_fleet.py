"""The anomaly of a whole fleet: who trains, who is judged by whom, and what each quantity adds."""

import inspect
import io
import itertools
import re
import zipfile

import numpy as np
import pytest
import skops.io

from models.tracking.anomaly import fleet as fleet_anomaly
from models.tracking.anomaly.fleet import RECENT_VISITS, FleetAnomaly, calibration_rows, judge_fleet, views_of
from models.tracking.anomaly.score import (
    FOLDS,
    POOLED_PENALTY,
    calibrate,
    distance_of,
    features,
    folds_of,
    p_values,
    score_of,
)
from models.tracking.charts.alarms import raise_alarms
from models.tracking.charts.recursion import follow_vans
from models.tracking.standardise import standardise, vans_spread
from models.tracking.visits import repeat_spread, tracked_captures, visits_of
from tests.readings_fleet import families, make_fleet, no_repairs

PER_VAN_WEEK = 0.005


@pytest.fixture(scope="module")
def fleet():
    made = make_fleet(vans=45, weeks=16, seed=8)
    captures = tracked_captures(made.frame)
    std = standardise(visits_of(captures), repeat_spread(captures), families(), no_repairs())
    followed = follow_vans(
        std.x, std.variance, weeks=std.weeks, starts=std.starts, restart=std.restart, vans_spread=vans_spread(std)
    )
    return std, followed, raise_alarms(std, followed, per_van_week=PER_VAN_WEEK)


def _judge(fleet, *, most: float = 0.001) -> FleetAnomaly:
    return _judged(*fleet, false_discovery=0.1, most=most)


def _judged(std, followed, alarms, *, false_discovery: float, most: float) -> FleetAnomaly:
    latest = std.starts[1:] - 1
    views = views_of(followed, alarms, calibration_rows(std, latest))
    quiet = ~alarms.any.any(axis=1)
    return judge_fleet(std, views, quiet, latest, false_discovery=false_discovery, most=most)


@pytest.fixture(scope="module")
def judged(fleet) -> FleetAnomaly:
    return _judge(fleet)


def test_every_van_has_a_score_and_a_p_value_and_the_highest_score_the_lowest(fleet, judged):
    std, _, alarms = fleet
    assert judged.p.shape == judged.score.shape == (45,)
    assert np.isfinite(judged.score).all()
    assert ((judged.p > 0) & (judged.p <= 1)).all()
    for f in range(len(std.families)):
        of = std.family[std.starts[:-1]] == f
        assert (np.diff(judged.p[of][np.argsort(judged.score[of])]) <= 1e-12).all()
    in_alarm = alarms.any[std.starts[1:] - 1].sum(axis=1)
    assert judged.score[in_alarm >= 3].min() > np.median(judged.score)


def test_who_is_flagged_is_resolved_by_what_in_parts_that_sum_to_the_score(judged):
    assert 2 <= judged.flagged.sum() <= 20
    assert (judged.p[judged.flagged] <= 0.001).all()
    assert judged.contributions[judged.flagged].sum(axis=1) == pytest.approx(judged.score[judged.flagged])
    assert (judged.contributions[judged.flagged] >= 0).all()
    assert np.isnan(judged.contributions[~judged.flagged]).all()


def test_none_is_flagged_beyond_the_accepted_false_alarms(fleet):
    none = _judge(fleet, most=0.0)
    assert not none.flagged.any()
    assert np.isnan(none.contributions).all()


def test_fitted_and_written_twice_it_is_the_same_to_the_bit():
    """By the functions themselves: other tests share what these made once. Names of parts in a file are places in memory."""
    fit, dumps = inspect.unwrap(fleet_anomaly._trained), inspect.unwrap(skops.io.dumps)
    seen = np.random.default_rng(5).normal(size=(300, 6))
    one, two = (fit(seen, np.arange(200)) for _ in range(2))
    assert one is not two
    np.testing.assert_array_equal(score_of(one, seen), score_of(two, seen))
    assert _parts(dumps(one)) == _parts(dumps(two))


def _parts(dumped: bytes) -> list[bytes]:
    """What a written model holds, in order, without the names of its parts."""
    with zipfile.ZipFile(io.BytesIO(dumped)) as file:
        return [re.sub(rb'(?<="__id__": )\d+|\d+(?=\.npy")', b"", file.read(name)) for name in file.namelist()]


def test_a_card_tells_how_each_model_was_made(fleet, judged):
    std = fleet[0]
    assert sorted(family for card in judged.cards for family in card["judges"]) == sorted(std.families)
    assert {card["family"] for card in judged.cards} == set(judged.models)
    for card in judged.cards:
        assert card["folds"] == FOLDS
        assert 0 < card["training_rows"] < len(std.x)
        assert card["calibration_rows"] > 100
        assert len(card["features"]) == 3 * len(judged.names)
        assert len(set(card["features"])) == len(card["features"])
        shares = list(card["calibration_quantiles"].values())
        assert shares == sorted(shares)
        assert len(card["training_rows_hash"]) == 64
    hashes = [card["training_rows_hash"] for card in judged.cards]
    assert len(set(hashes)) == len(hashes)


def test_a_small_family_is_judged_by_all_families_and_pays_for_it(fleet, judged):
    std = fleet[0]
    small = [card for card in judged.cards if "+" in card["family"]]
    assert [card["family"] for card in small] in ([], ["+".join(std.families)])
    for card in small:
        of = np.isin(np.array(std.families)[std.family[std.starts[:-1]]], card["judges"])
        assert judged.p[of].min() >= POOLED_PENALTY * 0.1 / (card["calibration_rows"] + 1)


def test_in_a_fleet_of_small_families_the_pooled_model_judges_and_credits():
    made = make_fleet(vans=18, weeks=12, seed=8, faulty=0.4)
    captures = tracked_captures(made.frame)
    std = standardise(visits_of(captures), repeat_spread(captures), families(), no_repairs())
    followed = follow_vans(
        std.x, std.variance, weeks=std.weeks, starts=std.starts, restart=std.restart, vans_spread=vans_spread(std)
    )
    alarms = raise_alarms(std, followed, per_van_week=PER_VAN_WEEK)
    found = _judged(std, followed, alarms, false_discovery=0.9, most=1.0)
    assert list(found.models) == ["+".join(std.families)]
    assert found.flagged.any()
    assert found.contributions[found.flagged].sum(axis=1) == pytest.approx(found.score[found.flagged])


def test_features_stand_in_blocks_are_clipped_and_unread_is_nothing():
    f = features(np.array([[1.0, np.nan]]), np.array([[-9.0, 2.0]]), np.array([[3.0, np.inf]]))
    assert f.tolist() == [[1.0, 0.0, -8.0, 2.0, 3.0, 0.0]]
    assert distance_of(f)[0] == pytest.approx(np.log1p(64.0 + 4.0))  # each quantity by its most telling view


def test_folds_share_out_the_vans_evenly():
    counts = np.bincount(folds_of([f"v{n:02d}" for n in range(31)]), minlength=FOLDS)
    assert counts.max() - counts.min() <= 1


def test_a_tail_goes_on_where_the_healthy_scores_end_and_errs_to_larger():
    scores = np.arange(100.0)
    found = calibrate(np.append(scores, np.nan))
    assert (found.scores.size, found.threshold) == (100, 94.0)
    assert found.excess == pytest.approx(3.0 * (1 + 1 / np.sqrt(5)))  # mean of 1 to 5
    p = p_values(np.array([50.0, 99.0, 120.0]), found)
    assert p[0] == pytest.approx(51 / 101)
    assert p[1] >= 2 / 101
    assert p[2] == pytest.approx(0.05 * np.exp(-26.0 / found.excess))
    few = calibrate(np.arange(39.0))
    assert (few.threshold, few.excess) == (np.inf, 0.0)
    assert p_values(np.array([99.0]), few) == pytest.approx([1 / 40])
    assert p_values(np.array([99.0]), calibrate(np.empty(0))).tolist() == [1.0]


def test_the_recent_quiet_visits_of_quiet_vans_calibrate(fleet, judged):
    """Counted van by van; of 16 visits none is older than what counts as recent, so a fleet of longer memory is cut short."""
    std, _, alarms = fleet
    quiet = ~alarms.any.any(axis=1)
    count = 0
    for begin, end in itertools.pairwise(std.starts):
        recent = quiet[max(begin, end - RECENT_VISITS) : end]
        count += int(recent.sum()) if recent.all() else 0
    assert {card["calibration_rows"] for card in judged.cards} == {count}


def test_only_so_many_visits_of_a_van_are_recent():
    made = make_fleet(vans=12, weeks=RECENT_VISITS + 8, seed=3, faulty=0.0, missing=0.0)
    captures = tracked_captures(made.frame)
    std = standardise(visits_of(captures), repeat_spread(captures), families(), no_repairs())
    rows = calibration_rows(std, std.starts[1:] - 1)
    of = np.bincount(std.van[rows])
    assert of.tolist() == np.minimum(np.diff(std.starts), RECENT_VISITS).tolist()
    old = std.starts[:-1]
    assert set(old) <= set(calibration_rows(std, old))  # what is judged is among them however old
