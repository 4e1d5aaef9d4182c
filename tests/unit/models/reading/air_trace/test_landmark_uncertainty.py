"""Terms of the landmarks' uncertainty, each against the thing itself: a simulation or the sum it stands for."""

import numpy as np
import pytest

from models.reading.air_trace.landmark_uncertainty import highest_of, parabola_gain
from models.statistics.smoothing import smooth, smoothing_gain
from models.statistics.window_levels import block_mean, parabola_at, parabola_top


@pytest.mark.parametrize("turn", [0.3, 1.9, 3.5, 5.0, 9.0])
def test_a_parabola_keeps_of_a_sine_what_the_formula_says(turn):
    k = np.arange(-200, 201)
    kept, _ = parabola_at(np.cos(turn * k / 200.5).astype(np.float32), 0, k.size, 200.0)
    assert parabola_gain(np.array([turn]))[0] == pytest.approx(kept, abs=0.01)


@pytest.mark.parametrize("count", [1, 2, 5, 20, 100])
def test_the_highest_of_normal_numbers(count):
    drawn = np.random.default_rng(count).normal(size=(20_000, count)).max(axis=1)
    mean, sd = highest_of(np.array([float(count)]))
    assert mean[0] == pytest.approx(drawn.mean(), abs=0.04)
    assert sd[0] == pytest.approx(drawn.std(), rel=0.12)


@pytest.mark.parametrize("samples", [60, 200, 600])
def test_the_highest_of_a_smoothed_noise(samples):
    """Places 0.62 of one running mean apart count as independent for it."""
    half, rng = 15, np.random.default_rng(3)
    noise = rng.normal(size=(1500, samples + 4 * half)).astype(np.float32)
    trace = smooth(noise, np.full(1500, noise.shape[1]), half)[:, 2 * half : -2 * half] / smoothing_gain(half)
    mean, sd = highest_of(np.array([1.0 + samples / (0.62 * (2 * half + 1))]))
    assert mean[0] == pytest.approx(trace.max(axis=1).mean(), abs=0.2)
    assert sd[0] == pytest.approx(trace.max(axis=1).std(), rel=0.2)


def test_the_top_of_a_parabola_is_found_between_samples():
    k = np.arange(60.0)
    trace = (5.0 - 0.01 * (k - 31.3) ** 2).astype(np.float32)
    place, level = parabola_top(trace, 15, 46, 30.0)
    assert place == pytest.approx(31.3, abs=1e-3)
    assert level == pytest.approx(5.0, abs=1e-5)


@pytest.mark.parametrize("wander", [0.0, 0.05])
def test_noise_of_a_level_is_told_from_its_wander(wander):
    """Ripple at twice the blocks' rate, white noise, and a slow swing that is part of the mean."""
    rng, k = np.random.default_rng(7), np.arange(3000)
    swing = wander * np.sin(2 * np.pi * k / 2600.0)
    errors, us, wanders = [], [], []
    for _ in range(300):
        ripple = 0.1 * np.sin(2 * np.pi * (k / 77.0 + rng.uniform()))
        trace = (4.0 + swing + ripple + 0.1 * rng.normal(size=k.size)).astype(np.float32)
        level, u, _, moved = block_mean(trace, 0, k.size, 24)
        errors.append(level - 4.0 - swing.mean())
        us.append(u)
        wanders.append(moved)
    assert 0.75 < np.std(errors) / np.median(us) < 1.1  # Student's factor is in u
    assert np.median(wanders) == pytest.approx(np.std(swing), abs=0.006)
