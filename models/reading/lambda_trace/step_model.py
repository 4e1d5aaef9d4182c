"""Model of a first-order step response: its parameters, prior knowledge of them, and the residuals of a trace."""

from typing import NamedTuple

import numpy as np

from models.statistics.arrays import Floats
from models.statistics.compiled import kernel

# Parameters of a response: start, logarithm of the time constant, level before, step, ramp.
PARAMETERS = 5


class Response(NamedTuple):
    """A first-order response to a step, with a ramp after its start.

    Attributes
    ----------
    start, constant : ndarray of shape (captures,)
        When it starts, and its time constant. [s]
    before, step : ndarray of shape (captures,)
        Level before, and step. [unit]
    ramp : ndarray of shape (captures,)
        Slope of the level after the start. [unit/s]
    """

    start: Floats
    constant: Floats
    before: Floats
    step: Floats
    ramp: Floats


class Fit(NamedTuple):
    """A fitted response.

    Attributes
    ----------
    start, constant, before, step, ramp : ndarray of shape (captures,)
        The response, see `Response`. [s], [s], [unit], [unit], [unit/s]
    start_u, constant_u : ndarray of shape (captures,)
        Standard uncertainties. [s]
    residual : ndarray of shape (captures,)
        Root mean square. [unit]
    correlation, samples : ndarray of shape (captures,)
        Samples worth one independent sample, and number of samples recorded. [1]
    """

    start: Floats
    constant: Floats
    before: Floats
    step: Floats
    ramp: Floats
    start_u: Floats
    constant_u: Floats
    residual: Floats
    correlation: Floats
    samples: Floats


class Noise(NamedTuple):
    """Noise of a trace.

    Attributes
    ----------
    white, colour : float
        Variances of its white and of its coloured part. [unit²]
    r : float
        Lag-one correlation of the coloured part. [1]
    """

    white: float
    colour: float
    r: float


class Known(NamedTuple):
    """Prior knowledge of a response.

    Attributes
    ----------
    low, high : float
        Ends at which the signal is cut off; the model is cut off there too (censoring). [unit]
    final, final_u : float
        Final level and its standard uncertainty; NaN where unknown. It has little weight where the model fits to within
        the noise, and much where the residual is smooth, that is, where the model is wrong. [unit]
    before_u : float
        Standard uncertainty of the guessed level before, where the window begins at the turn and shows little of it;
        NaN where unknown. [unit]
    """

    low: float
    high: float
    final: float
    final_u: float
    before_u: float


@kernel
def step_residuals(
    y: Floats, first: int, stop: int, h: float, p: Floats, known: Known, residual: Floats, jacobian: Floats
) -> float:  # pragma: no cover - compiled
    """Residuals of the clipped step response, and its derivatives.

    Parameters
    ----------
    y : ndarray of shape (samples,)
        Trace; NaN where nothing was recorded. [unit]
    first, stop : int
        Window.
    h : float
        Sampling interval; sample i lies at time i h. [s]
    p : ndarray of shape (5,)
        Start, logarithm of the time constant, level before, step, ramp. [s], [ln s], [unit], [unit], [unit/s]
    known : Known
        For the ends at which the signal is cut off.
    residual : ndarray of shape (stop - first,)
        Filled in; 0 where nothing was recorded. [unit]
    jacobian : ndarray of shape (5, stop - first)
        Filled in: derivatives of the model. [unit per unit of the parameter]

    Returns
    -------
    float
        Sum of squared residuals. [unit²]
    """
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
            for j in range(PARAMETERS):
                jacobian[j, k] = 0.0
            continue
        if value < known.low or value > known.high:
            value = known.low if value < known.low else known.high
            for j in range(PARAMETERS):
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
