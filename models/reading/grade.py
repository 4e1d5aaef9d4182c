"""Grades of a batch (good, usable or repeat), with every reason: the table of grade reasons applied to quality
flags."""

import numpy as np
from numpy.typing import NDArray

from data_contracts.reasons import GRADE_REASONS, REPEAT_REASONS

_CODES = tuple(GRADE_REASONS)
_REPEAT = np.array([code in REPEAT_REASONS for code in _CODES])


def grade(flags: dict[str, NDArray[np.bool_]], captures: int) -> tuple[list[str], list[tuple[str, ...]]]:
    """Grade a batch from its quality flags.

    Parameters
    ----------
    flags : dict of str to ndarray of shape (captures,), bool
        Reason codes of `data_contracts.reasons.GRADE_REASONS` to where they hold.
    captures : int
        Size of the batch.

    Returns
    -------
    grade : list of str
        `repeat` where a reason sends the capture back, otherwise `usable` where one lowers it, otherwise `good`.
    reasons : list of tuple of str
        Every reason that holds, those that send back first.

    Raises
    ------
    KeyError
        If a code is not in the table: a fault of the program, not of the data.
    """
    table = np.zeros((captures, len(_CODES)), dtype=np.bool_)
    for code, where in flags.items():
        table[:, _CODES.index(code)] = where
    _, examples, index = np.unique(table @ (1 << np.arange(len(_CODES))), return_index=True, return_inverse=True)
    grades, reasons = [], []
    for pattern in table[examples]:
        held = np.flatnonzero(pattern)
        grades.append("repeat" if _REPEAT[held].any() else "usable" if held.size else "good")
        reasons.append(tuple(_CODES[k] for k in sorted(held, key=lambda k: (not _REPEAT[k], k))))
    places = index.reshape(-1).tolist()
    return [grades[k] for k in places], [reasons[k] for k in places]
