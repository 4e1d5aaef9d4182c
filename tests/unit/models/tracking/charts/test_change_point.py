"""Changes found where planted, silence on the null and on the lone outlier, onsets dated with honest intervals."""

import json

import numpy as np
import pytest

from data_contracts.errors import NotEnoughDataError
from models.change_point import change_points, date_onset
from tests.reference_files import HERE


def _series(name):
    return np.array(json.loads((HERE / "tcpd" / f"{name}.json").read_text(encoding="utf-8"))["values"])


@pytest.mark.parametrize(("name", "planted"), [("quality_control_1", 146), ("quality_control_2", 97), ("quality_control_3", 179)])  # fmt: skip
def test_planted_change_is_found_once(name, planted):
    found = change_points(_series(name))
    assert len(found) == 1
    assert abs(found[0] - planted) <= 5


def test_silent_on_the_null():
    assert change_points(_series("quality_control_5")) == ()


def test_the_lone_outlier_of_the_second_series_is_no_change():
    # Its outlier stands at 42, its change at 97.
    assert all(abs(point - 42) > 10 for point in change_points(_series("quality_control_2")))


def test_nile_flow_fell_in_1898():
    # Annual flow at Aswan from 1871; two of five annotators mark a change, all at index 28 or thereabouts.
    assert change_points(_series("nile")) == (28,)


def test_too_short_is_an_error():
    with pytest.raises(NotEnoughDataError):
        change_points(np.zeros(10))


@pytest.mark.parametrize("kind", ["step", "ramp"])
def test_onset_is_dated_with_a_covering_interval(kind):
    rng = np.random.default_rng(11)
    t, hits, right = np.arange(26.0), 0, 0
    for _ in range(200):
        shape = (t >= 14) * 4.0 if kind == "step" else np.maximum(t - 13, 0) * 0.8
        onset = date_onset(t, shape + rng.normal(0, 1, 26), sigma=1.0)
        hits += onset.low <= (14 if kind == "step" else 13) <= onset.high
        right += onset.kind == kind
    assert hits / 200 > 0.75  # an 80 % interval on whole weeks
    assert right / 200 > 0.8


def test_onset_stands_a_lone_outlier():
    x = np.concatenate([np.zeros(15), np.full(10, 6.0)]) + np.random.default_rng(1).normal(0, 0.5, 25)
    x[5] = 40.0
    assert date_onset(np.arange(25.0), x, sigma=0.5).time == 15.0
