"""Working scales: there and back, what has no logarithm, and the slope between."""

import numpy as np
import pytest

from models.tracking.scales import derivative, from_scale, scale_of, to_scale

LOG, ROOT, PLAIN = "main_peak_reference_g_s", "lean_needles", "lambda_full_throttle"


@pytest.mark.parametrize("quantity", [LOG, ROOT, PLAIN])
def test_there_and_back_and_the_slope_between(quantity):
    values = np.array([0.5, 1.0, 7.0, 120.0])
    scaled = to_scale(quantity, values)
    assert from_scale(quantity, scaled) == pytest.approx(values)
    step = 1e-6
    slope = (from_scale(quantity, scaled + step) - from_scale(quantity, scaled - step)) / (2 * step)
    assert derivative(quantity, scaled) == pytest.approx(slope, rel=1e-6)


def test_each_scale_by_hand():
    assert [scale_of(name) for name in (LOG, ROOT, PLAIN)] == ["log", "root", "plain"]
    assert to_scale(LOG, np.array([np.e])) == pytest.approx([1.0])
    assert np.isnan(to_scale(LOG, np.array([0.0, -1.0, np.nan]))).all()
    assert to_scale(ROOT, np.array([0.0, 8.625, -3.0])) == pytest.approx([0.375**0.5, 3.0, 0.375**0.5])
    assert from_scale(ROOT, np.array([-1.0])) == pytest.approx(
        [-0.375]
    )  # no count of events is below what zero comes to
    assert derivative(ROOT, np.array([3.0, -3.0])) == pytest.approx([6.0, 0.0])
    assert to_scale(PLAIN, np.array([-2.0, 0.0])).tolist() == [-2.0, 0.0]
    assert from_scale(LOG, np.array([900.0])) == pytest.approx(np.exp(50.0))  # never infinite
    assert derivative(LOG, np.array([900.0])) == pytest.approx(np.exp(50.0))
