"""`Estimate`: a quantity over a batch, with value, standard uncertainty, and the reason where it is missing."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from data_contracts.reasons import UNREAD_REASONS
from models.statistics.arrays import Flags, Floats

UNREAD_CODES: tuple[str, ...] = ("", *UNREAD_REASONS)
_NUMBER = {code: number for number, code in enumerate(UNREAD_CODES)}


def reason_number(code: str) -> int:
    """Number of an unread reason in `Estimate.reason`; 0 stands for a value that was read.

    Parameters
    ----------
    code : str
        A code of `data_contracts.reasons.UNREAD_REASONS`, or "".

    Returns
    -------
    int
    """
    return _NUMBER[code]


@dataclass(frozen=True)
class Estimate:
    """One quantity over a batch of captures.

    Attributes
    ----------
    value : ndarray of shape (captures,)
        NaN where it was not read. [unit of the quantity]
    u : ndarray of shape (captures,)
        Standard uncertainty; NaN where it was not read. [unit of the quantity]
    reason : ndarray of shape (captures,), int8
        0 where it was read, else the number of the reason in `UNREAD_CODES`.
    """

    value: Floats
    u: Floats
    reason: NDArray[np.int8]

    def because(self, where: Flags, code: str) -> "Estimate":
        """The same estimate with some captures null for a reason; an earlier reason is kept.

        Parameters
        ----------
        where : ndarray of shape (captures,), bool
            True = null.
        code : str
            A code of `data_contracts.reasons.UNREAD_REASONS`.

        Returns
        -------
        Estimate
        """
        out = where & (self.reason == 0)
        return Estimate(
            np.where(out, np.nan, self.value),
            np.where(out, np.nan, self.u),
            np.where(out, _NUMBER[code], self.reason).astype(np.int8),
        )


def estimate(value: NDArray[np.floating], u: NDArray[np.floating], missing: str = "not_found") -> Estimate:
    """An estimate from plain arrays; values that are not finite, or whose u is not, are unread for one reason.

    Parameters
    ----------
    value, u : ndarray of shape (captures,)
        Values and standard uncertainties. [unit of the quantity]
    missing : str
        Reason for the values that are not finite.

    Returns
    -------
    Estimate
    """
    values, uncertainties = np.asarray(value, dtype=np.float64), np.asarray(u, dtype=np.float64)
    read = np.isfinite(values) & np.isfinite(uncertainties)
    return Estimate(
        np.where(read, values, np.nan),
        np.where(read, uncertainties, np.nan),
        np.where(read, 0, _NUMBER[missing]).astype(np.int8),
    )


def unread(captures: int, code: str) -> Estimate:
    """A batch in which nothing was read, for one reason.

    Parameters
    ----------
    captures : int
        Number of captures.
    code : str
        A code of `data_contracts.reasons.UNREAD_REASONS`.

    Returns
    -------
    Estimate
    """
    nothing = np.full(captures, np.nan)
    return Estimate(nothing, nothing, np.full(captures, _NUMBER[code], dtype=np.int8))


def concatenate(parts: Sequence[Estimate]) -> Estimate:
    """Join batches of the same quantity, in order.

    Parameters
    ----------
    parts : sequence of Estimate
        At least one.

    Returns
    -------
    Estimate
    """
    return Estimate(
        np.concatenate([part.value for part in parts]),
        np.concatenate([part.u for part in parts]),
        np.concatenate([part.reason for part in parts]),
    )
