"""What tracking hands to the causes: how far each van stands from what it is expected to read."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Residuals:
    """Present level of each van against its expectation, all at reference conditions.

    Attributes
    ----------
    van_ids : tuple of str
        Rows.
    quantities : tuple of str
        Columns, names of data_contracts/signals.py.
    expected : ndarray of shape (vans, quantities)
        Expected level: own past shrunk to the family. NaN where unknown. [unit of the quantity]
    shift : ndarray of shape (vans, quantities)
        Present level minus expected; NaN where not read. [unit of the quantity]
    shift_u : ndarray of shape (vans, quantities)
        Standard uncertainty of the shift. [unit of the quantity]
    scatter : ndarray of shape (vans, quantities)
        Scatter of recent repeats over the scatter expected of them; above 1 comes and goes. [1]
    visits : ndarray of shape (vans,), int
        Visits the present level rests on.
    """

    van_ids: tuple[str, ...]
    quantities: tuple[str, ...]
    expected: NDArray[np.float64]
    shift: NDArray[np.float64]
    shift_u: NDArray[np.float64]
    scatter: NDArray[np.float64]
    visits: NDArray[np.int64]
