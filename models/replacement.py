"""Age replacement: when changing a part early is cheaper than letting it fail."""

from dataclasses import dataclass

import numpy as np
from scipy.integrate import quad
from scipy.optimize import minimize_scalar
from scipy.special import gamma

from data_contracts.errors import InputError


@dataclass(frozen=True)
class ReplacementAge:
    """Best age to change a part.

    Attributes
    ----------
    age : float
        Infinity: never early. [unit of the scale]
    cost_rate : float
        Long-run cost at that age. [currency per unit of the scale]
    run_to_failure_rate : float
        Long-run cost of waiting for failure. [currency per unit of the scale]
    """

    age: float
    cost_rate: float
    run_to_failure_rate: float


def replacement_cost_rate(age: float, shape: float, scale: float, planned: float, unplanned: float) -> float:
    r"""Long-run cost of changing at an age or at failure, whichever comes first.

    Parameters
    ----------
    age : float
        [unit of `scale`]
    shape, scale : float
        Of a Weibull life. [1], [any unit]
    planned, unplanned : float
        Cost of one change before and after failure. [currency]

    Returns
    -------
    float
        :math:`(C_p R(t) + C_u F(t)) / \int_0^t R` [currency per unit of the scale]
    """
    survive = float(np.exp(-((age / scale) ** shape)))
    in_service = quad(lambda t: np.exp(-((t / scale) ** shape)), 0.0, age, epsabs=0.0, epsrel=1e-10)[0]
    return (planned * survive + unplanned * (1.0 - survive)) / in_service


def best_replacement_age(shape: float, scale: float, planned: float, unplanned: float) -> ReplacementAge:
    """Age with the lowest long-run cost.

    Parameters
    ----------
    shape, scale : float
        Of a Weibull life. [1], [any unit]
    planned, unplanned : float
        Cost of one change before and after failure. [currency]

    Returns
    -------
    ReplacementAge
        Age infinity when the part does not wear (shape at most 1) or failing costs no more.

    Raises
    ------
    InputError
        If a parameter is not above 0.

    References
    ----------
    R. E. Barlow, L. C. Hunter, Operations Research 8(1), 1960, 90-100.
    """
    for name, value in (("shape", shape), ("scale", scale), ("planned", planned), ("unplanned", unplanned)):
        if not value > 0:
            raise InputError(f"{name} is {value}: give a number above 0")
    to_failure = unplanned / (scale * float(gamma(1.0 + 1.0 / shape)))
    if shape <= 1.0 or unplanned <= planned:
        return ReplacementAge(np.inf, to_failure, to_failure)
    found = minimize_scalar(
        lambda log_age: replacement_cost_rate(float(np.exp(log_age)), shape, scale, planned, unplanned),
        bounds=(np.log(scale * 1e-3), np.log(scale * 5.0)),
        method="bounded",
        options={"xatol": 1e-9},
    )
    return ReplacementAge(float(np.exp(found.x)), float(found.fun), to_failure)
