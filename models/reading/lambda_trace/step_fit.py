"""First-order-plus-dead-time identification of one step in one trace, by damped Gauss–Newton."""

import numpy as np
from numpy.typing import NDArray

from models.statistics.compiled import kernel
from models.statistics.smoothing import product_sum

# Two-point method of Sundaresan and Krishnaswamy (35.3 % and 85.3 % of the step) with exact coefficients:
# 1 - exp(-s) passes them at s = -ln(0.647) and -ln(0.147). The printed ones are 0.67, 1.3 and -0.29.
LOW_PART, HIGH_PART = 0.353, 0.853
_LOW_TIME, _HIGH_TIME = -np.log(1.0 - LOW_PART), -np.log(1.0 - HIGH_PART)
TWO_POINT_CONSTANT = 1.0 / (_HIGH_TIME - _LOW_TIME)
TWO_POINT_LOW = _HIGH_TIME / (_HIGH_TIME - _LOW_TIME)
TWO_POINT_HIGH = -_LOW_TIME / (_HIGH_TIME - _LOW_TIME)

# Columns of a fit: time of the start of the response and its time constant, level before, step, ramp after the
# start, standard uncertainties of the first two, root-mean-square residual, samples per independent sample, samples.
START, CONSTANT, BEFORE, STEP, RAMP, START_U, CONSTANT_U, RESIDUAL, CORRELATION, SAMPLES = range(10)
FIT_COLUMNS = 10

# A level that is reached drifts by less than this part of the step in a second (one standard deviation of the prior).
RAMP_PRIOR = 0.3
# How long a lambda trace remembers its noise: about the lag of a usual sensor. A short window can't tell it, and one
# value for all keeps the uncertainty from jumping; over memories of 5 to 30 ms intervals of a level cover 92 to 98 %.
MEMORY_S = 0.03
# A response that is no first-order one has no time constant but by definition. How far the definition reaches when foot
# and hold vary is taken as this part of what its residual would do if it were noise (judgement; repeats on the sample
# fleet scatter by about as much).
DEFINITION = 0.3
# Where between two samples a response begins shows only through its first sample: standard uncertainty as a part of
# the interval, from bench traces without noise at every phase.
KINK = 0.02
_PARAMETERS = 5
_ITERATIONS = 25


@kernel
def two_point(low_s: float, high_s: float) -> tuple[float, float]:
    """Dead time and time constant from the times of 35.3 % and 85.3 % of a step.

    Parameters
    ----------
    low_s, high_s : float
        Times from the step at which the response passes 35.3 % and 85.3 %. [s]

    Returns
    -------
    tuple of float
        Dead time and time constant. [s]

    References
    ----------
    K. R. Sundaresan, P. R. Krishnaswamy, Can. J. Chem. Eng. 56, 1978, 257-262, with exact coefficients.
    """
    return TWO_POINT_LOW * low_s + TWO_POINT_HIGH * high_s, TWO_POINT_CONSTANT * (high_s - low_s)


@kernel
def solve_spd(matrix: NDArray[np.float64], right: NDArray[np.float64]) -> bool:  # pragma: no cover - compiled
    """Solve a small positive-definite system in place by Gauss–Jordan; `right` becomes the solution."""
    n = matrix.shape[0]
    for k in range(n):
        pivot = matrix[k, k]
        if not pivot > 1e-300:
            return False
        inverse = 1.0 / pivot
        for j in range(n):
            matrix[k, j] *= inverse
        for j in range(right.shape[1]):
            right[k, j] *= inverse
        for i in range(n):
            factor = matrix[i, k]
            if i == k or factor == 0.0:
                continue
            for j in range(n):
                matrix[i, j] -= factor * matrix[k, j]
            for j in range(right.shape[1]):
                right[i, j] -= factor * right[k, j]
    return True


@kernel
def _model(
    y: NDArray[np.float64],
    first: int,
    stop: int,
    h: float,
    p: NDArray[np.float64],
    low: float,
    high: float,
    residual: NDArray[np.float64],
    jacobian: NDArray[np.float64],
) -> float:  # pragma: no cover - compiled
    """Residuals and derivatives of the clipped step response; return the sum of squares."""
    start, tau = p[0], np.exp(p[1])
    before, step, ramp = p[2], p[3], p[4]
    per_tau = 1.0 / tau
    decay = np.exp(-h * per_tau)
    e = -1.0
    total = 0.0
    for i in range(first, stop):
        k = i - first
        s = i * h - start
        if s <= 0.0:
            rise, gone, left = 0.0, 0.0, 0.0
        else:
            e = np.exp(-s * per_tau) if e < 0.0 else e * decay
            rise, left, gone = 1.0 - e, e, s
        lagged = gone - tau * rise
        value = before + step * rise + ramp * lagged
        if np.isnan(y[i]):
            residual[k] = 0.0
            for j in range(_PARAMETERS):
                jacobian[j, k] = 0.0
            continue
        if value < low or value > high:
            value = low if value < low else high
            for j in range(_PARAMETERS):
                jacobian[j, k] = 0.0
        else:
            pull = gone * left * per_tau
            jacobian[0, k] = -(step * left * per_tau + ramp * rise)
            jacobian[1, k] = -step * pull + ramp * (pull - rise) * tau
            jacobian[2, k] = 1.0
            jacobian[3, k] = rise
            jacobian[4, k] = lagged
        residual[k] = y[i] - value
        total += residual[k] * residual[k]
    return total


@kernel
def coloured(residual: NDArray[np.float64], n: int, used: int, fitted: int, h: float) -> tuple[float, float, float]:
    """Split the noise of a residual into white variance, coloured variance and its lag-one correlation.

    Parameters
    ----------
    residual : ndarray of shape (samples,)
        Residual; 0 where nothing was recorded. [unit]
    n, used, fitted : int
        Samples to look at, those that were recorded, and parameters that were fitted to them.
    h : float
        Sampling interval. [s]

    Returns
    -------
    tuple of float
        White variance, coloured variance, lag-one correlation of the coloured part. [unit², unit², 1]

    Notes
    -----
    First-order coloured noise under white noise has autocovariance s² r^k at lag k > 0. Short windows can't tell
    both s² and r, so r is that of `MEMORY_S`, and s² the projection of the autocovariances on r^k. The fit took
    about `fitted` times the long-run variance over n out of each of them; it is given back, which takes a few rounds.
    """
    if used < 8:
        return 0.0, 0.0, 0.0
    lags = max(1, min(40, n // 3, int(0.1 / h)))
    cov = np.empty(lags + 1)
    for k in range(lags + 1):
        cov[k] = product_sum(residual[: n - k], residual[k:n]) / used
    r = np.exp(-h / MEMORY_S)
    taken, colour = 0.0, 0.0
    for _ in range(4):
        top, bottom, part = 0.0, 0.0, 1.0
        for k in range(1, lags + 1):
            part *= r
            top += (cov[k] + taken) * part
            bottom += part * part
        colour = min(max(top / bottom, 0.0), cov[0] + taken)
        long_run = cov[0] + taken - colour + colour * (1.0 + r) / (1.0 - r)
        taken = min(fitted * long_run / used, cov[0])
    return cov[0] + taken - colour, colour, r


@kernel
def student(independent: float) -> float:
    """What an uncertainty grows by because noise and memory were themselves told from few samples.

    Parameters
    ----------
    independent : float
        Independent samples; half of them are counted as degrees of freedom, since the memory was told from them too.

    Returns
    -------
    float
        Ratio of Student's 97.5 % point to the normal's, 1 + 1.2 / f + 1.7 / f² within 1 % from f = 5 on, at most 3.
    """
    freedom = max(0.5 * independent, 0.5)
    return min(1.0 + 1.2 / freedom + 1.7 / freedom**2, 3.0)


@kernel
def _variance_of_sum(
    weights: NDArray[np.float64], white: float, colour: float, r: float
) -> float:  # pragma: no cover - compiled
    """Variance of a weighted sum of noise whose covariance is white I + colour r^|i-j|."""
    square, product, earlier = 0.0, 0.0, 0.0
    for i in range(weights.size):
        square += weights[i] * weights[i]
        product += weights[i] * earlier
        earlier = r * (earlier + weights[i])
    variance: float = (white + colour) * square + 2.0 * colour * product
    return variance


@kernel
def fit_step(
    y: NDArray[np.float64],
    first: int,
    stop: int,
    h: float,
    guess: NDArray[np.float64],
    low: float,
    high: float,
    final: float,
    final_u: float,
    before_u: float,
    noise: NDArray[np.float64],
    out: NDArray[np.float64],
) -> bool:  # pragma: no cover - compiled
    """Fit one step response to samples first..stop-1 of a trace.

    Parameters
    ----------
    y : ndarray of shape (samples,)
        Trace; NaN where nothing was recorded. [unit]
    first, stop : int
        Window.
    h : float
        Sampling interval; sample i lies at time i h. [s]
    guess : ndarray of shape (5,)
        Start, time constant, level before, step and ramp to begin with. [s, s, unit, unit, unit/s]
    low, high : float
        Ends at which the signal is cut off; the model is cut off there too (censoring). [unit]
    final, final_u : float
        What is known of the final level and its standard uncertainty; NaN nothing. It counts for little where the
        model fits to the noise, and for much where the residual is smooth, that is, where the model is wrong. [unit]
    before_u : float
        Standard uncertainty of the guessed level before, where the window begins at the turn and shows little of it; NaN
        nothing is known. [unit]
    noise : ndarray of shape (3,)
        White variance, coloured variance and lag-one correlation of the noise where the trace stands still; of a
        residual that is larger than twice that, the excess counts as the model's, see `DEFINITION`. [unit², unit², 1]
    out : ndarray of shape (FIT_COLUMNS,)
        Filled in.

    Returns
    -------
    bool
        False where nothing could be fitted.
    """
    n = stop - first
    used = 0
    for i in range(first, stop):
        if not np.isnan(y[i]):
            used += 1
    if used < 8:
        return False
    p = np.array([guess[0], np.log(guess[1]), guess[2], guess[3], guess[4]])
    trial = np.empty(_PARAMETERS)
    residual, jacobian = np.empty(n), np.empty((_PARAMETERS, n))
    normal, right = np.empty((_PARAMETERS, _PARAMETERS)), np.empty((_PARAMETERS, 1))
    base, gradient = np.empty((_PARAMETERS, _PARAMETERS)), np.empty(_PARAMETERS)
    ramp_u = RAMP_PRIOR * abs(guess[3])
    floor = (1e-4 * guess[3]) ** 2
    variance = max(noise[0] + noise[1], floor)
    damping = 1e-3
    sse = _model(y, first, stop, h, p, low, high, residual, jacobian)
    known = not np.isnan(final)
    turned, level_before = not np.isnan(before_u), guess[2]
    better, spread = False, 1.0
    for iteration in range(_ITERATIONS):
        if iteration % 4 == 3:
            variance = max(sse / used, floor)
        if iteration == 3 or iteration == 11:
            white, colour, r = coloured(residual, n, used, 4, h)
            spread = (white + colour * (1.0 + r) / (1.0 - r)) / max(white + colour, 1e-300)
        pull_ramp = variance * spread / ramp_u**2
        pull_final = variance * spread / final_u**2 if known else 0.0
        pull_before = variance * spread / before_u**2 if turned else 0.0
        off_final = p[2] + p[3] - final if known else 0.0
        cost = sse + pull_ramp * p[4] ** 2 + pull_final * off_final**2 + pull_before * (p[2] - level_before) ** 2
        for a in range(_PARAMETERS):
            gradient[a] = product_sum(jacobian[a], residual)
            for b in range(a + 1):
                base[a, b] = product_sum(jacobian[a], jacobian[b])
        base[4, 4] += pull_ramp
        gradient[4] -= pull_ramp * p[4]
        base[2, 2] += pull_final + pull_before
        base[3, 3] += pull_final
        base[3, 2] += pull_final
        gradient[2] -= pull_final * off_final + pull_before * (p[2] - level_before)
        gradient[3] -= pull_final * off_final
        better = False
        moved = 0.0
        for _ in range(6):
            for a in range(_PARAMETERS):
                for b in range(a + 1):
                    normal[a, b] = base[a, b]
                    normal[b, a] = base[a, b]
                normal[a, a] += damping * base[a, a] + 1e-12 * base[2, 2] * (1.0 if a >= 2 else guess[3] ** 2)
                right[a, 0] = gradient[a]
            if not solve_spd(normal, right):
                damping *= 10.0
                continue
            for a in range(_PARAMETERS):
                trial[a] = p[a] + right[a, 0]
            trial[0] = min(max(trial[0], (first - 1) * h), (stop - 2) * h)
            trial[1] = min(max(trial[1], p[1] - 1.0, np.log(0.2 * h)), p[1] + 1.0, np.log(4.0))
            new = _model(y, first, stop, h, trial, low, high, residual, jacobian)
            off = trial[2] + trial[3] - final if known else 0.0
            lifted = trial[2] - level_before
            if new + pull_ramp * trial[4] ** 2 + pull_final * off**2 + pull_before * lifted**2 <= cost:
                moved = max(abs(trial[0] - p[0]), abs(trial[1] - p[1]) * np.exp(p[1]))
                p[:] = trial
                sse, better = new, True
                damping = max(0.2 * damping, 1e-9)
                break
            damping *= 8.0
        if not better or (moved < 1e-2 * h and iteration > 4):
            break
    if not better:  # the last trial was refused: back to what stands
        sse = _model(y, first, stop, h, p, low, high, residual, jacobian)
    variance = max(sse / max(used - 4, 1), floor)
    white, colour, r = coloured(residual, n, used, 4, h)
    spread = (white + colour * (1.0 + r) / (1.0 - r)) / max(white + colour, 1e-300)
    inverse = np.zeros((_PARAMETERS, _PARAMETERS))
    excess = white + colour * (1.0 + r) / (1.0 - r)
    still = 2.0 * (noise[0] + noise[1] * (1.0 + noise[2]) / (1.0 - noise[2]))
    for a in range(_PARAMETERS):
        for b in range(_PARAMETERS):
            normal[a, b] = product_sum(jacobian[a], jacobian[b])
        inverse[a, a] = 1.0
    pull_ramp = variance * spread / ramp_u**2
    pull_final = variance * spread / final_u**2 if known else 0.0
    pull_before = variance * spread / before_u**2 if turned else 0.0
    normal[4, 4] += pull_ramp
    normal[2, 2] += pull_before
    for a in range(2, 4):
        for b in range(2, 4):
            normal[a, b] += pull_final
    for a in range(_PARAMETERS):
        normal[a, a] += 1e-12 * normal[2, 2] * (1.0 if a >= 2 else guess[3] ** 2)
    if not solve_spd(normal, inverse):
        return False
    tau = np.exp(p[1])
    for a in range(2):
        # what each sample, and what was known before, does to the parameter
        for i in range(n):
            residual[i] = 0.0
        for b in range(_PARAMETERS):
            for i in range(n):
                residual[i] += inverse[a, b] * jacobian[b, i]
        total = _variance_of_sum(residual, max(white, floor), colour, r)
        if 0.0 < still < excess:
            quiet = _variance_of_sum(residual, 2.0 * max(noise[0], floor), 2.0 * noise[1], noise[2])
            total = quiet + DEFINITION**2 * (total - quiet)
        by_final = pull_final * (inverse[a, 2] + inverse[a, 3]) ** 2
        total += variance * spread * (pull_ramp * inverse[a, 4] ** 2 + by_final + pull_before * inverse[a, 2] ** 2)
        out[START_U + a] = np.sqrt(max(total, 0.0)) * (1.0 if a == 0 else tau) * student(used / spread - 4.0)
    out[START_U] = np.hypot(out[START_U], KINK * h)
    out[START], out[CONSTANT], out[BEFORE], out[STEP], out[RAMP] = p[0], tau, p[2], p[3], p[4]
    out[RESIDUAL], out[CORRELATION], out[SAMPLES] = np.sqrt(sse / used), spread, used
    return True
