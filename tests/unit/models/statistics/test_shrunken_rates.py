"""Shrunken rates: held against a published table, and against groups drawn alike and unlike."""

import numpy as np
import pytest

from models.statistics.arrays import Floats
from models.statistics.shrunken_rates import shrunken_rates
from tests.reference_files import reference_rows


def drawn(rng: np.random.Generator, true: Floats) -> tuple[Floats, Floats]:
    """Counts and exposures of groups of 30 to 400 van-months; at least one event."""
    while True:
        exposures = rng.uniform(30.0, 400.0, len(true))
        counts = rng.poisson(true * exposures).astype(np.float64)
        if counts.sum():
            return counts, exposures


def test_the_claims_of_efron_and_hastie() -> None:
    rows = reference_rows("shrunken_rates/claims.csv")
    claims = np.repeat([float(row["claims"]) for row in rows], [int(row["policies"]) for row in rows])
    found = shrunken_rates(claims, np.ones(len(claims)))
    shape, scale = found.mean * found.strength, 1.0 / found.strength
    assert (shape, scale) == pytest.approx((0.7014887, 0.3055760), rel=1e-3)
    for row in rows[:-1]:
        rate = found.rate[claims == float(row["claims"])][0]
        assert rate == pytest.approx(float(row["expected"]), abs=0.001 if float(row["expected"]) < 0.8 else 0.01)


def test_a_small_group_is_drawn_further_than_a_large_one() -> None:
    counts = np.array([2.0, 90.0, 20.0, 12.0, 45.0])
    exposures = np.array([10.0, 300.0, 400.0, 350.0, 400.0])
    found = shrunken_rates(counts, exposures)
    raw = counts / exposures
    assert np.all((found.rate - raw) * (found.mean - raw) >= 0)  # always towards the whole
    drawn_by = np.abs(found.rate - raw) / np.abs(found.mean - raw)
    assert drawn_by[0] == max(drawn_by)
    assert np.all((found.low < found.rate) & (found.rate < found.high))
    assert found.high[0] - found.low[0] == max(found.high - found.low)
    assert found.differs == [None, "above", "below", "below", None]


@pytest.mark.parametrize(("groups", "rate"), [(2, 0.1), (6, 0.03), (6, 0.3), (30, 0.03)])
def test_groups_that_are_alike_hardly_ever_differ(groups: int, rate: float) -> None:
    rng = np.random.default_rng(groups)
    told = held = 0.0
    for _ in range(100):
        found = shrunken_rates(*drawn(rng, np.full(groups, rate)))
        told += any(found.differs)
        held += np.mean((found.low <= rate) & (rate <= found.high)) / 100
    assert told / 100 <= 0.05
    assert held >= 0.93


@pytest.mark.parametrize(("groups", "shape"), [(6, 4.0), (30, 1.5)])
def test_groups_that_are_unlike_are_told_and_their_rates_are_nearer(groups: int, shape: float) -> None:
    rng = np.random.default_rng(groups)
    told = right = 0
    held = near = raw = 0.0
    for _ in range(100):
        true = rng.gamma(shape, 0.05 / shape, groups)
        counts, exposures = drawn(rng, true)
        found = shrunken_rates(counts, exposures)
        sides = [(side == "above") == (of > 0.05) for side, of in zip(found.differs, true, strict=True) if side]
        told, right = told + len(sides), right + sum(sides)
        held += np.mean((found.low <= true) & (true <= found.high)) / 100
        near += float(np.mean((found.rate - true) ** 2))
        raw += float(np.mean((counts / exposures - true) ** 2))
    assert held >= 0.9
    assert told >= 20
    assert right / told >= 0.95
    assert near < 0.97 * raw


def test_one_group_and_no_event_in_most() -> None:
    one = shrunken_rates(np.array([3.0]), np.array([60.0]))
    assert one.rate[0] == pytest.approx(0.05, rel=0.02)
    assert one.low[0] < 0.05 < one.high[0]
    assert one.differs == [None]
    few = shrunken_rates(np.array([1.0, 0.0, 0.0, 0.0]), np.full(4, 50.0))
    assert np.all(np.isfinite([few.rate, few.low, few.high]))
    assert few.differs == [None] * 4
