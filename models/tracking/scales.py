"""The scale each quantity scatters evenly in, and the way there and back."""

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from data_contracts.signals import BANK2_PREFIX

Array = NDArray[np.float64]
Scale = Literal["log", "root", "plain"]


def base_name(quantity: str) -> str:
    """The quantity without its bank."""
    return quantity.removeprefix(BANK2_PREFIX)


def scale_of(quantity: str) -> Scale:
    """The scale a quantity scatters evenly in: flows and times logarithmic, counts as roots, the rest plain.

    Parameters
    ----------
    quantity : str
        A name of data_contracts/signals.py.

    Returns
    -------
    {"log", "root", "plain"}
    """
    name = base_name(quantity)
    if name.endswith("lean_needles"):
        return "root"
    flow = name.endswith(("_g_s", "_mg")) and name != "recirculation_pulse_g_s"
    return "log" if flow or name.endswith(("time_constant_s", "switch_time_s", "run_up_time_s")) else "plain"


def to_scale(quantity: str, values: Array) -> Array:
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
            return np.sqrt(np.maximum(values, 0.0) + 0.375)  # Anscombe, Biometrika 35 (1948) 246
    return np.asarray(values, dtype=np.float64)


def from_scale(quantity: str, scaled: Array) -> Array:
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


def steepness(quantity: str, scaled: Array) -> Array:
    """Change of the quantity per change of the working scale, there.

    Parameters
    ----------
    quantity : str
        A name of data_contracts/signals.py.
    scaled : ndarray
        [working scale]

    Returns
    -------
    ndarray
        [unit of the quantity per working scale]
    """
    scale = scale_of(quantity)
    if scale == "log":
        return np.exp(np.minimum(scaled, 50.0))
    return 2.0 * np.maximum(scaled, 0.0) if scale == "root" else np.ones_like(scaled)
