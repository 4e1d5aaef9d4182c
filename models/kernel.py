"""One decorator for every compiled loop, so that all are compiled alike and stay typed."""

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba

Function = TypeVar("Function", bound=Callable[..., Any])


def kernel(function: Function) -> Function:
    """Compile a loop over arrays once and keep the machine code beside the source.

    Parameters
    ----------
    function : callable
        Takes and returns arrays and numbers only.

    Returns
    -------
    callable
        The same function, compiled on first call.
    """
    return cast(Function, numba.njit(cache=True, nogil=True, error_model="numpy")(function))
