"""The whole lambda reading on analytic snaps: levels, blip, fuel cut, switching, needles, ripple, and reasons."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from data_contracts.signals import QUANTITIES
from models.physics.lambda_scale import lambda_scale
from models.reading.lambda_trace.blocks import block_lambda
from models.reading.lambda_trace.quantities import NAMES, read_lambda
from models.statistics.smoothing import moving_mean
from tests import naive_lambda
from tests.analytic_lambda import (
    NARROWBAND,
    RATE,
    RATIO,
    SNAP,
    WIDEBAND,
    Snap,
    coloured,
    first_order,
    lagged,
    read,
    read_ratio,
    reasons,
    snap_trace,
    volts_of_lambda,
)


def test_every_quantity_is_given_with_a_reason_or_a_value():
    out, _ = read_ratio(snap_trace())
    assert tuple(sorted(out)) == tuple(sorted(NAMES))
    for found in out.values():
        assert np.all((found.reason == 0) == np.isfinite(found.value))
        assert np.all(np.isfinite(found.u) == np.isfinite(found.value))
        assert np.all(found.u[found.reason == 0] >= 0)


def test_levels_blip_and_fuel_cut():
    x = snap_trace()
    out, signs = read_ratio(x)
    np.testing.assert_allclose(out["lambda_idle"].value, 1.0, atol=0.002)
    np.testing.assert_allclose(out["lambda_full_throttle"].value, 0.88, atol=0.002)
    np.testing.assert_allclose(out["lambda_full_throttle_slope_per_s"].value, 0.0, atol=0.02)
    clean = 1.0 / SNAP.richness(np.arange(int(9.0 * RATE)) / RATE)
    depth = naive_lambda.moving_mean(clean[6000:7000:5], 2).max() - 1.0
    blip = out["tip_in_lean_blip"]
    assert np.all(np.abs(blip.value - depth) < 3.5 * blip.u)
    assert np.all(blip.u < 0.005)
    above = np.flatnonzero(clean[6000:7000] - 1.0 > 0.5 * depth)
    np.testing.assert_allclose(out["tip_in_lean_blip_length_s"].value, np.ptp(above) / RATE, atol=0.015)
    np.testing.assert_allclose(out["lambda_to_lean_dead_time_s"].value, SNAP.dead_lean_s, atol=0.005)
    np.testing.assert_allclose(out["lambda_to_lean_time_constant_s"].value, SNAP.constant_lean_s, rtol=0.1)
    assert signs.active.all()


def test_a_fuel_cut_at_the_end_of_the_characteristic_is_censored():
    x = snap_trace()
    volts = volts_of_lambda(WIDEBAND, 1.0 / np.clip(x, 1e-3, None))
    out, signs = read(volts, rate_hz=RATE, sensor=WIDEBAND, kind="v", opening_s=3.0, release_s=4.2)
    assert reasons(out["lambda_fuel_cut"]) == {"censored"}
    np.testing.assert_allclose(out["lambda_fuel_cut_v"].value, WIDEBAND.characteristic_v[-1], atol=0.01)
    assert not signs.clipped.any()


def test_a_fuel_cut_that_does_not_get_there_is_a_level():
    out, _ = read_ratio(snap_trace(Snap(opening_s=3.0, release_s=4.2, cut=0.45)))
    np.testing.assert_allclose(out["lambda_fuel_cut"].value, 1.0 / 0.45, rtol=0.01)


def test_a_plateau_that_drifts_is_as_unsure_as_its_drift():
    time = np.arange(int(9.0 * RATE)) / RATE
    steady = Snap(opening_s=3.0, release_s=4.2, cut=0.5)
    drift = np.where(time > 5.0, 0.08 * np.clip((time - 5.0) / 1.2, 0.0, 1.0), 0.0)
    flat, moving = (
        read_ratio(snap_trace(steady) - part * drift, steady)[0]["lambda_fuel_cut"].u for part in (0.0, 1.0)
    )
    slope = 1.0 / 0.46**2  # of lambda over richness at the middle of the drift
    assert np.all(flat < 0.01)
    assert np.all((moving > 0.5 * 0.08 * slope / np.sqrt(12.0)) & (moving < 1.5 * 0.08 * slope / np.sqrt(12.0)))


def test_without_fuel_cut_or_without_the_time_for_it():
    none = Snap(opening_s=3.0, release_s=4.2, cut=1.0)
    assert reasons(read_ratio(snap_trace(none), none)[0]["lambda_fuel_cut"]) == {"no_fuel_cut"}
    early = snap_trace()[:, : int(4.4 * RATE)]
    assert reasons(read_ratio(early)[0]["lambda_fuel_cut"]) == {"record_ends_early"}
    assert reasons(read_ratio(early)[0]["lambda_to_lean_dead_time_s"]) <= {"record_ends_early", "no_step"}


def spike_then_cut(back_s: float, length_s: float = 9.0) -> np.ndarray:
    """1/lambda of a pedal lifted at 4.2 s: a rich spike, back within some time constant, cut 0.7 s after the release."""
    time = np.arange(int(length_s * RATE)) / RATE
    x = SNAP.richness(time)
    x[time > SNAP.release_s] = SNAP.full
    for at, lag, step in ((0.1, 0.05, 0.3), (0.25, back_s, -0.4), (0.7, 0.07, -0.98)):
        x += first_order(time, SNAP.release_s + at, lag, 0.0, step)
    rng = np.random.default_rng(3)
    return np.tile(x, (10, 1)) + coloured(rng, (10, x.size), 0.002, 0.02, 1.0 / RATE)


@pytest.mark.parametrize("back_s", [0.05, 0.1, 0.2])
def test_the_response_to_lean_is_that_to_the_cut_and_not_the_way_back_from_the_spike(back_s):
    """What a lifted foot throws in comes back ahead of the cut; the two together are no response of any sensor."""
    out, _ = read_ratio(spike_then_cut(back_s))
    np.testing.assert_allclose(out["lambda_to_lean_dead_time_s"].value, 0.7, atol=0.015)
    np.testing.assert_allclose(out["lambda_to_lean_time_constant_s"].value, 0.07, rtol=0.15)
    ended = read_ratio(spike_then_cut(back_s, length_s=SNAP.release_s + 0.55))[0]
    for name in ("lambda_to_lean_dead_time_s", "lambda_to_lean_time_constant_s"):
        assert reasons(ended[name]) == {"record_ends_early"}


@pytest.mark.parametrize("length_s", [9.0, 5.6])
def test_the_first_part_of_a_fall_that_goes_on_later_is_the_response(length_s):
    """Film that burns on holds the mixture for a while: how long the record shows of it does not matter."""
    time = np.arange(int(length_s * RATE)) / RATE
    x = SNAP.richness(time)
    x[time > SNAP.release_s] = SNAP.full
    x += first_order(time, SNAP.release_s + 0.3, 0.06, 0.0, -0.6)
    x -= 0.4 * np.clip((time - SNAP.release_s - 0.8) / 0.9, 0.0, 1.0)
    rows = np.tile(x, (10, 1)) + coloured(np.random.default_rng(3), (10, x.size), 0.002, 0.02, 1.0 / RATE)
    out, _ = read_ratio(rows)
    np.testing.assert_allclose(out["lambda_to_lean_dead_time_s"].value, 0.3, atol=0.01)
    np.testing.assert_allclose(out["lambda_to_lean_time_constant_s"].value, 0.06, rtol=0.12)
    plateau = out["lambda_fuel_cut"].value
    if length_s == 9.0:
        np.testing.assert_allclose(plateau, 1.0 / (SNAP.full - 1.0), rtol=0.05)


@pytest.mark.parametrize(
    ("step", "constant_s", "noise"), [(1.14, 0.6, 0.008), (0.44, 0.3, 0.004), (0.44, 0.6, 0.002), (0.14, 0.15, 0.004)]
)
def test_noise_with_a_memory_makes_no_knee_and_no_shoulder(step, constant_s, noise):
    """A slow sensor is not cut into pieces: a plain first-order fall keeps its time constant."""
    time = np.arange(int(9.0 * RATE)) / RATE
    x = SNAP.richness(time)
    x[time > SNAP.release_s] = SNAP.full
    x += first_order(time, SNAP.release_s + 0.3, constant_s, 0.0, -step)
    rows = np.tile(x, (40, 1)) + coloured(np.random.default_rng(6), (40, x.size), noise, 0.02, 1.0 / RATE)
    out, _ = read_ratio(rows)
    found = out["lambda_to_lean_time_constant_s"].value
    assert np.isfinite(found).mean() > 0.8
    assert np.nanmedian(found) == pytest.approx(constant_s, rel=0.05)


def test_a_late_needle_does_not_undo_the_response_to_rich():
    late = snap_trace(SNAP, rows=20) + lean_dips([SNAP.opening_s + 0.8], 0.2, 0.012, 0.02)
    out, _ = read_ratio(late)
    assert np.isfinite(out["lambda_to_rich_dead_time_s"].value).all()


@pytest.mark.parametrize("lifts_s", [0.0, 0.03])
def test_a_foot_that_lifts_slowly_does_not_hide_the_response_to_rich(lifts_s):
    """The mixture answers the lifted foot before the flow is half down: what it does then is no part of the hold."""
    time = np.arange(int(9.0 * RATE)) / RATE
    slow = lagged(time, lagged(time, SNAP.richness(time), 0.12), 0.1)  # no first-order response: its end must be seen
    spike = first_order(time, SNAP.release_s - lifts_s, 0.02, 0.0, 0.25)
    rows = np.tile(slow + spike, (10, 1)) + coloured(np.random.default_rng(3), (10, time.size), 0.002, 0.02, 1.0 / RATE)
    out, _ = read_ratio(rows)
    assert np.isfinite(out["lambda_to_rich_time_constant_s"].value).all()


@pytest.mark.parametrize("spike_s", [0.15, 0.25])
def test_the_constant_of_the_cut_does_not_depend_on_how_the_foot_came(spike_s):
    """Ahead of the cut the trace comes back from a spike at half the pace: that is no part of the response."""
    time = np.arange(int(9.0 * RATE)) / RATE
    x = SNAP.richness(time)
    x[time > SNAP.release_s] = SNAP.full
    for at, lag, step in ((0.05, 0.05, 0.45), (spike_s, 0.15, -0.45), (0.45, 0.09, -0.95)):
        x += first_order(time, SNAP.release_s + at, lag, 0.0, step)
    rows = np.tile(x, (10, 1)) + coloured(np.random.default_rng(3), (10, x.size), 0.002, 0.02, 1.0 / RATE)
    out, _ = read_ratio(rows)
    np.testing.assert_allclose(out["lambda_to_lean_time_constant_s"].value, 0.09, rtol=0.15)


def test_a_trace_that_goes_back_on_its_way_is_no_response():
    """A narrowband that goes rich, far back lean and rich again answers more than the opening."""
    time = np.arange(int(9.0 * RATE)) / RATE
    x = np.where(((time > 3.1) & (time < 3.3)) | ((time > 3.5) & (time < 4.6)), 0.85, 0.1)
    for again, expected in ((0.1, {"not_found"}), (0.85, set())):
        signal = np.where((time > 3.3) & (time < 3.5), again, x)
        rows = np.tile(lagged(time, signal, 0.05), (4, 1)) + np.random.default_rng(4).normal(0, 0.004, (4, time.size))
        out, _ = read(rows, rate_hz=RATE, sensor=NARROWBAND, kind="v", opening_s=3.0, release_s=4.2)
        assert reasons(out["lambda_to_rich_dead_time_s"]) - {""} == expected


@pytest.mark.parametrize("lag_s", [0.03, 0.06, 0.12])
def test_narrowband_switching(lag_s):
    """A square mixture at 1.1 Hz through a first-order lag, then a snap: ln 9 lags from 10 % to 90 %."""
    time = np.arange(int(9.0 * RATE)) / RATE
    square = np.where((time * 1.1) % 1.0 < 0.5, 0.8, 0.1)
    square[time > 2.95] = 0.1
    square[(time > 3.25) & (time < 4.55)] = 0.85
    square[time >= 4.55] = 0.08
    signal = np.tile(lagged(time, square, lag_s), (8, 1)) + np.random.default_rng(4).normal(0, 0.004, (8, time.size))
    out, _ = read(signal, rate_hz=RATE, sensor=NARROWBAND, kind="v", opening_s=3.0, release_s=4.2)
    np.testing.assert_allclose(out["lambda_switch_rate_hz"].value, 1.1, rtol=0.02)
    np.testing.assert_allclose(out["lambda_full_throttle_v"].value, 0.85, atol=0.01)
    for edge in ("rich", "lean"):
        switch = out[f"lambda_to_{edge}_switch_time_s"]
        np.testing.assert_allclose(switch.value, np.log(9.0) * lag_s, rtol=0.1)
        # the level reached is that after the lag has died away, else every time were short by a hundredth
        assert abs(np.mean(switch.value) - np.log(9.0) * lag_s) < 0.004 * np.log(9.0) * lag_s + np.median(switch.u)
        assert reasons(out[f"lambda_to_{edge}_time_constant_s"]) == {"not_for_this_family"}
    assert reasons(out["lambda_full_throttle"]) == {"not_for_this_family"}


def test_a_narrowband_still_going_rich_has_no_full_throttle_level_and_one_that_sags_has():
    """Late enrichment near the middle of the characteristic: what is read depends on how long the foot stayed down."""
    time = np.arange(int(9.0 * RATE)) / RATE
    held = (time > 3.1) & (time < 4.25)
    for level, expected in ((0.15 + 1.0 * (time - 3.6), None), (0.9 - 1.0 * (time - 4.1), 0.85)):
        x = np.where(held, np.clip(level, 0.1, 0.85), 0.1)
        signal = np.tile(lagged(time, x, 0.03), (8, 1)) + np.random.default_rng(4).normal(0, 0.004, (8, time.size))
        out, _ = read(signal, rate_hz=RATE, sensor=NARROWBAND, kind="v", opening_s=3.0, release_s=4.2)
        if expected is None:
            assert reasons(out["lambda_full_throttle_v"]) == {"hold_too_short"}
        else:
            np.testing.assert_allclose(out["lambda_full_throttle_v"].value, expected, atol=0.03)


def lean_dips(times: list[float], size: float, width_s: float, lag_s: float) -> np.ndarray:
    time = np.arange(int(9.0 * RATE)) / RATE
    x = np.zeros_like(time)
    for moment in times:
        x[(time >= moment) & (time < moment + width_s)] -= size
    return lagged(time, x, lag_s)


def test_lean_needles_are_counted_and_sized():
    dips = lean_dips([3.62, 3.81, 3.93, 4.08], 0.2, 0.03, 0.03)
    out, _ = read_ratio(snap_trace() + dips)
    assert np.all(out["lean_needles"].value == 4)
    lambda_size = 1.0 / (SNAP.full + dips.min()) - 1.0 / SNAP.full
    np.testing.assert_allclose(out["lean_needle_size"].value, lambda_size, rtol=0.15)
    assert np.all(out["electrical_needles"].value == 0)


def test_needles_are_placed_and_a_beat_told_from_chance():
    beat, chance = [3.65, 3.75, 3.85, 3.95, 4.05], [3.65, 3.73, 3.81, 4.01, 4.10]
    for times, low, high in ((beat, 0.0, 0.15), (chance, 0.4, 1.0)):
        out, _ = read_ratio(snap_trace() + lean_dips(times, 0.2, 0.012, 0.02))
        assert np.all(out["lean_needles"].value == 5)
        np.testing.assert_allclose(out["lean_needle_time_s"].value, times[2] - SNAP.opening_s, atol=0.03)
        irregular = out["lean_needle_irregularity"]
        assert np.all((irregular.value >= low) & (irregular.value <= high))
        gaps = np.diff(times)
        assert np.all(np.abs(irregular.value - gaps.std(ddof=1) / gaps.mean()) < 2 * irregular.u + 0.02)
    few, _ = read_ratio(snap_trace() + lean_dips([3.7, 3.9], 0.2, 0.012, 0.02))
    assert np.isnan(few["lean_needle_irregularity"].value).all()


def test_a_clean_hold_has_no_needles():
    out, _ = read_ratio(snap_trace(rows=60))
    assert np.mean(out["lean_needles"].value == 0) > 0.98


def test_full_throttle_is_the_mean_as_recorded_before_the_foot_lifts():
    """A level still drifting is read as it stood, and what the lifting foot burns is not part of it."""
    time = np.arange(int(9.0 * RATE)) / RATE
    x = snap_trace(noise=0.0005)
    x += 0.03 * np.clip(time - (SNAP.opening_s + 0.6), 0.0, SNAP.release_s - SNAP.opening_s - 0.6)
    window = (time >= SNAP.release_s - 0.24) & (time < SNAP.release_s - 0.04)
    expected = 1.0 / x[:, window].mean(axis=1)
    x += 0.1 * np.clip((time - (SNAP.release_s - 0.03)) / 0.03, 0.0, 1.0) * (time < SNAP.release_s + 0.1)
    out, _ = read_ratio(x)
    np.testing.assert_allclose(out["lambda_full_throttle"].value, expected, atol=0.0005)


def test_needles_no_sensor_can_follow_are_electrical_and_move_nothing():
    x = snap_trace()
    spiked = x.copy()
    for place in (1500, 4200, 7600, 12_000):
        spiked[:, place : place + 3] += 0.3
    clean, _ = read_ratio(x)
    out, _ = read_ratio(spiked)
    assert np.all(out["electrical_needles"].value == 4)
    assert np.all(out["lean_needles"].value == 0)
    for name in ("lambda_idle", "lambda_full_throttle", "lambda_to_rich_time_constant_s"):
        np.testing.assert_allclose(out[name].value, clean[name].value, rtol=0.02)


def test_blocks_and_smoothing_agree_with_their_twins():
    rng = np.random.default_rng(5)
    x = rng.normal(1.0, 0.001, (1, 4000)).astype(np.float32)
    x[0, 700:720] = np.nan
    scale = lambda_scale(RATIO, "ratio")
    assert scale is not None
    found = block_lambda(x, np.isfinite(x), scale, interval_s=0.0005)
    np.testing.assert_allclose(found.x[0], naive_lambda.blocks(1.0 / x[0], 5), rtol=1e-6)
    out = np.empty(800)
    moving_mean(found.x[0], 0, 800, 3, out)
    np.testing.assert_allclose(out, naive_lambda.moving_mean(found.x[0], 3), rtol=1e-9)


def test_no_snap_still_gives_idle():
    x = 1.0 + np.random.default_rng(6).normal(0, 0.002, (4, 10_000))
    out, signs = read(1.0 / x, rate_hz=RATE, sensor=RATIO, kind="ratio")
    np.testing.assert_allclose(out["lambda_idle"].value, 1.0, atol=0.002)
    assert signs.active.all()
    for name in NAMES:
        if QUANTITIES[name].need.snap and "ratio" in (QUANTITIES[name].need.kinds or ("ratio",)):
            assert reasons(out[name]) == {"no_snap"}, name


@pytest.mark.parametrize("rate_hz", [5.0, 10.0, 40.0, 90.0])
def test_needs_of_rate_are_kept(rate_hz):
    time = np.arange(int(9.0 * rate_hz)) / rate_hz
    signal = np.tile(1.0 / SNAP.richness(time).clip(0.125), (2, 1))
    out, _ = read(signal, rate_hz=rate_hz, sensor=RATIO, kind="ratio", opening_s=3.0, release_s=4.2)
    for name, found in out.items():
        if QUANTITIES[name].need.rate_hz > rate_hz:
            assert np.all(found.reason != 0), name


def test_splitting_a_batch_changes_nothing():
    x = snap_trace()
    whole, signs = read_ratio(x)
    halves = [read_ratio(x[:5])[0], read_ratio(x[5:])[0]]
    for name, found in whole.items():
        parts = np.concatenate([half[name].value for half in halves])
        np.testing.assert_array_equal(found.value, parts)
    assert signs.active.shape == (10,)


def test_time_shift_changes_nothing():
    x = snap_trace(noise=0.001)
    early, _ = read_ratio(x[:, 2000:], Snap(opening_s=2.0, release_s=3.2))
    late, _ = read_ratio(x)
    for name in ("lambda_full_throttle", "lambda_to_rich_dead_time_s", "lambda_to_lean_time_constant_s"):
        np.testing.assert_allclose(early[name].value, late[name].value, rtol=0.02, atol=1e-3)


@settings(max_examples=60, deadline=None)
@given(
    signal=hnp.arrays(
        np.float32,
        st.tuples(st.integers(1, 3), st.integers(1, 400)),
        elements=st.one_of(st.floats(-2, 20, width=32), st.just(np.nan), st.just(np.float32(1.0))),
    ),
    interval_s=st.sampled_from([5e-6, 5e-4, 2.5e-3, 0.02, 0.1, 1.0]),
    opening=st.one_of(st.just(np.nan), st.floats(-1, 20)),
    hold=st.one_of(st.just(np.nan), st.floats(-1, 5)),
    which=st.sampled_from([(WIDEBAND, "v"), (RATIO, "ratio"), (NARROWBAND, "v"), (RATIO, "v"), (WIDEBAND, "ratio")]),
)
def test_no_input_raises(signal, interval_s, opening, hold, which):
    sensor, kind = which
    rows = signal.shape[0]
    out, signs = read_lambda(
        signal,
        np.isfinite(signal),
        interval_s=interval_s,
        sensor=sensor,
        opening_s=np.full(rows, opening),
        release_s=np.full(rows, opening + hold),
        idle_s=(np.full(rows, np.nan), np.full(rows, np.nan)),
        idle_speed_rpm=np.full(rows, np.nan),
        kind=kind,
    )
    assert set(out) == set(NAMES)
    assert signs.active.shape == (rows,)
    for found in out.values():
        assert np.all((found.reason == 0) == np.isfinite(found.value))


@pytest.mark.parametrize("release_s", [3.55, 3.65, 3.75, 3.8, 4.2])
def test_a_short_hold_makes_the_switching_time_less_sure_and_no_jump(release_s):
    """The upper level of a hold that ends before the lag has died away lacks part of the step; the interval knows."""
    time = np.arange(int(9.0 * RATE)) / RATE
    x = np.where((time > 3.25) & (time < release_s + 0.35), 0.85, np.where(time < 3.25, 0.1, 0.08))
    signal = np.tile(lagged(time, x, 0.08), (8, 1)) + np.random.default_rng(4).normal(0, 0.004, (8, time.size))
    out, _ = read(signal, rate_hz=RATE, sensor=NARROWBAND, kind="v", opening_s=3.0, release_s=release_s)
    found, true = out["lambda_to_rich_switch_time_s"], np.log(9.0) * 0.08
    assert np.all(np.abs(found.value - true) < 2.5 * found.u)
    assert np.all(found.u < 0.12 * true)


def test_a_cut_without_a_spike_is_read_from_the_level_held():
    """Three lags in a row bend the begin of the fall as a spike's way back would; with no spike it is the response."""
    time = np.arange(int(9.0 * RATE)) / RATE
    x = np.where(time < 3.1, 1.0, np.where(time < 4.5, SNAP.full, 0.5))
    for _ in range(3):
        x = lagged(time, x, 0.1)
    rows = np.tile(x, (40, 1)) + np.random.default_rng(5).normal(0, 0.006, (40, time.size))
    out, _ = read_ratio(rows)
    assert np.ptp(out["lambda_to_lean_dead_time_s"].value) < 0.01
