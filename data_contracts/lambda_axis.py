"""How a trace of lambda is drawn, on screen and on paper: numbers rise upwards, so lean is up.

Levels are spaced by their inverse: the fuel-air ratio is what a mixture's error shows in, and a fuel cut, which is lean without
end, stays on the drawing.
"""

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from data_contracts.family import LambdaSensor

LEVELS = (0.7, 0.8, 0.9, 1.0, 1.1, 1.3, 1.6, 2.0)
"""Lambda at the lines of an axis. [1]"""

Inverse = TypeVar("Inverse", float, NDArray[np.float64])


def height(inverse: Inverse) -> Inverse:
    """Where 1/lambda is drawn: higher when leaner. [1]"""
    return -inverse


def levels(low: float, high: float) -> list[tuple[float, float]]:
    """Lines of an axis between two heights.

    Parameters
    ----------
    low, high : float
        As `height` gives them. [1]

    Returns
    -------
    list of (float, float)
        Height, and lambda there. [1]
    """
    return [(at, level) for level in LEVELS if low <= (at := height(1.0 / level)) <= high]


def rich_is_up(sensor: LambdaSensor | None) -> bool:
    """Whether rich is up on the axis: only where a narrowband sensor is drawn in volts that rise when rich."""
    return sensor is not None and sensor.kind == "narrowband" and sensor.polarity == "rich_high"
