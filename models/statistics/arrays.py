"""Names of the array types that the models pass around."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Codes = NDArray[np.int64]
