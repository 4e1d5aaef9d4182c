"""Types of the arguments of compiled functions."""

from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

Record: TypeAlias = Any  # one element of an array of dtype parameters.RUN or parameters.FAULTS: fields by name
FloatArray: TypeAlias = NDArray[np.float64]
SeedArray: TypeAlias = NDArray[np.uint64]
