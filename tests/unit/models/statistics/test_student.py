"""Student's factor against printed tables, and against scipy between them."""

import numpy as np
import pytest
from scipy import stats

from models.statistics.student import quantile_ratio, student_factor

# Two-sided 95 % points of Student's t as every table prints them, JCGM 100:2008 table G.2 among them (figures as remembered).
PRINTED = {1: 12.71, 2: 4.30, 3: 3.18, 4: 2.78, 5: 2.57, 6: 2.45, 8: 2.31, 10: 2.23, 20: 2.09, 50: 2.01, 100: 1.984}


@pytest.mark.parametrize(("degrees", "printed"), PRINTED.items())
def test_the_printed_points(degrees: int, printed: float) -> None:
    assert 1.959964 * student_factor(degrees) == pytest.approx(printed, abs=0.0051)


def test_the_factor_is_scipys_everywhere_and_never_below_one_degree() -> None:
    degrees = np.concatenate([np.geomspace(1.0, 1e6, 500), [np.inf]])
    exact = stats.t.ppf(0.975, degrees) / stats.norm.ppf(0.975)
    assert [student_factor(each) for each in degrees] == pytest.approx(exact, rel=1e-6)
    assert student_factor(-3.0) == student_factor(0.2) == student_factor(1.0)


def test_the_ratio_at_any_probability_is_scipys() -> None:
    degrees = np.array([0.7, 3.0, 40.0, np.inf])
    assert quantile_ratio(1e-4, degrees) == pytest.approx(stats.t.isf(1e-4, degrees) / stats.norm.isf(1e-4), rel=1e-12)
