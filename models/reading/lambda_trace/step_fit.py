"""Fit of a first-order step response with dead time to one trace, by damped Gauss–Newton."""

import numpy as np

from models.reading.lambda_trace.step_model import PARAMETERS, Known, Noise, step_residuals
from models.statistics.arrays import Floats
from models.statistics.coloured_noise import coloured, variance_of_weighted_sum
from models.statistics.compiled import kernel
from models.statistics.linear_systems import solve_spd
from models.statistics.records import Record
from models.statistics.student import student_factor
from models.statistics.window_levels import product_sum

# Prior standard deviation of the drift after the step, as a part of the step. [1/s]
RAMP_PRIOR = 0.3
# A response that is not first order has a time constant by definition only. Its uncertainty as pedal and hold vary is
# this part of the effect its residual would have as noise (a judgement; repeats on the sample fleet scatter by about as
# much). [1]
DEFINITION = 0.3
# Only its first sample shows where between two samples a response begins: standard uncertainty as a part of the
# interval, from bench traces without noise at every phase. [1]
KINK = 0.02
_ITERATIONS = 25
# Priors on ramp, final level and level before, as weights of the parameters that sum to each. None concerns start or
# time constant.
_PRIORS = np.array([[0.0, 0.0, 0.0, 0.0, 1.0], [0.0, 0.0, 1.0, 1.0, 0.0], [0.0, 0.0, 1.0, 0.0, 0.0]])
_LEVELS, _STATED = 2, 3


@kernel
def _distance(p: Floats, targets: Floats, k: int) -> float:  # pragma: no cover - compiled
    """Distance of the parameters from the mean of prior `k`."""
    total = 0.0
    for j in range(_LEVELS, PARAMETERS):
        total += _PRIORS[k, j] * p[j]
    distance: float = total - targets[k]
    return distance


@kernel
def _cost(sse: float, p: Floats, targets: Floats, pulls: Floats) -> float:  # pragma: no cover - compiled
    """Sum of squares, including those of the priors."""
    total = sse
    for k in range(_STATED):
        total += pulls[k] * _distance(p, targets, k) ** 2
    return total


@kernel
def _pull(variance: float, prior_u: Floats, pulls: Floats) -> None:  # pragma: no cover - compiled
    """Fill in how much a squared distance from each prior costs."""
    for k in range(_STATED):
        pulls[k] = variance / prior_u[k] ** 2


@kernel
def _correlated(white: float, colour: float, r: float) -> float:  # pragma: no cover - compiled
    """Number of samples of this noise that are worth one independent sample."""
    return (white + colour * (1.0 + r) / (1.0 - r)) / max(white + colour, 1e-300)


@kernel
def _normal_equations(
    residual: Floats, jacobian: Floats, p: Floats, targets: Floats, pulls: Floats, base: Floats, gradient: Floats
) -> None:  # pragma: no cover - compiled
    """Fill base and gradient, the priors in them."""
    for a in range(PARAMETERS):
        gradient[a] = product_sum(jacobian[a], residual)
        for b in range(a + 1):
            base[a, b] = product_sum(jacobian[a], jacobian[b])
    for a in range(_LEVELS, PARAMETERS):
        force = 0.0
        for k in range(_STATED):
            force += pulls[k] * _distance(p, targets, k) * _PRIORS[k, a]
        gradient[a] -= force
        for b in range(_LEVELS, a + 1):
            stiffness = 0.0
            for k in range(_STATED):
                stiffness += pulls[k] * _PRIORS[k, a] * _PRIORS[k, b]
            base[a, b] += stiffness


@kernel
def _tiny(a: int, level: float, step: float) -> float:  # pragma: no cover - compiled
    """Small diagonal term that keeps parameter `a` determined where the trace does not."""
    return 1e-12 * level * (1.0 if a >= 2 else step**2)


@kernel
def _step_down(
    y: Floats,
    first: int,
    stop: int,
    h: float,
    step: float,
    p: Floats,
    cost: float,
    damping: float,
    known: Known,
    targets: Floats,
    pulls: Floats,
    base: Floats,
    gradient: Floats,
    residual: Floats,
    jacobian: Floats,
) -> tuple[float, float, float]:  # pragma: no cover - compiled
    """Try steps with increasing damping until one does not raise the cost, and take it.

    Returns the sum of squares there (-1 where every step was rejected), how far start and time constant moved [s], and
    the damping to continue with.
    """
    trial, right = np.empty(PARAMETERS), np.empty((PARAMETERS, 1))
    normal = np.empty((PARAMETERS, PARAMETERS))
    for _ in range(6):
        for a in range(PARAMETERS):
            for b in range(a + 1):
                normal[a, b] = base[a, b]
                normal[b, a] = base[a, b]
            normal[a, a] += damping * base[a, a] + _tiny(a, base[2, 2], step)
            right[a, 0] = gradient[a]
        if not solve_spd(normal, right):
            damping *= 10.0
            continue
        for a in range(PARAMETERS):
            trial[a] = p[a] + right[a, 0]
        trial[0] = min(max(trial[0], (first - 1) * h), (stop - 2) * h)
        trial[1] = min(max(trial[1], p[1] - 1.0, np.log(0.2 * h)), p[1] + 1.0, np.log(4.0))
        sse = step_residuals(y, first, stop, h, trial, known, residual, jacobian)
        if _cost(sse, trial, targets, pulls) <= cost:
            moved = max(abs(trial[0] - p[0]), abs(trial[1] - p[1]) * np.exp(p[1]))
            p[:] = trial
            return sse, moved, max(0.2 * damping, 1e-9)
        damping *= 8.0
    return -1.0, 0.0, damping


@kernel
def _covariance(step: float, pulls: Floats, jacobian: Floats) -> tuple[bool, Floats]:  # pragma: no cover - compiled
    """Inverse of the normal equations, the priors in them; False where there is none."""
    normal, inverse = np.empty((PARAMETERS, PARAMETERS)), np.zeros((PARAMETERS, PARAMETERS))
    for a in range(PARAMETERS):
        for b in range(PARAMETERS):
            normal[a, b] = product_sum(jacobian[a], jacobian[b])
        inverse[a, a] = 1.0
    for k in range(_STATED - 1, -1, -1):
        for a in range(_LEVELS, PARAMETERS):
            for b in range(_LEVELS, PARAMETERS):
                normal[a, b] += pulls[k] * _PRIORS[k, a] * _PRIORS[k, b]
    for a in range(PARAMETERS):
        normal[a, a] += _tiny(a, normal[2, 2], step)
    return solve_spd(normal, inverse), inverse


@kernel
def _variance(
    a: int, floor: float, pulls: Floats, inverse: Floats, seen: Noise, still: Noise, weights: Floats, jacobian: Floats
) -> float:  # pragma: no cover - compiled
    """Variance of parameter `a` from the noise of the samples.

    `seen` is the noise of the residual. Where it exceeds twice the noise of the still trace, the excess is model error:
    see `DEFINITION`.
    """
    weights[:] = 0.0
    for b in range(PARAMETERS):
        for i in range(weights.size):
            weights[i] += inverse[a, b] * jacobian[b, i]
    total = variance_of_weighted_sum(weights, max(seen.white, floor), seen.colour, seen.r)
    quiet = 2.0 * (still.white + still.colour * (1.0 + still.r) / (1.0 - still.r))
    if 0.0 < quiet < seen.white + seen.colour * (1.0 + seen.r) / (1.0 - seen.r):
        calm = variance_of_weighted_sum(weights, 2.0 * max(still.white, floor), 2.0 * still.colour, still.r)
        total = calm + DEFINITION**2 * (total - calm)
    return total


@kernel
def _of_priors(a: int, pulls: Floats, inverse: Floats) -> float:  # pragma: no cover - compiled
    """Variance of parameter `a` from the uncertainty of the priors."""
    total = 0.0
    for k in range(_STATED):
        share = 0.0
        for j in range(_LEVELS, PARAMETERS):
            share += _PRIORS[k, j] * inverse[a, j]
        total += pulls[k] * share**2
    return total


@kernel
def _read_uncertainties(
    step: float,
    h: float,
    floor: float,
    variance: float,
    independent: float,
    constant: float,
    prior_u: Floats,
    seen: Noise,
    still: Noise,
    residual: Floats,
    jacobian: Floats,
    out: Record,
) -> bool:  # pragma: no cover - compiled
    """Standard uncertainties of start and time constant; False where the trace does not determine the response."""
    pulls = variance / prior_u**2
    done, inverse = _covariance(step, pulls, jacobian)
    if not done:
        return False
    by_few = student_factor(0.5 * (independent - 4.0))
    square = _variance(0, floor, pulls, inverse, seen, still, residual, jacobian)
    square += variance * _of_priors(0, pulls, inverse)
    out.start_u = np.hypot(np.sqrt(max(square, 0.0)) * by_few, KINK * h)
    square = _variance(1, floor, pulls, inverse, seen, still, residual, jacobian) + variance * _of_priors(
        1, pulls, inverse
    )
    out.constant_u = np.sqrt(max(square, 0.0)) * constant * by_few
    return True


@kernel
def fit_step(
    y: Floats, first: int, stop: int, h: float, guess: Record, known: Known, still: Noise, out: Record
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
    guess : record of `models.reading.lambda_trace.step_model.Response`
        Response to begin with.
    known : Known
        Prior knowledge.
    still : Noise
        Noise where the trace is still.
    out : record of `models.reading.lambda_trace.step_model.Fit`
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
    p = np.array([guess.start, np.log(guess.constant), guess.before, guess.step, guess.ramp])
    residual, jacobian = np.empty(n), np.empty((PARAMETERS, n))
    base, gradient = np.empty((PARAMETERS, PARAMETERS)), np.empty(PARAMETERS)
    no_final, no_before = np.isnan(known.final), np.isnan(known.before_u)
    targets = np.array([0.0, 0.0 if no_final else known.final, guess.before])
    ramp_u = RAMP_PRIOR * abs(guess.step)
    prior_u = np.array([ramp_u, np.inf if no_final else known.final_u, np.inf if no_before else known.before_u])
    pulls, floor = np.empty(_STATED), (1e-4 * guess.step) ** 2
    variance, spread, damping = max(still.white + still.colour, floor), 1.0, 1e-3
    sse, better = step_residuals(y, first, stop, h, p, known, residual, jacobian), False
    for iteration in range(_ITERATIONS):
        if iteration % 4 == 3:
            variance = max(sse / used, floor)
        if iteration == 3 or iteration == 11:
            white, colour, r = coloured(residual, n, used, 4, h)
            spread = _correlated(white, colour, r)
        _pull(variance * spread, prior_u, pulls)
        cost = _cost(sse, p, targets, pulls)
        _normal_equations(residual, jacobian, p, targets, pulls, base, gradient)
        new, moved, damping = _step_down(
            y, first, stop, h, guess.step, p, cost, damping, known, targets, pulls, base, gradient, residual, jacobian
        )
        better = new >= 0.0
        if better:
            sse = new
        if not better or (moved < 1e-2 * h and iteration > 4):
            break
    if not better:  # the last trial was rejected: evaluate the parameters kept
        sse = step_residuals(y, first, stop, h, p, known, residual, jacobian)
    variance = max(sse / max(used - 4, 1), floor)
    white, colour, r = coloured(residual, n, used, 4, h)
    spread = _correlated(white, colour, r)
    seen, tau, independent = Noise(white, colour, r), np.exp(p[1]), used / spread
    if not _read_uncertainties(
        guess.step, h, floor, variance * spread, independent, tau, prior_u, seen, still, residual, jacobian, out
    ):
        return False
    out.start, out.constant, out.before, out.step, out.ramp = p[0], tau, p[2], p[3], p[4]
    out.residual, out.correlation, out.samples = np.sqrt(sse / used), spread, used
    return True
