"""Charts and run lengths against the published examples and tables."""

import numpy as np
import pytest
from scipy.stats import norm

from data_contracts.errors import NotEnoughDataError
from models.control_charts import cusum_chart, cusum_run_length, ewma_chart, ewma_run_length, individuals_chart
from models.tracking.charts.recursion import (
    ALLOWANCE,
    BASELINE_STEP,
    CHANGED,
    CUSUM_CLIP,
    VISIT_DEGREES,
    cusums,
    follow_vans,
    heavier,
    limits_for,
)
from tests.reference_files import reference_rows


def _column(file, name):
    return np.array([float(row[name]) for row in reference_rows(file)])


def test_ewma_nist_example():
    # NIST/SEMATECH e-Handbook 6.3.2.4: EWMA0 = 50, s = 2.0539, smoothing 0.3, limits 52.5884 and 47.4115 (printed), no signal.
    x = _column("nist/nist_ewma.csv", "x")
    chart = ewma_chart(x, target=50.0, sigma=2.0539, smoothing=0.3, width=3.0, exact=False)
    assert chart.statistic == pytest.approx(_column("nist/nist_ewma.csv", "ewma_published"), abs=0.0051)
    assert chart.upper[0] == pytest.approx(52.5884, abs=1e-4)
    assert chart.lower[0] == pytest.approx(47.4115, abs=1e-4)
    assert not chart.signal.any()


def test_ewma_carries_over_a_missing_visit():
    x = np.array([51.0, np.nan, 49.0])
    chart = ewma_chart(x, target=50.0, sigma=0.1, smoothing=0.5)
    assert chart.statistic == pytest.approx([50.5, 50.5, 49.75])
    assert chart.signal.tolist() == [True, False, True]


def test_ewma_exact_early_limits():
    chart = ewma_chart(np.zeros(3), target=0.0, sigma=1.0, smoothing=0.2, width=3.0)
    assert chart.upper[0] == pytest.approx(3 * 0.2)  # first point: smoothing times the point's own limits


def test_chart_of_nothing_is_an_error():
    with pytest.raises(NotEnoughDataError):
        ewma_chart(np.array([np.nan]), target=0.0, sigma=1.0)


def test_cusum_nist_example():
    # NIST/SEMATECH e-Handbook 6.3.2.3: target 325, k 0.3175, h 4.1959, first signal at group 14; sums printed to 0.01.
    x = _column("nist/nist_cusum.csv", "x")
    chart = cusum_chart(x, target=325.0, allowance=0.3175, decision=4.1959)
    assert chart.high == pytest.approx(_column("nist/nist_cusum.csv", "S_hi_published"), abs=0.011)
    assert chart.low == pytest.approx(_column("nist/nist_cusum.csv", "S_lo_published"), abs=0.011)
    assert int(np.argmax(chart.signal)) + 1 == 14


def test_individuals_nist_example():
    # NIST/SEMATECH e-Handbook 6.3.2.2: mean 50.81, limits 55.8041 and 45.8159, range limit 6.1349, in control.
    chart, range_limit = individuals_chart(_column("nist/nist_imr.csv", "flowrate"))
    assert chart.upper[0] == pytest.approx(55.8041, abs=2e-3)  # printed with d2 = 1.128, not 2/√π
    assert chart.lower[0] == pytest.approx(45.8159, abs=2e-3)
    assert range_limit == pytest.approx(6.1349, abs=3e-4)
    assert not chart.signal.any()


# Approximations by their own account, or by a coarse Markov chain: the source's error, not ours.
_LOOSE = {
    "Chandrasekaran English Disney 1995 (stated: not that accurate)": 0.02,
    "Steiner 1999 Table 2": 0.012,
    "Waldmann 1986": 0.002,
}
_OFFERED = [r for r in reference_rows("average_run_length/arl_tables.csv") if r["scheme"] in ("CUSUM", "EWMA fixed")]


@pytest.mark.parametrize("row", _OFFERED, ids=lambda r: f"{r['scheme']} {r['k_or_lambda']} {r['h_or_L']} {r['shift']}")
def test_published_run_lengths(row):
    a, b, shift, published = (float(row[name]) for name in ("k_or_lambda", "h_or_L", "shift", "ARL"))
    if row["scheme"] == "CUSUM":
        found = cusum_run_length(shift, allowance=a, decision=b, two_sided=row["sided"] == "2")
    else:
        found = ewma_run_length(shift, smoothing=a, width=b)
    digits = len(row["ARL"].replace(".", "").lstrip("0"))
    printed = 0.6 * 10.0 ** (np.floor(np.log10(published)) - digits + 1)
    assert found == pytest.approx(published, abs=max(printed, 1e-4 * published), rel=_LOOSE.get(row["source"], 1e-9))


def test_shewhart_as_the_limit_of_no_smoothing():
    assert ewma_run_length(0.0, smoothing=0.9999, width=3.0, nodes=601) == pytest.approx(
        1 / (2 * norm.sf(3.0)), rel=0.01
    )


def test_tabled_limits_cost_the_share_they_are_tabled_for():
    """A fleet in control that the table has not seen, heavy-tailed and wandering as its study says."""
    vans, visits, share = 4000, 52, 1e-2
    rng = np.random.default_rng(7)
    level = rng.normal(0.0, 1.0, (vans, 1)) + np.cumsum(rng.normal(0.0, BASELINE_STEP, (vans, visits)), axis=1)
    noise = rng.standard_t(VISIT_DEGREES, (vans, visits)) / np.sqrt(VISIT_DEGREES / (VISIT_DEGREES - 2.0))
    x = (level + noise).reshape(-1, 1)
    starts, restart = np.arange(vans + 1) * visits, np.zeros(x.shape, np.int8)
    followed = follow_vans(
        x, np.ones_like(x), weeks=np.tile(np.arange(visits), vans), starts=starts, restart=restart,
        vans_spread=np.ones((vans, 1)),
    )  # fmt: skip
    limits = limits_for(share)
    ewma = np.abs(followed.ewma / followed.ewma_spread / heavier(followed.ewma_spread))
    cusum = np.maximum(*cusums(followed.z, starts, restart))
    assert np.mean(ewma > limits.ewma_width) == pytest.approx(share, rel=0.25)
    assert np.mean(cusum > limits.cusum) == pytest.approx(share, rel=0.25)
    assert limits_for(1e-5).ewma_width > limits.ewma_width
    assert limits_for(1e-5).cusum > limits.cusum


def test_the_fleets_cusums_are_the_textbooks_from_each_restart_on():
    """Page's sums as in the NIST handbook 6.3.2.3, checked above against its table; unread visits are passed over."""
    rng = np.random.default_rng(3)
    z = rng.standard_t(3, (30, 1)) + 1.0
    z[[4, 17]] = np.nan
    restart = np.zeros(z.shape, np.int8)
    restart[21] = CHANGED
    high, low = cusums(z, np.array([0, 12, 30]), restart)
    for part in (slice(0, 12), slice(12, 21), slice(21, 30)):
        read = np.isfinite(z[part, 0])
        held = np.clip(z[part, 0][read], -CUSUM_CLIP, CUSUM_CLIP)
        chart = cusum_chart(held, target=0.0, allowance=ALLOWANCE, decision=9.0)
        assert high[part, 0][read] == pytest.approx(chart.high)
        assert low[part, 0][read] == pytest.approx(chart.low)
        assert np.isnan(high[part, 0][~read]).all()
