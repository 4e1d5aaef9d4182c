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


def sum_kernel(function: Function) -> Function:
    """Compile a loop that only adds up, in whatever order is fastest: the last digits of the sum are free.

    Parameters
    ----------
    function : callable
        Takes arrays and numbers, gives sums. NaN and infinity keep their meaning.

    Returns
    -------
    callable
        The same function, compiled on first call.
    """
    free = {"reassoc", "contract"}
    return cast(Function, numba.njit(cache=True, nogil=True, error_model="numpy", fastmath=free)(function))


def vector_kernel(function: Function) -> Function:
    """Compile a loop over samples none of which is NaN, so that several are taken at once.

    The order of sums is free, and a smaller or larger of two is the machine's own. A loop whose index goes from 0 over
    slices, without branches, is what the compiler can widen.

    Parameters
    ----------
    function : callable
        Takes arrays and numbers without NaN; infinity keeps its meaning.

    Returns
    -------
    callable
        The same function, compiled on first call.
    """
    free = {"reassoc", "contract", "nnan", "nsz"}
    return cast(Function, numba.njit(cache=True, nogil=True, error_model="numpy", fastmath=free)(function))
