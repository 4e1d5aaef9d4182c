"""Student's quantiles over the normal ones: how much a limit or interval widens where a scatter rests on few values."""

import numpy as np
from scipy.special import ndtri, stdtrit

from models.statistics.arrays import Floats
from models.statistics.compiled import kernel

_STEPS = 4096


def quantile_ratio(upper: float, degrees: Floats) -> Floats:
    """Student's quantile over the normal one.

    Parameters
    ----------
    upper : float
        Probability above the quantile, below 0.5. [1]
    degrees : ndarray
        Degrees of freedom, above 0; infinity gives 1. [1]

    Returns
    -------
    ndarray of the shape of `degrees`
        At least 1. [1]
    """
    return np.asarray(stdtrit(degrees, upper) / ndtri(upper))


# At _STEPS + 1 even steps of one over the degrees of freedom, from none (infinitely many degrees) to one.
_RATIOS = np.concatenate([[1.0], quantile_ratio(0.025, _STEPS / np.arange(1.0, _STEPS + 1.0))])


@kernel
def student_factor(degrees: float) -> float:
    """Factor on a standard uncertainty whose scatter rests on few values, so that ±1.96 of it is a 95 % interval.

    Parameters
    ----------
    degrees : float
        Degrees of freedom of the scatter; fewer than one count as one. [1]

    Returns
    -------
    float
        Ratio of Student's 97.5 % point to the normal's, 6.48 for one degree of freedom. [1]

    References
    ----------
    JCGM 100:2008 (GUM), G.3 and table G.2 (reference test).
    """
    place = _STEPS / max(degrees, 1.0)
    below = min(int(place), _STEPS - 1)
    return float(_RATIOS[below] + (place - below) * (_RATIOS[below + 1] - _RATIOS[below]))
