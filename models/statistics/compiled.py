"""Decorators for compiled loops, so that all are compiled with the same options and keep their types."""

import hashlib
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar, cast

import numba

FOLDER_VARIABLE = "VANSNAP_KERNELS"
"""Names a folder to keep machine code in, where it can't be kept beside the source because that is not to be written to."""


def folder_of_sources(folder: Path, root: Path) -> Path:
    """Where in a folder the machine code of just these sources is kept.

    The compiler looks at a kernel's own file only, and builds what it calls and the constants it names into it: code of
    another version in the same folder would be taken for this one's.

    Parameters
    ----------
    folder : Path
        For the machine code of any version.
    root : Path
        Holds the packages.

    Returns
    -------
    Path
        A folder within it, named by a hash over the sources of all packages that hold kernels or what they name.
    """
    digest = hashlib.sha256()
    for package in ("data_contracts", "models", "sample_fleet"):
        for path in sorted((root / package).rglob("*.py")):
            digest.update(b"%s\0%s\0" % (path.relative_to(root).as_posix().encode(), path.read_bytes()))
    return folder / digest.hexdigest()[:12]


if _given := os.environ.get(FOLDER_VARIABLE):
    cast(Any, numba.config).CACHE_DIR = str(folder_of_sources(Path(_given), Path(__file__).parents[2]))

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
    """Compile a loop that only sums, in whatever order is fastest: the last digits of the sum may differ.

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
    """Compile a loop over samples without NaN, so that several samples are processed at once.

    The order of sums is free, and minimum and maximum use the processor's own instructions. The compiler vectorises
    loops whose index runs from 0 over slices, without branches.

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


def is_compiled(function: Callable[..., Any]) -> bool:
    """Whether the machine code of a kernel stands on disk, newer than its source.

    Parameters
    ----------
    function : callable
        A kernel of this module.

    Returns
    -------
    bool
        False also where no folder can hold it.
    """
    plain = cast(Any, function).py_func
    source, folder = Path(plain.__code__.co_filename), cast(Any, function).stats.cache_path
    kept = Path(folder).glob(f"{source.stem}.{plain.__name__}-{plain.__code__.co_firstlineno}.*nbi") if folder else ()
    return any(one.stat().st_mtime >= source.stat().st_mtime for one in kept)
