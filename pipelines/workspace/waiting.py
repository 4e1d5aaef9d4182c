"""Work that needs the workspace to itself, done as soon as nobody else holds it."""

import time
from collections.abc import Callable
from typing import TypeVar

from data_contracts.errors import WorkspaceBusyError

Result = TypeVar("Result")
_PAUSE_S = 0.2


def when_free(work: Callable[[], Result], wait_s: float) -> Result:
    """Do the work, again after a pause as long as another holds what it needs.

    Parameters
    ----------
    work : callable
        Without arguments; it holds the workspace, or opens the warehouse, by itself.
    wait_s : float
        How long to go on trying. [s]

    Returns
    -------
    what `work` returns

    Raises
    ------
    WorkspaceBusyError
        If it was held all the time.
    """
    end = time.monotonic() + wait_s
    while True:
        try:
            return work()
        except WorkspaceBusyError:
            if time.monotonic() > end:
                raise
            time.sleep(_PAUSE_S)
