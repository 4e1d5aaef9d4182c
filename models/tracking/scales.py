"""The working scale of each quantity, on which its scatter is the same at every level, and the way back."""

import numpy as np

from data_contracts.quantities.record import Scale
from data_contracts.signals import tracking_of
from models.statistics.arrays import Floats


def scale_of(quantity: str) -> Scale:
    """The scale on which a quantity scatters the same at every level.

    Parameters
    ----------
    quantity : str
        A name of data_contracts/signals.py.

    Returns
    -------
    {"log", "root", "plain"}
    """
    return tracking_of(quantity).scale


def to_scale(quantity: str, values: Floats) -> Floats:
    """Values on the working scale; what has no logarithm is NaN.

    Parameters
    ----------
    quantity : str
        A name of data_contracts/signals.py.
    values : ndarray
        [unit of the quantity]

    Returns
    -------
    ndarray
        [working scale]
    """
    scale = scale_of(quantity)
    with np.errstate(invalid="ignore", divide="ignore"):
        if scale == "log":
            return np.where(values > 0, np.log(np.where(values > 0, values, 1.0)), np.nan)
        if scale == "root":
            return np.sqrt(
                np.maximum(values, 0.0) + 0.375
            )  # Anscombe, Biometrika 35 (1948) 246, DOI 10.1093/biomet/35.3-4.246 from memory
    return np.asarray(values, dtype=np.float64)


def from_scale(quantity: str, scaled: Floats) -> Floats:
    """Back from the working scale.

    Parameters
    ----------
    quantity : str
        A name of data_contracts/signals.py.
    scaled : ndarray
        [working scale]

    Returns
    -------
    ndarray
        [unit of the quantity]
    """
    scale = scale_of(quantity)
    if scale == "log":
        return np.exp(np.minimum(scaled, 50.0))
    return np.maximum(scaled, 0.0) ** 2 - 0.375 if scale == "root" else scaled


def derivative(quantity: str, scaled: Floats) -> Floats:
    """Derivative of a quantity with respect to its working scale.

    Parameters
    ----------
    quantity : str
        A name of data_contracts/signals.py.
    scaled : ndarray
        Where to take it. [working scale]

    Returns
    -------
    ndarray
        [unit of the quantity per working scale]
    """
    scale = scale_of(quantity)
    if scale == "log":
        return np.exp(np.minimum(scaled, 50.0))
    return 2.0 * np.maximum(scaled, 0.0) if scale == "root" else np.ones_like(scaled)
