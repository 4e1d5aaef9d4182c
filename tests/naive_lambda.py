"""Slow, obvious twins of the compiled lambda kernels."""

import numpy as np
from numpy.typing import NDArray


def blocks(signal: NDArray[np.float32], per: int) -> NDArray[np.float64]:
    """Means of whole blocks; NaN where nothing was recorded."""
    count = signal.size // per
    out = np.full(count, np.nan)
    for j in range(count):
        part = signal[j * per : (j + 1) * per].astype(float)
        if np.isfinite(part).any():
            out[j] = np.nanmean(part)
    return out


def moving_mean(w: NDArray[np.float64], half: int) -> NDArray[np.float64]:
    """Centred mean over 2 half + 1 samples, shorter at the ends."""
    return np.array([np.nanmean(w[max(0, i - half) : i + half + 1]) for i in range(w.size)])


def largest_rise(s: NDArray[np.float64]) -> float:
    """Largest s[q] - s[p] with p before q, by trying all pairs."""
    return max(s[q] - s[p] for p in range(s.size) for q in range(p, s.size))


def step_response(
    time: NDArray[np.float64], start: float, constant: float, before: float, step: float, ramp: float
) -> NDArray[np.float64]:
    """First-order response to a step and a ramp that begin at `start`."""
    s = np.maximum(time - start, 0.0)
    rise = 1.0 - np.exp(-s / constant)
    return before + step * rise + ramp * (s - constant * rise)


def fit_step(
    time: NDArray[np.float64], y: NDArray[np.float64], guess: tuple[float, float, float, float], ramp_prior: float
) -> NDArray[np.float64]:
    """Start, time constant, level before, step and ramp by general least squares."""
    from scipy.optimize import least_squares

    sigma = 0.0

    def residual(p: NDArray[np.float64]) -> NDArray[np.float64]:
        model = step_response(time, p[0], np.exp(p[1]), p[2], p[3], p[4])
        return np.append(y - model, sigma * p[4] / ramp_prior)

    p = np.array([guess[0], np.log(guess[1]), guess[2], guess[3], 0.0])
    for _ in range(3):
        found = least_squares(residual, p, x_scale=[0.01, 0.1, abs(guess[3]), abs(guess[3]), abs(guess[3])])
        p = found.x
        sigma = float(np.std(residual(p)[:-1]))
    return np.array([p[0], np.exp(p[1]), *p[2:]])


def mean_variance(white: float, colour: float, r: float, n: int) -> float:
    """Variance of a mean by summing the whole covariance matrix."""
    i = np.arange(n)
    return float((white * np.eye(n) + colour * r ** np.abs(i[:, None] - i[None, :])).sum() / n**2)


def ripple_amplitude(y: NDArray[np.float64], interval_s: float, rpm: float) -> float:
    """Amplitude at half the crank frequency by general least squares with level, drift and curvature."""
    t = np.arange(y.size) * interval_s
    w = 2.0 * np.pi * rpm / 120.0
    design = np.stack([np.cos(w * t), np.sin(w * t), np.ones_like(t), t, t * t], axis=1)
    c = np.linalg.lstsq(design, y, rcond=None)[0]
    return float(np.hypot(c[0], c[1]))


def crossings(s: NDArray[np.float64], level: float) -> NDArray[np.float64]:
    """Every upward crossing of a level, between samples."""
    i = np.flatnonzero((s[:-1] < level) & (s[1:] >= level))
    return i + (level - s[i]) / (s[i + 1] - s[i])


def departures(w: NDArray[np.float64], reach: int) -> NDArray[np.float64]:
    """Fall of each sample below the upper quartile of all samples within `reach` of it."""
    out = np.empty(w.size)
    for i in range(w.size):
        around = np.sort(w[max(i - reach, 0) : i + reach + 1])
        out[i] = around[min(3 * around.size // 4, around.size - 1)] - w[i]
    return out


def lean_dips(
    x: NDArray[np.float64], idle_stop: int, first: int, stop: int, interval_s: float, noise: float, least: float
) -> tuple[int, float]:
    """How many dips fall from the level around them, and their median size, in a trace without gaps.

    A dip begins at six standard deviations of the noise and ends at half that; the noise is at least that of the
    idle.
    """
    half, reach = int(0.0025 / interval_s + 1e-6), int(0.125 / interval_s)
    idle = departures(moving_mean(x[idle_stop - 4 * reach : idle_stop], half), reach)
    sigma = max(noise / np.sqrt(2 * half + 1), float(np.median(np.abs(idle - np.median(idle)))) / 0.6745)
    level = moving_mean(x[first:stop], half)
    fall = departures(level, reach) - 0.6745 * sigma
    threshold = max(6.0 * sigma, least)
    places: list[int] = []
    inside = False
    for k, value in enumerate(fall):
        if not inside and value > threshold:
            inside = True
            places.append(k)
        elif inside and value > 0.5 * threshold:
            places[-1] = k if value > fall[places[-1]] else places[-1]
        else:
            inside = False
        if inside and k in (0, fall.size - 1):
            places.pop()  # cut by the window: neither its beginning nor its size is known
    sizes = []
    for k in places:  # a dip comes back on both sides, a shoulder does not
        rise = min(level[max(k - reach, 0) : k + 1].max(), level[k : k + reach + 1].max()) - level[k]
        if rise >= 0.5 * fall[k]:
            sizes.append(float(fall[k]))
    return len(sizes), float(np.median(sizes)) if sizes else float("nan")
