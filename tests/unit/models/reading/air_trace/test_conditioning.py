"""Conditioning: each sample's flag, the noise that is left, and kernels against their slow twins."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtri

from data_contracts.capture import make_waveform
from models.physics.transfer_table import rectified, table_uncertainty, to_flow
from models.reading.air_trace.conditioning import condition_airflow
from models.reading.air_trace.ignition_spikes import mark_lone_spikes, mark_spikes
from models.reading.air_trace.sample_flags import mark_stuck, survey
from models.reading.air_trace.sample_noise import sample_noise
from models.reading.resampling import (
    CLIPPED,
    GAP,
    KEPT,
    MISSING,
    OUT_OF_RANGE,
    SAMPLE_FLAGS,
    SPIKE,
    STUCK,
    stack_waveforms,
)
from models.statistics.order_statistics import median, ranked
from models.statistics.smoothing import smooth
from models.statistics.window_levels import parabola_at, tapered_parabola_at
from tests import naive
from tests.analytic import FLOW, VOLTS, Recorder, Snap, airflow, family


def conditioned(samples, rate_hz=2000.0, **range_of):
    x = np.atleast_2d(np.asarray(samples, dtype=np.float32))
    flag = np.where(np.isnan(x), MISSING, KEPT).astype(np.uint8)
    count = np.full(x.shape[0], x.shape[1], dtype=np.int64)
    return condition_airflow(x, flag, count, interval_s=1.0 / rate_hz, **range_of)


def test_sample_flags_are_the_reason_codes():
    from data_contracts.reasons import SAMPLE_REASONS

    assert set(SAMPLE_FLAGS[1:]) == set(SAMPLE_REASONS)


@pytest.mark.parametrize(("noise", "bits"), [(0.008, 12), (0.02, 12), (0.008, 16), (0.004, 14)])
def test_noise_is_recovered_under_ripple_and_needles(noise, bits):
    rng = np.random.default_rng(2)
    waves = [airflow(Snap(), Recorder(noise_v=noise, bits=bits), rng) for _ in range(20)]
    found = conditioned(np.stack([w.channels["airflow_v"] for w in waves]), range_low=0.0, range_high=5.0)
    step = 5.0 / 2**bits
    expected = np.hypot(noise, step / np.sqrt(12))
    # second differences see a little of the ripple at full speed; 10 % is what a later interval can bear
    assert np.median(found.noise) == pytest.approx(expected, rel=0.1)
    assert found.step == pytest.approx(step, rel=1e-3)


@pytest.mark.parametrize("width", [1, 2, 3, 4])
@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("place", ["idle", "rise", "first peak", "main peak", "fall"])
def test_needles_go_and_leave_the_trace(place, sign, width):
    rng = np.random.default_rng(7)
    snap, recorder = Snap(), Recorder(needles_per_s=0.0)
    trace = airflow(snap, recorder, rng).channels["airflow_v"].astype(float)
    at = {"idle": 800, "rise": 1238, "first peak": 1310, "main peak": 2800, "fall": 3245}[place]
    hit = trace.copy()
    hit[at : at + width] += sign * 1.2
    found = conditioned(hit, range_low=-10.0, range_high=10.0)
    assert np.all(found.flag[0, at : at + width] == SPIKE)
    assert found.spikes[0] == 1
    # what bridges it is as near the trace as noise and a straight line over 3 ms allow
    assert np.abs(found.signal[0, at : at + width] - trace[at : at + width]).max() < 0.25


def test_a_clean_snap_loses_nothing_to_the_needle_filter():
    rng = np.random.default_rng(3)
    for surge in (0.0, 20.0, 60.0):
        for rate in (500.0, 1000.0, 2000.0, 4000.0):
            wave = airflow(Snap(surge=surge), Recorder(rate_hz=rate, needles_per_s=0.0), rng)
            found = conditioned(wave.channels["airflow_v"], rate, range_low=0.0, range_high=5.0)
            # 6 standard deviations in 6,000 samples, and first peaks, rises and falls are no needles
            assert (found.flag[0] == SPIKE).mean() < 0.002, (surge, rate)


def test_a_range_that_cuts_the_main_peak_is_clipped():
    rng = np.random.default_rng(4)
    trace = airflow(Snap(), Recorder(needles_per_s=0.0), rng).channels["airflow_v"]
    cut = np.minimum(trace, np.float32(4.2))
    found = conditioned(cut, range_low=0.0, range_high=5.0)
    pinned = found.flag[0] == CLIPPED
    assert found.clipped_high[0] == pinned.sum() > 500
    assert np.all(cut[pinned] == np.float32(4.2))


@pytest.mark.parametrize("bits", [8, 12, 16])
def test_a_flat_plateau_is_not_clipped(bits):
    rng = np.random.default_rng(5)
    for ripple, noise in ((0.03, 0.008), (0.0, 0.008), (0.0, 0.001)):
        wave = airflow(Snap(ripple=ripple), Recorder(bits=bits, noise_v=noise, needles_per_s=0.0), rng)
        found = conditioned(wave.channels["airflow_v"], range_low=0.0, range_high=5.0)
        assert found.clipped_high[0] < 12, (ripple, noise)


def test_stuck_samples_are_marked():
    rng = np.random.default_rng(6)
    trace = airflow(Snap(), Recorder(needles_per_s=0.0), rng).channels["airflow_v"].copy()
    trace[2500:2800] = trace[2500]
    found = conditioned(trace, range_low=0.0, range_high=5.0)
    assert np.all(found.flag[0, 2500:2800] == STUCK)
    assert (found.flag[0] == STUCK).sum() < 310


def test_missing_samples_are_bridged():
    trace = np.sin(np.arange(400) / 30.0).astype(np.float32)
    holes = trace.copy()
    holes[[0, 1, 50, 51, 52, 399]] = np.nan
    found = conditioned(holes)
    keep = ~np.isnan(holes)
    np.testing.assert_allclose(found.signal[0], naive.bridge(trace.astype(float), keep), atol=1e-6)
    assert set(np.flatnonzero(found.flag[0] == MISSING)) == {0, 1, 50, 51, 52, 399}


def test_jitter_is_interpolated_and_gaps_are_marked():
    rng = np.random.default_rng(8)
    time = np.cumsum(rng.uniform(0.6, 1.4, 900)) * 1e-3
    time[400:] += 0.05
    wave = make_waveform(time, {"airflow_v": np.sin(time * 9.0)})
    stack = next(stack_waveforms([wave], [0]))
    n = stack.count[0]
    expected = naive.resample(wave.time_s, wave.channels["airflow_v"].astype(float), stack.interval_s)
    np.testing.assert_allclose(stack.channels["airflow_v"][0, :n], expected[:n], atol=1e-6)
    assert 40 <= (stack.flag["airflow_v"][0, :n] == GAP).sum() <= 60
    assert stack.jitter[0] > 0.1


def test_values_no_sensor_gives_are_out_of_range():
    samples = np.full(1000, 1.0)
    samples[10] = 50.0
    stack = next(stack_waveforms([make_waveform(np.arange(1000) / 1000.0, {"airflow_v": samples})], [0]))
    assert stack.flag["airflow_v"][0, 10] == OUT_OF_RANGE


@pytest.mark.parametrize("rate", [5000.0, 10_000.0, 50_000.0, 200_000.0])
def test_fast_recordings_are_averaged_in_blocks(rate):
    wave = airflow(Snap(length=1.0), Recorder(rate_hz=rate), np.random.default_rng(1))
    stack = next(stack_waveforms([wave], [0]))
    block = round(stack.interval_s * rate)
    samples = wave.channels["airflow_v"].astype(float)
    n = samples.size // block
    np.testing.assert_allclose(
        stack.channels["airflow_v"][0, :n], samples[: n * block].reshape(n, block).mean(axis=1), rtol=1e-6
    )
    assert 1.0 / stack.interval_s >= 4000.0 or block == 1
    assert stack.start_s == pytest.approx((block - 1) / 2 / rate)


@pytest.mark.parametrize("half", [0, 1, 4, 15])
@pytest.mark.parametrize("n", [3, 8, 31, 200])
def test_smoothing_agrees_with_its_twin(half, n):
    x = np.random.default_rng(n).normal(size=n)
    found = smooth(x[None].astype(np.float32), np.array([n]), half)[0]
    np.testing.assert_allclose(found, naive.smooth(x, half), atol=2e-6)


@pytest.mark.parametrize("at", [10.0, 17.3, 29.0])
def test_parabolas_agree_with_their_twins(at):
    x = np.random.default_rng(5).normal(size=60) + 0.01 * np.arange(60) ** 2
    single = x.astype(np.float32)
    np.testing.assert_allclose(parabola_at(single, 5, 34, at), naive.parabola_at(x, 5, 34, at), rtol=1e-5)
    np.testing.assert_allclose(
        tapered_parabola_at(single, 5, 34, at), naive.tapered_parabola_at(x, 5, 34, at), rtol=1e-5
    )


def test_flow_follows_the_table_and_is_held_outside():
    sensor = family().airflow_sensor
    raw = np.random.default_rng(1).uniform(-1.0, 6.0, (3, 500)).astype(np.float32)
    np.testing.assert_allclose(to_flow(raw, sensor), naive.to_flow(raw.astype(float), VOLTS, FLOW), rtol=2e-6)


def test_noise_lifts_the_flow_of_a_bent_table_by_what_is_taken_off():
    sensor = family().airflow_sensor
    level, noise = np.array([0.9, 2.0, 4.4]), np.full(3, 0.05)
    draws = ndtri((np.arange(100_000) + 0.5) / 100_000)[:, None]  # the normal distribution, evenly
    lifted = np.interp(level + 0.05 * draws, VOLTS, FLOW).mean(axis=0) - np.interp(level, VOLTS, FLOW)
    np.testing.assert_allclose(rectified(level, noise, noise, sensor), lifted, rtol=1e-3)


@pytest.mark.parametrize("n", [1, 2, 3, 10, 83, 84, 512])
@pytest.mark.parametrize("levels", [3, 0])
def test_order_statistics_agree_with_a_sorted_list(n, levels):
    rng = np.random.default_rng(n)
    for _ in range(20):
        values = rng.normal(size=n).astype(np.float32)
        if levels:  # many equal values, as quantisation makes them
            values = np.round(values * levels).astype(np.float32)
        assert median(values.copy()) == pytest.approx(float(np.median(values.astype(float))), abs=1e-7)
        rank = int(rng.integers(n))
        assert ranked(values.copy(), rank) == np.sort(values)[rank]


@pytest.mark.parametrize("bits", [8, 12])
def test_noise_agrees_with_its_twin(bits):
    wave = airflow(Snap(), Recorder(bits=bits, noise_v=0.006, needles_per_s=0.0), np.random.default_rng(9))
    x = wave.channels["airflow_v"]
    low, high = float(x.min()), float(x.max())
    for first, stop, lag in ((0, x.size, 1), (100, 900, 1), (30, 250, 2), (10, 40, 1)):
        expected = naive.sample_noise(x.astype(float), first, stop, lag, low, high)
        assert sample_noise(x, first, stop, lag, low, high) == pytest.approx(expected, rel=1e-4)


@pytest.mark.parametrize("held", [1, 3, 7])
def test_survey_agrees_with_its_twin(held):
    rng = np.random.default_rng(held)
    x = np.repeat(np.round(rng.normal(2.0, 0.4, 300) / 0.05) * 0.05, held).astype(np.float32)
    flag = np.full(x.size, KEPT, dtype=np.uint8)
    for marked in ([], [0, 40, 41, 200, x.size - 1]):
        flag[marked] = MISSING
        found = survey(x, flag, x.size)
        expected = naive.survey(x, flag == KEPT)
        assert found[1:4] == expected[1:4]
        np.testing.assert_allclose([found[0], *found[4:]], [expected[0], *expected[4:]], rtol=1e-6)


def test_needles_agree_with_their_twin():
    rng = np.random.default_rng(12)
    for _ in range(10):
        x = np.cumsum(rng.normal(0.0, 0.01, 600))
        for place in rng.integers(0, 600, 5):
            x[place : place + rng.integers(1, 4)] += rng.choice([-1.0, 1.0]) * rng.uniform(0.2, 0.8)
        signal, flag = x.astype(np.float32), np.full(600, KEPT, dtype=np.uint8)
        found = mark_spikes(signal, flag, 600, 5, 30, 0.12)
        where, count = naive.needles(signal.astype(float), 5, 30, 0.12)
        assert found == count
        assert np.array_equal(flag == SPIKE, where)


def test_lone_needles_agree_with_their_twin():
    rng = np.random.default_rng(14)
    for _ in range(10):
        x = np.cumsum(rng.normal(0.0, 0.03, 300))
        x[rng.integers(0, 300, 12)] += rng.choice([-1.0, 1.0], 12) * rng.uniform(0.1, 0.8, 12)
        signal, flag = x.astype(np.float32), np.full(300, KEPT, dtype=np.uint8)
        found = mark_lone_spikes(signal, flag, 300, 0.12)
        expected = naive.lone_needles(signal.astype(float), 0.12)
        assert found == expected.sum() > 0
        assert np.array_equal(flag == SPIKE, expected)


def test_a_slow_log_loses_its_needles_and_keeps_its_first_peak():
    """At 100 Hz a needle is one sample; a first peak is several, and what a control unit reports has none."""
    wave = airflow(Snap(ripple=0.0), Recorder(rate_hz=100.0, needles_per_s=0), np.random.default_rng(1))
    clean = wave.channels["airflow_v"].astype(float)
    struck = clean.copy()
    struck[[30, 120]] += [1.2, -1.2]
    done = conditioned(struck, 100.0, range_low=0.0, range_high=5.0)
    assert np.flatnonzero(done.flag[0] == SPIKE).tolist() == [30, 120]
    np.testing.assert_allclose(done.signal[0], clean, atol=0.03)
    assert not (conditioned(clean, 100.0, range_low=0.0, range_high=5.0).flag == SPIKE).any()
    assert not (conditioned(struck, 100.0, clips=False).flag == SPIKE).any()
    assert not (conditioned(struck, 50.0, range_low=0.0, range_high=5.0).flag == SPIKE).any()


def test_stuck_runs_agree_with_their_twin():
    rng = np.random.default_rng(13)
    for _ in range(20):
        runs = rng.integers(1, 30, 60)
        x = np.repeat(rng.integers(0, 3, 60), runs).astype(np.float32)
        flag = np.where(rng.random(x.size) < 0.02, MISSING, KEPT).astype(np.uint8)
        expected = naive.stuck(x, flag == KEPT, 25)
        total = mark_stuck(x, flag, x.size, 25)
        assert total == expected.sum()
        assert np.array_equal(flag == STUCK, expected)


def test_what_a_table_leaves_open_is_the_bound_of_linear_interpolation():
    """The chord of a parabola through 0, 1 and 2 is off by (x - a)(b - x): a quarter in the middle, 0 at a point."""
    sensor = family("volts").airflow_sensor
    parabola = replace(sensor, transfer=np.array([0.0, 1.0, 2.0, 3.0]), transfer_g_s=np.array([0.0, 1.0, 4.0, 9.0]))
    doubt = table_uncertainty(np.array([0.5, 1.5, 2.25, 2.0, 3.5]), parabola)
    np.testing.assert_allclose(doubt, np.array([0.25, 0.25, 0.1875, 0.0, 0.0]) / np.sqrt(2.0), atol=1e-12)
