"""Waveform shape: what a robust PCA of healthy traces leaves, on traces drawn from two healthy ways of varying and a planted bump."""

import numpy as np
import polars as pl
import pytest

from models.reading.aligned_traces import GRID
from models.tracking.anomaly.waveform_residual import (
    AVERAGED,
    FIRST,
    Waveforms,
    fit_shape,
    nonconformity,
    residual,
    standard,
    waveforms_of,
)
from models.tracking.assess import Assessment, TrackingSettings, assess
from tests.readings_fleet import families, make_fleet, no_repairs

_POINTS = np.linspace(0.0, 1.0, GRID)
BUMP = 0.08 * np.exp(-(((_POINTS - 0.4) / 0.03) ** 2))
"""Of a twelfth of the level, over a few grid points. [level]"""


def _traces(rng: np.random.Generator, n: int) -> np.ndarray:
    late, tail = rng.normal(0, 0.02, (n, 1)), rng.normal(0, 0.05, (n, 1))
    rise = 1.0 / (1.0 + np.exp(-(_POINTS - 0.2 - late) / 0.03))
    return (rise * (1.0 + tail * (_POINTS - 0.5)) + rng.normal(0, 0.01, (n, GRID))).astype(np.float32)


def test_healthy_ways_of_varying_are_explained_and_a_bump_is_not():
    rng = np.random.default_rng(4)
    model = fit_shape(_traces(rng, 400))
    fresh = _traces(rng, 200)
    healthy = np.mean(residual(model, fresh) ** 2, axis=1)
    odd = np.mean(residual(model, fresh + BUMP.astype(np.float32)) ** 2, axis=1)
    raw = (fresh - model["scale"].center_) / model["scale"].scale_
    assert np.median(healthy) < 0.7 * np.median(np.mean(raw**2, axis=1))
    assert np.mean(odd > np.quantile(healthy, 0.95)) > 0.9


def test_odd_vans_among_the_healthy_do_not_hide_themselves():
    rng = np.random.default_rng(5)
    trained_on = _traces(rng, 400)
    trained_on[:20] += (20.0 * BUMP).astype(np.float32)
    left = residual(fit_shape(trained_on), _traces(rng, 50) + BUMP.astype(np.float32))
    clean = residual(fit_shape(trained_on[20:]), _traces(rng, 50) + BUMP.astype(np.float32))
    assert np.mean(left**2) > 0.5 * np.mean(clean**2)


def test_half_a_trace_says_nothing_and_few_traces_make_no_model():
    rng = np.random.default_rng(6)
    traces = _traces(rng, 60)
    assert fit_shape(traces[:10]) is None
    cut = traces.copy()
    cut[:, 20:] = np.nan
    assert np.isnan(residual(fit_shape(traces), cut)).all()


def test_nonconformity_is_of_the_last_visits_and_against_the_first():
    rng = np.random.default_rng(7)
    model, traces = fit_shape(_traces(rng, 400)), _traces(rng, 40)
    always, lately = traces.copy(), traces.copy()
    always[:20] += BUMP.astype(np.float32)
    lately[15:20] += BUMP.astype(np.float32)

    def judge(drawn: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        waveforms = Waveforms(np.stack([drawn, drawn], axis=1), np.arange(40))
        return nonconformity(model, waveforms, 0, np.array([19, 39, 2]), np.array([0, 20, 0]))

    peer, own = judge(always)
    assert peer[0] > peer[1] + 0.5
    assert own[0] < own[1] + 0.5
    peer, own = judge(lately)
    assert peer[0] > peer[1] + 0.5
    assert own[0] > own[1] + 0.5
    assert np.isnan(own[2])  # no first visits before the last ones


def test_standard_is_of_the_healthy_upper_side():
    values = np.random.default_rng(8).normal(size=5000)
    z = standard(np.append(values, [np.nan, 10.0]), np.append(np.ones(5000, bool), [False, False]))
    assert z[-2] == 0.0
    assert z[-1] == pytest.approx(10.0, rel=0.1)
    assert np.quantile(z, 0.9) == pytest.approx(1.28, abs=0.02)
    assert not standard(values[:10], np.ones(10, bool)).any()


@pytest.fixture(scope="module")
def judged() -> dict[bool, tuple[str, Assessment]]:
    """A healthy fleet in which one van's waveform gets a bump that no reading shows; judged with and without waveforms."""
    fleet = make_fleet(vans=36, weeks=20, seed=31, faulty=0.0)
    van = fleet.frame.filter(pl.col("family") == "heron-16")["van_id"][0]
    flow = _traces(np.random.default_rng(9), fleet.frame.height)
    odd = ((fleet.frame["van_id"] == van) & (fleet.frame["week"] >= fleet.weeks[12])).to_numpy()
    flow[odd] += BUMP.astype(np.float32)
    flow *= fleet.frame["main_peak_g_s"].to_numpy()[:, None].astype(np.float32)
    empty = np.full_like(flow, np.nan)
    shapes = pl.DataFrame(
        {"capture_id": fleet.frame["capture_id"], "airflow": flow, "lambda_signal": empty}
    ).with_columns(pl.col("airflow").arr.to_list(), pl.col("lambda_signal").arr.to_list())
    setting = TrackingSettings(trend_weeks=1)
    return {
        drawn: (
            van,
            assess(
                fleet.frame,
                families=families(),
                repairs=no_repairs(),
                week=fleet.weeks[-1],
                settings=setting,
                shapes=shapes if drawn else None,
            ),
        )
        for drawn in (True, False)
    }


def test_a_change_only_the_waveform_shows_makes_the_week_unlikely(judged):
    (van, drawn), (_, without) = judged[True], judged[False]
    p = [r.states.filter(pl.col("van_id") == van)["anomaly_p"][0] for r in (drawn, without)]
    assert p[0] < 0.02 < 0.05 < p[1]
    assert not drawn.states.filter(pl.col("van_id") == van)["alarm"][0]


def test_waveforms_raise_no_false_anomaly(judged):
    van, result = judged[True]
    assert not result.states.filter(pl.col("anomaly") & (pl.col("van_id") != van)).height


def test_waveforms_are_those_of_the_representative_repeat():
    captures = pl.DataFrame(
        {
            "capture_id": ["a", "b"],
            "van_id": ["v", "v"],
            "visit": ["1", "1"],
            "held_long": [True, True],
            "representative": [False, True],
        }
    )
    shapes = pl.DataFrame(
        {
            "capture_id": ["a", "b"],
            "airflow": [[1.0] * GRID, [4.0] * GRID],
            "lambda_signal": [[0.8] * GRID, [0.9] * GRID],
        },
        schema_overrides={"airflow": pl.List(pl.Float32), "lambda_signal": pl.List(pl.Float32)},
    )
    found = waveforms_of(pl.DataFrame({"van_id": ["v", "w"], "visit": ["1", "1"]}), captures, shapes)
    assert found.row.tolist() == [0, -1]
    assert found.traces[0, 0] == pytest.approx(np.ones(GRID))
    assert found.traces[0, 1] == pytest.approx(np.full(GRID, 0.9))


def test_waveforms_stand_for_their_visits_and_flow_is_over_the_mean_of_its_five_highest_points():
    visits = pl.DataFrame({"van_id": ["v", "v", "w"], "visit": ["one", "two", "one"]})
    captures = pl.DataFrame(
        {
            "capture_id": ["a", "b", "c", "d"],
            "van_id": ["v", "v", "v", "w"],
            "visit": ["one", "one", "two", "one"],
            "held_long": [True] * 4,
            "representative": [False, True, True, True],
        }
    )
    flow = np.arange(GRID, dtype=np.float64)
    shapes = pl.DataFrame(
        {
            "capture_id": ["d", "b", "a", "c"],
            "airflow": [(2 * flow).tolist(), flow.tolist(), flow.tolist(), [1.0, 2.0]],  # one of another length
            "lambda_signal": [None, (flow + 1).tolist(), None, flow.tolist()],
        }
    )
    found = waveforms_of(visits, captures, shapes)
    assert found.traces.shape == (3, 2, GRID)
    of = {visit: found.traces[place] for visit, place in zip(("b", "c", "d"), found.row, strict=True)}
    assert of["b"][0] == pytest.approx(flow / flow[-5:].mean())
    assert of["d"][0] == pytest.approx(flow / flow[-5:].mean())
    assert of["b"][1] == pytest.approx(flow + 1)
    assert np.isnan(of["c"][0]).all()
    assert of["c"][1] == pytest.approx(flow)
    assert np.isnan(of["d"][1]).all()
    alone = captures.with_columns(representative=pl.col("capture_id") == "b")
    assert waveforms_of(visits, alone, shapes).row.tolist() == [0, -1, -1]
    brief = captures.with_columns(
        held_long=pl.col("capture_id") != "b", representative=pl.col("capture_id").is_in(["b", "d"])
    )
    assert waveforms_of(visits, brief, shapes).row.tolist() == [-1, -1, 0]


def test_standard_by_hand():
    values = np.append(np.arange(101.0), [np.nan, 200.0])
    healthy = np.arange(103) <= 100
    z = standard(values, healthy)
    assert z[[0, 50]].tolist() == [0.0, 0.0]  # only the upper side tells
    assert z[90] == pytest.approx(1.2816)
    assert z[101] == 0.0
    assert z[102] == pytest.approx(1.2816 * 150 / 40)
    assert not standard(values, np.arange(103) < 5).any()  # too few to say what is usual


def test_the_mean_of_fewer_visits_is_put_on_the_footing_of_the_full_number():
    """A model that explains nothing of what is drawn: what is left of a visit is its trace."""
    model = fit_shape(_traces(np.random.default_rng(8), 100))
    centre, scale = model["scale"].center_, model["scale"].scale_
    rng = np.random.default_rng(9)
    drawn = (centre + scale * rng.normal(size=(12, 1, GRID))).astype(np.float32)
    waveforms = Waveforms(drawn, np.arange(12))
    left = residual(model, drawn[:, 0])
    peer, own = nonconformity(model, waveforms, 0, np.array([11]), np.array([0]))
    now, first = left[12 - AVERAGED :].mean(axis=0), left[:FIRST].mean(axis=0)
    assert peer[0] == pytest.approx(np.log(np.mean(now**2)))
    assert own[0] == pytest.approx(np.log(np.mean((now - first) ** 2) / (1 / AVERAGED + 1 / FIRST)))
    lone, nothing = nonconformity(model, waveforms, 0, np.array([0]), np.array([0]))
    assert lone[0] == pytest.approx(np.log(np.mean(left[0] ** 2)) - 0.5 * np.log(AVERAGED))
    assert np.isnan(nothing[0])
    gone = Waveforms(drawn, np.full(12, -1))
    assert np.isnan(nonconformity(model, gone, 0, np.array([11]), np.array([0]))).all()
