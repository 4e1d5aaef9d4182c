"""Changes found where planted, silence on the null and on the lone outlier."""

import json

import numpy as np
import pytest

from data_contracts.errors import NotEnoughDataError
from models.change_point import change_points
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
