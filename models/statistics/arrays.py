"""Types of the arrays that the models exchange."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Codes = NDArray[np.int64]
