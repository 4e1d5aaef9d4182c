"""By how much Student's quantiles exceed the normal ones: what a limit or an interval widens by where a scatter is told
from little."""

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
        Probability above the quantile, below 0.5. [unitless]
    degrees : ndarray
        Degrees of freedom, above 0; infinity gives 1.

    Returns
    -------
    ndarray of the shape of `degrees`
        At least 1. [unitless]
    """
    return np.asarray(stdtrit(degrees, upper) / ndtri(upper))


# At _STEPS + 1 even steps of one over the degrees of freedom, from none (infinitely many degrees) to one.
_RATIOS = np.concatenate([[1.0], quantile_ratio(0.025, _STEPS / np.arange(1.0, _STEPS + 1.0))])


@kernel
def student_factor(degrees: float) -> float:
    """What a standard uncertainty grows by, so that 1.96 of it are a 95 % interval though its scatter was told from
    little.

    Parameters
    ----------
    degrees : float
        Degrees of freedom of the scatter; fewer than one count as one.

    Returns
    -------
    float
        Ratio of Student's 97.5 % point to the normal's, 6.48 for one degree of freedom. [unitless]

    References
    ----------
    JCGM 100:2008 (GUM), G.3 and table G.2 (reference test).
    """
    place = _STEPS / max(degrees, 1.0)
    below = min(int(place), _STEPS - 1)
    return float(_RATIOS[below] + (place - below) * (_RATIOS[below + 1] - _RATIOS[below]))
